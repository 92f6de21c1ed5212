"""Held-back and re-sent reports inside a running round, and a reader's clock that says what it likes."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream, encode
from agent.llrp.params import Uptime, UTCTimestamp
from agent.llrp.simulated.device import Device
from agent.llrp.states import Action, Send, State
from agent.llrp.tagreport import TagReportData
from agent.llrp.told import AISpecEvent, ConnectionAttemptEvent, GPIEvent, ReaderEventNotificationData, ROSpecEvent
from tests.llrp.play import CAPABLE, CONFIG, INPUTS, OK, Play
from tests.llrp.tcp import Room
from tests.llrp.test_reader_troubles import adds_up

SET_UP = (
    CAPABLE, m.DeleteROSpecResponse(OK), m.SetReaderConfigResponse(OK), m.AddROSpecResponse(OK),
    m.EnableROSpecResponse(OK), CONFIG, INPUTS,
)  # fmt: skip
STARTED = {"rospec_event": ROSpecEvent(0, 1)}
ENDED = ({"aispec_event": AISpecEvent(0, 1, 1)}, {"rospec_event": ROSpecEvent(1, 1)})


class Clocked:
    """A played reader with a clock of its own: `ahead_s` before the client's."""

    def __init__(self, ahead_s: float = 0.0, *, uptime: bool = False) -> None:
        self.ahead_s = ahead_s
        self.uptime = uptime
        self.play = Play()
        self.play.take(self.play.session.start(self.play.now))
        self.tell(connection_attempt_event=ConnectionAttemptEvent(0))
        for response in SET_UP:
            self.play.answer(response)

    def stamp_us(self, mono_s: float) -> int:
        """What the reader's clock says at a time of the client's, as it goes now."""
        return round((mono_s + self.ahead_s) * 1e6)

    def tell(self, **what: object) -> None:
        """An event, stamped now."""
        stamp = (Uptime if self.uptime else UTCTimestamp)(self.stamp_us(self.play.now))
        self.play.hear(m.ReaderEventNotification(ReaderEventNotificationData(stamp, **what)))  # type: ignore[arg-type]

    def start(self) -> None:
        """The round is started, and said to be."""
        self.play.answer(m.StartROSpecResponse(OK))
        self.tell(**STARTED)

    def end(self) -> None:
        """The round ends by itself."""
        for what in ENDED:
            self.tell(**what)

    def seen(self, tag: int, mono_s: float, *, last_s: float | None = None) -> TagReportData:
        """A tag heard at this time of the client's, stamped by the reader's clock as it goes now."""
        name = "uptime" if self.uptime else "utc"
        stamps = {f"first_seen_timestamp_{name}": self.stamp_us(mono_s)}
        if last_s is not None:
            stamps[f"last_seen_timestamp_{name}"] = self.stamp_us(last_s)
        return TagReportData(bytes([tag] * 12), antenna_id=1, peak_rssi=-60, tag_seen_count=1, **stamps)  # type: ignore[arg-type]

    def report(self, *tags: TagReportData) -> None:
        """These come in one report."""
        self.play.hear(m.ROAccessReport(tags))

    @property
    def heard(self) -> list[list[str]]:
        """The tags of each round told, two digits each."""
        return [sorted(read.epc[:2] for read in each.reads) for each in self.play.inventories]


@pytest.mark.parametrize(("ahead_s", "uptime"), [(0.0, False), (1.6e9, False), (5.0, True)])
def test_a_report_held_back_from_before_the_round_is_not_heard_now(ahead_s: float, *, uptime: bool) -> None:
    """Whatever the clock says, 1970 or uptime: what was heard 30 s before the round is counted and not used."""
    reader = Clocked(ahead_s, uptime=uptime)
    reader.start()
    reader.play.now += 1.0
    reader.report(reader.seen(1, 70.0, last_s=71.0), reader.seen(2, 100.5))
    assert reader.play.session.tally.malformed == {"out of a round": 1}
    assert adds_up(reader.play)
    reader.play.now += 1.0
    reader.end()
    assert reader.heard == [["02"]]
    assert reader.play.session.tally.malformed == {"out of a round": 1}
    assert adds_up(reader.play)


