"""Notices: what the vehicle tells in one plain sentence beside custody records; floor 2.

`at` is when it happened, null while no time is trusted. Decides nothing and remembers nothing.
"""

from __future__ import annotations

from typing import Any

from agent.gps_faults import Said
from agent.proof import Proof
from agent.records import ReaderState, Record
from agent.state import Setup, State, trusted_utc
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


def proof_notice(setup: Setup, state: State, proof: Proof, t_s: float) -> Record:
    """Nothing is read though the reader runs, as the van's own fixture proves; or tags are heard again at `t_s`."""
    if not proof.deaf:
        return _notice(setup, "hearing", trusted_utc(state, t_s), "Tags are heard again.")
    text = "Nothing is heard any more, not even the tag fixed in the van: nothing is being read."
    return _notice(setup, "deaf", trusted_utc(state, proof.since_s), text)


def device_notice(setup: Setup, state: State, t_s: float, before: str | None, after: str) -> Record:
    """The receiver that was followed gives no usable fix any more, another one does."""
    text = f"Positions now come from receiver {after}; {before} gives none: check its antenna and cable."
    return _notice(setup, "receiver-changed", trusted_utc(state, t_s), text)


def gps_notice(setup: Setup, said: Said, at: str | None) -> Record:
    """What is wrong with receiver or gpsd, or that it is over."""
    return _notice(setup, said.code, at, said.text)


def time_notice(setup: Setup, event: TimeEvent) -> Record:
    """What the timeline has to say."""
    return _notice(setup, event.code, None if event.utc_s is None else format_utc(event.utc_s), event.text)


def _notice(setup: Setup, code: str, at: str | None, text: str, **details: Any) -> Record:  # noqa: ANN401 - JSON values
    return Record("notice", {"notice": code, "at": at, "vehicle": setup.vehicle.id, "text": text, **details})
