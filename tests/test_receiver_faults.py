"""Faults of receiver and gpsd, injected into a running agent by a scripted gpsd.

The hand-made day of `tests.tinyday` passes at high speed: the agent's own loop, its receiver and a scripted gpsd on
TCP, with the reader's rounds and inputs put in at their seconds. The fault lies in the first drive, where a false stop
or a false unloading would show: its manifest must be that of the day without a fault.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, get_args

import msgspec
import pytest

from agent import gps_faults
from agent.clock import ClockMaster, SharedClock
from agent.gps_faults import Said, Telling, fault_of, tell
from agent.gpsd_devices import HANDOVER_S, MOST_DEVICES, Device, Following, Gpsd, connect, hear
from agent.receiver import Receiver
from agent.records import Fix, GpsFix, Input
from agent.run import time_rules
from agent.setup import read_in_use
from agent.simgpsd import SimGpsd
from agent.store import Store
from agent.units import format_utc
from agent.vehicle_agent import VehicleAgent
from tests import tinyday

SPEED = 200.0
PATIENCE_REAL_S = 60.0
WHERE = "127.0.0.1:2947"
ROLL_OVER_S = 619_315_200.0  # 1024 weeks: IS-GPS-200


class Gps:
    """A scripted gpsd that speaks for the day's receiver; `change` makes of each second's TPV what is sent for it."""

    def __init__(self, clock: SharedClock, change: Callable[[int, dict[str, Any]], list[dict[str, Any]]]) -> None:
        self._clock, self._change = clock, change
        self.server = SimGpsd(clock)
        self.port = self.server.port
        self.away: list[tuple[int, int]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._live, daemon=True)

    def start(self) -> None:
        """Serve, and speak once a second of the day."""
        self.server.start()
        self._thread.start()

    def _live(self) -> None:
        second, is_there = 0, True
        while not self._clock.sleep_until(second, stop=self._stop):
            wanted = not any(begin <= second < end for begin, end in self.away)
            if wanted and not is_there:
                self.server = SimGpsd(self._clock, port=self.port).start()
            elif is_there and not wanted:
                self.server.stop()
            is_there = wanted
            if is_there:
                for tpv in self._change(second, tinyday.tpv(second)):
                    self.server.send(tpv)
            second += 1

    def stop(self) -> None:
        """End it."""
        self._stop.set()
        self._thread.join()
        self.server.stop()


class Day:
    """One van's day until after its first arrival, with a gpsd that fails."""

    def __init__(self, folder: Path, change: Callable[[int, dict[str, Any]], list[dict[str, Any]]]) -> None:
        tinyday.write_files(folder)
        self.master = ClockMaster(folder / "clock", start_utc=tinyday.START_UTC_S, speed=SPEED, max_lag_s=2.0)
        self.clock = SharedClock(folder / "clock", boot_at_s=0.0, offset_s=tinyday.BOOT_MONO_S, wrong_utc=12.0)
        self.gps = Gps(SharedClock(folder / "clock", boot_at_s=0.0), change)
        _, in_use = read_in_use(
            config=folder / "vehicle.toml", sites=folder / "geofences", register=folder / "register.csv", plan=None
        )
        self.store = Store.open(folder / "vehicle.db", seal=None)
        self.agent = VehicleAgent(
            in_use=in_use, store=self.store, clock=self.clock, program="test", rules=time_rules(self.clock)
        )
        self.receiver = Receiver("127.0.0.1", self.gps.port, clock=self.clock, put=self.agent.put)
        self.agent.watch_gpsd(lambda: self.receiver.gpsd)
        self._stop = threading.Event()

    def live(self, until_s: float) -> Day:
        """Let it pass."""
        others = [item for item in tinyday.inputs(until_s) if not isinstance(item, Fix)][1:]
        feeder = threading.Thread(target=self._feed, args=(others,), daemon=True)
        self.gps.start()
        self.receiver.start()
        feeder.start()
        self.master.start()
        self.agent.run(self._stop)
        feeder.join()
        self.receiver.stop()
        self.gps.stop()
        self.master.close()
        assert self.clock.mono() >= others[-1].mono, "the day did not pass in time"
        return self

    def _feed(self, others: list[Input]) -> None:
        """What the reader says, each at its second; then the day is over."""
        deadline = time.monotonic() + PATIENCE_REAL_S
        for item in others:
            while self.clock.mono() < item.mono and time.monotonic() < deadline:
                self._stop.wait(0.001)
            self.agent.put(item)
        self._stop.set()

    def bodies(self, kind: str) -> list[dict[str, Any]]:
        """The records of a kind, in order."""
        return [msgspec.json.decode(row.body) for row in self.store.unacked(limit=1000) if row.kind == kind]

    @property
    def notices(self) -> list[str]:
        """The codes of what was told of receiver and gpsd, in order."""
        known = {*get_args(gps_faults.Code), "gps-back", "receiver-changed"}
        return [body["notice"] for body in self.bodies("notice") if body["notice"] in known]


