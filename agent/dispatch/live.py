"""The board's event stream: what changed, rendered once and told to every open page.

`Changes` carries the news from the committing thread to the server's loop; `pump` renders it at most twice a second for
each van; `Feed` keeps what a page that lost its stream has missed, or tells it to load anew. An event says all of what
it speaks of, so of several about one van the last is enough: however long the gap, as much is kept as there are vans.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import secrets
import threading
from collections.abc import AsyncIterator, Callable, Collection, Iterable

import msgspec
from msgspec import Struct

log = logging.getLogger(__name__)
_LOOK_EVERY_S = 0.5
_LINKS_EVERY_S = 5.0
_PAUSE_S = 2.0
_GIVE_UP_AFTER = 3  # judgement: so many vans in a row fail for a cause that they share


class Told(Struct, frozen=True):
    """One event of the stream."""

    number: int
    kind: str
    data: str
    about: str | None = None


class Changes:
    """Which vehicles changed since last asked; any thread may note."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._vehicles: set[str] = set()
        self._broker = False
        self.looks = 0
        """How often `take` was called: the pump's progress."""
        self.told = True
        """Whether the pump tells what it takes; false while the database or a rendering fails."""

    def note(self, vehicle: str, _what: str = "") -> None:
        """Something of this vehicle was committed."""
        with self._lock:
            self._vehicles.add(vehicle)

    def note_broker(self) -> None:
        """The connection to the broker changed."""
        with self._lock:
            self._broker = True

    def take(self) -> tuple[set[str], bool]:
        """The vehicles, and whether the broker's connection changed; both are forgotten here."""
        with self._lock:
            self.looks += 1
            taken = (self._vehicles, self._broker)
            self._vehicles, self._broker = set(), False
        return taken


class Feed:
    """The newest event about each thing, under ids `RUN-NUMBER`; used from the server's loop alone.

    At most `keep` events are kept; a page that missed one of the forgotten ones loads anew.
    """

    def __init__(self, *, keep: int = 4000) -> None:
        self._run = secrets.token_hex(4)  # a restarted server must not take an older run's number for its own
        self._kept: dict[tuple[str, str | int], Told] = {}  # oldest first
        self._keep = keep
        self._forgotten = 0  # the highest number that is no longer kept and that no later event replaces
        self._last = 0
        self._news = asyncio.Event()  # set, and replaced, by each event told

    @property
    def last_id(self) -> str:
        """The id of the newest event; a page rendered now has seen it."""
        return self.id_of(self._last)

    def id_of(self, number: int) -> str:
        """What stands in the stream's `id:`."""
        return f"{self._run}-{number}"

    async def tell(self, kind: str, data: object, *, about: str | None = None) -> None:
        """Add an event; `data` is written as JSON. It takes the place of the last one of its kind about the same."""
        self._last += 1
        key = (kind, self._last if about is None else about)
        self._kept.pop(key, None)
        self._kept[key] = Told(self._last, kind, msgspec.json.encode(data).decode(), about)
        if len(self._kept) > self._keep:
            self._forgotten = self._kept.pop(next(iter(self._kept))).number
        news, self._news = self._news, asyncio.Event()
        news.set()

    def since(self, last_id: str) -> list[Told] | None:
        """The events after `last_id`; None where some of them are forgotten or the id is of another run."""
        run, _, number = last_id.rpartition("-")
        if run != self._run or not (number.isascii() and number.isdecimal()) or int(number) > self._last:
            return None
        seen = int(number)
        if seen < self._forgotten:
            return None
        missed = []
        for told in reversed(self._kept.values()):  # the newest are last: most pages have missed next to nothing
            if told.number <= seen:
                break
            missed.append(told)
        return missed[::-1]

    async def stream(
        self, last_id: str, *, now: Callable[[], float], stopping: Callable[[], bool], tick_s: float = 1.0
    ) -> AsyncIterator[str]:
        """The stream's text for one page, from `last_id` on, with a `tick` of the dispatch's clock every second."""
        at = last_id or self.last_id
        loop = asyncio.get_running_loop()
        yield "retry: 2000\n\n" + _text("tick", msgspec.json.encode(now()).decode())
        ticked = loop.time()
        while not stopping():
            missed = self.since(at)
            if missed is None:
                at = self.last_id
                yield _text("reload", "null", at)
                continue
            for told in missed:
                at = self.id_of(told.number)
                yield _text(told.kind, told.data, at)
            if loop.time() - ticked >= tick_s:
                ticked = loop.time()
                yield _text("tick", msgspec.json.encode(now()).decode())
            if self.last_id == at:
                await self._wait(min(tick_s, _LOOK_EVERY_S))

    async def _wait(self, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._news.wait(), seconds)


