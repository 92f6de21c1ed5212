"""The walk test on a terminal: what is said before, the live count of each antenna port, and what it comes to; floor 4.

It is the only time that a real reader may transmit without [rf_assessment], so it asks for more than the agent does:
an option that says for how long, power, cable, antenna and region in the file, and nobody else on the reader. What
silences the agent's reader silences it too, and ends the test.
"""

from __future__ import annotations

import ssl
import textwrap
from typing import TextIO

from msgspec.structs import replace

from agent.clock import Clock
from agent.findings import Finding, Paper
from agent.llrp.interlock import Interlock
from agent.probe_reader import ReaderAwayError, Walk, walk_test
from agent.radio_rules import EXPOSURE_LIMITS, GROUND_REFLECTION, distance_m, watts_of
from agent.reading import interlock_of
from agent.records import GpsFix
from agent.silence import APPROACH_M
from agent.sites import SiteIndex
from agent.vehicle import Vehicle
from agent.vehicle_radio import power_in_use_dbm, radiated, radio_verdict

_BEFORE = (
    "The reader transmits now. Nobody with a medical implant near, nothing in or at the van that radio can set off, "
    "nobody in the closed box, and no place where radio must be off. Stand outside and carry a tag past each antenna. "
    "Local rules decide."
)


def refusal(vehicle: Vehicle, *, is_agent_running: bool, has_tls: bool = True) -> Finding | None:
    """Why there can be no walk test; None where there can. `has_tls`: the reader's certificate could be read."""

    def no(found: str, do: str) -> Finding:
        return Finding("walk test", "not ok", f"nothing was transmitted: {found}", do)

    if vehicle.reader.host is None:
        return no("there is no reader in the file", "give [reader] host")
    if is_agent_running:
        return no("the running agent holds the reader's only connection", "stop it: systemctl stop roadtally")
    if not has_tls:
        return no("the file with the reader's certificate cannot be used", "see the line READER")
    if power_in_use_dbm(vehicle) is None:
        return no("nobody says how strongly", "give [reader] power_dbm")
    if not vehicle.reader.simulated and radio_verdict(vehicle) is None:
        do = "give region and antenna_gain_dbi in [reader]"
        return no("whether the radio rules allow the power is not known", do)
    return None


def radio_off_refusal(fix: GpsFix | None, quiet: SiteIndex | None) -> Finding | None:
    """Why there can be no walk test here; `quiet` are the sites where radio must be off, None: there are none.

    Without a fix nobody knows where the van is: as for the agent, that alone silences nothing, and who walks is asked.
    """
    if quiet is None or fix is None:
        return None
    near = quiet.near(fix.lat, fix.lon, fix.sigma_m, reach_m=APPROACH_M)
    if not near:
        return None
    found = f"nothing was transmitted: radio must be off at {near[0].site.name}, and the van is at it or near"
    return Finding("walk test", "not ok", found, "drive on, and test elsewhere")


def walk_interlock(vehicle: Vehicle) -> Interlock:
    """What silences the test: the agent's own interlock, without its wait for the agent.

    A wired door that the reader does not tell counts as open where doors pause it: the van stands, and nobody knows.
    """
    found = interlock_of(vehicle)
    return replace(
        found, waits=False, silent_while_on=(), silent_unless_off=found.silent_while_on + found.silent_unless_off
    )


def run_walk(
    vehicle: Vehicle, clock: Clock, *, seconds: float, stream: TextIO, paper: Paper, tls: ssl.SSLContext | None = None
) -> list[Finding]:
    """The test itself, after `refusal` had nothing against it; what it found, a line for each antenna port."""
    power_dbm = power_in_use_dbm(vehicle)
    if power_dbm is None:
        raise AssertionError("refusal() lets no reader transmit at a power that nobody gave")
    screen = _Screen(vehicle, stream, paper)
    screen.before(seconds)
    try:
        walk = walk_test(
            vehicle.reader,
            clock,
            power_dbm=power_dbm,
            seconds=seconds,
            show=screen.show,
            tls=tls,
            interlock=walk_interlock(vehicle),
        )
    except ReaderAwayError as problem:
        do = "see the line READER"
        return [Finding("walk test", "not ok", f"nothing was transmitted: {problem}", do)]
    why, do = silence_words(vehicle, walk)
    walk.cut_off = walk.cut_off or why
    screen.after(walk)
    return findings_of(walk, asked=seconds, do=do)


def silence_words(vehicle: Vehicle, walk: Walk) -> tuple[str, str]:
    """Which input ended the test, and what to do; both empty where none did."""
    whys: list[str] = []
    dos: list[str] = []
    for port, level in walk.silenced_by.items():
        is_doors = port == vehicle.inputs.doors
        name = "doors" if is_doors else "radio_off"
        if level is None:
            whys.append(f"the reader does not say how its input {port} ({name}) is")
            dos.append("see the line INPUTS")
        elif is_doors:
            whys.append(f"the doors are open (input {port}), where the assessment pauses the reader")
            dos.append("put the tags before the antennas, leave the box, close the doors and start again")
        else:
            whys.append(f"input {port} (radio_off) is on: the reader must be silent")
            dos.append("that is no fault: test where radio is allowed, with that switch off")
    return " and ".join(whys), "; ".join(dict.fromkeys(dos))


