"""The run loop on a day made by hand: what is stored, shown, recorded and kept, and what a restart makes of it."""

from __future__ import annotations

import json
import signal
import sqlite3
import threading
import time
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest

from agent.canonical import digest_of
from agent.epc import encode_uri
from agent.errors import StoreDamagedError
from agent.llrp.outputs import DARK, Rhythm
from agent.llrp.rounds import ReadingPlan
from agent.messages import Ack, DownLeaf, Downlink, OutboxRow
from agent.pipeline import finish
from agent.publisher import Acks, Refused, Settled
from agent.records import Boot, Fix, Input, Inventory, PortInput, Read
from agent.replay import replay
from agent.run import _recorder, run
from agent.setup import read_in_use, read_setup
from agent.store import Store
from agent.units import format_utc, parse_utc
from agent.vehicle_agent import VehicleAgent
from agent.vehicle_shown import Shown
from tests import tinyday
from tests.diskfull.disks import disk, kinds

OUTSIDE_HOURS = '[privacy.working_hours]\ndays = ["wed"]\nfrom = "12:00"\nto = "18:00"\ntimezone = "Atlantic/Azores"\n'
WITHIN_HOURS = OUTSIDE_HOURS.replace("12:00", "06:00")
ASSESSED = '[rf_assessment]\nby = "A. Tester"\ndate = 2026-02-20\npower_dbm = 27.0\npeople_inside = "{}"\n'


class Hands:
    """A clock that stands where it is put."""

    def __init__(self) -> None:
        self.now = tinyday.BOOT_MONO_S
        self.consumed_to = 0.0

    def mono(self) -> float:
        """Seconds of this boot."""
        return self.now

    def utc(self) -> float:
        """A wall clock without a battery."""
        return self.now

    def sleep(self, seconds: float, *, stop: threading.Event | None = None) -> bool:
        """Nobody sleeps here."""
        raise AssertionError(f"asked to sleep {seconds} s, {stop}")

    def sleep_until(self, mono_s: float, *, stop: threading.Event | None = None) -> bool:
        """Nor until then."""
        raise AssertionError(f"asked to sleep until {mono_s} s, {stop}")

    def consumed(self, mono_s: float) -> None:
        """How far the agent says it is."""
        self.consumed_to = mono_s


class Van:
    """An agent with its store and everything it showed; each input is taken at its own time."""

    def __init__(self, folder: Path, *, vehicle: str = tinyday.VEHICLE, record: bool = False, **hall: Any) -> None:
        tinyday.write_files(folder, vehicle=vehicle)
        (folder / "geofences" / "sites.geojson").write_text(tinyday.sites(**hall))
        self.folder, self.clock = folder, Hands()
        self.status: list[Any] = []
        self.aboard: list[Any] = []
        self.position: list[Any] = []
        self.plans: list[tuple[float, ReadingPlan]] = []
        self.lamp: list[tuple[float, Rhythm]] = []
        self._record = record
        self.store = Store.open(folder / "vehicle.db", seal=None)
        self.agent = self._agent()

    def _agent(self, sink: Callable[[Input], None] | None = None) -> VehicleAgent:
        known, in_use = read_in_use(
            config=self.folder / "vehicle.toml",
            sites=self.folder / "geofences",
            register=self.folder / "register.csv",
            plan=None,
        )
        self.vehicle = known
        agent = VehicleAgent(
            in_use=in_use,
            store=self.store,
            clock=self.clock,
            program="test",
            record=sink,
            set_plan=lambda plan: self.plans.append((self.clock.now, plan)),
            set_signal=lambda rhythm: self.lamp.append((self.clock.now, rhythm)),
        )
        agent.show_on(
            Shown(
                status=self.status.append,
                aboard=self.aboard.append,
                position=self.position.append,
                notify=lambda: None,
                raise_if_failed=lambda: None,
            )
        )
        return agent

    def live(self, items: Iterator[Input], *, until_s: float = 1e9) -> Van:
        """Take inputs in order, as the run loop does, up to a second of the day; the power then goes."""
        if self._record:
            with _recorder(self.folder / "recording.jsonl", self.vehicle) as sink:
                self.agent = self._agent(sink)
                self._live(items, until_s)
        else:
            self._live(items, until_s)
        return self

    def _live(self, items: Iterator[Input], until_s: float) -> None:
        for item in items:
            if item.mono > tinyday.BOOT_MONO_S + until_s:
                return
            self.clock.now = item.mono
            if isinstance(item, Boot):
                self.agent._take(item)
                continue
            self.agent.put(item)
            self.agent._turn()

    def restart(self) -> None:
        """A power cut: only what was committed is left."""
        self.store.close()
        self.store = Store.open(self.folder / "vehicle.db", seal=None)
        self.clock.now = tinyday.BOOT_MONO_S
        self.agent = self._agent()

    def rows(self) -> list[OutboxRow]:
        """Every record that no ack has covered."""
        return list(self.store.unacked(limit=1000))

    def bodies(self, kind: str) -> list[dict[str, Any]]:
        """The records of a kind, in order."""
        return [msgspec.json.decode(row.body) for row in self.rows() if row.kind == kind]

    def latest(self) -> dict[str, dict[str, Any]]:
        """Each manifest's highest revision."""
        return {body["manifest"]: body for body in self.bodies("manifest")}


