"""Notices: what the vehicle tells in one plain sentence beside custody records; floor 2.

`at` is when it happened, null while no time is trusted. Decides nothing and remembers nothing.
"""

from __future__ import annotations

from typing import Any

from agent.antenna_loss import Antennas
from agent.antennas import Fading
from agent.gps_faults import Said
from agent.proof import Proof
from agent.records import ReaderState, Record
from agent.state import Other, Setup, State, trusted_utc
from agent.timeline import TimeEvent
from agent.units import format_utc


def gap_notice(setup: Setup, state: State) -> Record:
    """The computer starts again: `state` is as the boot before left it, and nothing was recorded since.

    After a power cut that is up to half a minute less than was received, for reads are committed no more often.
    """
    since = trusted_utc(state, state.axis.last_s)
    text = "The van's computer started again; " + (
        "when it stopped is not known." if since is None else f"nothing is recorded from {since} until then."
    )
    return _notice(setup, "gap", None, text, since=since)


def reader_notice(setup: Setup, state: State, t_s: float, item: ReaderState) -> Record:
    """The reader or one of its antennas went or came back at `t_s` of the tally's axis."""
    texts = {
        "up": "The reader is up.",
        "down": "The reader is down: nothing is being read.",
        "antenna_lost": f"Antenna {item.antenna} is lost.",
        "antenna_back": f"Antenna {item.antenna} is back.",
    }
    code = item.state.replace("_", "-") if "antenna" in item.state else f"reader-{item.state}"
    return _notice(setup, code, trusted_utc(state, t_s), texts[item.state])


def antenna_notices(setup: Setup, state: State, before: Antennas) -> tuple[Record, ...]:
    """Which antennas were found to be silent, or to hear again, since the state had `before`."""
    was = {loss.antenna: loss for loss in before.unnoticed()}
    now = {loss.antenna: loss for loss in state.antennas.unnoticed()}
    told = []
    for antenna, loss in now.items():
        if antenna not in was:
            text = (
                f"Antenna {antenna} hears nothing any more while others hear what it used to hear, and the reader says "
                "nothing of it: check its cable and connectors."
            )
            told.append(_notice(setup, "antenna-silent", trusted_utc(state, loss.at_s), text, antenna=antenna))
    for antenna in was:
        if antenna not in state.antennas.lost:
            at = trusted_utc(state, state.axis.last_s)
            told.append(_notice(setup, "antenna-hears", at, f"Antenna {antenna} hears again.", antenna=antenna))
    return tuple(told)


def proof_notice(setup: Setup, state: State, proof: Proof, t_s: float) -> Record:
    """Nothing is read though the reader runs, as the van's own fixture proves; or tags are heard again at `t_s`."""
    if not proof.deaf:
        return _notice(setup, "hearing", trusted_utc(state, t_s), "Tags are heard again.")
    text = "Nothing is heard any more, not even the tag fixed in the van: nothing is being read."
    return _notice(setup, "deaf", trusted_utc(state, proof.since_s), text)


def wrong_vehicle_notice(setup: Setup, state: State, other: Other, t_s: float) -> Record:
    """Another vehicle's own tag is heard inside since `t_s`, or no longer is."""
    if other.home is None:
        text = f"The tag fixed in {state.other.home} is no longer heard inside this van."
        return _notice(setup, "own-vehicle", trusted_utc(state, t_s), text)
    text = (
        f"Wrong vehicle: the tag fixed in {other.home} is heard inside, as steadily as what is aboard. Either this "
        f"computer's file names the wrong van, or that tag lies in {setup.vehicle.id}."
    )
    return _notice(setup, "wrong-vehicle", trusted_utc(state, t_s), text, other=other.home, tag=other.tag)


def asleep_notice(setup: Setup, state: State) -> Record:
    """The reader sleeps to spare the battery, since when `state.battery` says."""
    why = {"hours": "the van is parked for long", "voltage": "its voltage is low"}[state.battery.cause or "hours"]
    at = trusted_utc(state, state.battery.asleep_since_s or 0.0)
    text = f"The reader sleeps to spare the battery, for {why}: not watched from here on, until a door or the ignition."
    return _notice(setup, "asleep", at, text)


def awake_notice(setup: Setup, state: State, t_s: float) -> Record:
    """The reader wakes at `t_s`; `state` is as it slept."""
    since = trusted_utc(state, state.battery.asleep_since_s or 0.0)
    text = "The reader is awake again; " + ("it slept." if since is None else f"not watched since {since}.")
    return _notice(setup, "awake", trusted_utc(state, t_s), text, since=since)


def fading_notice(setup: Setup, state: State, fading: Fading, t_s: float) -> Record:
    """A port hears less and less, as found at `t_s`."""
    text = (
        f"Antenna {fading.port} hears {fading.share:.0%} of what it heard {fading.ago} ago; "
        "check its cable and connector."
    )
    return _notice(setup, "antenna-fading", trusted_utc(state, t_s), text, antenna=fading.port)


def device_notice(setup: Setup, state: State, t_s: float, before: str | None, after: str) -> Record:
    """The receiver that was followed gives no usable fix any more, another one does."""
    text = f"Positions now come from receiver {after}; {before} gives none: check its antenna and cable."
    return _notice(setup, "receiver-changed", trusted_utc(state, t_s), text)


def gps_notice(setup: Setup, said: Said, at: str | None) -> Record:
    """What is wrong with receiver or gpsd, or that it is over."""
    return _notice(setup, said.code, at, said.text)


def disk_notice(
    setup: Setup, *, since: str | None, until: str | None, spared: int, waited: int, dropped: int
) -> Record:
    """The disk was full, and is no longer."""
    text = (
        f"The disk was full{_span(since, until)}. No custody record was lost: {spared} were stored meanwhile "
        f"and {waited} waited. Raw reads that were not kept: {dropped}."
    )
    more = {"since": since, "until": until, "records_waited": waited, "reads_not_kept": dropped}
    return _notice(setup, "disk-full", since, text, **more)


def off_notice(setup: Setup, *, since: str, until: str) -> Record:
    """When the gap of the last start was, told once the time is known."""
    text = f"Nothing is recorded{_span(since, until)}: the van's computer, or its agent, had stopped."
    return _notice(setup, "gap-was", since, text, since=since, until=until)


def _span(since: str | None, until: str | None) -> str:
    return (f" from {since}" if since else "") + (f" to {until}" if until else "")


def time_notice(setup: Setup, event: TimeEvent) -> Record:
    """What the timeline has to say."""
    return _notice(setup, event.code, None if event.utc_s is None else format_utc(event.utc_s), event.text)


def _notice(setup: Setup, code: str, at: str | None, text: str, **details: Any) -> Record:  # noqa: ANN401 - JSON values
    return Record("notice", {"notice": code, "at": at, "vehicle": setup.vehicle.id, "text": text, **details})
