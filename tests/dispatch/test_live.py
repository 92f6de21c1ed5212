"""The event stream: a page that lost it is told all it missed, or to load anew."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Coroutine
from typing import Any

from agent.dispatch.live import Changes, Feed, pump


def run(story: Coroutine[Any, Any, None]) -> None:
    """Run one story in a loop of its own, with a deadline."""
    asyncio.run(asyncio.wait_for(story, 20))


async def until(fits: Callable[[], bool]) -> None:
    """Wait for it; `run` sets the deadline."""
    while not fits():  # noqa: ASYNC110 - what is waited for knows of no event
        await asyncio.sleep(0.01)


async def read(feed: Feed, last_id: str, *, events: int) -> list[str]:
    """The first `events` events of a stream that are no tick."""
    found: list[str] = []
    async for text in feed.stream(last_id, now=lambda: 5.0, stopping=lambda: False, tick_s=0.05):
        if "event: tick" not in text:
            found.append(text)
            if len(found) == events:
                break
    return found


def test_nothing_is_missed_between_rendering_and_listening() -> None:
    """A stream that begins from the id a page was rendered with tells what happened since, in order."""

    async def story() -> None:
        feed = Feed()
        rendered_at = feed.last_id
        for number in range(3):
            await feed.tell("van", {"n": number})
        told = await read(feed, rendered_at, events=3)
        assert [text.splitlines()[2] for text in told] == [f'data: {{"n":{n}}}' for n in range(3)]
        again = await read(feed, told[0].splitlines()[0].removeprefix("id: "), events=2)
        assert again == told[1:]

    run(story())


def test_a_stream_waits_for_news() -> None:
    """An open stream tells an event as soon as it is told to the feed."""

    async def story() -> None:
        feed = Feed()
        reading = asyncio.create_task(read(feed, feed.last_id, events=1))
        await asyncio.sleep(0)
        await feed.tell("van", 1)
        assert "data: 1" in (await reading)[0]

    run(story())


def test_too_long_away() -> None:
    """Who missed more than is kept, comes from another run or brings nonsense, loads anew and then goes on."""

    async def story() -> None:
        feed = Feed(keep=2)
        start = feed.last_id
        for number in range(3):
            await feed.tell("van", number)
        for last_id in (start, Feed().last_id, "x", feed.id_of(99), "-"):
            told = await read(feed, last_id, events=1)
            assert "event: reload" in told[0]
            assert f"id: {feed.last_id}" in told[0]
        assert len(await read(feed, feed.id_of(1), events=2)) == 2

    run(story())


def test_of_one_van_the_last_word_is_enough() -> None:
    """However often vans change while a page is away, it is told the last of each, in order, and need not load anew."""

    async def story() -> None:
        feed = Feed(keep=10)
        start = feed.last_id
        for number in range(500):
            await feed.tell("van", number, about=f"van-{number % 3}")
        await feed.tell("broker", "up", about="broker")
        told = await read(feed, start, events=4)
        assert [text.splitlines()[2] for text in told] == ["data: 497", "data: 498", "data: 499", 'data: "up"']
        assert told[0].splitlines()[0] == f"id: {feed.id_of(498)}"
        assert len(await read(feed, feed.id_of(499), events=2)) == 2

    run(story())


def test_what_was_forgotten_is_not_passed_over() -> None:
    """Who missed an event that is no longer kept loads anew, though later ones are there; who saw it does not."""

    async def story() -> None:
        feed = Feed(keep=3)
        for number in range(5):
            await feed.tell("van", number, about=f"van-{number}")
        assert feed.since(feed.id_of(1)) is None
        assert [told.number for told in feed.since(feed.id_of(2)) or ()] == [3, 4, 5]
        assert feed.since(feed.id_of(5)) == []

    run(story())


def test_the_clock_ticks() -> None:
    """The stream carries the dispatch's clock, first thing and on."""

    async def story() -> None:
        feed = Feed()
        ticks: list[str] = []
        async for text in feed.stream("", now=lambda: 7.5, stopping=lambda: len(ticks) > 2, tick_s=0.01):
            ticks.append(text)  # noqa: PERF401 - the stream looks at the list while it grows
        assert ["event: tick\ndata: 7.5" in text for text in ticks] == [True] * 3

    run(story())