Change = Callable[[int, dict[str, Any]], list[dict[str, Any]]]
FROM, TO = 330, 490  # within the first drive, 300 to 540
OTHER = "/dev/ttyUSB7"


def during(make: Callable[[int, dict[str, Any]], list[dict[str, Any]]], *, begin: int = FROM, end: int = TO) -> Change:
    """Fails for a while, and is well before and after."""
    return lambda second, tpv: make(second, tpv) if begin <= second < end else [tpv]


def utc(tpv: dict[str, Any], second: int, shift_s: float) -> dict[str, Any]:
    """The same with another time."""
    return {**tpv, "time": format_utc(tinyday.START_UTC_S + second + shift_s)}


def without(tpv: dict[str, Any], *keys: str) -> dict[str, Any]:
    """The same with keys left out."""
    return {key: value for key, value in tpv.items() if key not in keys}


def frozen(_second: int, tpv: dict[str, Any]) -> list[dict[str, Any]]:
    """A receiver that hangs: its last position and time again and again."""
    return [{**tpv, "time": format_utc(tinyday.START_UTC_S + FROM), "lat": round(tinyday.latitude(FROM), 7)}]


def beside(second: int, tpv: dict[str, Any]) -> list[dict[str, Any]]:
    """A second receiver that gives positions half a kilometre off, in turn with the first."""
    return [tpv, {**utc(tpv, second, 0.0), "device": OTHER, "lat": tpv["lat"] + 0.005, "speed": 0.0}]


def nan_line(_second: int, tpv: dict[str, Any]) -> list[dict[str, Any]]:
    """What msgspec writes for NaN is null, as some versions of gpsd do."""
    return [{**tpv, "lat": float("nan"), "lon": float("nan"), "speed": float("nan")}]


# name: what the receiver sends, what is told of it. Where nothing is told the fault is none that an installer can mend.
FAULTS: dict[str, tuple[Change, list[str]]] = {
    "none": (lambda _, tpv: [tpv], []),
    "silent": (during(lambda *_: []), ["receiver-silent", "gps-back"]),
    "silent for a moment": (during(lambda *_: [], end=FROM + 20), []),
    "hangs": (during(frozen), ["receiver-unusable", "gps-back"]),
    "no fix in a tunnel": (during(lambda _, tpv: [without({**tpv, "mode": 1}, "lat", "lon")]), []),
    "mode without position": (
        during(lambda _, tpv: [without(tpv, "lat", "lon")]),
        ["receiver-unusable", "gps-back"],
    ),
    "NaN": (during(nan_line), ["receiver-unusable", "gps-back"]),
    "no time": (during(lambda _, tpv: [without(tpv, "time")]), ["receiver-unusable", "gps-back"]),
    "no precision": (during(lambda _, tpv: [without(tpv, "eph")]), []),
    "second 60": (during(lambda _, tpv: [{**tpv, "time": "2026-03-04T08:05:60.000Z"}], end=FROM + 1), []),
    "rolled over": (during(lambda s, tpv: [utc(tpv, s, -ROLL_OVER_S)]), []),
    "alternating dates": (during(lambda s, tpv: [utc(tpv, s, 86_400.0 * (s % 2))]), []),
    "a leap step": (during(lambda s, tpv: [utc(tpv, s, -18.0)]), []),
    "a step backwards": (during(lambda s, tpv: [utc(tpv, s, -3600.0)]), []),
    "a second one without a fix": (
        lambda _, tpv: [tpv, without({**tpv, "device": OTHER, "mode": 1}, "lat", "lon", "time")],
        [],
    ),
    "a second one elsewhere": (beside, []),
    "a second one takes over": (
        lambda s, tpv: [*([tpv] if s < FROM else []), {**tpv, "device": OTHER}],
        ["receiver-changed"],
    ),
}


