"""A simulated reader without its socket: octets and time in, octets out. Written from the standard, not from a client.

One client at a time; one ROSpec of up to eight AISpecs, Disabled, Inactive or Active; start triggers Null, Immediate
(once, when it is enabled) and Periodic; stops by duration or by request. What the standard does not allow in a state is
refused with its status codes. What tags answer is asked of a `Source` for each AISpec at its end, or every second of a
long one, so reports of every N tags come then.

Order at the end of an AISpec: report, AISpecEvent, ROSpecEvent, as in the published capture dx101_a. Timestamps are the
reader's own: microseconds since 1970 at `epoch_s` + now, so by default those of a clock that started in 1970.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, ClassVar

from msgspec.structs import replace

from agent.errors import LlrpError
from agent.llrp import messages as m
from agent.llrp.codec import VERSIONS, Malformed
from agent.llrp.simulated.inventory import Running, Source
from agent.llrp.simulated.line import Line
from agent.llrp.simulated.setup import MAX_SPECS, POWERS_DBM, Setup, capabilities, configuration
from agent.llrp.simulated.specs import SUCCESS, Refusal, check_rospec, wrong_field
from agent.llrp.tables import (
    AISpecEventType,
    AntennaEventType,
    NotificationEventType,
    ROSpecEventType,
    ROSpecStartTriggerType,
    ROSpecState,
    StatusCode,
)
from agent.llrp.told import (
    AISpecEvent,
    AntennaEvent,
    GPIEvent,
    LLRPStatus,
    ParameterError,
    ROSpecEvent,
)

_OF_1_1 = (m.GetSupportedVersion.number, m.SetProtocolVersion.number)


class Device(Line):
    """See the module. Every call may leave octets for `take`; with `wants_close` the connection is to be ended then.

    `ack_limit`: how many keepalives may go unanswered before the connection is dropped; None: any number.
    `catch_up_s`: on a scaled clock a request is on its way for seconds; a start that comes no later than this after the
    last ROSpec's end counts from that end, as it would with the wire's true milliseconds.
    `version`: the newest that it speaks, and greets in: 1 is LLRP 1.0.1, which knows no versions, and 2 is LLRP 1.1.
    """

    def __init__(
        self,
        source: Source,
        *,
        antennas: tuple[int, ...] = (1, 2),
        inputs: tuple[int, ...] = (1, 2, 3, 4),
        outputs: tuple[int, ...] = (1, 2),
        epoch_s: float = 0.0,
        ack_limit: int | None = None,
        catch_up_s: float = 0.0,
        version: int = 1,
    ) -> None:
        super().__init__(epoch_s=epoch_s, ack_limit=ack_limit, version=version)
        self.rounds = 0
        self.lost_antennas: frozenset[int] = frozenset()
        self._source = source
        self._antennas, self._inputs, self._outputs = antennas, inputs, outputs
        self._catch_up_s = catch_up_s
        self._levels: dict[int, bool] = {}
        self.power_cut()

    def power_cut(self) -> None:
        """All that a power cut takes: connection, ROSpecs, configuration, what was held. Inputs and antennas stay."""
        self._begin(Setup(antennas=self._antennas, inputs=self._inputs, outputs=self._outputs))
        self.rospec_state: ROSpecState | None = None
        self._rospec: Any = None
        self._running: Running | None = None
        self._ended_at = -math.inf
        self._starts_at = math.inf

    # --- what the transport calls ---

    @property
    def is_transmitting(self) -> bool:
        """Whether a ROSpec is active."""
        return self._running is not None

    @property
    def deadline(self) -> float:
        """When `tick` has something to do, by the reader's clock."""
        return min(
            self._running.due if self._running is not None else math.inf,
            self._starts_at,
            self._keepalive_at if self.is_connected else math.inf,
        )

    def receive(self, chunk: bytes, now: float) -> None:
        """Octets came from the client."""
        self._stream.receive(chunk)
        try:
            for message in self._stream.messages():
                self._hear(message, now)
        except LlrpError:
            self.wants_close = True

    def tick(self, now: float) -> None:
        """Time passed."""
        while self._running is not None and self._running.due <= now:
            self._listen(self._running, self._running.until(now))
        if self._running is None and self._rospec is not None and self._starts_at <= now:
            self._start(now)
        if self.is_connected and self._keepalive_at <= now:
            self._keep_alive(now)

    def set_input(self, port: int, *, on: bool, now: float) -> None:
        """The level at an input. Raises ValueError where there is no such input."""
        if port not in self._inputs:
            raise ValueError(f"the simulated reader has inputs {self._inputs}, not {port}")
        if self._levels.get(port, False) is not on:
            self._levels[port] = on
            if port in self.setup.watched_inputs:
                self._tell(NotificationEventType.GPI_Event, now, gpi_event=GPIEvent(port, on))

    def set_antenna(self, antenna: int, *, connected: bool, now: float) -> None:
        """Plug an antenna in or out. Raises ValueError where there is no such antenna."""
        if antenna not in self._antennas:
            raise ValueError(f"the simulated reader has antennas {self._antennas}, not {antenna}")
        if connected is (antenna in self.lost_antennas):
            self.lost_antennas ^= {antenna}
            kind = AntennaEventType.Antenna_Connected if connected else AntennaEventType.Antenna_Disconnected
            self._tell(NotificationEventType.Antenna_Event, now, antenna_event=AntennaEvent(kind, antenna))

    # --- the ROSpec ---

    def _start(self, now: float) -> None:
        self.rospec_state = ROSpecState.Active
        self._starts_at = math.inf
        trigger = self._rospec.ro_boundary_spec.rospec_start_trigger
        if trigger.periodic_trigger_value is not None:
            self._starts_at = now + trigger.periodic_trigger_value.period / 1000
        self._running = Running(
            self._rospec, now=now, source=self._source, default_report=self.setup.report, epoch_s=self._epoch_s
        )
        self._tell_rospec(ROSpecEventType.Start_Of_ROSpec, now)

    def _tell_rospec(self, kind: ROSpecEventType, now: float) -> None:
        event = ROSpecEvent(kind, self._rospec.rospec_id)
        self._tell(NotificationEventType.ROSpec_Event, now, rospec_event=event)

    def _listen(self, running: Running, until: float) -> None:
        """A slice of the running AISpec is over, and perhaps the AISpec and the ROSpec with it."""
        there = tuple(antenna for antenna in self._antennas if antenna not in self.lost_antennas)
        running.listen(until, antennas=there, power_index=self.setup.power_index)
        if not running.is_aispec_over(until):
            self._report(running.reports())
            return
        self._end_aispec(running, until)
        if not running.next_aispec(until):
            self._end_rospec(running, until)

    def _end_aispec(self, running: Running, now: float) -> None:
        self.rounds += 1
        self._report(running.reports(aispec_over=True))
        event = AISpecEvent(AISpecEventType.End_Of_AISpec, running.spec.rospec_id, running.spec_index)
        self._tell(NotificationEventType.AISpec_Event, now, aispec_event=event)

    def _end_rospec(self, running: Running, now: float) -> None:
        self._report(running.reports(rospec_over=True))
        self._running = None
        self._ended_at = now
        self.rospec_state = ROSpecState.Inactive
        self._tell_rospec(ROSpecEventType.End_Of_ROSpec, now)

    def _stop(self, now: float) -> None:
        """End an active ROSpec before its time."""
        running = self._running
        if running is not None:
            there = tuple(antenna for antenna in self._antennas if antenna not in self.lost_antennas)
            running.listen(now, antennas=there, power_index=self.setup.power_index)
            self._end_aispec(running, now)
            self._end_rospec(running, now)

    def _report(self, reports: list[tuple[Any, ...]]) -> None:
        for tags in reports:
            self._emit(m.ROAccessReport(tags))

    # --- requests ---

    def _hear(self, message: m.Message | Malformed, now: float) -> None:
        if isinstance(message, Malformed):
            version = message.reason.endswith(f"only {VERSIONS[0]} and {VERSIONS[1]}")
            code = StatusCode.M_UnsupportedVersion if version else StatusCode.M_ParameterError
            self._push(_error(code, message.reason, message.message_id))
            return
        if isinstance(message, m.KeepaliveAck):
            self._unanswered = 0
            return
        if isinstance(message, m.EnableEventsAndReports):
            self._let_go()
            return
        answer = self._ANSWERS.get(type(message))
        if answer is None:
            code = StatusCode.M_UnsupportedMessage
            self._push(_error(code, f"{type(message).__name__} is no request here", message.message_id))
            return
        if message.number in _OF_1_1 and self.newest_version == VERSIONS[0]:
            code = StatusCode.M_UnsupportedMessage
            self._push(_error(code, f"{type(message).__name__} is of LLRP 1.1", message.message_id))
            return
        response_type, act = answer
        try:
            response = act(self, message, now)
        except Refusal as refusal:
            response = response_type(refusal.status)
        if response is not None:
            # The answer comes before what the request sets going, except where doing it has sent something already.
            self._push(replace(response, message_id=message.message_id))

    def _get_report(self, _request: m.GetReport, _now: float) -> None:
        if self._running is not None:
            self._report(self._running.reports(asked=True))

    def _get_version(self, _request: m.GetSupportedVersion, _now: float) -> m.Response:
        return m.GetSupportedVersionResponse(SUCCESS, self.version, self.newest_version)

    def _set_version(self, request: m.SetProtocolVersion, _now: float) -> m.Response:
        if request.protocol_version not in VERSIONS[: self.newest_version]:
            raise Refusal(LLRPStatus(StatusCode.M_UnsupportedVersion, f"versions here go to {self.newest_version}"))
        self.version = request.protocol_version
        return m.SetProtocolVersionResponse(SUCCESS)

    def _get_capabilities(self, request: m.GetReaderCapabilities, _now: float) -> m.Response:
        return capabilities(request, self.setup)

    def _get_config(self, request: m.GetReaderConfig, _now: float) -> m.Response:
        return configuration(request, self.setup, lost=self.lost_antennas, levels=self._levels)

    def _set_config(self, request: m.SetReaderConfig, now: float) -> m.Response:
        before = self.setup.keepalive_s
        self.setup = self.setup.changed_by(request)
        if request.keepalive_spec is not None or self.setup.keepalive_s != before:
            self._keepalive_at = math.inf if self.setup.keepalive_s is None else now + self.setup.keepalive_s
        return m.SetReaderConfigResponse(SUCCESS)

    def _add_rospec(self, request: m.AddROSpec, _now: float) -> m.Response:
        spec = request.rospec
        if self._rospec is not None:
            error = ParameterError(spec.number, StatusCode.P_OverflowParameter)
            text = "there is a ROSpec already, and room for one"
            raise Refusal(LLRPStatus(StatusCode.M_ParameterError, text, parameter_error=error))
        check_rospec(spec, antennas=self._antennas, powers=frozenset(POWERS_DBM), max_specs=MAX_SPECS)
        self._rospec, self.rospec_state = spec, ROSpecState.Disabled
        return m.AddROSpecResponse(SUCCESS)

    def _check_id(self, request: m.ROSpecRequest, *, all_allowed: bool = True) -> bool:
        """Whether there is a ROSpec that the request means; raises Refusal where it names one that there is not."""
        if request.rospec_id == 0 and all_allowed:
            return self._rospec is not None
        if self._rospec is None or request.rospec_id != self._rospec.rospec_id:
            raise wrong_field(1, f"there is no ROSpec {request.rospec_id}")
        return True

    def _delete_rospec(self, request: m.DeleteROSpec, now: float) -> m.Response:
        if self._check_id(request):
            self._stop(now)
            self._rospec, self.rospec_state, self._starts_at = None, None, math.inf
        return m.DeleteROSpecResponse(SUCCESS)

    def _enable_rospec(self, request: m.EnableROSpec, now: float) -> m.Response | None:
        if self._check_id(request):
            if self.rospec_state is not ROSpecState.Disabled:
                raise wrong_field(1, f"ROSpec {self._rospec.rospec_id} is enabled already")
            self.rospec_state = ROSpecState.Inactive
            trigger = self._rospec.ro_boundary_spec.rospec_start_trigger
            if trigger.rospec_start_trigger_type == ROSpecStartTriggerType.Immediate:
                self._starts_at = now
            elif trigger.periodic_trigger_value is not None:
                self._starts_at = now + trigger.periodic_trigger_value.offset / 1000
        return m.EnableROSpecResponse(SUCCESS)

    def _disable_rospec(self, request: m.DisableROSpec, now: float) -> m.Response:
        if self._check_id(request):
            self._stop(now)
            self.rospec_state, self._starts_at = ROSpecState.Disabled, math.inf
        return m.DisableROSpecResponse(SUCCESS)

    def _start_rospec(self, request: m.StartROSpec, now: float) -> None:
        self._check_id(request, all_allowed=False)
        if self.rospec_state is not ROSpecState.Inactive:
            state = self.rospec_state.name.lower() if self.rospec_state is not None else "away"
            raise wrong_field(1, f"ROSpec {request.rospec_id} is {state}; only an inactive one can be started")
        self._push(m.StartROSpecResponse(SUCCESS, message_id=request.message_id))
        self._start(self._ended_at if now - self._ended_at <= self._catch_up_s else now)

    def _stop_rospec(self, request: m.StopROSpec, now: float) -> None:
        self._check_id(request, all_allowed=False)
        if self.rospec_state is not ROSpecState.Active:
            raise wrong_field(1, f"ROSpec {request.rospec_id} is not active")
        self._push(m.StopROSpecResponse(SUCCESS, message_id=request.message_id))
        self._stop(now)

    def _get_rospecs(self, _request: m.GetROSpecs, _now: float) -> m.Response:
        if self._rospec is None:
            return m.GetROSpecsResponse(SUCCESS)
        return m.GetROSpecsResponse(SUCCESS, (replace(self._rospec, current_state=int(self.rospec_state or 0)),))

    def _close(self, _request: m.CloseConnection, _now: float) -> m.Response:
        self.wants_close = True
        return m.CloseConnectionResponse(SUCCESS)

    _ANSWERS: ClassVar[dict[type[m.Message], tuple[type[m.Response], Callable[..., m.Response | None]]]] = {
        m.GetSupportedVersion: (m.GetSupportedVersionResponse, _get_version),
        m.SetProtocolVersion: (m.SetProtocolVersionResponse, _set_version),
        m.GetReaderCapabilities: (m.GetReaderCapabilitiesResponse, _get_capabilities),
        m.GetReaderConfig: (m.GetReaderConfigResponse, _get_config),
        m.SetReaderConfig: (m.SetReaderConfigResponse, _set_config),
        m.AddROSpec: (m.AddROSpecResponse, _add_rospec),
        m.DeleteROSpec: (m.DeleteROSpecResponse, _delete_rospec),
        m.EnableROSpec: (m.EnableROSpecResponse, _enable_rospec),
        m.DisableROSpec: (m.DisableROSpecResponse, _disable_rospec),
        m.StartROSpec: (m.StartROSpecResponse, _start_rospec),
        m.StopROSpec: (m.StopROSpecResponse, _stop_rospec),
        m.GetROSpecs: (m.GetROSpecsResponse, _get_rospecs),
        m.CloseConnection: (m.CloseConnectionResponse, _close),
        m.GetReport: (m.CloseConnectionResponse, _get_report),
        # There is none and can be none: whoever asks for all of them to go gets what he wants.
        m.DeleteAccessSpec: (m.DeleteAccessSpecResponse, lambda *_: m.DeleteAccessSpecResponse(SUCCESS)),
    }


def _error(code: StatusCode, text: str, message_id: int) -> m.ErrorMessage:
    return m.ErrorMessage(LLRPStatus(code, text), message_id=message_id)