@pytest.fixture
def van(tmp_path: Path) -> Iterator[Callable[..., Van]]:
    """Makes vans, each with a store of its own, and closes them."""
    made: list[Van] = []

    def make(**options: Any) -> Van:
        folder = tmp_path / str(len(made))
        folder.mkdir()
        made.append(Van(folder, **options))
        return made[-1]

    yield make
    for one in made:
        one.store.close()


def names(body: dict[str, Any]) -> set[str]:
    """The items of a manifest by letter."""
    return {letter for letter, epc in tinyday.EPCS.items() if epc in {item["epc"] for item in body["items"]}}


def standing(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The events that were not taken back."""
    void = {event["eventID"] for event in events if "errorDeclaration" in event}
    return [event for event in events if event["eventID"] not in void]


def rebooted(from_s: float) -> Iterator[Input]:
    """The rest of the day as a computer sees it that starts anew at this second."""
    begun = tinyday.BOOT_MONO_S
    yield Boot(begun, "1970-01-01T00:00:12.000Z")
    levels = {port: on for at_s, port, on in tinyday.port_changes() if at_s <= from_s}
    yield from (PortInput(begun + 1.0, port, on) for port, on in levels.items())
    for item in tinyday.inputs():
        if item.mono >= begun + from_s + 2.0:
            shift = -from_s
            moved = {"mono": item.mono + shift}
            if hasattr(item, "reads"):
                moved["reads"] = tuple(msgspec.structs.replace(read, mono=read.mono + shift) for read in item.reads)
            yield msgspec.structs.replace(item, **moved)


def test_a_day_gives_its_manifests(van: Callable[..., Van]) -> None:
    """Three items leave the depot, two leave the hall; what stood on the dock is on neither manifest."""
    one = van().live(tinyday.inputs())
    assert {name: names(body) for name, body in one.latest().items()} == {
        "van-07/2026-03-04/1": {"A", "B", "C"},
        "van-07/2026-03-04/2": {"A", "C"},
    }
    assert one.clock.consumed_to == pytest.approx(one.clock.now)


def test_what_it_records_replays_to_the_same_bytes(van: Callable[..., Van]) -> None:
    """The recording of a live day, replayed, states the same events and manifests, byte for byte.

    A replay ends with what the record's end alone lets it say; asked for the same, the agent's state says the same.
    """
    one = van(record=True).live(tinyday.inputs())
    out = one.folder / "out"
    setup = read_setup(
        config=one.folder / "vehicle.toml", sites=one.folder / "geofences", register=one.folder / "register.csv"
    )
    summary = replay(setup, one.folder / "recording.jsonl", out)
    assert summary["skipped"] == {}
    _, at_the_end = finish(setup, one.agent.state)
    for kind, name in (("event", "events.jsonl"), ("manifest", "manifests.jsonl")):
        lived = [bytes(row.body) for row in one.rows() if row.kind == kind]
        lived += [msgspec.json.encode(record.body) for record in at_the_end if record.kind == kind]
        assert (out / name).read_bytes().splitlines() == lived
        assert lived


def test_a_recording_is_gone_on_with_after_a_cut_in_mid_line(van: Callable[..., Van]) -> None:
    """Half a line that a power cut left spoils nothing but itself."""
    one = van()
    path = one.folder / "recording.jsonl"
    path.write_bytes(b'{"kind":"boot","mono":1.0,"utc":null}\n{"kind":"rou')
    with _recorder(path, one.vehicle) as sink:
        sink(Boot(2.0))
    lines = path.read_bytes().splitlines()
    assert [json.loads(line)["mono"] for line in (lines[0], lines[2])] == [1.0, 2.0]
    assert lines[1] == b'{"kind":"rou'


def test_a_full_disk_interrupts_a_recording_and_nothing_else(van: Callable[..., Van]) -> None:
    """What comes while there is no space is not recorded; half a line is ended, and the recording goes on."""
    one = van()
    # The kernel's own device for a disk that is always full: https://man7.org/linux/man-pages/man4/full.4.html.
    with _recorder(Path("/dev/full"), one.vehicle) as sink:
        sink(Boot(1.0))
        sink(Boot(2.0))
    with disk("tmpfs") if "tmpfs" in kinds() else disk("pages") as small:
        path = small.folder / "recording.jsonl"
        with _recorder(path, one.vehicle) as sink:
            sink(Boot(1.0))
            small.fill()
            for number in range(500):
                sink(Boot(2.0 + number, "x" * 100))
            small.empty()
            sink(Boot(600.0))
        lines = path.read_bytes().splitlines()
    whole = [json.loads(line)["mono"] for line in lines if line.endswith(b"}")]
    assert (whole[0], whole[-1]) == (1.0, 600.0)
    assert len(lines) - len(whole) <= 1


@pytest.mark.parametrize("cut_s", [30, 150, 299, 330, 452, 552, 700, 790, 935, 1036])
def test_a_power_cut_at_any_moment_doubles_nothing(van: Callable[..., Van], cut_s: int) -> None:
    """After a restart no event or revision is stated twice, and the last manifests name the same items."""
    one = van().live(tinyday.inputs(), until_s=cut_s)
    before = [(row.seq, bytes(row.body)) for row in one.rows()]
    one.restart()
    one.live(rebooted(cut_s + 4.0))
    assert [(row.seq, bytes(row.body)) for row in one.rows()][: len(before)] == before
    ids = [event["eventID"] for event in one.bodies("event") if "errorDeclaration" not in event]
    assert len(ids) == len(set(ids))
    revisions = [(body["manifest"], body["revision"]) for body in one.bodies("manifest")]
    assert len(revisions) == len(set(revisions))
    assert [names(body) for body in one.latest().values()] == [{"A", "B", "C"}, {"A", "C"}]


def test_the_gap_of_a_cut_is_told_with_its_end_once_the_time_is_known(van: Callable[..., Van]) -> None:
    """At most half a minute before the cut was lost; from there to the start nothing is recorded, and it is named."""
    cut_s = 452.0
    one = van().live(tinyday.inputs(), until_s=cut_s)
    one.restart()
    one.live(rebooted(cut_s + 40.0), until_s=30.0)
    (gap,) = (body for body in one.bodies("notice") if body["notice"] == "gap")
    (was,) = (body for body in one.bodies("notice") if body["notice"] == "gap-was")
    assert was["since"] == gap["since"]
    since_s, until_s = (parse_utc(was[name]) - tinyday.START_UTC_S for name in ("since", "until"))
    assert cut_s - 31.0 <= since_s <= cut_s
    assert until_s == pytest.approx(cut_s + 40.0, abs=1.5)
    assert was["since"] in was["text"]
    assert was["until"] in was["text"]


def test_a_full_disk_is_in_the_status_until_it_is_over(van: Callable[..., Van]) -> None:
    """Since when, and how many records are in memory alone; then a notice says from when to when it was."""
    one = van()
    items = tinyday.inputs()
    one.live(items, until_s=430.0)
    (pages,) = one.store._connection.execute("PRAGMA page_count").fetchone()
    one.store._connection.execute(f"PRAGMA max_page_count = {pages}")
    one.live(items, until_s=530.0)
    disk_status = one.status[-1].disk
    assert disk_status.state == "full"
    assert disk_status.waiting == 5
    assert "lost if the power goes" in disk_status.text
    assert tinyday.START_UTC_S + 430.0 < parse_utc(disk_status.since) < tinyday.START_UTC_S + 470.0
    one.store._connection.execute("PRAGMA max_page_count = 1000000")
    one.live(items, until_s=630.0)
    assert one.status[-1].disk.state == "ok"
    (notice,) = (body for body in one.bodies("notice") if body["notice"] == "disk-full")
    assert notice["since"] == disk_status.since
    assert tinyday.START_UTC_S + 530.0 < parse_utc(notice["until"]) < tinyday.START_UTC_S + 562.0


def test_damage_found_while_running_is_noted_for_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process ends by the error, and the next start sets the store aside without looking."""

    def damaged(*_: Any, **_named: Any) -> None:
        raise StoreDamagedError("database disk image is malformed")

    tinyday.write_files(tmp_path)
    names = {"sites": tmp_path / "geofences", "register": tmp_path / "register.csv", "plan": None, "record": None}
    args = Namespace(config=tmp_path / "vehicle.toml", store=tmp_path / "vehicle.db", clock=None, **names)
    monkeypatch.setattr("agent.run.signal.signal", lambda *_: None)
    with monkeypatch.context() as patch:
        patch.setattr("agent.run.serve", damaged)
        with pytest.raises(StoreDamagedError):
            run(args)
    monkeypatch.setattr("agent.run.serve", lambda *_, **_named: None)
    assert run(args) == 0
    assert (tmp_path / "vehicle.db.damaged-1").exists()
    with closing(sqlite3.connect(tmp_path / "vehicle.db")) as database:
        assert database.execute("SELECT max(epoch) FROM epoch").fetchone() == (2,)


def downlink(leaf: DownLeaf, version: int, content: Any) -> Downlink:
    """A version as the dispatch side sends it."""
    return Downlink(leaf, version, digest_of(content), content)


@pytest.mark.parametrize("how", ["DELETE FROM checkpoint", "UPDATE checkpoint SET state = x'00ff'"])
def test_a_last_known_time_outlives_its_checkpoint(van: Callable[..., Van], how: str) -> None:
    """Checkpoint lost or unreadable: the store's boots still bound the next, and an earlier time is warned of."""
    on = van().live(tinyday.inputs(), until_s=200.0)
    with closing(sqlite3.connect(on.folder / "vehicle.db")) as raw, raw:
        raw.execute(how)
    on.restart()
    assert on.agent.boot == 2
    known = on.agent.state.timeline.last_known_utc_s
    assert known is not None
    # The last commit may be half a minute old, and the checkpoint, which was the newest, is lost in one of the cases.
    assert tinyday.START_UTC_S < known <= tinyday.START_UTC_S + 200.0
    an_hour_back = -3600.0
    on.agent._take(Boot(tinyday.BOOT_MONO_S, None))
    timeline = on.agent.state.timeline
    assert (timeline.boot, timeline.trusted) == (2, False)
    assert timeline.bounds_of(2, tinyday.BOOT_MONO_S) == (known, None)
    for second in range(12):
        on.clock.now = tinyday.BOOT_MONO_S + 1.0 + second
        tpv = tinyday.tpv(second) | {"time": format_utc(tinyday.START_UTC_S + second + an_hour_back)}
        on.agent.put(Fix(on.clock.now, tpv))
        on.agent._turn()
    told = [body["notice"] for body in on.bodies("notice")]
    assert told.count("time-before-last-known") == 1
    assert ("memory-lost" in told) == how.startswith("UPDATE")
    assert on.agent.state.timeline.trusted


def test_a_good_version_is_taken_into_use_and_kept(van: Callable[..., Van]) -> None:
    """A register of the dispatch side counts at once, is told in the status, and is there after a restart."""
    one = van()
    content = tinyday.REGISTER.replace("dimmer rack 2", "dimmer rack two")
    one.agent.deliver(downlink("register", 7, content))
    one.live(tinyday.inputs())
    assert "dimmer rack two" in {item["name"] for item in one.latest()["van-07/2026-03-04/1"]["items"]}
    assert one.status[-1].holding.register.version == 7
    held = one.store.held("register")
    assert held is not None
    assert (held.version, held.content) == (7, content)


def test_a_bad_version_is_refused_with_every_reason(van: Callable[..., Van]) -> None:
    """The last good version stays in use; status and a notice say what is wrong with the new one."""
    one = van()
    one.agent.deliver(downlink("register", 7, tinyday.REGISTER))
    one.agent.deliver(downlink("register", 8, "epc,kind,name\nnonsense,item,x\nurn:epc:id:giai:9521141.1,lorry,y\n"))
    one.live(tinyday.inputs(), until_s=10)
    (notice,) = (body for body in one.bodies("notice") if body["notice"] == "register-refused")
    assert len(notice["reasons"]) == 2
    assert "nonsense" in notice["reasons"][0]
    assert "lorry" in notice["reasons"][1]
    holding = one.status[-1].holding
    assert holding.register.version == 7
    assert [(told.what, told.version) for told in holding.refused] == [("register", 8)]
    held = one.store.held("register")
    assert held is not None
    assert held.version == 7


def test_a_plan_that_came_before_its_site_is_taken_when_that_comes(van: Callable[..., Van]) -> None:
    """Refused while the site is unknown, with one dated notice; it is not sent again, and holds up once the site came.

    The plan names the arena, which the second version of the sites brings; the register between changes nothing.
    """
    arena = json.loads(tinyday.sites().replace('"hall"', '"arena"'))
    plan = f"vehicle,date,load_at,unload_at,epc\nvan-07,2026-03-04,depot,arena,{tinyday.EPCS['B']}\n"
    one = van()
    items = tinyday.inputs()
    one.live(items, until_s=30)
    one.agent.deliver(downlink("plan", 5, plan))
    one.agent.deliver(downlink("register", 2, tinyday.REGISTER))
    one.live(items, until_s=40)
    assert [told.what for told in one.status[-1].holding.refused] == ["plan"]
    one.agent.deliver(downlink("sites", 2, arena))
    one.live(items, until_s=50)
    holding = one.status[-1].holding
    assert (holding.plan.version, holding.sites.version, holding.refused) == (5, 2, ())
    (notice,) = (body for body in one.bodies("notice") if body["notice"] == "plan-refused")
    assert tinyday.START_UTC_S + 30 <= parse_utc(notice["at"]) <= tinyday.START_UTC_S + 40


def test_what_could_not_even_be_read_is_told_too(van: Callable[..., Van]) -> None:
    """A payload that is no downlink at all stands among the refused, with its reason."""
    one = van()
    one.agent.deliver(Refused("plan", None, "the digest does not fit the content"))
    one.live(tinyday.inputs(), until_s=10)
    (told,) = one.status[-1].holding.refused
    assert (told.what, told.reasons) == ("plan", ("the digest does not fit the content",))


def test_only_an_ack_takes_records_off_the_outbox(van: Callable[..., Van]) -> None:
    """What an ack covers goes, by seq and by range; the rest stays."""
    one = van().live(tinyday.inputs())
    seqs = [row.seq for row in one.rows()]
    one.agent.deliver(Settled())
    one.agent.deliver(Acks((Ack(epoch=1, seq=3, also=((5, 6),)),)))
    one.agent._turn()
    assert [row.seq for row in one.rows()] == [4, *seqs[6:]]


def test_a_stop_commits_everything_that_has_come(van: Callable[..., Van]) -> None:
    """With the stop already asked for, run() still deals with the queue and leaves nothing uncommitted."""
    one = van()
    items = list(tinyday.inputs(500.0))[1:]
    for item in items:
        one.agent.put(item)
    stop = threading.Event()
    stop.set()
    one.agent.run(stop)
    assert names(one.latest()["van-07/2026-03-04/1"]) == {"A", "B", "C"}
    checkpoint = one.store.checkpoint()
    assert checkpoint is not None
    assert checkpoint.record == one.store.last_seq


def test_outside_working_hours_no_place_is_kept_or_shown(van: Callable[..., Van]) -> None:
    """No position, no site, no coordinates: not shown, not in a record, not in a recording; what is aboard still is."""
    one = van(vehicle=tinyday.VEHICLE + OUTSIDE_HOURS, record=True).live(tinyday.inputs())
    assert one.position == []
    assert one.aboard
    assert {(body.site, body.badges) for body in one.aboard if body.at is not None} == {(None, ())}
    kept = b"\n".join(bytes(row.body) for row in one.rows())
    for told in (b"hall", b"urn:roadtally:site:depot", b"geo:", b'"lat"', b"48.3"):
        assert told not in kept
    assert names(one.latest()["van-07/2026-03-04/1"]) == {"A", "B", "C"}
    recording = (one.folder / "recording.jsonl").read_bytes()
    assert b'"kind":"read"' in recording
    assert b'"lat"' not in recording


def test_within_working_hours_all_of_it_is(van: Callable[..., Van]) -> None:
    """The same day within the hours shows and keeps positions and sites."""
    one = van(vehicle=tinyday.VEHICLE + WITHIN_HOURS, record=True).live(tinyday.inputs())
    assert {body.site for body in one.position} >= {"depot", "hall", None}
    assert {body.site for body in one.aboard if body.at is not None} >= {"depot", "hall"}
    kept = b"\n".join(bytes(row.body) for row in one.rows())
    assert b"urn:roadtally:site:hall" in kept
    assert (one.folder / "recording.jsonl").read_bytes().count(b'"lat"') > 1000


BADGE = "urn:epc:id:gsrnp:9521141.0000004711"


@pytest.mark.parametrize("kept", [False, True], ids=["outside", "within"])
def test_a_badge_is_not_even_a_stored_read_outside_working_hours(van: Callable[..., Van], *, kept: bool) -> None:
    """Neither thinned reads nor recording nor checkpoint know of a badge that was heard then; of things all do.

    Within the hours its reads are kept like any other, from the moment on at which time is trusted.
    """
    tag = encode_uri(BADGE)
    one = van(vehicle=tinyday.VEHICLE + (WITHIN_HOURS if kept else OUTSIDE_HOURS), record=True)
    (one.folder / "register.csv").write_text(f"{tinyday.REGISTER}{BADGE},person,R. Tresk\n")

    def worn() -> Iterator[Input]:
        for item in tinyday.inputs():
            if isinstance(item, Inventory):
                yield msgspec.structs.replace(item, reads=(*item.reads, Read(item.mono, tag, 1, -50.0)))
            else:
                yield item

    one.live(worn())
    with closing(sqlite3.connect(one.folder / "vehicle.db")) as database:
        stored = {tag for (tag,) in database.execute("SELECT DISTINCT tag FROM reading")}
    assert stored == set(tinyday.TAGS.values()) | ({tag} if kept else set())
    assert (tag.encode() in (one.folder / "recording.jsonl").read_bytes()) is kept
    assert (tag in one.agent.state.belief.tags) is kept


def test_the_hours_end_with_the_minute(van: Callable[..., Van]) -> None:
    """Hours that end while the van drives: positions up to that moment and none after it."""
    end = "07:07"  # on the Azores it is an hour earlier than UTC in winter
    hours = OUTSIDE_HOURS.replace("12:00", "06:00").replace("18:00", end)
    one = van(vehicle=tinyday.VEHICLE + hours).live(tinyday.inputs())
    last_s = max(parse_utc(body.at) for body in one.position)
    assert tinyday.START_UTC_S + 350 < last_s < tinyday.START_UTC_S + 420, "a position a minute"


def silent_spans(one: Van) -> list[tuple[float, float]]:
    """When the plan was to be silent, in seconds of the day."""
    spans, since = [], None
    for at_s, plan in [*one.plans, (one.clock.now, ReadingPlan(round_s=99.0))]:
        if plan.burst_rounds == 0 and since is None:
            since = at_s
        elif plan.burst_rounds != 0 and since is not None:
            spans.append((since - tinyday.BOOT_MONO_S, at_s - tinyday.BOOT_MONO_S))
            since = None
    return spans


def test_it_pauses_while_people_may_be_inside(van: Callable[..., Van]) -> None:
    """Where the assessment says pause: silent until the doors are known to be shut, and while they are open."""
    one = van(vehicle=tinyday.VEHICLE + ASSESSED.format("pause")).live(tinyday.inputs())
    spans = silent_spans(one)
    assert [(round(begin), round(end)) for begin, end in spans] == [(0, 2), (61, 201), (581, 661)]


def test_it_pauses_while_parked_where_nobody_watches_the_doors(van: Callable[..., Van]) -> None:
    """With no door input wired, "pause" leaves only the drives."""
    vehicle = tinyday.VEHICLE.replace(f"doors = {tinyday.DOORS}\n", "") + ASSESSED.format("pause")
    one = van(vehicle=vehicle).live(tinyday.inputs())
    for begin, end in ((30, 290), (570, 770), (1050, 1250)):
        assert any(first <= begin and end <= last for first, last in silent_spans(one)), (begin, end)
    assert not any(first < 520 and last > 330 for first, last in silent_spans(one))


def test_it_reads_with_open_doors_where_that_is_allowed(van: Callable[..., Van]) -> None:
    """Where the assessment allows people inside, open doors change nothing."""
    assert silent_spans(van(vehicle=tinyday.VEHICLE + ASSESSED.format("allowed")).live(tinyday.inputs())) == []


def test_it_is_silent_where_radio_must_be_off(van: Callable[..., Van]) -> None:
    """At a radio_off site the plan is OFF until the van leaves; what was not read there was not unloaded for that."""
    one = van(radio_off=True)
    heard = (item for item in tinyday.inputs() if not (hasattr(item, "reads") and 552 < item.mono - 12 < 790))
    one.live(heard)
    ((begin, end),) = silent_spans(one)
    assert tinyday.REACHED_HALL_S - 60 < begin < tinyday.REACHED_HALL_S + 45
    assert tinyday.LEFT_HALL_S - 1 < end < tinyday.LEFT_HALL_S + 45
    assert [event["bizStep"] for event in standing(one.bodies("event"))].count("unloading") <= 1
    assert names(one.latest()["van-07/2026-03-04/2"]) >= {"A", "C"}


def test_the_lamp_is_dark_while_the_van_drives(van: Callable[..., Van]) -> None:
    """With a plan in use: dark first, lit while it stands, dark within seconds of the departure until it stands again.

    A departure is found from its third or fourth moving fix on; nothing lights up between two stops.
    """
    plan = f"vehicle,date,load_at,unload_at,epc\nvan-07,2026-03-04,depot,hall,{tinyday.EPCS['B']}\n"
    one = van()
    one.agent.deliver(downlink("plan", 5, plan))
    one.live(tinyday.inputs())
    assert one.lamp[0][1] == DARK
    told = [(at_s - tinyday.BOOT_MONO_S, rhythm) for at_s, rhythm in one.lamp]
    for left_s, there_s in ((tinyday.LEFT_DEPOT_S, tinyday.REACHED_HALL_S), (tinyday.LEFT_HALL_S, tinyday.BACK_S)):
        before = [rhythm for at_s, rhythm in told if at_s < left_s]
        assert before[-1] != DARK
        on_the_way = [(at_s, rhythm) for at_s, rhythm in told if left_s <= at_s < there_s]
        assert [rhythm for _, rhythm in on_the_way] == [DARK]
        assert on_the_way[0][0] < left_s + 10.0


def test_nothing_that_the_lamp_says_comes_back(van: Callable[..., Van]) -> None:
    """With and without a lamp the same day gives the same records, byte for byte."""
    with_lamp, without = van().live(tinyday.inputs()), van()
    without.agent._set_signal = None
    without.live(tinyday.inputs())
    assert without.lamp == []
    assert [bytes(row.body) for row in with_lamp.rows()] == [bytes(row.body) for row in without.rows()]


def test_a_wait_for_inputs_ends_when_its_time_is_over(van: Callable[..., Van]) -> None:
    """Also where the process stood still beyond its deadline, as on a busy machine; here a signal's handler does that.

    CPython's SimpleQueue would wait for ever: what is left of its time is negative then.
    """
    one = van()
    calls: list[float] = []

    def busy(*_: object) -> None:
        calls.append(time.monotonic())
        if len(calls) > 1:
            raise TimeoutError("the loop waits for ever")
        signal.setitimer(signal.ITIMER_REAL, 10.0)
        while time.monotonic() < calls[0] + 2 * one.agent._wait_real_s:
            pass

    before = signal.signal(signal.SIGALRM, busy)
    try:
        signal.setitimer(signal.ITIMER_REAL, one.agent._wait_real_s / 2)
        while not calls:
            one.agent._turn()
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
    assert len(calls) == 1