@pytest.fixture
def day(tmp_path: Path) -> Iterator[Callable[..., Day]]:
    """Makes a day, and gives back its files."""
    made: list[Day] = []

    def make(change: Change) -> Day:
        made.append(Day(tmp_path, change))
        return made[-1]

    yield make
    for one in made:
        one.store.close()
        one.clock.close()


def told_aboard(one: Day) -> tuple[list[str], list[str], str | None]:
    """The first leg by its highest revision: the items aboard, by letter; where it ended; and what was unloaded."""
    first = [body for body in one.bodies("manifest") if body["manifest"].endswith("/1")][-1]
    epcs = {item["epc"] for item in first["items"]}
    unloaded = [body for body in one.bodies("event") if body.get("bizStep") == "unloading"]
    aboard = [name for name, epc in tinyday.EPCS.items() if epc in epcs]
    where = None if first["arrived"] is None else first["arrived"]["site"]
    return aboard, [str(body["childEPCs"]) for body in unloaded], where


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_in_mid_drive_changes_no_manifest_and_is_told_once(name: str, day: Callable[..., Day]) -> None:
    """Whatever the receiver does: three items from the depot to the hall, nothing unloaded on the way, one leg.

    What an installer can mend is told once, and once more when it is over.
    """
    change, told = FAULTS[name]
    one = day(change).live(620.0)
    assert one.notices == told
    assert told_aboard(one) == (["A", "B", "C"], [], "hall")
    assert {body["manifest"].rpartition("/")[2] for body in one.bodies("manifest")} == {"1"}
    counts = one.receiver.counts
    assert counts.lines == counts.fixes + counts.others + counts.malformed


def test_a_receiver_that_rolled_over_is_still_followed(day: Callable[..., Day]) -> None:
    """Its dates are refused and said to be; its positions are right, and the manifest comes without a trusted time."""
    one = day(lambda s, tpv: [utc(tpv, s, -ROLL_OVER_S)]).live(620.0)
    aboard, unloaded, _ = told_aboard(one)
    assert (aboard, unloaded) == (["A", "B", "C"], [])
    (refused,) = [body["text"] for body in one.bodies("notice") if body["notice"] == "time-refused"]
    assert refused == "The receiver says a time 1024 weeks off: its week number rolled over."
    assert one.notices == []


def test_a_gpsd_that_is_gone_for_two_minutes(day: Callable[..., Day]) -> None:
    """Killed in mid-drive and started again: told as gone, told as back, and the leg is the same."""
    one = day(lambda _, tpv: [tpv])
    one.gps.away.append((FROM, TO - 20))
    one.live(620.0)
    assert one.notices == ["gpsd-gone", "gps-back"]
    assert told_aboard(one) == (["A", "B", "C"], [], "hall")


def test_the_notice_stands_in_the_status(day: Callable[..., Day]) -> None:
    """While it lasts the status says what is wrong and what to do; `silent` is not `no fix`."""
    one = day(during(lambda *_: [])).live(440.0)
    status = one.agent._status(440.0 + tinyday.BOOT_MONO_S)
    assert status.gps is not None
    told = one.bodies("notice")[-1]["text"]
    assert status.gps.state == "silent"
    assert re.sub(r"for \d+ s", "", status.gps.fault or "") == re.sub(r"for \d+ s", "", told)
    assert "check the cable" in told
    then_s, now_s = (int(re.findall(r"for (\d+) s", text)[0]) for text in (told, status.gps.fault or ""))
    assert then_s <= now_s
    assert one.notices == ["receiver-silent"]


# --- the words, by hand ---

DEVICES = {"class": "DEVICES", "devices": [{"class": "DEVICE", "path": "/dev/ttyS1"}]}
TPV = {**tinyday.tpv(0), "device": "/dev/ttyS1"}


