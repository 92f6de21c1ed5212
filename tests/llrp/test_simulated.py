"""The simulated reader holds whoever speaks to it to the protocol; no sockets, time as an argument.

What it must refuse is LLRP 1.0.1's; the status and the order of messages are those of the published capture dx101_a
where it shows them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream, decode, encode
from agent.llrp.params import (
    AISpec,
    AISpecStopTrigger,
    AntennaConfiguration,
    C1G2InventoryCommand,
    EventNotificationState,
    GPIPortCurrentState,
    GPITriggerValue,
    InventoryParameterSpec,
    KeepaliveSpec,
    PeriodicTriggerValue,
    ReaderEventNotificationSpec,
    RFTransmitter,
    ROReportSpec,
    ROSpec,
    ROSpecStartTrigger,
    ROSpecStopTrigger,
    TagReportContentSelector,
)
from agent.llrp.rospec import add_round, reader_config
from agent.llrp.simulated.device import Device
from agent.llrp.tables import StatusCode
from agent.llrp.wire import Custom

TAG = "3074257BF7194E4000001A85"


@dataclass
class Heard:
    """One tag on one antenna."""

    tag: str
    antenna: int
    rssi_dbm: float = -60.4
    count: int = 3


@dataclass
class Room:
    """A source that hears the same tags always and remembers what it was asked."""

    tags: tuple[str, ...] = (TAG,)
    asked: list[tuple[float, float, tuple[int, ...], float]] = field(default_factory=list)

    def inventory(
        self, *, started_s: float, seconds: float, antennas: tuple[int, ...], power_dbm: float
    ) -> Sequence[Heard]:
        """Every tag on every antenna."""
        self.asked.append((round(started_s, 6), round(seconds, 6), antennas, power_dbm))
        return [Heard(tag, antenna) for tag in self.tags for antenna in antennas]


class Client:
    """Requests to a device, and what came back."""

    def __init__(self, *, room: Room | None = None, **options: Any) -> None:
        self.room = room or Room()
        self.device = Device(self.room, **options)
        self.now = 50.0
        self._stream = LlrpStream()
        self._id = 0

    def connect(self) -> list[m.Message]:
        """Connect; what the reader says to it."""
        self._stream = LlrpStream()
        self.device.connected(self.now)
        return self.take()

    def take(self) -> list[m.Message]:
        """What has come since."""
        self._stream.receive(self.device.take())
        return [message for message in self._stream.messages() if isinstance(message, m.Message)]

    def ask(self, request: m.Message) -> list[m.Message]:
        """Send it; what comes at once."""
        self._id += 1
        self.device.receive(encode(replace(request, message_id=self._id)), self.now)
        found = self.take()
        assert all(x.message_id == self._id for x in found if isinstance(x, (m.Response, m.ErrorMessage)))
        return found

    def status(self, request: m.Message) -> str:
        """Send it; the status that the answer has, by name."""
        answer = next(x for x in self.ask(request) if isinstance(x, (m.Response, m.ErrorMessage)))
        return StatusCode(answer.llrp_status.status_code).name

    def wait(self, seconds: float) -> list[m.Message]:
        """Time passes; what came meanwhile."""
        self.now += seconds
        self.device.tick(self.now)
        return self.take()

    def ready(self, spec: ROSpec | None = None) -> Client:
        """Connected, configured, with an enabled ROSpec."""
        self.connect()
        assert self.status(reader_config(keepalive_s=5.0, inputs=(1, 2), hold_reports=True)) == "M_Success"
        assert self.status(m.AddROSpec(spec or SPEC)) == "M_Success"
        assert self.status(m.EnableROSpec(1)) == "M_Success"
        return self


SPEC = add_round(round_s=2.0, antennas=(1, 2), power=RFTransmitter(0, 1, 35), tag_population=100).rospec
(ROUND,) = SPEC.spec_parameter
assert isinstance(ROUND, AISpec)


def names(messages: list[m.Message]) -> list[str]:
    """Types, and for events what they tell."""
    found = []
    for message in messages:
        name = type(message).__name__
        if isinstance(message, m.ReaderEventNotification):
            data = message.reader_event_notification_data
            name = next(
                f for f in data.__struct_fields__ if f not in ("timestamp", "others") and getattr(data, f) is not None
            )
            if data.rospec_event is not None:
                name += f" {data.rospec_event.event_type}"
            if data.connection_attempt_event is not None:
                name += f" {data.connection_attempt_event.status}"
        found.append(name)
    return found


def test_round_ends_with_report_then_events() -> None:
    """A started round gives: answer, start; and at its end: report, end of AISpec, end of ROSpec, as in dx101_a."""
    client = Client().ready()
    assert names(client.ask(m.StartROSpec(1))) == ["StartROSpecResponse", "rospec_event 0"]
    assert client.device.is_transmitting
    assert client.wait(1.9) == []
    found = client.wait(0.2)
    assert names(found) == ["ROAccessReport", "aispec_event", "rospec_event 1"]
    assert isinstance(found[0], m.ROAccessReport)
    first, second = found[0].tag_report_data
    assert (first.epc.hex().upper(), first.antenna_id, second.antenna_id) == (TAG, 1, 2)
    assert (first.peak_rssi, first.tag_seen_count, first.first_seen_timestamp_utc) == (-60, 3, 50_000_000)
    assert first.rospec_id is None
    assert client.room.asked == [(50.0, 2.0, (1, 2), 27.0)]
    assert not client.device.is_transmitting


def test_a_start_that_the_wire_delayed_counts_from_the_last_end() -> None:
    """With three seconds to catch up, a start within them of the last end leaves no gap; a later one is not moved."""
    client = Client(catch_up_s=3.0).ready()
    client.ask(m.StartROSpec(1))
    client.wait(2.0)
    client.wait(2.5)
    client.ask(m.StartROSpec(1))
    client.wait(1.6)
    client.wait(5.0)
    client.ask(m.StartROSpec(1))
    client.wait(2.0)
    assert [(started_s, seconds) for started_s, seconds, _, _ in client.room.asked] == [
        (50.0, 2.0), (52.0, 2.0), (61.1, 2.0),
    ]  # fmt: skip


def test_stop_ends_a_round_early() -> None:
    """STOP_ROSPEC ends the round now, with what was heard till now."""
    client = Client().ready()
    client.ask(m.StartROSpec(1))
    client.wait(0.5)
    assert names(client.ask(m.StopROSpec(1))) == [
        "StopROSpecResponse", "ROAccessReport", "aispec_event", "rospec_event 1",
    ]  # fmt: skip
    assert client.room.asked == [(50.0, 0.5, (1, 2), 27.0)]


def test_states_are_enforced() -> None:
    """Disabled, Inactive, Active: a request is refused where the state does not allow it (LLRP 1.0.1)."""
    client = Client()
    client.connect()
    for request in (m.EnableROSpec(1), m.StartROSpec(1), m.StopROSpec(1), m.DisableROSpec(1), m.DeleteROSpec(1)):
        assert client.status(request) == "M_FieldError", request
    assert client.status(m.DeleteROSpec(0)) == "M_Success"
    assert client.status(m.AddROSpec(SPEC)) == "M_Success"
    assert client.status(m.AddROSpec(SPEC)) == "M_ParameterError"
    assert client.status(m.StartROSpec(1)) == "M_FieldError"
    assert client.status(m.StopROSpec(1)) == "M_FieldError"
    assert client.status(m.EnableROSpec(7)) == "M_FieldError"
    assert client.status(m.EnableROSpec(1)) == "M_Success"
    assert client.status(m.EnableROSpec(1)) == "M_FieldError"
    assert client.status(m.StopROSpec(1)) == "M_FieldError"
    assert client.status(m.StartROSpec(0)) == "M_FieldError"
    assert client.status(m.StartROSpec(1)) == "M_Success"
    assert client.status(m.StartROSpec(1)) == "M_FieldError"
    (told,) = client.ask(m.GetROSpecs())
    assert isinstance(told, m.GetROSpecsResponse)
    assert [spec.current_state for spec in told.rospec] == [2]
    assert client.status(m.DisableROSpec(0)) == "M_Success"
    assert not client.device.is_transmitting
    assert client.status(m.StartROSpec(1)) == "M_FieldError"
    assert client.status(m.DeleteROSpec(1)) == "M_Success"
    assert client.ask(m.GetROSpecs()) == [m.GetROSpecsResponse(told.llrp_status, message_id=client._id)]


def test_refusal_names_the_field_as_published(standards: Path) -> None:
    """ENABLE_ROSPEC of a ROSpec that is not there gets the very answer that dx101_a shows, but for its text."""
    stream = LlrpStream()
    stream.receive((standards / "llrp" / "dx101_a.bin").read_bytes())
    messages = list(stream.messages())
    asked = next(i for i, x in enumerate(messages) if isinstance(x, m.EnableROSpec) and x.rospec_id == 7)
    published = messages[asked + 1]
    assert isinstance(published, m.EnableROSpecResponse)
    client = Client()
    client.connect()
    (answer,) = client.ask(m.EnableROSpec(7))
    assert isinstance(answer, m.EnableROSpecResponse)
    assert replace(answer.llrp_status, error_description="") == published.llrp_status


def _with(spec: ROSpec = SPEC, **changes: Any) -> ROSpec:
    return replace(spec, **changes)


def _round(**changes: Any) -> ROSpec:
    return _with(spec_parameter=(replace(ROUND, **changes),))


def _boundary(start: ROSpecStartTrigger, stop: ROSpecStopTrigger | None = None) -> ROSpec:
    stop = stop or ROSpecStopTrigger(0)
    return _with(ro_boundary_spec=replace(SPEC.ro_boundary_spec, rospec_start_trigger=start, rospec_stop_trigger=stop))


@pytest.mark.parametrize(
    ("spec", "parameter"),
    [
        (_with(rospec_id=0), 177),
        (_with(priority=1), 177),
        (_with(current_state=1), 177),
        (_with(spec_parameter=SPEC.spec_parameter * 9), 183),
        (_with(spec_parameter=(Custom(1, 1),)), 1023),
        (_with(ro_report_spec=ROReportSpec(9, 0, TagReportContentSelector())), 237),
        (_boundary(ROSpecStartTrigger(3, gpi_trigger_value=GPITriggerValue(1, gpi_event=True, timeout=0))), 179),
        (_boundary(ROSpecStartTrigger(2)), 179),
        (_boundary(ROSpecStartTrigger(2, PeriodicTriggerValue(0, 0))), 180),
        (_round(antenna_ids=(3,)), 183),
        (_round(antenna_ids=()), 183),
        (_round(aispec_stop_trigger=AISpecStopTrigger(3)), 184),
        (_round(aispec_stop_trigger=AISpecStopTrigger(1, 0)), 184),
        (_round(inventory_parameter_spec=ROUND.inventory_parameter_spec * 2), 186),
        (_round(inventory_parameter_spec=(InventoryParameterSpec(1, 0),)), 186),
    ],
)  # fmt: skip
def test_rospec_that_it_cannot_do_is_refused(spec: ROSpec, parameter: int) -> None:
    """Each thing that a plain reader cannot do is refused with the number of the parameter that is wrong."""
    client = Client()
    client.connect()
    (answer,) = client.ask(m.AddROSpec(spec))
    assert isinstance(answer, m.AddROSpecResponse)
    assert answer.llrp_status.status_code == StatusCode.M_ParameterError
    assert answer.llrp_status.parameter_error is not None
    assert answer.llrp_status.parameter_error.parameter_type == parameter
    assert client.status(m.AddROSpec(SPEC)) == "M_Success"


@pytest.mark.parametrize("change", ["power", "antenna", "aware"])
def test_antenna_configuration_is_checked(change: str) -> None:
    """A power that is not in the table, an antenna that is not there, singulation by state: refused."""
    parameters = ROUND.inventory_parameter_spec[0]
    antenna = parameters.antenna_configuration[0]
    if change == "power":
        antenna = replace(antenna, rf_transmitter=RFTransmitter(0, 1, 99))
    elif change == "antenna":
        antenna = replace(antenna, antenna_id=9)
    else:
        antenna = replace(antenna, c1g2_inventory_command=(C1G2InventoryCommand(tag_inventory_state_aware=True),))
    client = Client()
    client.connect()
    spec = _round(inventory_parameter_spec=(replace(parameters, antenna_configuration=(antenna,)),))
    assert client.status(m.AddROSpec(spec)) == "M_ParameterError"


def test_immediate_and_periodic_start_by_themselves() -> None:
    """Immediate starts at ENABLE; Periodic after its offset and then every period; the answer comes first."""
    client = Client().ready(_boundary(ROSpecStartTrigger(1)))
    assert names(client.wait(0.0)) == ["rospec_event 0"]
    assert names(client.wait(2.0)) == ["ROAccessReport", "aispec_event", "rospec_event 1"]
    assert client.wait(0.9) == []
    client = Client().ready(_boundary(ROSpecStartTrigger(2, PeriodicTriggerValue(500, 4000))))
    assert client.wait(0.4) == []
    assert names(client.wait(0.1)) == ["rospec_event 0"]
    client.wait(2.0)
    assert client.wait(1.9) == []
    assert "rospec_event 0" in names(client.wait(0.1))


def test_rospec_duration_cuts_the_aispec() -> None:
    """A ROSpec's own duration ends what runs in it; further AISpecs are not begun."""
    client = Client().ready(
        replace(_boundary(ROSpecStartTrigger(0), ROSpecStopTrigger(1, 2500)), spec_parameter=SPEC.spec_parameter * 2)
    )
    client.ask(m.StartROSpec(1))
    assert names(client.wait(2.0)) == ["ROAccessReport", "aispec_event"]
    assert names(client.wait(0.5)) == ["ROAccessReport", "aispec_event", "rospec_event 1"]
    assert client.room.asked[-1] == (52.0, 0.5, (1, 2), 27.0)