def findings_of(walk: Walk, *, asked: float, do: str = "") -> list[Finding]:
    """A walk test as lines: an antenna that heard nothing at all is not ok. `do` is for what silenced it."""
    if walk.silenced_by and not walk.has_transmitted:
        return [Finding("walk test", "not ok", f"nothing was transmitted: {walk.cut_off}", do)]
    found: list[Finding] = []
    for antenna, heard in walk.antennas.items():
        if antenna in walk.lost:
            do = "push its plug home, look for a crushed cable; or swap it with another port's, the reader being off"
            found.append(Finding("walk test", "not ok", f"port {antenna}: the reader says no antenna is there", do))
        elif heard.best_dbm is None:
            do = "carry a tag past it again; then, the reader being off, swap its cable with another port's and repeat"
            found.append(Finding("walk test", "not ok", f"port {antenna}: no tag in {walk.rounds} rounds", do))
        else:
            tags = f"{len(heard.tags)} tag{'s' * (len(heard.tags) != 1)}"
            found.append(Finding("walk test", "ok", f"port {antenna}: {tags}, strongest {heard.best_dbm:.0f} dBm"))
    if walk.cut_off:
        state = "ok" if walk.cut_off == "stopped by hand" else "not ok"
        if not walk.silenced_by:
            do = "" if state == "ok" else "look at the reader's power and network, and try again"
        text = f"ended before its {asked:g} s: {walk.cut_off}"
        found.append(Finding("walk test", state, text, do))  # type: ignore[arg-type]
    return found


class _Screen:
    """The live count: redrawn in place on a terminal, a line for each round elsewhere."""

    def __init__(self, vehicle: Vehicle, stream: TextIO, paper: Paper) -> None:
        self._vehicle, self._stream, self._paper = vehicle, stream, paper
        self._drawn = 0

    def before(self, seconds: float) -> None:
        """What everybody has to know first."""
        found = radiated(self._vehicle)
        lines = ["", self._paper.loudest(f" TRANSMITTING for up to {seconds:g} s. Ctrl-C stops it. "), ""]
        lines += textwrap.wrap(_BEFORE, self._paper.width)
        if found is not None:
            mhz, eirp_w = self._vehicle.reader.lowest_mhz, watts_of(found.eirp_dbm)
            far_m = max(
                distance_m(eirp_w, limit.density_w_m2(mhz), reflection=GROUND_REFLECTION) for limit in EXPOSURE_LIMITS
            )
            far = f"By the sum at least {far_m:.2f} m from an antenna; in a metal box that says nothing."
            lines += [str(found), far]
        self._stream.write("\n".join([*lines, "", ""]))
        self._stream.flush()

    def show(self, walk: Walk) -> None:
        """One more round."""
        if not self._paper.can_stress:
            told = "   ".join(
                f"port {antenna}: {heard.now} tags {_dbm(heard.now_dbm)}" for antenna, heard in walk.antennas.items()
            )
            self._stream.write(f"{walk.seconds_left:4.0f} s left   {told}\n")
        else:
            lines = _table(walk, self._paper)
            up = f"\x1b[{self._drawn}F\x1b[J" if self._drawn else ""
            self._stream.write(up + "\n".join(lines) + "\n")
            self._drawn = len(lines)
        self._stream.flush()

    def after(self, walk: Walk) -> None:
        """The carrier is off."""
        head = "THE READER IS SILENT AGAIN" if walk.has_transmitted else "NOTHING WAS TRANSMITTED"
        lines = textwrap.wrap(f"{head}{f' ({walk.cut_off})' * bool(walk.cut_off)}", self._paper.width)
        self._stream.write("\n".join(["", self._paper.loud(lines[0]), *lines[1:], "", ""]))
        self._stream.flush()


def _table(walk: Walk, paper: Paper) -> list[str]:
    head = paper.loud("  PORT     TAGS NOW    STRENGTH     TAGS IN ALL     BEST")
    lines = [f"{walk.seconds_left:4.0f} s left", "", head]
    for antenna, heard in walk.antennas.items():
        note = "  NO ANTENNA" if antenna in walk.lost else "  NOTHING YET" if heard.best_dbm is None else ""
        row = f"  {antenna:<6}{heard.now:>11}{_dbm(heard.now_dbm):>12}{len(heard.tags):>16}{_dbm(heard.best_dbm):>9}"
        lines.append(paper.loud(row) + note)
    return lines


def _dbm(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f} dBm"