def test_changes_are_gathered() -> None:
    """However often a van changes between two looks, it is rendered once."""

    async def story() -> None:
        changes, feed = Changes(), Feed()
        rendered: list[str] = []

        def render(vehicles: Collection[str]) -> list[tuple[str, object]]:
            rendered.extend(vehicles)
            return [(vehicle, {"van": vehicle}) for vehicle in vehicles]

        for _ in range(5):
            changes.note("van-07", "log")
        changes.note_broker()
        start = feed.last_id
        pumping = asyncio.create_task(
            pump(changes, feed, render_vans=render, render_broker=lambda: "broker", links=lambda: {"van-07": "online"})
        )
        told = await read(feed, start, events=2)
        pumping.cancel()
        assert rendered == ["van-07"]
        assert ["event: broker" in told[0], "event: van" in told[1]] == [True, True]

    run(story())


def test_changes_from_another_thread_are_taken_once() -> None:
    """What was taken is forgotten."""
    changes = Changes()
    changes.note("van-03", "status")
    assert changes.take() == ({"van-03"}, False)
    assert changes.take() == (set(), False)


def test_the_pump_outlives_what_fails() -> None:
    """A database that fails for a while, at each question: nothing is lost, and both states are told to open pages."""

    async def story() -> None:
        changes, feed = Changes(), Feed()
        broken = {"links", "vans"}

        def failing(what: str) -> None:
            if what in broken:
                raise OSError("the database is locked")

        def links() -> dict[str, str]:
            failing("links")
            return {}

        def render(vehicles: Collection[str]) -> list[tuple[str, object]]:
            failing("vans")
            return [(vehicle, "seen") for vehicle in vehicles]

        start, vans = feed.last_id, [f"van-{n}" for n in range(9)]
        for vehicle in vans:
            changes.note(vehicle)
        told = lambda: "told" if changes.told else "not told"  # noqa: E731 - the banner, as short as it can be
        pumping = asyncio.create_task(
            pump(changes, feed, render_vans=render, render_broker=told, links=links, pause_s=0.01)
        )
        (said,) = await read(feed, start, events=1)
        assert 'data: "not told"' in said
        broken.discard("links")
        looks = changes.looks
        await until(lambda: changes.looks >= looks + 3)
        assert not changes.told, "vans cannot be rendered still"
        at = feed.last_id
        broken.discard("vans")
        heard = await read(feed, at, events=len(vans) + 1)
        assert next(text for text in heard if "broker" in text).endswith('data: "told"\n\n')
        assert {each.about for each in feed.since(start) or ()} == {*vans, "broker"}
        assert not pumping.done()
        pumping.cancel()

    run(story())


def test_one_vans_data_keep_no_other_waiting() -> None:
    """Where the rendering of one van fails for good, all others are told; that one is tried again and again."""

    async def story() -> None:
        changes, feed = Changes(), Feed()
        tried: list[Collection[str]] = []

        def render(vehicles: Collection[str]) -> list[tuple[str, object]]:
            tried.append(vehicles)
            if "van-bad" in vehicles:
                raise ValueError("this cannot be drawn")
            return [(vehicle, "seen") for vehicle in vehicles]

        start = feed.last_id
        for vehicle in ("van-a", "van-bad", "van-c"):
            changes.note(vehicle)
        pumping = asyncio.create_task(
            pump(changes, feed, render_vans=render, render_broker=lambda: "b", links=dict, pause_s=0.01)
        )
        heard = await read(feed, start, events=3)
        assert sorted(text.splitlines()[1] for text in heard) == ["event: broker", "event: van", "event: van"]
        await until(lambda: len(tried) >= 10)
        assert {each.about for each in feed.since(start) or ()} == {"van-a", "van-c", "broker"}
        pumping.cancel()

    run(story())