def test_long_aispec_reports_every_n_tags_and_on_request() -> None:
    """An AISpec without end is heard second by second; reports come for each N tags, the rest when asked for."""
    client = Client(room=Room(tags=(TAG, TAG[:-1] + "6", TAG[:-1] + "7")))
    report = ROReportSpec(1, 4, TagReportContentSelector(*(True,) * 10))
    client.ready(replace(_round(aispec_stop_trigger=AISpecStopTrigger(0)), ro_report_spec=report))
    client.ask(m.StartROSpec(1))
    (found,) = client.wait(1.0)
    assert isinstance(found, m.ROAccessReport)
    assert len(found.tag_report_data) == 4
    assert found.tag_report_data[0].rospec_id == 1
    (rest,) = client.ask(m.GetReport())
    assert isinstance(rest, m.ROAccessReport)
    assert len(rest.tag_report_data) == 2
    assert names(client.ask(m.DeleteROSpec(0)))[-1] == "DeleteROSpecResponse"
    assert not client.device.is_transmitting


def test_report_at_the_end_of_the_rospec_joins_its_aispecs() -> None:
    """With the other trigger one report comes at the end of the ROSpec, counts added up; with None there is none."""
    for trigger, expected in ((2, ["aispec_event", "aispec_event", "ROAccessReport", "rospec_event 1"]),
                              (0, ["aispec_event", "aispec_event", "rospec_event 1"])):  # fmt: skip
        report = ROReportSpec(trigger, 0, TagReportContentSelector(*(True,) * 10))
        client = Client().ready(replace(SPEC, spec_parameter=SPEC.spec_parameter * 2, ro_report_spec=report))
        client.ask(m.StartROSpec(1))
        found = client.wait(4.0)
        assert names(found) == expected
        for message in found:
            if isinstance(message, m.ROAccessReport):
                assert [tag.tag_seen_count for tag in message.tag_report_data] == [6, 6]