def up(*documents: dict[str, Any], mono: float = 100.0) -> Gpsd:
    """A gpsd that answered at once and said these things at `mono`."""
    gpsd = connect(Gpsd(began_mono=100.0), "up", 100.0)
    for document in documents:
        gpsd = hear(gpsd, document, mono)
    return gpsd


def said(gpsd: Gpsd, now: float) -> str | None:
    """What is wrong."""
    fault = fault_of(gpsd, now, where=WHERE)
    return None if fault is None else fault.text


def test_a_mute_receiver_is_told_apart_from_a_dead_gpsd() -> None:
    """Where gpsd answers and its receiver is mute: the cable. Nobody answers: gpsd. Each with what to do."""
    gpsd = up(DEVICES, TPV)
    assert said(gpsd, 139.0) is None
    assert said(gpsd, 140.0) == (
        "gpsd answers, but its receiver /dev/ttyS1 has said nothing for 40 s; check the cable and its power."
    )
    assert said(connect(gpsd, "refused", 101.0), 141.0) == (
        "No gpsd at 127.0.0.1:2947 for 41 s; check that it runs (systemctl status gpsd) and listens there."
    )
    assert said(connect(gpsd, "mute", 101.0), 300.0) == (
        "gpsd at 127.0.0.1:2947 takes connections, but has said nothing for 3 min; "
        "restart it (systemctl restart gpsd)."
    )
    assert said(connect(gpsd, "foreign", 101.0), 140.0) == (
        "What answers at 127.0.0.1:2947 is no gpsd; correct [gps] host and port, or what listens there."
    )


def test_a_gpsd_without_a_receiver() -> None:
    """A gpsd with no device, from the start or once it closed the only one: plug it in or name it."""
    closed = {"class": "DEVICE", "path": "/dev/ttyS1", "activated": 0}
    for gpsd in (up({"class": "DEVICES", "devices": []}), up(DEVICES, closed)):
        assert gpsd.heard_mono is None
        assert (said(gpsd, 145.0) or "").startswith("gpsd answers, but has had no receiver for 45 s; plug it in")


def test_a_receiver_that_gpsd_has_lost() -> None:
    """One that spoke and is named no more was there: it needs no entry in DEVICES, but its plug or gpsd a restart."""
    gone = up(DEVICES, tinyday.tpv(0), {"class": "DEVICES", "devices": []})
    assert said(gone, 145.0) == (
        "gpsd answers, but lost its receiver 45 s ago; plug it in; if that is not enough, restart gpsd"
        " (systemctl restart gpsd)."
    )


def test_a_receiver_that_never_spoke() -> None:
    """From the start on the same holds, counted from when we began to listen."""
    assert said(up(DEVICES), 139.9) is None
    assert "has not said anything yet for 40 s" in (said(up(DEVICES), 140.0) or "")
    assert "receiver (unnamed)" in (said(up(), 140.0) or "")


def test_no_sky_is_told_after_half_an_hour() -> None:
    """Without a fix under a roof nothing is wrong; after half an hour the antenna is worth a look."""
    gpsd = up(DEVICES)
    for second in range(100, 1900):
        gpsd = hear(gpsd, {"class": "TPV", "device": "/dev/ttyS1", "mode": 1}, float(second))
    assert said(gpsd, 1899.0) is None
    assert said(gpsd, 1900.0) == (
        "Receiver /dev/ttyS1 has had no fix for 30 min; under open sky that means its antenna: check it."
    )


def test_a_gpsd_that_came_back_has_its_time() -> None:
    """Started again after a minute, it is not blamed for what its receiver has not had time to say."""
    gpsd = connect(connect(up(DEVICES, TPV), "refused", 101.0), "up", 160.0)
    assert said(gpsd, 161.0) is None
    assert "receiver (" not in (said(gpsd, 199.0) or "")
    assert "has said nothing for 100 s" in (said(gpsd, 200.0) or "")


def walk(*steps: tuple[float, Gpsd]) -> list[Said]:
    """All that is told when looked at so."""
    telling, found = Telling(), []
    for now, gpsd in steps:
        telling, one = tell(telling, gpsd, now, where=WHERE)
        found += [] if one is None else [one]
    return found