def test_a_tag_that_was_heard_before_and_is_heard_still_is_used() -> None:
    """A reader that adds up over rounds: first heard long ago, last heard in this round."""
    reader = Clocked()
    reader.start()
    reader.play.now += 2.0
    reader.report(reader.seen(1, 40.0, last_s=101.0))
    reader.end()
    assert reader.heard == [["01"]]


def test_a_report_sent_again_in_a_later_round_is_a_duplicate() -> None:
    """The same tag, antenna and stamps as were used before, two rounds later: duplicate, and in no other round."""
    reader = Clocked()
    reader.start()
    reader.play.now += 2.0
    copy = reader.seen(1, 101.0, last_s=101.5)
    reader.report(copy)
    reader.end()
    for number in (2, 3):
        reader.start()
        reader.play.now += 2.0
        reader.report(reader.seen(number, reader.play.now - 0.5), *([copy] if number == 3 else []))
        reader.end()
    tally = reader.play.session.tally
    assert reader.heard == [["01"], ["02"], ["03"]]
    assert (tally.received, tally.used, tally.duplicate, tally.malformed) == (4, 3, 1, {})


@pytest.mark.parametrize(("heard_s", "rounds"), [(101.75, [["01"], []]), (101.0, [["01"], ["01"]])])
def test_a_report_sent_again_at_once_is_a_duplicate_unless_its_clock_is_coarse(
    heard_s: float, rounds: list[list[str]]
) -> None:
    """Heard just before the round: known by its stamps. A clock of whole seconds may stamp two hearings alike."""
    reader = Clocked()
    for at in (102.0, 103.5):
        reader.start()
        reader.play.now = at
        reader.report(reader.seen(1, heard_s))
        reader.end()
        reader.play.wait(0.0 if at == 102.0 else 0.3)
    assert reader.heard == rounds
    assert adds_up(reader.play)


def test_a_report_sent_again_after_a_reconnect_is_a_duplicate_too() -> None:
    """What was used is known over connections; before a round as well as in one."""
    reader = Clocked()
    reader.start()
    reader.play.now += 2.0
    copy = reader.seen(1, 101.0)
    reader.report(copy)
    reader.end()
    reader.play.take(reader.play.session.lost(reader.play.now))
    reader.play.now += 5.0
    reader.play.take(reader.play.session.start(reader.play.now))
    reader.tell(connection_attempt_event=ConnectionAttemptEvent(0))
    reader.report(copy)
    tally = reader.play.session.tally
    assert (tally.received, tally.used, tally.duplicate, tally.malformed) == (2, 1, 1, {})


@pytest.mark.parametrize("jump_s", [-1.7e9, -3600.0, -3.0, 3.0, 3600.0, 1.7e9])
@pytest.mark.parametrize("when", ["before the start", "before the read", "after the read", "before the end"])
def test_no_fresh_read_is_lost_when_the_clock_jumps(jump_s: float, when: str) -> None:
    """To 1970 or from it, at any point of a round, told by an event or not: the read is used."""
    for gpi_tells in (False, True):
        reader = Clocked(1.8e9)

        def leap(now: str, reader: Clocked = reader, *, gpi_tells: bool = gpi_tells) -> None:
            if now == when:
                reader.ahead_s += jump_s
            if gpi_tells:
                reader.tell(gpi_event=GPIEvent(2, gpi_event=False))

        leap("before the start")
        reader.start()
        reader.play.now += 1.0
        leap("before the read")
        fresh = reader.seen(1, reader.play.now - 0.5)
        leap("after the read")
        reader.report(fresh)
        reader.play.now += 1.0
        leap("before the end")
        reader.end()
        reader.play.wait(0.3)
        assert reader.heard == [["01"]], gpi_tells
        assert reader.play.session.tally.malformed == {}