def test_factory_default_tells_nothing() -> None:
    """Before it is configured a reader sends no events and no keepalives; a reset takes what was configured."""
    client = Client().ready()
    client.device.set_input(1, on=True, now=client.now)
    assert names(client.take()) == ["gpi_event"]
    assert client.status(m.SetReaderConfig(reset_to_factory_default=True)) == "M_Success"
    client.device.set_input(1, on=False, now=client.now)
    client.device.set_antenna(1, connected=False, now=client.now)
    client.ask(m.StartROSpec(1))
    assert names(client.wait(30.0)) == ["ROAccessReport"]


def test_configuration_is_told_back() -> None:
    """GET_READER_CONFIG gives what was set, the inputs' levels and which antennas are connected."""
    client = Client().ready()
    client.device.set_input(2, on=True, now=client.now)
    client.device.set_antenna(2, connected=False, now=client.now)
    client.take()
    (told,) = client.ask(m.GetReaderConfig())
    assert isinstance(told, m.GetReaderConfigResponse)
    assert [(x.antenna_id, x.antenna_connected) for x in told.antenna_properties] == [(1, True), (2, False)]
    assert [(x.gpi_port_num, x.config, x.state) for x in told.gpi_port_current_state] == [
        (1, True, 0), (2, True, 1), (3, False, 0), (4, False, 0),
    ]  # fmt: skip
    assert told.keepalive_spec == KeepaliveSpec(1, 5000)
    assert told.events_and_reports is not None
    assert told.events_and_reports.hold_events_and_reports_upon_reconnect
    (one,) = client.ask(m.GetReaderConfig(requested_data=9, gpi_port_num=2))
    assert isinstance(one, m.GetReaderConfigResponse)
    assert [x.gpi_port_num for x in one.gpi_port_current_state] == [2]
    assert one.antenna_properties == ()
    assert client.status(m.GetReaderConfig(requested_data=99)) == "M_FieldError"
    assert client.status(m.GetReaderConfig(antenna_id=9)) == "M_FieldError"
    assert client.status(m.GetReaderConfig(gpi_port_num=9)) == "M_FieldError"
    assert client.status(m.GetReaderCapabilities(99)) == "M_FieldError"


