"""The sites as the board works on them: the newest version read, checked, compared, saved, and put in force.

Between the pages and the store. What was read of a version is kept by its number, for a version never changes.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from msgspec import Struct

from agent.canonical import canonical_json, digest_of
from agent.clock import Clock
from agent.dispatch.audit import Doer
from agent.dispatch.places import Places
from agent.dispatch.site_hints import OutsideHint, PlaceHint, StopSeen, outside_hints, place_hints
from agent.dispatch.site_store import SiteStore, SiteVersion, VanHolds
from agent.dispatch.site_warnings import SiteWarning, warnings_of
from agent.dispatch.sitebook import Book, area_m2, is_elsewhere, read_book
from agent.dispatch.store import DispatchStore
from agent.errors import ConfigError
from agent.messages import MAX_DOWNLINK_BYTES
from agent.records import Problem
from agent.sites import Site

_DAY_S = 86_400.0
HINT_DAYS = 90
_LOOK_AGAIN_S = 60.0
_FRAME_BYTES = 1000  # version and digest around a downlink's content

Publish = Callable[[int, Any], None]


class SiteRow(Struct, frozen=True):
    """A site in the table. `version` is the one that last changed it."""

    id: str
    name: str
    kind: str
    radius_m: float | None
    area_m2: float
    timezone: str | None
    radio_off: bool
    sgln: str | None
    version: int


class Hints(Struct, frozen=True):
    """What stops since then say of the newest outlines; `stops` is how many there were."""

    outside: tuple[OutsideHint, ...]
    places: tuple[PlaceHint, ...]
    stops: tuple[StopSeen, ...]
    since_s: float


class SiteDesk:
    """See the module. `publish` sends a version to the vans; None where the settings say that nothing is sent.

    `files` is what the folder held at the start, None where there is no folder.
    """

    def __init__(
        self, store: SiteStore, places: Places, clock: Clock, *, publish: Publish | None = None, files: Any = None  # noqa: ANN401 - JSON
    ) -> None:
        self._store, self._places, self._clock = store, places, clock
        self._publish, self.files = publish, files
        self.files_digest = None if files is None else digest_of(files)
        self._books: dict[int, Book] = {}
        self._warned: dict[int, tuple[SiteWarning, ...]] = {}
        self._changed: dict[int, dict[str, int]] = {0: {}}
        self._rows: dict[int, tuple[SiteRow, ...]] = {}
        self._seen: tuple[float, tuple[StopSeen, ...], float] | None = None
        self._hints: tuple[int, Hints] | None = None
        self._lock = threading.Lock()

    @property
    def publishes(self) -> bool:
        """Whether vans are sent what is put in force."""
        return self._publish is not None

    # -- what is there -------------------------------------------------------------------------------------------------

    def versions(self) -> tuple[SiteVersion, ...]:
        """Every version, the newest first."""
        return self._store.versions()

    def book(self, version: int | None) -> Book:
        """A version as a book; empty for None or 0. Raises KeyError where there is no such version."""
        if not version:
            return Book()
        with self._lock:
            if version in self._books:
                return self._books[version]
        content = self._store.content(version)
        if content is None:
            raise KeyError(version)
        book = read_book(content, name=f"sites version {version}")
        with self._lock:
            while len(self._books) > 8:  # noqa: PLR2004 - the few that pages look at
                self._books.pop(next(iter(self._books)))
            self._books[version] = book
        return book

    def warnings(self, version: int | None) -> tuple[SiteWarning, ...]:
        """What is likely a mistake in a version."""
        version = version or 0
        if version not in self._warned:
            self._warned[version] = warnings_of(self.book(version).sites)
        return self._warned[version]

    def rows(self, version: int | None) -> tuple[SiteRow, ...]:
        """A version's sites for a table, by name."""
        version = version or 0
        if version not in self._rows:
            changed = self._changed_in(version)
            rows = [_row(site, changed.get(site.id, 0)) for site in self.book(version).sites]
            self._rows[version] = tuple(sorted(rows, key=lambda row: (row.name.casefold(), row.id)))
        return self._rows[version]

    def _changed_in(self, version: int) -> dict[str, int]:
        """By site, the version that last changed it."""
        numbers = sorted(each.version for each in self.versions() if each.version <= version)
        known = max((number for number in self._changed if number <= version), default=0)
        before, changed = self.book(known), dict(self._changed[known])
        for number in (each for each in numbers if each > known):
            after = self.book(number)
            for feature in after.features:
                if before.feature(feature["id"]) != feature:
                    changed[feature["id"]] = number
            before = after
            self._changed[number] = dict(changed)
        return changed

    def holdings(self) -> tuple[VanHolds, ...]:
        """What every van says of the sites it holds."""
        return self._store.holdings()

    def elsewhere(self, book: Book) -> tuple[tuple[str, int], ...]:
        """Sites of a book whose id stood for another place in an earlier version, and the newest such version."""
        found = {}
        left = {site.id: site for site in book.sites}
        for version in self.versions():
            if not left:
                break
            for old in self.book(version.version).sites:
                site = left.pop(old.id, None)  # the newest version that has it says what it stands for
                if site is not None and is_elsewhere(old, site):
                    found[site.id] = version.version
        return tuple(sorted(found.items()))

    def files_changed(self) -> bool:
        """Whether the folder holds what no version was made of."""
        return self.files is not None and all(each.files != self.files_digest for each in self.versions())

    def stops(self) -> tuple[tuple[StopSeen, ...], float]:
        """Where vans stood, and since when that is; up to a minute old."""
        now_s, seen = self._clock.utc(), self._seen
        if seen is None or not 0.0 <= now_s - seen[0] < _LOOK_AGAIN_S:
            stops, since_s = self._store.stops(since_s=now_s - HINT_DAYS * _DAY_S)
            self._seen = seen = (now_s, stops, since_s)
        return seen[1], seen[2]

    def hints(self, version: int | None) -> Hints:
        """What real stops say of a version's outlines."""
        stops, since_s = self.stops()
        known, version = self._hints, version or 0
        if known is None or known[0] != version or known[1].stops is not stops:
            sites = self.book(version).sites
            known = (version, Hints(outside_hints(sites, stops), place_hints(stops, sites), stops, since_s))
            self._hints = known
        return known[1]

    def hint_of(self, version: int | None, site_id: str) -> OutsideHint | None:
        """What they say of one site."""
        sites = [site for site in self.book(version).sites if site.id == site_id]
        return next(iter(outside_hints(sites, self.stops()[0])), None)

    # -- what is done --------------------------------------------------------------------------------------------------

    def save(self, book: Book, *, base: int, doer: Doer, note: str, files: str | None = None) -> int:
        """Keep a book as the next version; ConfigError where no downlink can carry it, SiteBusyError as the store."""
        content = book.content()
        size = len(canonical_json(content))
        if size > MAX_DOWNLINK_BYTES - _FRAME_BYTES:
            do = "draw outlines with fewer corners"
            got = f"{size / 1e6:.1f} MB"
            raise ConfigError([Problem("all sites together", "size", got, do, "more than a van takes")])
        now_s = self._clock.utc()
        return self._store.save(content, base=base, doer=doer, note=note, now_s=now_s, files=files)

    def again(self, version: int, *, base: int, doer: Doer) -> int:
        """Save an earlier version's content as the newest."""
        return self.save(self.book(version), base=base, doer=doer, note=f"version {version} again")

    def take_up(self) -> None:
        """Let the version in force count here; where there is none at all, the files make the first."""
        if self.files is not None:
            self._store.seed(self.files, now_s=self._clock.utc())
        in_force = self._store.in_force()
        self._places.put_in_force(self.book(None if in_force is None else in_force.version).sites)

    def publish_again(self) -> None:
        """Tell the version in force to whoever publishes, as after a start."""
        in_force = self._store.in_force()
        if in_force is not None and self._publish is not None:
            self._publish(in_force.version, self._store.content(in_force.version))

    def send(self, version: int, *, doer: Doer) -> None:
        """Put the newest version in force: here at once, and at the vans where the settings let it."""
        content = self._store.send(version, doer=doer, now_s=self._clock.utc())
        self._places.put_in_force(self.book(version).sites)
        if self._publish is not None:
            self._publish(version, content)


def open_desk(
    store: DispatchStore, places: Places, clock: Clock, *, publish: Publish | None, files: Any  # noqa: ANN401 - JSON
) -> SiteDesk:
    """The desk of a database, with `places` as they count; ConfigError where what it holds is no set of sites."""
    desk = SiteDesk(SiteStore(store), places, clock, publish=publish, files=files)
    desk.take_up()
    return desk


def _row(site: Site, version: int) -> SiteRow:
    kind = "circle" if site.radius_m is not None else "outline"
    if site.radius_m is None and site.shape.geom_type == "MultiPolygon":
        kind = f"outline in {len(site.shape.geoms)} parts"
    return SiteRow(
        site.id, site.name, kind, site.radius_m, area_m2(site), site.timezone, site.radio_off, site.sgln, version
    )
