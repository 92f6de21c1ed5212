"""A van's day as the pages and the API show it, and what changed between a manifest's revisions; typed records.

`agent.dispatch.queries_day` fills them; times are as in `agent.dispatch.views`.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from agent.dispatch.views import BadgeView, EventView, LoadedView, ManifestView

Kind = Literal["off", "no word", "quiet", "not read"]


class SpotView(Struct, frozen=True):
    """Where something was, and how that is known: by the departure, an event, the track, or a site's outline."""

    lat: float
    lon: float
    error_m: float | None
    by: Literal["departure", "event", "track", "outline"]


class SpanView(Struct, frozen=True, kw_only=True):
    """A stretch of the day in which something is missing.

    `off`: the computer was off, nothing was recorded. `no word`: nothing came from the van (a dead zone). `quiet`: the
    same for a shorter time, which a receiver without a fix explains as well. `not read`: tags, or some of them, were
    not read; `whole` where it was none at all. `from_s` null where its begin is not known, `until_s` where it lasts.
    """

    kind: Kind
    from_s: float | None
    until_s: float | None
    why: str
    not_known: str | None = None
    whole: bool = True


class PointView(Struct, frozen=True):
    """A position; `until_s` is how long it is known to have stood within some metres of it.

    `apart` says that the way here from the point before is not known.
    """

    lat: float
    lon: float
    at_s: float
    until_s: float
    error_m: float | None
    speed_mps: float | None
    apart: bool


class StopView(Struct, frozen=True, kw_only=True):
    """A stay. `from_s` null where no arrival is known, `until_s` null where none has departed yet.

    `number` counts the day's stops. `events` are what got on and off and stands, `taken_back` what no longer does.
    `departs_as` is the place that the next departure names, where it is another.
    """

    number: int
    place: str
    site: str | None
    from_s: float | None
    until_s: float | None
    before_day: bool
    spot: SpotView | None
    departs_as: str | None
    loaded: int
    unloaded: int
    events: tuple[EventView, ...]
    taken_back: tuple[EventView, ...]


class LegView(Struct, frozen=True, kw_only=True):
    """A leg between two stops of the day, with its manifest as it stands.

    `from_stop` and `to_stop` are the stops' numbers, null where those are of another day or not known. `until_s` null
    where it has not arrived or no arrival is known; `known_until_s` is then the latest that it can have lasted.
    """

    number: int
    from_stop: int | None
    to_stop: int | None
    from_s: float
    until_s: float | None
    known_until_s: float
    manifest: ManifestView


class DayView(Struct, frozen=True, kw_only=True):
    """A van's day, from midnight to midnight in `zone`. `shown_from_s` and `shown_until_s` are what the strip shows.

    `track_note` says why there is no track, or what it lacks. `unplaced` are events of the day at none of its stops.
    """

    vehicle: str
    date: str
    zone: str
    from_s: float
    until_s: float
    shown_from_s: float
    shown_until_s: float
    now_s: float
    is_today: bool
    previous: str | None
    next: str | None
    stops: tuple[StopView, ...]
    legs: tuple[LegView, ...]
    spans: tuple[SpanView, ...]
    track: tuple[PointView, ...]
    track_note: str | None
    unplaced: tuple[EventView, ...]
    withdrawn: tuple[str, ...]


class ChangedView(Struct, frozen=True):
    """An item whose confidence changed its class, from the words of `before` to those of `after`."""

    epc: str
    name: str
    before: float | None
    after: float | None


class DifferenceView(Struct, frozen=True, kw_only=True):
    """What a revision changed against the one before; `lines` are the rest, a sentence each."""

    added: tuple[LoadedView, ...] = ()
    gone: tuple[LoadedView, ...] = ()
    changed: tuple[ChangedView, ...] = ()
    badges_added: tuple[BadgeView, ...] = ()
    badges_gone: tuple[BadgeView, ...] = ()
    lines: tuple[str, ...] = ()

    @property
    def is_none(self) -> bool:
        """Whether a reader sees no difference."""
        return not any(getattr(self, each) for each in self.__struct_fields__)


class IssueView(Struct, frozen=True, kw_only=True):
    """One revision: `key` names it in an address, `difference` is against the one before, null for the first.

    `again` says that this number was issued before with other content.
    """

    key: str
    revision: int
    issued_s: float | None
    stands: bool
    again: bool
    manifest: ManifestView
    withdrawn: bool
    difference: DifferenceView | None


class ManifestPage(Struct, frozen=True, kw_only=True):
    """A leg's manifest in the revision asked for, and all its revisions, oldest first."""

    shown: IssueView
    issues: tuple[IssueView, ...]
    date: str