def test_old_reports_are_known_again_in_the_round_after_a_jump() -> None:
    """A jump costs the judgement of one round, in which all is used; the next round is judged by the clock it has."""
    reader = Clocked(1.8e9)
    reader.start()
    reader.play.now += 2.0
    reader.ahead_s = 0.0
    reader.report(reader.seen(1, reader.play.now - 1.0))
    reader.end()
    reader.play.wait(0.3)
    reader.start()
    reader.play.now += 2.0
    reader.report(reader.seen(2, reader.play.now - 60.0), reader.seen(3, reader.play.now - 1.0))
    reader.end()
    assert reader.heard == [["01"], ["03"]]


@pytest.mark.parametrize("round_s", [0.5, 2.0, 10.0])
def test_a_clock_that_stands_still_costs_no_read(round_s: float) -> None:
    """Every stamp and every event says the same: the rounds' events do not go with our time, so all is used."""
    reader = Clocked()
    for _ in range(3):
        reader.ahead_s = 0.25 - reader.play.now
        reader.start()
        reader.play.now += round_s
        reader.ahead_s = 0.25 - reader.play.now
        reader.report(reader.seen(1, reader.play.now))
        reader.end()
        reader.play.wait(0.3)
    assert reader.heard == [["01"]] * 3


def test_a_clock_that_jumped_is_not_believed_of_what_was_used_before() -> None:
    """Set back so that the very stamp of the round before comes again: it is another hearing, and used."""
    reader = Clocked(1000.25)
    reader.start()
    reader.play.now += 2.0
    first = reader.seen(1, reader.play.now - 0.5)
    reader.report(first)
    reader.end()
    reader.play.wait(0.3)
    reader.start()
    reader.play.now += 2.0
    reader.ahead_s = 1000.25 + 101.5 - (reader.play.now - 0.5)
    second = reader.seen(1, reader.play.now - 0.5)
    assert second == first
    reader.report(second)
    reader.end()
    reader.play.wait(0.3)
    assert reader.heard == [["01"], ["01"]]


def test_a_round_whose_end_is_not_told_uses_what_came() -> None:
    """Without an event at the end nobody knows whether the clock jumped back; the read is used."""
    reader = Clocked()
    reader.start()
    reader.report(reader.seen(1, 30.0))
    reader.play.wait(4.1)
    reader.play.answer(m.StopROSpecResponse(OK))
    reader.play.wait(2.1)
    assert reader.heard == [["01"]]
    assert adds_up(reader.play)


def test_an_old_report_does_not_end_the_wait_for_the_rounds_own() -> None:
    """A round that has had nothing but old reports waits for its own as one that had none."""
    reader = Clocked()
    reader.start()
    reader.play.now += 2.0
    reader.report(reader.seen(1, 30.0))
    reader.end()
    assert reader.play.session.state is State.SETTLING
    reader.play.now += 0.1
    reader.report(reader.seen(2, 101.0))
    assert reader.heard == [["02"]]


@settings(max_examples=60, deadline=None)
@given(
    ahead_s=st.sampled_from([0.0, 1.8e9]),
    steps=st.lists(
        st.tuples(st.sampled_from(["fresh", "old", "again", "jump", "gpi"]), st.floats(-1e5, 1e5)), max_size=20
    ),
)
def test_the_counts_add_up_and_one_jump_a_round_loses_nothing(ahead_s: float, steps: list[tuple[str, float]]) -> None:
    """One jump in a round at most, anything else in any order: every fresh tag is in its round, and the sums hold."""
    reader = Clocked(ahead_s + 1e6)
    last = reader.seen(250, 1.0)
    for number, at in enumerate(range(0, len(steps), 5), start=1):
        reader.start()
        jumped, fresh = False, set()
        for tag, (step, seconds) in enumerate(steps[at : at + 5], start=1):
            reader.play.now += 0.3
            if step == "fresh":
                last = reader.seen(tag, reader.play.now - 0.1)
                fresh.add(f"{tag:02X}")
                reader.report(last)
            elif step == "old":
                reader.report(reader.seen(100 + tag, reader.play.now - 60.0 - abs(seconds)))
            elif step == "again":
                reader.report(last)
            elif step == "jump" and not jumped:
                jumped, reader.ahead_s = True, max(reader.ahead_s + seconds, 2e5)
            elif step == "gpi":
                reader.tell(gpi_event=GPIEvent(2, gpi_event=False))
            assert adds_up(reader.play)
        reader.play.now += 1.0  # a round ends when its time is over: one that ended sooner could be another's end
        reader.end()
        reader.play.wait(0.3)
        assert adds_up(reader.play)
        assert len(reader.heard) == number
        assert fresh <= set(reader.heard[-1])
        assert jumped or not {f"{100 + tag:02X}" for tag in range(1, 6)} & set(reader.heard[-1])


