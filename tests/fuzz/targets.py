"""What the fuzzers call: one function per target, octets in, nothing out; what it must not do it raises.

Floor 1's promise to the outside is in each: the errors that are declared and no other, no hang, bounded memory. Knows
no fuzzer; hypothesis and atheris drive the same functions.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable

import msgspec
from msgspec.structs import replace

from agent.errors import GpsdError, LlrpError
from agent.gps import Unusable, parse_gpsd_line, parse_tpv
from agent.llrp import messages as m
from agent.llrp.codec import HEADER, LlrpStream, Malformed, decode, encode
from agent.llrp.rounds import ReadingPlan
from agent.llrp.session import Session
from agent.llrp.states import Action, Deliver, Drop, Note, Send, State
from agent.llrp.told import ConnectionAttemptEvent
from agent.records import Inventory
from tests.llrp.play import CAPABLE, CONFIG, END, INPUTS, OK, event, report

NUMBERS = sorted(m.MESSAGES)
MOST_ACTIONS = 10_000  # a chunk of a few KiB that asks for more than this has sent us round in a circle


def codec(data: bytes) -> None:
    """The first octet picks a message type, the rest is its body: what is written as it was read, or LlrpError.

    Reserved bits are not kept, so the octets may differ; the record may not.
    """
    if not data:
        return
    body = data[1:]
    frame = HEADER.pack((1 + (data[0] >> 7)) << 10 | NUMBERS[(data[0] & 0x7F) % len(NUMBERS)], 10 + len(body), 7) + body
    try:
        message = decode(frame)
    except LlrpError:
        return
    again = decode(encode(message))
    if again != message:
        raise AssertionError(f"written and read again {message} is {again}")


def stream(data: bytes) -> None:
    """Octets cut anywhere: messages, Malformed or LlrpError, and never more than a frame waiting; all cuts agree."""
    cuts = (len(data), 1 + data[0] % 13) if data else (1,)
    told = []
    for step in cuts:
        got: list[m.Message | Malformed | str] = []
        taken = LlrpStream(max_frame=4096)
        try:
            for at in range(0, len(data), step):
                taken.receive(data[at : at + step])
                got.extend(taken.messages())
                if len(taken._buffer) > 4096 + step:
                    raise AssertionError(f"{len(taken._buffer)} octets wait")
        except LlrpError as error:
            got.append(str(error))
        told.append(got)
    if any(one != told[0] for one in told):
        raise AssertionError(f"cut otherwise, the same octets say {told}")


def session(data: bytes) -> None:  # noqa: C901 - one branch for each step of a script
    """A session takes whatever comes at every moment of a connection: actions, never an exception; its sums hold.

    The octets are a script: each step is an opcode (go on as a good reader would, hear octets, let time pass, lose the
    connection, wish) and its argument.
    """
    run, at = Run(), 0
    while at < len(data):
        op, size = data[at] & 7, data[at] >> 3
        at += 1
        if op <= 2:  # three in eight, so that the deeper states are reached
            _answer_well(run)
        elif op == 3:
            run.act(run.session.receive(data[at : at + size], run.now))
            at += size
        elif op == 4 and at < len(data):  # a whole frame of a known type with this body
            body = data[at + 1 : at + 1 + size]
            number = NUMBERS[data[at] % len(NUMBERS)]
            frame = HEADER.pack(1 << 10 | number, HEADER.size + len(body), run.session._message_id) + body
            run.act(run.session.receive(frame, run.now))
            at += 1 + size
        elif op == 5:
            run.now += size * 0.7
            run.act(run.session.tick(run.now))
        elif op == 6:
            run.act(run.session.lost(run.now))
            run.begin()
        elif op == 7:
            wish = (run.session.pause, run.session.resume)[size & 1]
            plan = ReadingPlan(round_s=size / 8)
            run.act(wish(run.now) if size < 16 else run.session.set_plan(plan, run.now))
        if run.session.is_down:
            run.act(run.session.lost(run.now))
            run.begin()
    run.act(run.session.lost(run.now))
    tally = run.session.tally
    if tally.received != tally.used + tally.duplicate + sum(tally.malformed.values()):
        raise AssertionError(f"the sums do not hold: {tally}")
    if tally.used != run.handed_on:
        raise AssertionError(f"{tally.used} reads used, {run.handed_on} handed on")


def _few(capable: m.GetReaderCapabilitiesResponse) -> m.GetReaderCapabilitiesResponse:
    """With four powers instead of forty-four: a fuzzed session sets up many times, and reading them took most of it."""
    regulatory = capable.regulatory_capabilities
    assert regulatory is not None
    band = regulatory.uhf_band_capabilities
    assert band is not None
    band = replace(band, transmit_power_level_table_entry=band.transmit_power_level_table_entry[::11])
    return replace(capable, regulatory_capabilities=replace(regulatory, uhf_band_capabilities=band))


_GREETING = encode(event(connection_attempt_event=ConnectionAttemptEvent(0)))
_ANSWERS = {
    State.ASKING_VERSION: m.GetSupportedVersionResponse(OK, 1, 2),
    State.SETTING_VERSION: m.SetProtocolVersionResponse(OK),
    State.CAPABILITIES: _few(CAPABLE),
    State.CLEARING: m.DeleteROSpecResponse(OK),
    State.CONFIGURING: m.SetReaderConfigResponse(OK),
    State.ADDING: m.AddROSpecResponse(OK),
    State.ENABLING: m.EnableROSpecResponse(OK),
    State.ANTENNAS: CONFIG,
    State.INPUTS: INPUTS,
    State.STARTING: m.StartROSpecResponse(OK),
    State.STOPPING: m.StopROSpecResponse(OK),
    State.REPLACING: m.DeleteROSpecResponse(OK),
    State.READDING: m.AddROSpecResponse(OK),
    State.REENABLING: m.EnableROSpecResponse(OK),
}
_GOOD = {state: encode(answer) for state, answer in _ANSWERS.items()}
_ID_AT = 6  # where a frame's header has the message's id
_ROUND_OVER = b"".join(encode(message) for message in (report(1, 2), *END))


def _answer_well(run: Run) -> None:
    """What a good reader would say now."""
    state = run.session.state
    if state in _GOOD:
        answer = bytearray(_GOOD[state])
        struct.pack_into(">I", answer, _ID_AT, run.session._message_id)
        said = bytes(answer)
    elif state is State.RUNNING:
        said = _ROUND_OVER
    elif state is State.GREETING:
        said = _GREETING
    else:
        said = _KEEPALIVE
    run.act(run.session.receive(said, run.now))


_KEEPALIVE = encode(m.Keepalive(message_id=3))


class Run:
    """One session under test, with its clock and the reads that it handed on."""

    def __init__(self) -> None:
        self.session = Session(power_dbm=27.0, transmit_allowed=True)
        self.now = 100.0
        self.handed_on = 0
        self.begin()

    def begin(self) -> None:
        """A connection."""
        self.act(self.session.start(self.now))
        self.act(self.session.receive(_GREETING, self.now))

    def act(self, actions: list[Action]) -> None:
        """Note what these actions are."""
        if len(actions) > MOST_ACTIONS:
            raise AssertionError(f"{len(actions)} actions of one call")
        for action in actions:
            if isinstance(action, Deliver) and isinstance(action.record, Inventory):
                self.handed_on += len(action.record.reads)
            elif not isinstance(action, Send | Deliver | Note | Drop):
                raise TypeError(f"{action} is no action")
        if self.session.deadline != self.session.deadline:  # not a number would never come
            raise AssertionError("the deadline is not a number")


def gps(data: bytes) -> None:
    """A line of gpsd: an object, nothing, or GpsdError; and of the object a fix with finite values, or a reason."""
    try:
        document = parse_gpsd_line(data)
    except GpsdError:
        return
    if document is None:
        return
    msgspec.json.encode(document)  # what was read is written again, to a recording
    found = parse_tpv(document, 1.0)
    msgspec.msgpack.encode(found)  # and to the checkpoint
    if isinstance(found, Unusable):
        return
    values = (found.lat, found.lon, found.utc_s, found.sigma_m, found.speed_mps or 0.0, found.track_deg or 0.0)
    if not all(map(math.isfinite, values)) or found.sigma_m <= 0.0:
        raise AssertionError(f"{data!r} gives {found}")


def gps_text(data: bytes) -> None:
    """The same as the receiver has it: already text, whatever the octets were."""
    gps_line = data.decode("utf-8", "surrogateescape")
    try:
        document = parse_gpsd_line(gps_line)
    except GpsdError:
        return
    if document is not None:
        parse_tpv(document, 1.0)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "codec": codec, "stream": stream, "session": session, "gps": gps, "gps_text": gps_text,
}  # fmt: skip


def seeds(target: str) -> list[bytes]:
    """Inputs to begin with: what a good peer says."""
    if target.startswith("gps"):
        tpv = (
            b'{"class":"TPV","device":"/dev/ttyS0","mode":3,"time":"2026-05-04T06:00:10.250Z","lat":48.31,"lon":-31.27,'
        )
        return [tpv + b'"eph":8.0,"epx":5.0,"epy":5.0,"speed":1.5,"track":270.0}\r\n', tpv + b'"eph":NaN}\n', b"\n"]
    messages = [CAPABLE, CONFIG, INPUTS, report(1, 2), *END, m.ErrorMessage(OK), m.Keepalive(message_id=3)]
    frames = [encode(message) for message in messages]
    if target == "stream":
        return [*frames, b"".join(frames)]
    if target == "codec":
        return [bytes((NUMBERS.index(message.number),)) + frame[10:]
                for message, frame in zip(messages, frames, strict=True)]  # fmt: skip
    return [bytes(12), bytes(8) + b"".join(bytes((4 | 31 << 3, 3)) + frame[10:41] for frame in frames), b"\x00\x2d" * 9]
