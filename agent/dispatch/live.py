"""The board's event stream: what changed, rendered once and told to every open page.

`Changes` carries the news from the committing thread to the server's loop; `pump` renders it at most twice a second for
each van; `Feed` keeps what a page that lost its stream has missed, or tells it to load anew. An event says all of what
it speaks of, so of several about one van the last is enough: however long the gap, as much is kept as there are vans.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import threading
from collections.abc import AsyncIterator, Callable, Collection, Iterable

import msgspec
from msgspec import Struct

_LOOK_EVERY_S = 0.5
_LINKS_EVERY_S = 5.0


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


async def pump(
    changes: Changes,
    feed: Feed,
    *,
    render_vans: Callable[[Collection[str]], Iterable[tuple[str, object]]],
    render_broker: Callable[[], object],
    links: Callable[[], dict[str, str]],
) -> None:
    """Tell the feed of changes for ever; the three callables run in a thread, as they ask the database."""
    known = await asyncio.to_thread(links)
    loop = asyncio.get_running_loop()
    looked = loop.time()
    while True:
        await asyncio.sleep(_LOOK_EVERY_S)
        vehicles, broker = changes.take()
        if loop.time() - looked >= _LINKS_EVERY_S:
            # A van falls silent without saying anything: only looking finds that.
            looked = loop.time()
            fresh = await asyncio.to_thread(links)
            vehicles |= {vehicle for vehicle, link in fresh.items() if known.get(vehicle) != link}
            known = fresh
        if broker:
            await feed.tell("broker", await asyncio.to_thread(render_broker), about="broker")
        if vehicles:
            for vehicle, told in await asyncio.to_thread(render_vans, vehicles):
                await feed.tell("van", told, about=vehicle)
