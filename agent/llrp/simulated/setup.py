"""What a simulated reader can do and is set to: its capabilities and its configuration. Written from the standard."""

from __future__ import annotations

from agent.llrp import messages as m
from agent.llrp.params import (
    AntennaProperties,
    EventNotificationState,
    EventsAndReports,
    GPIPortCurrentState,
    GPOWriteData,
    KeepaliveSpec,
    ReaderEventNotificationSpec,
    ROReportSpec,
    TagReportContentSelector,
)
from agent.llrp.simulated.specs import SUCCESS, wrong_field, wrong_parameter
from agent.llrp.tables import (
    AirProtocols,
    CommunicationsStandard,
    GPIPortState,
    KeepaliveTriggerType,
    NotificationEventType,
    ROReportTriggerType,
)
from agent.llrp.tables import GetReaderCapabilitiesRequestedData as Capability
from agent.llrp.tables import GetReaderConfigRequestedData as Config
from agent.llrp.told import (
    C1G2LLRPCapabilities,
    C1G2UHFRFModeTable,
    C1G2UHFRFModeTableEntry,
    FixedFrequencyTable,
    FrequencyInformation,
    GeneralDeviceCapabilities,
    GPIOCapabilities,
    LLRPCapabilities,
    PerAntennaAirProtocol,
    ReceiveSensitivityTableEntry,
    RegulatoryCapabilities,
    TransmitPowerLevelTableEntry,
    UHFBandCapabilities,
)

FIRMWARE = "simulated"
MAX_SPECS = 8
# 10 to 31.5 dBm in steps of 0.5, index from 1: conducted powers as a reader for 2 W ERP has them (common practice).
POWERS_DBM = {index: 10.0 + (index - 1) * 0.5 for index in range(1, 45)}
# The four high-power channels of EN 302 208 (lower band), in kHz.
CHANNELS_KHZ = (865_700, 866_300, 866_900, 867_500)
_DEFAULT_REPORT = ROReportSpec(
    ROReportTriggerType.Upon_N_Tags_Or_End_Of_ROSpec,
    0,
    TagReportContentSelector(*(True,) * 10),
)


class Setup:
    """The configuration; made anew it is the factory default: no events but connections, no keepalives, inputs off."""

    def __init__(
        self, *, antennas: tuple[int, ...], inputs: tuple[int, ...], outputs: tuple[int, ...] = ()
    ) -> None:
        self.antennas = antennas
        self.inputs = inputs
        self.outputs: dict[int, bool] = dict.fromkeys(outputs, False)
        self.events: frozenset[int] = frozenset()
        self.keepalive_s: float | None = None
        self.report = _DEFAULT_REPORT
        self.watched_inputs: frozenset[int] = frozenset()
        self.holds = False
        self.power_index: dict[int, int] = dict.fromkeys(antennas, max(POWERS_DBM))

    def changed_by(self, request: m.SetReaderConfig) -> Setup:
        """The configuration after a request; this one stays as it is. Raises Refusal where the request is wrong."""
        new = Setup(antennas=self.antennas, inputs=self.inputs, outputs=tuple(self.outputs))
        if not request.reset_to_factory_default:
            new.__dict__.update(self.__dict__)
        if request.reader_event_notification_spec is not None:
            new.events = _events(new.events, request.reader_event_notification_spec)
        if request.keepalive_spec is not None:
            new.keepalive_s = _keepalive(request.keepalive_spec)
        if request.ro_report_spec is not None:
            new.report = request.ro_report_spec
        for port in request.gpi_port_current_state:
            if port.gpi_port_num not in self.inputs:
                raise wrong_parameter(port.number, f"inputs here are {self.inputs}", field=1)
            new.watched_inputs = new.watched_inputs | {port.gpi_port_num}
            if not port.config:
                new.watched_inputs = new.watched_inputs - {port.gpi_port_num}
        new.outputs = {**new.outputs, **_outputs(request, self.outputs)}
        new.power_index = {**new.power_index, **_powers(request, self.antennas)}
        if request.events_and_reports is not None:
            new.holds = request.events_and_reports.hold_events_and_reports_upon_reconnect
        return new


