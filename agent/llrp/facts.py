"""What a client knows of its reader: what it can do, the levels at its inputs, which antennas are connected.

Lives over connections, so that only what changed is told again. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator

from agent.errors import LlrpError
from agent.llrp.messages import GetReaderCapabilitiesResponse, GetReaderConfigResponse
from agent.llrp.params import RFTransmitter
from agent.llrp.rospec import antennas_of, can_hold_reports, inputs_of, transmitter
from agent.llrp.tables import AntennaEventType, ConnectionAttemptStatusType, GPIPortState, StatusCode, name_of
from agent.llrp.told import AntennaEvent, GPIEvent, LLRPStatus, ReaderEventNotificationData
from agent.records import PortInput, ReaderState


class ReaderFacts:
    """See the module. `asked_antennas` () means all that the reader has."""

    def __init__(self, *, asked_antennas: tuple[int, ...], power_dbm: float) -> None:
        self.antennas = asked_antennas
        self.antennas_lost: frozenset[int] = frozenset()
        self.inputs: tuple[int, ...] = ()
        self.holds_reports = False
        self.power = RFTransmitter(0, 0, 0)  # known once the reader has told its table
        self._asked_antennas = asked_antennas
        self._power_dbm = power_dbm
        self._levels: dict[int, bool] = {}
        self._told_now: set[int] = set()

    def begin_connection(self) -> None:
        """Nothing was told in this connection yet: what an input was before may have changed meanwhile."""
        self._told_now.clear()

    def level(self, port: int) -> bool | None:
        """An input's level; None while it was not told in this connection."""
        return self._levels.get(port) if port in self._told_now else None

    def learn(self, capabilities: GetReaderCapabilitiesResponse) -> None:
        """Take what the reader can do. Raises LlrpError where it cannot do what was asked for."""
        there = antennas_of(capabilities)
        absent = sorted(set(self._asked_antennas) - set(there))
        if absent:
            raise LlrpError(f"the reader has antennas {there}; {absent} of the configuration are not among them")
        self.antennas = self._asked_antennas or there
        self.inputs = inputs_of(capabilities)
        self.holds_reports = can_hold_reports(capabilities)
        self.power = transmitter(capabilities, power_dbm=self._power_dbm)

    def told_config(self, config: GetReaderConfigResponse, now: float) -> Iterator[PortInput | ReaderState]:
        """What is new in the reader's own account of its antennas and inputs."""
        for antenna in config.antenna_properties:
            yield from self._antenna(antenna.antenna_id, connected=antenna.antenna_connected, now=now)
        for port in config.gpi_port_current_state:
            if port.state != GPIPortState.Unknown:
                yield from self._input(port.gpi_port_num, on=port.state == GPIPortState.High, now=now)

    def told_input(self, event: GPIEvent, now: float) -> Iterator[PortInput]:
        """What is new in an event of an input."""
        return self._input(event.gpi_port_number, on=event.gpi_event, now=now)

    def told_antenna(self, event: AntennaEvent, now: float) -> Iterator[ReaderState]:
        """What is new in an event of an antenna."""
        connected = event.event_type == AntennaEventType.Antenna_Connected
        return self._antenna(event.antenna_id, connected=connected, now=now)

    def _input(self, port: int, *, on: bool, now: float) -> Iterator[PortInput]:
        self._told_now.add(port)
        if self._levels.get(port) is not on:
            self._levels[port] = on
            yield PortInput(now, port, on)

    def _antenna(self, antenna: int, *, connected: bool, now: float) -> Iterator[ReaderState]:
        if antenna not in self.antennas:
            return  # nothing is plugged in there, and nothing should be
        if connected is (antenna in self.antennas_lost):
            self.antennas_lost ^= {antenna}
            yield ReaderState(now, "antenna_back" if connected else "antenna_lost", antenna)


def complaints(data: ReaderEventNotificationData) -> Iterator[str]:
    """What an event says that somebody should read."""
    attempt = data.connection_attempt_event
    if attempt is not None and attempt.status == ConnectionAttemptStatusType.Another_Connection_Attempted:
        yield "somebody else tried to connect to the reader"
    if data.reader_exception_event is not None:
        yield f"the reader has an exception: {data.reader_exception_event.message}"
    if data.report_buffer_overflow_error_event is not None:
        yield "the reader's report buffer ran over; reads were lost"
    fills = data.report_buffer_level_warning_event
    if fills is not None:
        yield f"the reader's report buffer is {fills.report_buffer_percentage_full} % full"


def status_text(status: LLRPStatus) -> str:
    """How a request ended, in the standard's word and the reader's own."""
    text = f": {status.error_description}" if status.error_description else ""
    return name_of(StatusCode, status.status_code) + text
