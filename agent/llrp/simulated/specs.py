"""Whether a simulated reader takes a ROSpec, and how it says what is wrong with one. Written from the standard.

The refusals follow LLRP 1.0.1's LLRPStatus: the message's own field is M_FieldError with a FieldError, something inside
a parameter is M_ParameterError with a ParameterError that names it. Fields count from 1, as in the capture dx101_a.
"""

from __future__ import annotations

from agent.llrp.params import AISpec, AntennaConfiguration, ROSpec, ROSpecStartTrigger
from agent.llrp.tables import AirProtocols, AISpecStopTriggerType, ROSpecStartTriggerType, ROSpecState, StatusCode
from agent.llrp.tables import ROReportTriggerType as ReportTrigger
from agent.llrp.told import FieldError, LLRPStatus, ParameterError

SUCCESS = LLRPStatus(StatusCode.M_Success)
_START_TRIGGERS = {ROSpecStartTriggerType.Null, ROSpecStartTriggerType.Immediate, ROSpecStartTriggerType.Periodic}
_REPORT_TRIGGERS = {
    ReportTrigger.None_,
    ReportTrigger.Upon_N_Tags_Or_End_Of_AISpec_Or_End_Of_RFSurveySpec,
    ReportTrigger.Upon_N_Tags_Or_End_Of_ROSpec,
}


class Refusal(Exception):  # noqa: N818 - it is the protocol's own word of a request, not an error of this program
    """A request that is answered with this status instead of being done."""

    def __init__(self, status: LLRPStatus) -> None:
        super().__init__(status.error_description)
        self.status = status


def wrong_field(number: int, text: str, code: StatusCode = StatusCode.A_Invalid) -> Refusal:
    """A field of the message itself."""
    return Refusal(LLRPStatus(StatusCode.M_FieldError, text, field_error=FieldError(number, code)))


def wrong_parameter(
    parameter: int, text: str, *, code: StatusCode = StatusCode.P_FieldError, field: int | None = None
) -> Refusal:
    """A parameter, or a field in it."""
    in_field = None if field is None else FieldError(field, StatusCode.A_Invalid)
    error = ParameterError(parameter, code, field_error=in_field)
    return Refusal(LLRPStatus(StatusCode.M_ParameterError, text, parameter_error=error))


def check_rospec(spec: ROSpec, *, antennas: tuple[int, ...], powers: frozenset[int], max_specs: int) -> None:
    """Raises Refusal where this reader cannot do what the ROSpec says."""
    if spec.rospec_id == 0:
        raise wrong_parameter(ROSpec.number, "ROSpecID 0 means all", field=1)
    if spec.priority != 0:
        raise wrong_parameter(ROSpec.number, "there is one priority, 0", field=2)
    if spec.current_state != ROSpecState.Disabled:
        raise wrong_parameter(ROSpec.number, "a ROSpec starts out disabled", field=3)
    start = spec.ro_boundary_spec.rospec_start_trigger
    if start.rospec_start_trigger_type not in _START_TRIGGERS:
        raise wrong_parameter(start.number, "no such start trigger here", field=1)
    if start.rospec_start_trigger_type == ROSpecStartTriggerType.Periodic:
        _check_periodic(start)
    if spec.ro_report_spec is not None and spec.ro_report_spec.ro_report_trigger not in _REPORT_TRIGGERS:
        raise wrong_parameter(spec.ro_report_spec.number, "no such report trigger here", field=1)
    if len(spec.spec_parameter) > max_specs:
        code = StatusCode.P_OverflowParameter
        raise wrong_parameter(AISpec.number, f"at most {max_specs} specs in a ROSpec", code=code)
    for part in spec.spec_parameter:
        if not isinstance(part, AISpec):
            code = StatusCode.P_UnsupportedParameter
            raise wrong_parameter(part.number if part.number > 0 else ROSpec.number, "AISpecs only", code=code)
        _check_aispec(part, antennas=antennas, powers=powers)


def _check_periodic(start: ROSpecStartTrigger) -> None:
    periodic = start.periodic_trigger_value
    if periodic is None:
        code = StatusCode.P_MissingParameter
        raise wrong_parameter(start.number, "a periodic trigger without its period", code=code)
    if periodic.period == 0:
        raise wrong_parameter(periodic.number, "a period of 0", field=2)


def _check_aispec(spec: AISpec, *, antennas: tuple[int, ...], powers: frozenset[int]) -> None:
    if not spec.antenna_ids or any(antenna and antenna not in antennas for antenna in spec.antenna_ids):
        raise wrong_parameter(spec.number, f"antennas here are {antennas}, or 0 for all", field=1)
    stop = spec.aispec_stop_trigger
    if stop.aispec_stop_trigger_type not in {AISpecStopTriggerType.Null, AISpecStopTriggerType.Duration}:
        raise wrong_parameter(stop.number, "no such stop trigger here", field=1)
    if stop.aispec_stop_trigger_type == AISpecStopTriggerType.Duration and stop.duration_trigger == 0:
        raise wrong_parameter(stop.number, "a duration of 0", field=2)
    if len(spec.inventory_parameter_spec) > 1:
        code = StatusCode.P_OverflowParameter
        raise wrong_parameter(spec.inventory_parameter_spec[1].number, "one InventoryParameterSpec", code=code)
    inventory = spec.inventory_parameter_spec[0]
    if inventory.protocol_id != AirProtocols.EPCGlobalClass1Gen2:
        raise wrong_parameter(inventory.number, "only EPCGlobalClass1Gen2 is spoken", field=2)
    for configuration in inventory.antenna_configuration:
        _check_antenna(configuration, antennas=antennas, powers=powers)


def _check_antenna(configuration: AntennaConfiguration, *, antennas: tuple[int, ...], powers: frozenset[int]) -> None:
    if configuration.antenna_id and configuration.antenna_id not in antennas:
        raise wrong_parameter(configuration.number, f"antennas here are {antennas}, or 0 for all", field=1)
    power = configuration.rf_transmitter
    if power is not None and power.transmit_power not in powers:
        raise wrong_parameter(power.number, "no such index in the table of powers", field=3)
    for command in configuration.c1g2_inventory_command:
        singulation = command.c1g2_singulation_control
        aware = singulation and singulation.c1g2_tag_inventory_state_aware_singulation_action
        if command.tag_inventory_state_aware or aware is not None:
            code = StatusCode.P_UnsupportedParameter
            raise wrong_parameter(command.number, "no state-aware singulation here", code=code)