def test_wrong_configuration_changes_nothing() -> None:
    """A SET_READER_CONFIG with a wrong part is refused as a whole."""
    client = Client().ready()
    for part in (
        {"keepalive_spec": KeepaliveSpec(1, 0)},
        {"gpi_port_current_state": (GPIPortCurrentState(9, config=True, state=0),)},
        {"reader_event_notification_spec": ReaderEventNotificationSpec(
            (EventNotificationState(77, notification_state=True),))},
    ):  # fmt: skip
        request = m.SetReaderConfig(reset_to_factory_default=True, **part)  # type: ignore[arg-type]
        assert client.status(request) == "M_ParameterError"
    (told,) = client.ask(m.GetReaderConfig(requested_data=8))
    assert isinstance(told, m.GetReaderConfigResponse)
    assert told.keepalive_spec == KeepaliveSpec(1, 5000)


def test_power_may_be_set_for_an_antenna_by_configuration() -> None:
    """A ROSpec that says nothing of power uses what SET_READER_CONFIG said; an index that is not there is refused."""
    client = Client()
    client.connect()
    wrong = AntennaConfiguration(1, rf_transmitter=RFTransmitter(0, 1, 99))
    assert client.status(m.SetReaderConfig(reset_to_factory_default=False, antenna_configuration=(wrong,))) == (
        "M_ParameterError"
    )
    quiet = tuple(AntennaConfiguration(a, rf_transmitter=RFTransmitter(0, 1, i)) for a, i in ((0, 3), (2, 5)))
    assert client.status(m.SetReaderConfig(reset_to_factory_default=False, antenna_configuration=quiet)) == "M_Success"
    spec = _round(inventory_parameter_spec=(InventoryParameterSpec(1, 1),))
    assert client.status(m.AddROSpec(spec)) == "M_Success"
    client.ask(m.EnableROSpec(1))
    client.ask(m.StartROSpec(1))
    client.wait(2.0)
    assert [(antennas, power) for _, _, antennas, power in client.room.asked] == [((1,), 11.0), ((2,), 12.0)]


