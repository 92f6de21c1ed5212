"""What the board's pages and its API show, as typed records; `agent.dispatch.queries` fills them.

Times are seconds since 1970 under names that end in `_s`; the API writes them as RFC 3339 without that ending.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from agent.dispatch.views_found import LoadingCount, NotReadView

Link = Literal["online", "quiet", "offline", "unknown"]


class BrokerLink(Struct, frozen=True):
    """Whether the broker is connected, since when by the dispatch's clock, and why not."""

    connected: bool
    since_s: float
    why: str | None = None


class PlaceView(Struct, frozen=True):
    """Where a van is. `name` is the site's, or where it comes from when `kind` is `way`."""

    kind: Literal["site", "halt", "way", "unknown"]
    name: str | None = None
    since_s: float | None = None
    site: str | None = None  # the id of the site, where it stands at one

    @property
    def text(self) -> str:
        """In words, without since when."""
        if self.kind == "site":
            return f"at {self.name}"
        if self.kind == "way":
            return f"on the way, from {self.name}" if self.name else "on the way"
        return "standing at a place that is no site" if self.kind == "halt" else "place not known"


class PositionView(Struct, frozen=True):
    """The last fix that came in."""

    lat: float
    lon: float
    at_s: float
    error_m: float | None = None
    speed_mps: float | None = None


class SilenceView(Struct, frozen=True):
    """What was not read on a leg, from when to when; `until_s` null where it was still so."""

    why: str
    since_s: float | None
    until_s: float | None


class DiscrepancyView(Struct, frozen=True):
    """Something open about a van's record: `short` names it, `text` says it whole, `do` what to do.

    `since_s` is when it was first seen here; for messages that could not be read, when the last one came; for what the
    van itself tells (`disk`, `undelivered`), since when by its own word. `kept` are excerpts of what could not be used.
    """

    kind: Literal["clash", "key", "chain", "gap", "refused", "unread", "disk", "undelivered"]
    short: str
    text: str
    since_s: float | None
    do: str
    count: int
    kept: tuple[str, ...] = ()


class VanLine(Struct, frozen=True, kw_only=True):
    """A van at a glance. `certain` is null where nothing was told."""

    vehicle: str
    link: Link
    link_since_s: float | None
    heard_s: float | None
    place: PlaceView
    position: PositionView | None
    aboard: int
    near: int
    certain: bool | None
    not_read: tuple[NotReadView, ...]
    missing: int
    discrepancies: tuple[DiscrepancyView, ...]
    loading: LoadingCount | None = None
    short: int = 0  # of the leg it is on, against the plan; nothing is short before departure
    over: int = 0


class AboardView(Struct, frozen=True):
    """One item in or near a van, as last told."""

    epc: str
    name: str
    p: float
    state: str
    heard_s: float | None
    loaded_at: str | None
    loaded_s: float | None


class BadgeView(Struct, frozen=True):
    """A badge aboard; it proves neither who drove nor who carried."""

    epc: str
    name: str
    p: float | None


class LoadedView(Struct, frozen=True):
    """An item on a manifest. `site` is null where it was aboard when first tallied."""

    epc: str
    name: str
    p: float | None
    site: str | None
    time_s: float | None
    not_before_s: float | None
    not_after_s: float | None


class RevisionView(Struct, frozen=True):
    """That a manifest was issued, and when."""

    revision: int
    issued_s: float | None
    items: int
    certain: bool


class UnlistedView(Struct, frozen=True):
    """A tag aboard that the register does not list."""

    tag: str
    p: float | None


class ManifestView(Struct, frozen=True, kw_only=True):
    """A leg's manifest in its highest revision; `problem` tells why it cannot be shown, if so."""

    vehicle: str
    manifest: str
    leg: str
    trip: str | None
    revision: int
    departed_from: str
    departed_s: float
    arrived_at: str | None
    arrived_s: float | None
    certain: bool
    items: tuple[LoadedView, ...]
    badges: tuple[BadgeView, ...]
    unlisted: tuple[UnlistedView, ...]
    plan_version: int | None
    short: tuple[str, ...]
    over: tuple[str, ...]
    substituted: tuple[str, ...]
    not_checked: tuple[str, ...]
    not_read: tuple[SilenceView, ...]
    revisions: tuple[RevisionView, ...]
    problem: str | None = None


class EventItemView(Struct, frozen=True):
    """An item of an event."""

    epc: str
    name: str
    p: float | None


class EventView(Struct, frozen=True, kw_only=True):
    """A custody event; `voided` ones no longer stand, for the reason given."""

    vehicle: str
    event_id: str
    step: str
    place: str
    time_s: float
    not_before_s: float | None
    not_after_s: float | None
    items: tuple[EventItemView, ...]
    voided: bool
    void_reason: str | None
    declared_s: float | None
    location: str | None = None  # as the event writes it: an SGLN, a site's URN or a `geo:` URI
    badges: tuple[BadgeView, ...] = ()


