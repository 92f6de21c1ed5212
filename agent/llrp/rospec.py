"""What we tell a reader to do: its configuration, and the one ROSpec of one AISpec that is our inventory round.

Only what the plainest reader has: one ROSpec, no state-aware singulation, the reader's own link mode. Session S0, whose
flags a tag forgets when the carrier drops between rounds, so that silence is evidence.
"""

from __future__ import annotations

from agent.errors import LlrpError
from agent.llrp.messages import AddROSpec, GetReaderCapabilitiesResponse, SetReaderConfig
from agent.llrp.params import (
    AISpec,
    AISpecStopTrigger,
    AntennaConfiguration,
    C1G2InventoryCommand,
    C1G2SingulationControl,
    EventNotificationState,
    EventsAndReports,
    GPIPortCurrentState,
    InventoryParameterSpec,
    KeepaliveSpec,
    ReaderEventNotificationSpec,
    RFTransmitter,
    ROBoundarySpec,
    ROReportSpec,
    ROSpec,
    ROSpecStartTrigger,
    ROSpecStopTrigger,
    TagReportContentSelector,
)
from agent.llrp.tables import (
    AirProtocols,
    AISpecStopTriggerType,
    KeepaliveTriggerType,
    NotificationEventType,
    ROReportTriggerType,
    ROSpecStartTriggerType,
    ROSpecState,
    ROSpecStopTriggerType,
)

ROSPEC_ID = 1
SESSION = 0
TOLD_EVENTS = (
    NotificationEventType.GPI_Event,
    NotificationEventType.ROSpec_Event,
    NotificationEventType.Report_Buffer_Fill_Warning,
    NotificationEventType.Reader_Exception_Event,
    NotificationEventType.AISpec_Event,
    NotificationEventType.Antenna_Event,
)
CONTENT = TagReportContentSelector(
    enable_antenna_id=True,
    enable_channel_index=True,
    enable_peak_rssi=True,
    enable_first_seen_timestamp=True,
    enable_last_seen_timestamp=True,
    enable_tag_seen_count=True,
)
# At the end of the AISpec and not of the ROSpec: the published capture dx101_a shows that such a report comes before
# the AISpecEvent, so a round's reads are there when the round is told to be over. N 0: no limit on tags in a report.
REPORT = ROReportSpec(ROReportTriggerType.Upon_N_Tags_Or_End_Of_AISpec_Or_End_Of_RFSurveySpec, 0, CONTENT)


def antennas_of(capabilities: GetReaderCapabilitiesResponse) -> tuple[int, ...]:
    """All antenna numbers of a reader; raises LlrpError where it does not say."""
    general = capabilities.general_device_capabilities
    if general is None or general.max_number_of_antenna_supported == 0:
        raise LlrpError("the reader does not say how many antennas it has")
    return tuple(range(1, general.max_number_of_antenna_supported + 1))


def inputs_of(capabilities: GetReaderCapabilitiesResponse) -> tuple[int, ...]:
    """All input ports of a reader; none where it does not say."""
    general = capabilities.general_device_capabilities
    return tuple(range(1, general.gpio_capabilities.num_gpis + 1)) if general is not None else ()


def can_hold_reports(capabilities: GetReaderCapabilitiesResponse) -> bool:
    """Whether the reader keeps events and reports for a client that is away."""
    able = capabilities.llrp_capabilities
    return able is not None and able.supports_event_and_report_holding


def transmitter(capabilities: GetReaderCapabilitiesResponse, *, power_dbm: float) -> RFTransmitter:
    """The highest power of the reader's own table that is not above `power_dbm`, on its first hop table or channel.

    Raises LlrpError where every power that it has is above: more than was assessed is never transmitted.
    """
    regulatory = capabilities.regulatory_capabilities
    band = regulatory.uhf_band_capabilities if regulatory is not None else None
    if band is None:
        raise LlrpError("the reader does not tell its table of transmit powers")
    # The table is in hundredths of dBm. One below a whole hundredth by a float's last bit is still that hundredth.
    limit = round(power_dbm * 100)
    usable = [entry for entry in band.transmit_power_level_table_entry if entry.transmit_power_value <= limit]
    if not usable:
        least = min(entry.transmit_power_value for entry in band.transmit_power_level_table_entry) / 100
        raise LlrpError(f"the reader's lowest power is {least} dBm; {power_dbm} dBm is the most that is allowed")
    chosen = max(usable, key=lambda entry: entry.transmit_power_value)
    frequencies = band.frequency_information
    if frequencies.hopping and frequencies.frequency_hop_table:
        return RFTransmitter(frequencies.frequency_hop_table[0].hop_table_id, 0, chosen.index)
    return RFTransmitter(0, 1, chosen.index)


def reader_config(
    *, keepalive_s: float, inputs: tuple[int, ...], hold_reports: bool, message_id: int = 0
) -> SetReaderConfig:
    """From factory defaults to what a session needs: keepalives, the events we act on, all inputs watched."""
    return SetReaderConfig(
        reset_to_factory_default=True,
        reader_event_notification_spec=ReaderEventNotificationSpec(
            tuple(EventNotificationState(event, notification_state=True) for event in TOLD_EVENTS)
        ),
        ro_report_spec=REPORT,
        keepalive_spec=KeepaliveSpec(KeepaliveTriggerType.Periodic, round(keepalive_s * 1000)),
        # The level that is written here means nothing: it is an input.
        gpi_port_current_state=tuple(GPIPortCurrentState(port, config=True, state=0) for port in inputs),
        events_and_reports=EventsAndReports(hold_events_and_reports_upon_reconnect=True) if hold_reports else None,
        message_id=message_id,
    )


def add_round(
    *,
    round_s: float,
    antennas: tuple[int, ...],
    power: RFTransmitter,
    tag_population: int,
    message_id: int = 0,
) -> AddROSpec:
    """The inventory round as a ROSpec that starts by START_ROSPEC alone and ends by itself after `round_s`."""
    singulation = C1G2SingulationControl(SESSION, tag_population, 0)
    command = C1G2InventoryCommand(tag_inventory_state_aware=False, c1g2_singulation_control=singulation)
    configurations = tuple(
        AntennaConfiguration(antenna, rf_transmitter=power, c1g2_inventory_command=(command,)) for antenna in antennas
    )
    inventory = AISpec(
        antennas,
        AISpecStopTrigger(AISpecStopTriggerType.Duration, round(round_s * 1000)),
        (InventoryParameterSpec(1, AirProtocols.EPCGlobalClass1Gen2, configurations),),
    )
    boundary = ROBoundarySpec(
        ROSpecStartTrigger(ROSpecStartTriggerType.Null), ROSpecStopTrigger(ROSpecStopTriggerType.Null)
    )
    return AddROSpec(ROSpec(ROSPEC_ID, 0, ROSpecState.Disabled, boundary, (inventory,), REPORT), message_id=message_id)