def test_keepalives_and_inputs_can_be_turned_off() -> None:
    """A configuration without a reset changes only what it names."""
    client = Client().ready()
    request = m.SetReaderConfig(
        reset_to_factory_default=False,
        keepalive_spec=KeepaliveSpec(0),
        gpi_port_current_state=(GPIPortCurrentState(1, config=False, state=0),),
    )
    assert client.status(request) == "M_Success"
    client.device.set_input(1, on=True, now=client.now)
    assert client.wait(60.0) == []
    client.device.set_input(2, on=True, now=client.now)
    assert names(client.take()) == ["gpi_event"]


def test_keepalives_come_and_want_an_answer() -> None:
    """A keepalive comes each period; with a limit, a client that does not answer is dropped, one that does is not."""
    client = Client(ack_limit=2).ready()
    for _ in range(5):
        assert names(client.wait(5.0)) == ["Keepalive"]
        client.device.receive(encode(m.KeepaliveAck()), client.now)
    assert not client.device.wants_close
    client.wait(5.0)
    client.wait(5.0)
    assert not client.device.wants_close
    client.wait(5.0)
    assert client.device.wants_close


def test_events_are_held_for_a_client_that_is_away() -> None:
    """With holding on, what happens while nobody is there comes after ENABLE_EVENTS_AND_REPORTS, in order."""
    client = Client().ready()
    client.ask(m.StartROSpec(1))
    client.device.disconnected()
    client.wait(2.0)
    client.device.set_input(1, on=True, now=client.now)
    assert names(client.connect()) == ["connection_attempt_event 0"]
    client.device.set_input(1, on=False, now=client.now)
    assert client.take() == []
    found = client.ask(m.EnableEventsAndReports())
    assert names(found) == ["ROAccessReport", "aispec_event", "rospec_event 1", "gpi_event", "gpi_event"]


