"""What a session asks of the reader in each state that waits for an answer."""

from __future__ import annotations

from msgspec import Struct

from agent.errors import LlrpError
from agent.llrp import messages as m
from agent.llrp.facts import ReaderFacts
from agent.llrp.rospec import ROSPEC_ID, add_round, reader_config
from agent.llrp.states import State
from agent.llrp.tables import GetReaderConfigRequestedData


class Wishes(Struct, frozen=True):
    """What a session was made with."""

    power_dbm: float
    transmit_allowed: bool
    tag_population: int
    keepalive_s: float


def request_for(  # noqa: C901, PLR0911, PLR0912 - one case a state
    state: State, *, wishes: Wishes, facts: ReaderFacts, round_s: float, message_id: int
) -> m.Message | None:
    """The request that `state` waits for the answer of; None where it waits for none.

    Raises LlrpError rather than start a ROSpec where transmitting is not allowed: this is the last door before the air.
    """
    match state:
        case State.ASKING_VERSION:
            return m.GetSupportedVersion(message_id=message_id)
        case State.SETTING_VERSION:
            return m.SetProtocolVersion(2, message_id=message_id)
        case State.CAPABILITIES:
            return m.GetReaderCapabilities(message_id=message_id)
        case State.CLEARING | State.REPLACING:
            return m.DeleteROSpec(0, message_id=message_id)
        case State.CONFIGURING:
            return reader_config(
                keepalive_s=wishes.keepalive_s,
                inputs=facts.inputs,
                hold_reports=facts.holds_reports,
                message_id=message_id,
            )
        case State.ADDING | State.READDING:
            return add_round(
                round_s=round_s,
                antennas=facts.antennas,
                power=facts.power,
                tag_population=wishes.tag_population,
                message_id=message_id,
            )
        case State.ENABLING | State.REENABLING:
            return m.EnableROSpec(ROSPEC_ID, message_id=message_id)
        case State.ANTENNAS:
            asked = GetReaderConfigRequestedData.AntennaProperties
            return m.GetReaderConfig(requested_data=asked, message_id=message_id)
        case State.INPUTS:
            asked = GetReaderConfigRequestedData.GPIPortCurrentState
            return m.GetReaderConfig(requested_data=asked, message_id=message_id)
        case State.STARTING:
            if not wishes.transmit_allowed:
                raise LlrpError("transmitting is not allowed; no ROSpec is started")
            return m.StartROSpec(ROSPEC_ID, message_id=message_id)
        case State.STOPPING:
            return m.StopROSpec(ROSPEC_ID, message_id=message_id)
        case State.CLOSING:
            return m.CloseConnection(message_id=message_id)
        case _:
            return None