def _text(kind: str, data: str, number: str | None = None) -> str:
    return ("" if number is None else f"id: {number}\n") + f"event: {kind}\ndata: {data}\n\n"


class _Pump:
    """What `pump` keeps between two looks."""

    def __init__(
        self,
        changes: Changes,
        feed: Feed,
        render_vans: Callable[[Collection[str]], Iterable[tuple[str, object]]],
        render_broker: Callable[[], object],
        links: Callable[[], dict[str, str]],
    ) -> None:
        self._changes, self._feed = changes, feed
        self._render_vans, self._render_broker, self._links = render_vans, render_broker, links
        self._known: dict[str, str] | None = None
        self._looked = 0.0

    async def look(self) -> bool:
        """Tell what changed; false where some of it could not be told, which is noted again."""
        vehicles, broker = self._changes.take()
        good = True
        try:
            vehicles |= await self._other_links()
        except Exception:
            log.exception("which vans fell silent could not be read")
            good = False
        if broker:
            good &= await self._tell_broker()
        if vehicles:
            try:
                await self._tell(vehicles)
            except Exception:
                log.exception("what changed could not be told of %d vans at once; each is tried alone", len(vehicles))
                good &= await self._tell_each(vehicles)
        return good

    async def _tell_broker(self) -> bool:
        try:
            await self._feed.tell("broker", await asyncio.to_thread(self._render_broker), about="broker")
        except Exception:
            log.exception("how the broker and this stream do could not be shown; tried again")
            self._changes.note_broker()
            return False
        return True

    async def _other_links(self) -> set[str]:
        """A van falls silent without saying anything: only looking finds that."""
        now = asyncio.get_running_loop().time()
        if self._known is not None and now - self._looked < _LINKS_EVERY_S:
            return set()
        fresh = await asyncio.to_thread(self._links)
        known, self._known, self._looked = self._known, fresh, now
        return set() if known is None else {vehicle for vehicle, link in fresh.items() if known.get(vehicle) != link}

    async def _tell(self, vehicles: Collection[str]) -> None:
        for vehicle, told in await asyncio.to_thread(self._render_vans, vehicles):
            await self._feed.tell("van", told, about=vehicle)

    async def _tell_each(self, vehicles: Collection[str]) -> bool:
        """One by one, so that one van's data keep no other's from being told; given up where several fail."""
        left = sorted(vehicles)
        random.shuffle(left)  # where the same few fail each time, others come first now and then
        failed = 0
        for number, vehicle in enumerate(left):
            if failed == _GIVE_UP_AFTER:
                for each in left[number:]:
                    self._changes.note(each)
                break
            try:
                await self._tell((vehicle,))
            except Exception:
                log.exception("what changed of %s could not be told; tried again in %g s", vehicle, _PAUSE_S)
                self._changes.note(vehicle)
                failed += 1
        return failed == 0

    async def told_state(self, *, good: bool) -> None:
        """Note whether pages are kept true, and tell open pages where that is new."""
        if good == self._changes.told:
            return
        self._changes.told = good
        await self._tell_broker()


async def pump(
    changes: Changes,
    feed: Feed,
    *,
    render_vans: Callable[[Collection[str]], Iterable[tuple[str, object]]],
    render_broker: Callable[[], object],
    links: Callable[[], dict[str, str]],
    pause_s: float = _PAUSE_S,
) -> None:
    """Tell the feed of changes for ever; the three callables run in a thread, as they ask the database.

    What fails is logged and tried again after a pause, until it goes well; `changes.told` says so meanwhile.
    """
    pumping = _Pump(changes, feed, render_vans, render_broker, links)
    while True:
        good = await pumping.look()
        await pumping.told_state(good=good)
        await asyncio.sleep(_LOOK_EVERY_S if good else pause_s)