def _events(before: frozenset[int], spec: ReaderEventNotificationSpec) -> frozenset[int]:
    known = set(NotificationEventType)
    for state in spec.event_notification_state:
        if state.event_type not in known:
            raise wrong_parameter(state.number, f"no event {state.event_type}", field=1)
        before = before | {state.event_type} if state.notification_state else before - {state.event_type}
    return before


def _outputs(request: m.SetReaderConfig, outputs: dict[int, bool]) -> dict[int, bool]:
    for port in request.gpo_write_data:
        if port.gpo_port_number not in outputs:
            raise wrong_parameter(port.number, f"outputs here are {tuple(outputs)}", field=1)
    return {port.gpo_port_number: port.gpo_data for port in request.gpo_write_data}


def _powers(request: m.SetReaderConfig, antennas: tuple[int, ...]) -> dict[int, int]:
    powers: dict[int, int] = {}
    for antenna in request.antenna_configuration:
        power = antenna.rf_transmitter
        if power is not None:
            if power.transmit_power not in POWERS_DBM:
                raise wrong_parameter(power.number, "no such index in the table of powers", field=3)
            numbers = antennas if antenna.antenna_id == 0 else (antenna.antenna_id,)
            powers.update(dict.fromkeys(numbers, power.transmit_power))
    return powers


def _keepalive(spec: KeepaliveSpec) -> float | None:
    if spec.keepalive_trigger_type == KeepaliveTriggerType.Null:
        return None
    if spec.keepalive_trigger_type != KeepaliveTriggerType.Periodic or spec.periodic_trigger_value == 0:
        raise wrong_parameter(spec.number, "keepalives are Null, or Periodic with a period", field=1)
    return spec.periodic_trigger_value / 1000


def capabilities(request: m.GetReaderCapabilities, setup: Setup) -> m.GetReaderCapabilitiesResponse:
    """The answer to GET_READER_CAPABILITIES; raises Refusal where it asks for what there is not."""
    wanted = request.requested_data
    if wanted not in set(Capability):
        raise wrong_field(1, f"no such data: {wanted}")
    return m.GetReaderCapabilitiesResponse(
        SUCCESS,
        _general(setup) if wanted in {Capability.All, Capability.General_Device_Capabilities} else None,
        _llrp() if wanted in {Capability.All, Capability.LLRP_Capabilities} else None,
        _regulatory() if wanted in {Capability.All, Capability.Regulatory_Capabilities} else None,
        C1G2LLRPCapabilities(
            can_support_block_erase=False,
            can_support_block_write=False,
            can_support_block_permalock=False,
            can_support_tag_recommissioning=False,
            can_support_umi_method2=False,
            can_support_xpc=False,
            max_num_select_filters_per_query=0,
        )
        if wanted in {Capability.All, Capability.LLRP_Air_Protocol_Capabilities}
        else None,
        message_id=request.message_id,
    )


def _general(setup: Setup) -> GeneralDeviceCapabilities:
    c1g2 = bytes((AirProtocols.EPCGlobalClass1Gen2,))
    return GeneralDeviceCapabilities(
        max_number_of_antenna_supported=max(setup.antennas),
        can_set_antenna_properties=False,
        has_utc_clock_capability=True,
        device_manufacturer_name=0,
        model_name=0,
        reader_firmware_version=FIRMWARE,
        receive_sensitivity_table_entry=(ReceiveSensitivityTableEntry(1, 0),),
        per_antenna_receive_sensitivity_range=(),
        gpio_capabilities=GPIOCapabilities(len(setup.inputs), len(setup.outputs)),
        per_antenna_air_protocol=tuple(PerAntennaAirProtocol(antenna, c1g2) for antenna in setup.antennas),
    )


def _llrp() -> LLRPCapabilities:
    return LLRPCapabilities(
        can_do_rf_survey=False,
        can_report_buffer_fill_warning=False,
        supports_client_request_op_spec=False,
        can_do_tag_inventory_state_aware_singulation=False,
        supports_event_and_report_holding=True,
        max_num_priority_levels_supported=1,
        client_request_op_spec_timeout=0,
        max_num_rospecs=1,
        max_num_specs_per_rospec=MAX_SPECS,
        max_num_inventory_parameter_specs_per_aispec=1,
        max_num_access_specs=0,
        max_num_op_specs_per_access_spec=0,
    )


