"""The walk test on a terminal: what is said before, the live count of each antenna port, and what it comes to; floor 4.

It is the only time that a real reader may transmit without [rf_assessment], so it asks for more than the agent does:
an option that says for how long, power, cable, antenna and region in the file, and nobody else on the reader.
"""

from __future__ import annotations

import ssl
import textwrap
from typing import TextIO

from agent.clock import Clock
from agent.findings import Finding, Paper
from agent.probe_reader import ReaderAwayError, Walk, walk_test
from agent.radio_rules import EXPOSURE_LIMITS, GROUND_REFLECTION, distance_m, watts_of
from agent.vehicle import Vehicle
from agent.vehicle_radio import power_in_use_dbm, radiated, radio_verdict

_BEFORE = (
    "The reader transmits now. Nobody with a medical implant near, nothing in or at the van that radio can set off, "
    "nobody in the closed box, and no place where radio must be off. Stand outside and carry a tag past each antenna. "
    "Local rules decide."
)


def refusal(vehicle: Vehicle, *, is_agent_running: bool) -> Finding | None:
    """Why there can be no walk test; None where there can."""

    def no(found: str, do: str) -> Finding:
        return Finding("walk test", "not ok", f"nothing was transmitted: {found}", do)

    if vehicle.reader.host is None:
        return no("there is no reader in the file", "give [reader] host")
    if is_agent_running:
        return no("the running agent holds the reader's only connection", "stop it: systemctl stop roadtally")
    if power_in_use_dbm(vehicle) is None:
        return no("nobody says how strongly", "give [reader] power_dbm")
    if not vehicle.reader.simulated and radio_verdict(vehicle) is None:
        do = "give region and antenna_gain_dbi in [reader]"
        return no("whether the radio rules allow the power is not known", do)
    return None


def run_walk(vehicle: Vehicle, clock: Clock, *, seconds: float, stream: TextIO, paper: Paper) -> list[Finding]:
    """The test itself, after `refusal` had nothing against it; what it found, a line for each antenna port."""
    power_dbm = power_in_use_dbm(vehicle)
    if power_dbm is None:
        raise AssertionError("refusal() lets no reader transmit at a power that nobody gave")
    screen = _Screen(vehicle, stream, paper)
    screen.before(seconds)
    tls = ssl.create_default_context() if vehicle.reader.tls else None
    try:
        walk = walk_test(vehicle.reader, clock, power_dbm=power_dbm, seconds=seconds, show=screen.show, tls=tls)
    except ReaderAwayError as problem:
        do = "see the line READER"
        return [Finding("walk test", "not ok", f"nothing was transmitted: {problem}", do)]
    screen.after(walk)
    return findings_of(walk, asked=seconds)


def findings_of(walk: Walk, *, asked: float) -> list[Finding]:
    """A walk test as lines: an antenna that heard nothing at all is not ok."""
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
        why = f" ({walk.cut_off})" if walk.cut_off else ""
        self._stream.write(f"\n{self._paper.loud('THE READER IS SILENT AGAIN')}{why}\n\n")
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
