"""The faults, one row each: how it is made, what the agent does, and within which time it is back.

`back_s` is counted in seconds of the day from the end of the fault's cause. Where it comes from: a link that is gone is
tried again after 0.5, 1, 2 … 30 s, each times 0.5 to 1.5 by chance, but hardly longer than has been waited so far
(`agent.llrp.patience`, `agent.receiver`), so that the longest pause after a cause of 25 s is 26 s; a set-up takes about
a second, a whole round 2 s; what falls silent is noticed after three keepalives of 5 s (reader) or 10 s (receiver). A
second or two are the bench's own.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from itertools import pairwise
from typing import Any, Literal

from msgspec import Struct

from agent.llrp.messages import GetReaderConfigResponse, GetSupportedVersion, StartROSpec, StartROSpecResponse
from agent.records import Fix, Inventory
from agent.timeline import ROLL_OVER_S
from agent.units import format_utc, parse_utc
from tests.faults import scripted
from tests.faults.day import Due, Lived, Van

BLIP_S, LINK_S, SILENT_S, GREW_S = 8.0, 12.0, 30.0, 36.0


class Fault(Struct, frozen=True):
    """One kind of fault. `shows` says by what one sees that the agent is back, `trace` that it was injected at all."""

    name: str
    does: str
    shows: Literal["reading", "fixes", "antennas"]
    back_s: float
    trace: Callable[[Lived], bool]
    begin: Callable[[Van], None]
    end: Callable[[Van], None] | None = None
    holds_s: float = 0.0

    def due(self, at_s: float) -> list[Due]:
        """Its begin and its end as things that happen at a second of the day."""
        ends = [] if self.end is None else [Due(at_s + self.holds_s, self.end)]
        return [Due(at_s, self.begin), *ends]


def _set(**switches: bool) -> Callable[[Van], None]:
    def change(van: Van) -> None:
        for name, on in switches.items():
            setattr(van.reader, name, on)

    return change


def _insert(data: bytes, *, then_cut: bool = False) -> Callable[[Van], None]:
    return lambda van: van.reader.insert(data, then_cut=then_cut)


def _change(change: Callable[[list[bytes]], list[bytes] | None]) -> Callable[[Van], None]:
    return lambda van: van.reader.change_next(change)


def _let_old_out(van: Van) -> None:
    """The connection goes, and what was held back meanwhile comes in the next one, before any round of it."""
    van.reader.keep_reports = False
    old, van.reader.old = van.reader.old, []

    def with_old(frames: list[bytes]) -> list[bytes] | None:
        if any(scripted.number_of(frame) == GetReaderConfigResponse.number for frame in frames):
            return [*frames, *old]
        return None

    van.reader.change_next(with_old)
    van.reader.cut()


def _hold_one(van: Van) -> None:
    """The next report is put aside."""

    def without(frames: list[bytes]) -> list[bytes] | None:
        reports = [frame for frame in frames if scripted.tags_in(frame)]
        if not reports:
            return None
        van.hands.setdefault("held", scripted.Held()).frames += reports[:1]
        return [frame for frame in frames if frame is not reports[0]]

    van.reader.change_next(without)


def _tell_in_a_round(van: Van) -> None:
    """What was put aside comes now that another round has begun."""
    held = van.hands.pop("held", scripted.Held()).frames

    def begun(frames: list[bytes]) -> list[bytes] | None:
        numbers = [scripted.number_of(frame) for frame in frames]
        if StartROSpecResponse.number not in numbers:
            return None
        at = numbers.index(StartROSpecResponse.number) + 1
        return [*frames[:at], *held, *frames[at:]]

    van.reader.change_next(begun)


def _offer_1_1(van: Van) -> None:
    """A firmware that speaks LLRP 1.1 and says so."""
    van.reader.refuse(GetSupportedVersion, None, on=False)
    van.reader.offer(2)


def _offer_in_vain(van: Van) -> None:
    """One that greets in 1.1 and does not know the message that is asked then."""
    van.reader.refuse(GetSupportedVersion, None, on=True)
    van.reader.offer(2)


def _squat(van: Van) -> None:
    van.hands["squatter"] = scripted.Squatter(van.reader)


def _leave(van: Van) -> None:
    van.hands.pop("squatter").leave()


def _half_frame(van: Van) -> None:
    van.reader.insert(scripted.VENDOR_MESSAGE[:17], then_cut=True)


Spoil = Callable[[dict[str, Any], float], dict[str, Any] | None]


def _gps(spoil: Spoil | None) -> Callable[[Van], None]:
    def change(van: Van) -> None:
        van.gpsd.spoil = spoil

    return change


def _shifted(seconds: float) -> Spoil:
    return lambda tpv, _: {**tpv, "time": format_utc(parse_utc(tpv["time"]) + seconds)}


def _alternating(tpv: dict[str, Any], t_s: float) -> dict[str, Any]:
    return _shifted(-ROLL_OVER_S)(tpv, t_s) or tpv if int(t_s) % 2 else tpv


def _sixty(tpv: dict[str, Any], _t_s: float) -> dict[str, Any]:
    return {**tpv, "time": tpv["time"][:17] + "60.000Z"}


def _less(*names: str) -> Spoil:
    return lambda tpv, _: {key: value for key, value in tpv.items() if key not in names}


def _took(is_it: Callable[[dict[str, Any]], bool]) -> Callable[[Lived], bool]:
    return lambda lived: lived.has_fix(is_it)


def _paused(lived: Lived) -> bool:
    told = [item.mono for item in lived.heard if isinstance(item, Inventory) and item.mono < 200.0]
    return max(after - before for before, after in pairwise(told)) > 6.0


def had_no_fix_for(seconds: float) -> Callable[[Lived], bool]:
    """For so long no fix came."""

    def had(lived: Lived) -> bool:
        told = [item.mono for item in lived.heard if isinstance(item, Fix)]
        return max(after - before for before, after in pairwise(told)) > seconds

    return had


def _noted(lived: Lived) -> bool:
    return lived.injected > 0


def _down(lived: Lived) -> bool:
    return lived.went_down()


def _malformed(lived: Lived) -> bool:
    return lived.malformed > 0


def again(lived: Lived) -> bool:
    """Gpsd was connected to anew."""
    return lived.lines.connections > 1


NAN = float("nan")
ENDED = _gps(None)
WALL_2007 = dt.datetime(2007, 1, 1, tzinfo=dt.UTC).timestamp()

FAULTS: tuple[Fault, ...] = (
    # --- the reader ---
    Fault(
        "connection cut",
        "connects again, sets up anew, reads on",
        "reading",
        LINK_S,
        _down,
        lambda van: van.reader.cut(),
    ),
    Fault(
        "half-open connection",
        "hangs up after three keepalives, tries again until it is heard",
        "reading",
        GREW_S,
        _down,
        _set(mute=True, deaf=True),
        _set(mute=False, deaf=False),
        25.0,
    ),
    Fault(
        "reader silent past three keepalives",
        "hangs up after 15 s, connects again",
        "reading",
        SILENT_S,
        _down,
        _set(mute=True),
        _set(mute=False),
        20.0,
    ),
    Fault(
        "short silence (10 s)",
        "stops the round; hangs up where that is not answered in 10 s",
        "reading",
        SILENT_S,
        _paused,
        _set(mute=True),
        _set(mute=False),
        10.0,
    ),
    Fault(
        "reader loses power, specs lost",
        "tries again until it is up, gives it its ROSpec anew",
        "reading",
        GREW_S,
        _down,
        lambda van: van.reader.power_off(),
        lambda van: van.reader.power_on(),
        20.0,
    ),
    Fault(
        "garbage between frames",
        "cannot find the next frame: hangs up and connects again",
        "reading",
        LINK_S,
        _down,
        _insert(scripted.GARBAGE),
    ),
    Fault(
        "connection ends inside a frame",
        "forgets the half frame, connects again",
        "reading",
        LINK_S,
        _down,
        _half_frame,
    ),
    Fault(
        "report cut short",
        "counts the frame as malformed, stays in step",
        "reading",
        BLIP_S,
        _malformed,
        _change(scripted.cut_short),
    ),
    Fault(
        "oversized frame",
        "skips it, counts it, stays in step",
        "reading",
        BLIP_S,
        _malformed,
        _insert(scripted.OVERSIZED),
    ),
    Fault("unknown message", "passes it over", "reading", BLIP_S, _noted, _insert(scripted.UNKNOWN_MESSAGE)),
    Fault("vendor's message", "passes it over", "reading", BLIP_S, _noted, _insert(scripted.VENDOR_MESSAGE)),
    Fault(
        "vendor's parameters in a report",
        "reads the rest",
        "reading",
        BLIP_S,
        _noted,
        _change(scripted.with_vendor_words),
    ),
    Fault(
        "report comes twice",
        "counts the second as duplicate",
        "reading",
        BLIP_S,
        lambda lived: lived.tally.duplicate > 0,
        _change(scripted.doubled),
    ),
    Fault(
        "old reports, held back",
        "does not use what came out of its round, counts it",
        "reading",
        LINK_S,
        lambda lived: lived.tally.malformed.get("out of a round", 0) > 2,
        _set(keep_reports=True),
        _let_old_out,
        10.0,
    ),
    Fault(
        "old report, inside a round",
        "knows it by its stamps, does not use it, counts it",
        "reading",
        BLIP_S,
        lambda lived: lived.tally.malformed.get("out of a round", 0) > 0,
        _hold_one,
        _tell_in_a_round,
        12.0,
    ),
    Fault(
        "every start refused",
        "hangs up, sets the reader up anew, less and less often",
        "reading",
        GREW_S,
        _down,
        lambda van: van.reader.refuse(StartROSpec, StartROSpecResponse, on=True),
        lambda van: van.reader.refuse(StartROSpec, StartROSpecResponse, on=False),
        25.0,
    ),
    Fault(
        "reader offers LLRP 1.1",
        "asks, agrees on 1.1 and speaks it",
        "reading",
        LINK_S,
        lambda lived: 2 in lived.greeted and lived.heard_in == 2,
        _offer_1_1,
    ),
    Fault(
        "reader offers LLRP 1.1, refuses the version message",
        "speaks 1.0.1",
        "reading",
        LINK_S,
        lambda lived: 2 in lived.greeted and lived.heard_in == 1,
        _offer_in_vain,
    ),
    Fault("request refused", "hangs up, sets the reader up anew", "reading", LINK_S, _down, _change(scripted.refused)),
    Fault(
        "connection already exists",
        "tries again until the place is free",
        "reading",
        GREW_S,
        _down,
        _squat,
        _leave,
        20.0,
    ),
    Fault(
        "antenna lost",
        "tells it, reads on with the other; both when it is back",
        "antennas",
        BLIP_S,
        lambda lived: "antenna-lost" in lived.notices(),
        lambda van: van.reader.set_antenna(2, connected=False),
        lambda van: van.reader.set_antenna(2, connected=True),
        40.0,
    ),
    Fault(
        "reader's clock jumps",
        "does not notice: stamps are the computer's own",
        "reading",
        BLIP_S,
        _noted,
        lambda van: van.reader.set_epoch(WALL_2007),
    ),
    # --- the receiver ---
    Fault(
        "gpsd killed",
        "connects again when it is back",
        "fixes",
        GREW_S,
        again,
        lambda van: van.gpsd.kill(),
        lambda van: van.gpsd.restart(),
        20.0,
    ),
    Fault(
        "gpsd stopped (hangs)",
        "hangs up after 10 s, tries again until it speaks",
        "fixes",
        GREW_S,
        had_no_fix_for(20.0),
        lambda van: van.gpsd.hang(on=True),
        lambda van: van.gpsd.hang(on=False),
        25.0,
    ),
    Fault(
        "receiver mute",
        "asks gpsd, which answers, and keeps the connection for a minute; the van stays where it was",
        "fixes",
        GREW_S,
        had_no_fix_for(40.0),
        _gps(lambda _tpv, _t: None),
        ENDED,
        45.0,
    ),
    Fault(
        "receiver unplugged (no device)",
        "no fix is used",
        "fixes",
        BLIP_S,
        _took(lambda tpv: tpv["mode"] == 0),
        _gps(lambda _tpv, _t: {"mode": 0}),
        ENDED,
        30.0,
    ),
    Fault(
        "NaN for a position",
        "no fix is used",
        "fixes",
        BLIP_S,
        _took(lambda tpv: tpv.get("lat") != tpv.get("lat")),
        _gps(lambda tpv, _t: {**tpv, "lat": NAN, "lon": NAN, "speed": NAN, "eph": NAN}),
        ENDED,
        30.0,
    ),
    Fault(
        "mode 3 without a position",
        "no fix is used",
        "fixes",
        BLIP_S,
        _took(lambda tpv: "lat" not in tpv),
        _gps(_less("lat", "lon")),
        ENDED,
        30.0,
    ),
    Fault(
        "fixes without a time",
        "no fix is used",
        "fixes",
        BLIP_S,
        _took(lambda tpv: "time" not in tpv),
        _gps(_less("time")),
        ENDED,
        30.0,
    ),
    Fault(
        "fixes without precision",
        "assumes its default error",
        "fixes",
        BLIP_S,
        _took(lambda tpv: "eph" not in tpv),
        _gps(_less("eph", "epx", "epy")),
        ENDED,
        30.0,
    ),
    Fault(
        "a leap second's :60",
        "takes it for the moment after",
        "fixes",
        BLIP_S,
        _took(lambda tpv: ":60" in tpv.get("time", "")),
        _gps(_sixty),
        ENDED,
        5.0,
    ),
    Fault(
        "time jumps back an hour",
        "keeps the time it trusts",
        "fixes",
        BLIP_S,
        lambda lived: "time-disagrees" in lived.notices(),
        _gps(_shifted(-3600.0)),
        ENDED,
        40.0,
    ),
    Fault(
        "roll-over (1024 weeks back)",
        "refuses that time, keeps the one it trusts",
        "fixes",
        BLIP_S,
        lambda lived: "time-refused" in lived.notices(),
        _gps(_shifted(-ROLL_OVER_S)),
        ENDED,
        40.0,
    ),
    Fault(
        "dates alternate",
        "keeps the time it trusts",
        "fixes",
        BLIP_S,
        lambda lived: "time-refused" in lived.notices(),
        _gps(_alternating),
        ENDED,
        40.0,
    ),
    # --- the computer ---
    Fault(
        "wall clock set to 2007",
        "does not notice: nothing is ordered by it",
        "reading",
        BLIP_S,
        _noted,
        lambda van: van.clock.jump(WALL_2007),
        lambda van: van.clock.jump(12.0),
        60.0,
    ),
)
BY_NAME = {fault.name: fault for fault in FAULTS}