def test_a_simulated_readers_round_can_be_sent_again_and_is_not_heard_twice() -> None:
    """The simulated reader's own first report, sent again in the next two rounds: each of its tags a duplicate."""
    device, play = Device(Room(tags=3)), Play()
    play.now = 100.25
    stream = LlrpStream()
    reports: list[m.ROAccessReport] = []

    def pass_on(actions: list[Action]) -> None:
        """Octets go to and fro until neither end has anything to say."""
        while actions:
            for action in actions:
                if isinstance(action, Send):
                    device.receive(action.data, play.now)
            play.take(actions)
            octets = device.take()
            actions = play.session.receive(octets, play.now) if octets else []

    device.connected(play.now)
    actions = play.session.start(play.now)
    pass_on([*actions, *play.session.receive(device.take(), play.now)])
    for number in range(3):
        if number:
            play.now += 1.5
            pass_on(play.session.receive(encode(reports[0]), play.now))
            play.now += 0.5
        else:
            play.now += 2.0
        device.tick(play.now)
        octets = device.take()
        stream.receive(octets)
        reports.extend(message for message in stream.messages() if isinstance(message, m.ROAccessReport))
        pass_on(play.session.receive(octets, play.now))
    tally = play.session.tally
    assert [len(each.reads) for each in play.inventories] == [6, 6, 6]
    assert all(read.count == 2 for inventory in play.inventories for read in inventory.reads)
    assert (tally.received, tally.used, tally.duplicate, tally.malformed) == (30, 18, 12, {})


def test_an_end_that_was_held_back_does_not_end_the_round_that_it_comes_in() -> None:
    """By its stamp it is of the round before; reads go on, and the round's own end ends it."""
    clocked = Clocked(ahead_s=5000.0)
    held_at = clocked.play.now - 3.0
    clocked.start()
    began = clocked.play.now
    stamp = UTCTimestamp(clocked.stamp_us(held_at))
    for what in ENDED:
        late = ReaderEventNotificationData(stamp, **what)  # type: ignore[arg-type]
        clocked.play.hear(m.ReaderEventNotification(late))
    assert clocked.play.session.state is State.RUNNING
    clocked.play.now += 1.5
    clocked.report(clocked.seen(7, clocked.play.now))
    clocked.play.now += 0.5
    clocked.end()
    assert clocked.heard[-1] == ["07"]
    assert clocked.play.inventories[-1].mono == began + 2.0


@pytest.mark.parametrize("back_s", [3600.0, 5.0])
def test_a_clock_set_back_within_a_round_does_not_keep_it_from_ending(back_s: float) -> None:
    """Its own end looks as old as one held back; but it comes when the round is over, and is taken."""
    clocked = Clocked(ahead_s=5000.0)
    clocked.start()
    began = clocked.play.now
    clocked.play.now += 1.0
    clocked.report(clocked.seen(7, clocked.play.now))
    clocked.ahead_s -= back_s
    clocked.play.now += 1.0
    clocked.end()
    assert clocked.heard == [["07"]]
    assert clocked.play.inventories[-1].mono == began + 2.0