def _regulatory() -> RegulatoryCapabilities:
    mode = C1G2UHFRFModeTableEntry(
        mode_identifier=0,
        dr_value=True,
        epc_hag_tc_conformance=False,
        m_value=2,
        forward_link_modulation=0,
        spectral_mask_indicator=3,
        bdr_value=256_000,
        pie_value=2000,
        min_tari_value=20_000,
        max_tari_value=20_000,
        step_tari_value=0,
    )
    powers = tuple(TransmitPowerLevelTableEntry(index, round(dbm * 100)) for index, dbm in POWERS_DBM.items())
    channels = FrequencyInformation(hopping=False, fixed_frequency_table=FixedFrequencyTable(CHANNELS_KHZ))
    return RegulatoryCapabilities(
        0, CommunicationsStandard.ETSI_302_208, UHFBandCapabilities(powers, channels, (C1G2UHFRFModeTable((mode,)),))
    )


def configuration(
    request: m.GetReaderConfig, setup: Setup, *, lost: frozenset[int], levels: dict[int, bool]
) -> m.GetReaderConfigResponse:
    """The answer to GET_READER_CONFIG; raises Refusal where it asks for what there is not."""
    wanted = request.requested_data
    if wanted not in set(Config):
        raise wrong_field(2, f"no such data: {wanted}")
    everything = wanted == Config.All

    def asked(data: Config) -> bool:
        return everything or wanted == data

    if asked(Config.AntennaProperties) and request.antenna_id and request.antenna_id not in setup.antennas:
        raise wrong_field(1, f"antennas here are {setup.antennas}, or 0 for all")
    if asked(Config.GPIPortCurrentState) and request.gpi_port_num and request.gpi_port_num not in setup.inputs:
        raise wrong_field(3, f"inputs here are {setup.inputs}, or 0 for all")
    if asked(Config.GPOWriteData) and request.gpo_port_num and request.gpo_port_num not in setup.outputs:
        raise wrong_field(4, f"outputs here are {tuple(setup.outputs)}, or 0 for all")
    antennas = setup.antennas if request.antenna_id == 0 else (request.antenna_id,)
    inputs = setup.inputs if request.gpi_port_num == 0 else (request.gpi_port_num,)
    outputs = tuple(setup.outputs) if request.gpo_port_num == 0 else (request.gpo_port_num,)
    events = ReaderEventNotificationSpec(
        tuple(EventNotificationState(e, notification_state=e in setup.events) for e in NotificationEventType)
    )
    keepalive = (
        KeepaliveSpec(KeepaliveTriggerType.Null)
        if setup.keepalive_s is None
        else KeepaliveSpec(KeepaliveTriggerType.Periodic, round(setup.keepalive_s * 1000))
    )
    return m.GetReaderConfigResponse(
        SUCCESS,
        antenna_properties=tuple(
            AntennaProperties(antenna_connected=number not in lost, antenna_id=number, antenna_gain=600)
            for number in antennas
        )
        if asked(Config.AntennaProperties)
        else (),
        reader_event_notification_spec=events if asked(Config.ReaderEventNotificationSpec) else None,
        ro_report_spec=setup.report if asked(Config.ROReportSpec) else None,
        keepalive_spec=keepalive if asked(Config.KeepaliveSpec) else None,
        gpi_port_current_state=tuple(
            GPIPortCurrentState(
                port,
                config=port in setup.watched_inputs,
                state=GPIPortState.High if levels.get(port, False) else GPIPortState.Low,
            )
            for port in inputs
        )
        if asked(Config.GPIPortCurrentState)
        else (),
        gpo_write_data=tuple(GPOWriteData(port, setup.outputs[port]) for port in outputs)
        if asked(Config.GPOWriteData)
        else (),
        events_and_reports=EventsAndReports(setup.holds) if asked(Config.EventsAndReports) else None,
        message_id=request.message_id,
    )