class VisitView(Struct, frozen=True, kw_only=True):
    """What happened at one place in one go, newest first; `loaded` and `unloaded` count the items that stand.

    `events` are those that stand, `taken_back` those that no longer do.
    """

    place: str
    from_s: float
    to_s: float
    loaded: int
    unloaded: int
    events: tuple[EventView, ...]
    taken_back: tuple[EventView, ...]


class RecordView(Struct, frozen=True):
    """How complete the record of one epoch is."""

    epoch: int
    received: int
    up_to: int
    ranges: tuple[tuple[int, int], ...]
    gaps: tuple[tuple[int, int], ...]


class NoticeView(Struct, frozen=True):
    """A notice that the van's computer wrote; `numbers` are those under which it came, (epoch, seq), in order."""

    notice: str
    text: str
    at_s: float | None
    numbers: tuple[tuple[int, int], ...] = ()


class RefusedView(Struct, frozen=True):
    """A version of sites, register, plan or settings that the van did not take into use, and why."""

    what: str
    version: int | None
    reasons: tuple[str, ...]


class ComputerView(Struct, frozen=True, kw_only=True):
    """What the van's computer last said of itself; `holds` are the versions in use, in words."""

    program: str | None
    boot: int | None
    started_s: float | None
    reader: str | None
    fixture_s: float | None  # when the tag fixed in the van was last heard, which proves that the reader hears
    receiver: str | None
    last_fix_s: float | None
    receiver_fault: str | None  # what is wrong with it and what to do, as the van first told
    disk: str | None  # what is wrong with its disk and what to do
    backlog: int | None
    holds: tuple[str, ...]
    refused: tuple[RefusedView, ...]


class VanPage(Struct, frozen=True, kw_only=True):
    """All of one van."""

    line: VanLine
    at_s: float | None
    items: tuple[AboardView, ...]
    badges: tuple[BadgeView, ...]
    manifests: tuple[ManifestView, ...]
    withdrawn: tuple[str, ...]
    events: tuple[EventView, ...]
    visits: tuple[VisitView, ...]
    more_events: bool
    computer: ComputerView | None
    record: tuple[RecordView, ...]
    clashes: int
    unused: int
    notices: tuple[NoticeView, ...]


class ToldView(Struct, frozen=True):
    """What the van that an item is aboard last said of it; `at_s` is when, `heard_s` when its tag was last heard."""

    at_s: float | None
    p: float | None
    state: str
    heard_s: float | None
    place: PlaceView
    link: Link


class ItemPage(Struct, frozen=True, kw_only=True):
    """Where an item is by the standing events, and all that was said of it."""

    epc: str
    name: str
    tag: str | None
    aboard: str | None
    place: str | None
    since_s: float | None
    since_exact: bool
    p: float | None
    events: tuple[EventView, ...]
    told: ToldView | None = None
    type: str | None = None
    home: str | None = None
    more_events: bool = False


class AuditEntry(Struct, frozen=True, kw_only=True):
    """Something that a person did; `before` and `after` are JSON texts. `who` is null where nobody had logged in."""

    number: int
    at_s: float
    who: str | None
    origin: str
    kind: str
    said: str
    subject: str
    before: str | None
    after: str | None


class AccountView(Struct, frozen=True, kw_only=True):
    """An account as an administrator sees it."""

    name: str
    role: str
    badge: str | None
    disabled: bool
    made_s: float
    password_s: float
    sessions: int


class SessionView(Struct, frozen=True, kw_only=True):
    """Where somebody is logged in."""

    address: str
    browser: str
    made_s: float
    seen_s: float


class TokenView(Struct, frozen=True, kw_only=True):
    """An API token without its secret."""

    token: str
    label: str
    scopes: tuple[str, ...]
    account: str
    made_s: float
    used_s: float | None
    revoked_s: float | None


class NoteView(Struct, frozen=True, kw_only=True):
    """What somebody wrote beside a badge's record, about one leg or all of it."""

    about: str | None
    account: str
    at_s: float
    text: str


class BadgeLegView(Struct, frozen=True, kw_only=True):
    """A leg on which a badge was heard aboard, by the manifest's highest revision."""

    vehicle: str
    manifest: str
    departed_from: str
    departed_s: float
    arrived_at: str | None
    arrived_s: float | None
    p: float | None
    driver: str | None
    notes: tuple[NoteView, ...]


class BadgePage(Struct, frozen=True, kw_only=True):
    """All that is kept of a badge: where it was heard aboard, and what was noted beside it."""

    epc: str
    name: str
    aboard: tuple[str, ...]
    legs: tuple[BadgeLegView, ...]
    more_legs: bool
    notes: tuple[NoteView, ...]
    looked: tuple[AuditEntry, ...]


class ItemLine(Struct, frozen=True, kw_only=True):
    """An item at a glance, by the standing events."""

    epc: str
    name: str
    tag: str | None
    aboard: str | None
    place: str | None
    since_s: float | None
    since_exact: bool
    p: float | None