def test_a_fault_is_told_once_and_its_end_once() -> None:
    """However often one looks; and a single sentence from a loose plug is not yet the end."""
    mute = up(DEVICES, TPV)
    loose = hear(mute, {"class": "SKY", "device": "/dev/ttyS1"}, 200.0)
    back = hear(mute, {**TPV, "time": "2026-03-04T08:02:00.000Z"}, 260.0)
    told = walk(
        *((t, mute) for t in (100.0, 140.0, 145.0, 199.0)), (201.0, loose), (245.0, loose), (261.0, back),
        (264.0, back), (266.0, back), (271.0, back),
    )  # fmt: skip
    assert [(one.code, one.at_mono) for one in told] == [("receiver-silent", 140.0), ("gps-back", 266.0)]
    assert told[-1].text == "Positions come again, after 3 min without."


def test_another_fault_in_its_place_is_told() -> None:
    """Started anew, gpsd answers, but its receiver stays mute: that is news; its words alone are not the end of it."""
    gone = connect(up(DEVICES, TPV), "refused", 101.0)
    back = connect(gone, "up", 150.0)
    speaks = hear(back, {"class": "TPV", "device": "/dev/ttyS1", "mode": 1}, 301.0)
    told = walk((141.0, gone), (155.0, back), (195.0, back), (301.0, speaks), (307.0, speaks))
    assert [one.code for one in told] == ["gpsd-gone", "receiver-silent", "gps-back"]
    assert told[-1].text == "The receiver speaks again, but has no fix yet, after 3 min without."


# --- which one is followed ---


def fix(device: str, mono: float, utc_s: float | None = None) -> GpsFix:
    """A fix of which device and moment matter."""
    return GpsFix(mono, mono if utc_s is None else utc_s, 48.3, -31.2, 3.0, 3, device=device)


def follow(*fixes: GpsFix, bad: tuple[str, ...] = ()) -> str | None:
    """Whom we follow after these; those of `bad` have dates that can't be true."""
    following = Following()
    for one in fixes:
        following = following.take(one, plausible=one.device not in bad)
    return following.device


def test_the_first_with_a_fix_is_followed_until_it_gives_none() -> None:
    """Another takes over after ten seconds without, and keeps it when the first is back."""
    assert follow(fix("a", 0.0), fix("b", 0.5), fix("a", 1.0), fix("b", 1.5)) == "a"
    assert follow(fix("a", 0.0), fix("b", HANDOVER_S)) == "a"
    assert follow(fix("a", 0.0), fix("b", HANDOVER_S + 0.1), fix("a", 11.0)) == "b"


def test_a_receiver_that_hangs_or_rolled_over_does_not_keep_the_other_out() -> None:
    """Its fixes go on, but their time stands still, or can't be true."""
    hanging = [fix("a", float(t), 5.0) for t in range(12)]
    assert follow(*hanging, fix("b", 12.0)) == "b"
    assert follow(*(fix("a", float(t)) for t in range(12)), fix("b", 12.0), bad=("a",)) == "b"
    assert follow(*(fix("a", float(t)) for t in range(12)), fix("b", 12.0), bad=("b", "a")) == "a"


def test_a_peer_that_invents_receivers_fills_nothing() -> None:
    """What is kept of gpsd's receivers is bounded, and what it says wrongly is passed over."""
    gpsd = Gpsd()
    for number in range(100):
        gpsd = hear(gpsd, {"class": "SKY", "device": f"/dev/{number}"}, 1.0)
        gpsd = hear(gpsd, {"class": "DEVICE", "path": f"/dev/{number}"}, 1.0)
    assert len(gpsd.devices) == MOST_DEVICES == len(gpsd.named or ())
    for odd in ({"class": "DEVICES", "devices": 7}, {"class": "DEVICES", "devices": [7, {"path": 7}]}):
        assert hear(gpsd, odd, 2.0).named == ()
    assert hear(gpsd, {"class": "DEVICE", "path": 7}, 2.0) is gpsd
    assert hear(gpsd, {"class": "SKY"}, 2.0) is gpsd
    assert hear(Gpsd(), {"class": "TPV"}, 2.0).devices == {"": Device(heard_mono=2.0, why="no mode", bad_since=2.0)}