def test_second_client_is_turned_away() -> None:
    """A second client is told that one is there already, and the first is told of the attempt."""
    client = Client().ready()
    refusal = decode(client.device.refusal(client.now))
    assert names([refusal]) == ["connection_attempt_event 2"]
    assert names(client.take()) == ["connection_attempt_event 4"]


def test_power_cut_takes_everything_but_the_wiring() -> None:
    """After a power cut the reader is at factory default, with no ROSpec; levels and antennas are as they are."""
    client = Client().ready()
    client.device.set_input(1, on=True, now=client.now)
    client.ask(m.StartROSpec(1))
    client.device.power_cut()
    client.connect()
    assert not client.device.is_transmitting
    assert client.status(m.StartROSpec(1)) == "M_FieldError"
    assert client.wait(60.0) == []
    (told,) = client.ask(m.GetReaderConfig(requested_data=9, gpi_port_num=1))
    assert isinstance(told, m.GetReaderConfigResponse)
    assert told.gpi_port_current_state[0].state == 1


def test_what_it_cannot_read_gets_an_error_message() -> None:
    """A wrong body, another version, a message that is no request: ERROR_MESSAGE with the reason; then it goes on."""
    client = Client()
    client.connect()
    assert client.status(m.UnknownMessage(22, b"\0")) == "M_ParameterError"
    assert client.status(m.GetROSpecs(version=3)) == "M_UnsupportedVersion"
    assert client.status(m.UnknownMessage(40, b"")) == "M_UnsupportedMessage"
    assert client.status(m.Keepalive()) == "M_UnsupportedMessage"
    assert client.status(m.GetROSpecs()) == "M_Success"
    client.device.receive(b"GET / HTTP/1.1\r\n", client.now)
    assert client.device.wants_close


def test_leaving_is_answered_and_closes() -> None:
    """CLOSE_CONNECTION is answered, and the connection is to be closed then."""
    client = Client()
    client.connect()
    assert client.status(m.CloseConnection()) == "M_Success"
    assert client.device.wants_close


def test_antennas_of_different_power_are_asked_apart() -> None:
    """Antennas share the round's time; those with another power are asked for by themselves."""
    client = Client()
    parameters = ROUND.inventory_parameter_spec[0]
    first, second = parameters.antenna_configuration
    quieter = replace(second, rf_transmitter=RFTransmitter(0, 1, 1))
    client.ready(_round(inventory_parameter_spec=(replace(parameters, antenna_configuration=(first, quieter)),)))
    client.ask(m.StartROSpec(1))
    client.wait(2.0)
    assert client.room.asked == [(50.0, 1.0, (1,), 27.0), (51.0, 1.0, (2,), 10.0)]


def test_lost_antenna_is_not_asked() -> None:
    """An antenna that is not connected hears nothing; with none connected nobody is asked."""
    client = Client().ready()
    for antenna, asked in ((2, [(50.0, 2.0, (1,), 27.0)]), (1, [])):
        client.device.set_antenna(antenna, connected=False, now=client.now)
        client.room.asked.clear()
        client.ask(m.StartROSpec(1))
        client.wait(2.0)
        assert client.room.asked == asked
    with pytest.raises(ValueError, match="antennas"):
        client.device.set_antenna(9, connected=True, now=0.0)
    with pytest.raises(ValueError, match="inputs"):
        client.device.set_input(9, on=True, now=0.0)


def test_tags_of_any_length_are_reported() -> None:
    """An EPC that has not 96 bits is reported in the other form, its bits counted."""
    client = Client(room=Room(tags=("ABCD", TAG + "00112233"))).ready()
    client.ask(m.StartROSpec(1))
    report = client.wait(2.0)[0]
    assert isinstance(report, m.ROAccessReport)
    assert {(tag.epc.hex().upper(), tag.epc_bits) for tag in report.tag_report_data} == {
        ("ABCD", 16), (TAG + "00112233", 128),
    }  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(st.lists(st.one_of(st.binary(max_size=40), st.sampled_from([0.0, 0.7, 6.0])), max_size=8))
def test_no_octets_break_it(walk: list[bytes | float]) -> None:
    """Whatever a client sends, the reader answers, passes over or closes; it never fails."""
    client = Client().ready()
    for step in walk:
        if isinstance(step, bytes):
            client.device.receive(step, client.now)
            frame = encode(m.UnknownMessage(1 + len(step) % 64, step))
            if not client.device.wants_close:
                client.device.receive(frame, client.now)
        else:
            client.wait(step)
        client.device.take()
