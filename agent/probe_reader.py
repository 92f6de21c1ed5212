"""`check`'s talk with the LLRP reader: its powers, antennas and inputs, and the supervised walk test; floor 3.

`ask_reader` never transmits. `walk_test` does, for as long as it is told and never longer than MOST_TRANSMIT_S: it
stops the round and says goodbye however it ends, also at Ctrl-C, and should even that fail, a round on the reader ends
by itself after WALK.round_s and nothing starts another. An input that silences the agent's reader (`Interlock`) begins
no round and ends the test. What is said on the connection is `agent.llrp.session`'s
business; beside it a second stream reads along for what a session does not keep.
"""

from __future__ import annotations

import selectors
import socket
import ssl
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from msgspec import Struct, field
from msgspec.structs import replace

from agent.clock import Clock
from agent.errors import LlrpError
from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream
from agent.llrp.facts import ReaderFacts
from agent.llrp.interlock import Interlock
from agent.llrp.rounds import OFF, ReadingPlan
from agent.llrp.session import Session
from agent.llrp.states import Action, Deliver, Drop, Send
from agent.llrp.tables import ConnectionAttemptStatusType as Attempt
from agent.records import Inventory, PortInput, ReaderState
from agent.vehicle import ReaderSettings

MOST_TRANSMIT_S = 120.0
WALK = ReadingPlan(round_s=1.0)
"""Rounds of a second, so that the count follows the tag that is carried."""
LEAST_DBM = 10.0  # what the reader is set to while it may not transmit anyway
CONNECT_REAL_S, SETUP_REAL_S, GOODBYE_REAL_S = 5.0, 15.0, 2.0
_LOOK_REAL_S = 0.05
_CHUNK = 65_536
_HELD = {
    Attempt.Failed_A_Reader_Initiated_Connection_Already_Exists,
    Attempt.Failed_A_Client_Initiated_Connection_Already_Exists,
}


class ReaderAwayError(Exception):
    """There is no talking to the reader; the text says why.

    `is_there`: something took the connection. `is_held`: somebody else has the reader's only one.
    """

    def __init__(self, why: str, *, is_there: bool = False, is_held: bool = False) -> None:
        super().__init__(why)
        self.is_there, self.is_held = is_there, is_held


class Answer(Struct, frozen=True):
    """What a reader says of itself. `power_index` is the entry of `powers_dbm` that would be used."""

    maker: int | None
    model: int | None
    firmware: str
    standard: int | None
    powers_dbm: dict[int, float]
    power_index: int
    antennas: tuple[int, ...]
    antennas_lost: frozenset[int]
    inputs: tuple[int, ...]
    levels: dict[int, bool]
    outputs: int | None = None  # how many; None where it does not say


class Heard(Struct):
    """What one antenna heard: tags and strongest signal, in the last round and in all."""

    now: int = 0
    now_dbm: float | None = None
    tags: set[str] = field(default_factory=set)
    best_dbm: float | None = None


class Walk(Struct):
    """A walk test as it goes on.

    `silenced_by` are the inputs that ended it, with their levels (None: not told); `has_transmitted`: a round was asked
    for, whether or not anything came of it.
    """

    seconds_left: float
    antennas: dict[int, Heard]
    lost: frozenset[int] = frozenset()
    rounds: int = 0
    cut_off: str = ""
    silenced_by: dict[int, bool | None] = field(default_factory=dict)
    has_transmitted: bool = False


class _Talk:
    """One connection with its session."""

    def __init__(self, connection: socket.socket, session: Session, clock: Clock) -> None:
        self._connection, self._clock = connection, clock
        self.session = session
        self._along = LlrpStream()
        self._unsent = bytearray()
        self.capabilities: m.GetReaderCapabilitiesResponse | None = None
        self.is_held = self.has_started = False
        self.records: list[Inventory | PortInput | ReaderState] = []
        self.ended = ""

    def do(self, actions: list[Action]) -> None:
        """Carry out what the session asks."""
        for action in actions:
            match action:
                case Send(data):
                    self._unsent += data
                    self.has_started = self.has_started or _type_of(data) == m.StartROSpec.number
                case Deliver(record):
                    self.records.append(record)
                case Drop(reason):
                    self.ended = self.ended or reason
        try:
            while self._unsent:
                del self._unsent[: self._connection.send(self._unsent)]
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            pass  # at the next turn
        except OSError as problem:
            self.ended = self.ended or f"the connection broke ({problem})"

    def turn(self, selector: selectors.BaseSelector) -> None:
        """Wait a moment for the reader, take what came, and do what is due."""
        selector.select(_LOOK_REAL_S)
        now = self._clock.mono()
        for chunk in self._chunks():
            self._read_along(chunk)
            self.do(self.session.receive(chunk, now))
        self.do(self.session.tick(now))

    def _chunks(self) -> Iterator[bytes]:
        try:
            while not self.ended:
                chunk = self._connection.recv(_CHUNK)
                if not chunk:
                    self.ended = "the reader closed the connection"
                    return
                yield chunk
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return
        except OSError as problem:
            self.ended = f"the connection broke ({problem})"

    def _read_along(self, chunk: bytes) -> None:
        self._along.receive(chunk)
        with suppress(LlrpError):  # out of step: the session sees it too and ends the connection
            for message in self._along.messages():
                if isinstance(message, m.GetReaderCapabilitiesResponse):
                    self.capabilities = message
                elif isinstance(message, m.ReaderEventNotification):
                    attempt = message.reader_event_notification_data.connection_attempt_event
                    self.is_held = self.is_held or (attempt is not None and attempt.status in _HELD)


def ask_reader(
    settings: ReaderSettings, clock: Clock, *, power_dbm: float | None, tls: ssl.SSLContext | None = None
) -> Answer:
    """Connect, set up as the agent does, and say what the reader told; nothing is transmitted.

    Raises ReaderAwayError.
    """
    session = Session(
        power_dbm=LEAST_DBM if power_dbm is None else power_dbm,
        transmit_allowed=False,
        antennas=settings.antennas,
        plan=OFF,
    )
    with _talking(settings, session, clock, tls) as (talk, _):
        return _answer(talk)


def walk_test(
    settings: ReaderSettings,
    clock: Clock,
    *,
    power_dbm: float,
    seconds: float,
    show: Callable[[Walk], None],
    tls: ssl.SSLContext | None = None,
    interlock: Interlock = Interlock(),  # noqa: B008 - frozen
) -> Walk:
    """Transmit for `seconds` and count; `show` gets the counts after every round. Somebody must be standing by.

    It is over as soon as an input of `interlock` silences it: whoever wants to go on asks anew. Nobody is waited for,
    whatever `interlock.waits` says.

    Raises ReaderAwayError before anything was transmitted, and ValueError for more than MOST_TRANSMIT_S.
    """
    if not 0.0 < seconds <= MOST_TRANSMIT_S:
        raise ValueError(f"a walk test lasts up to {MOST_TRANSMIT_S:g} s, not {seconds:g}")
    interlock = replace(interlock, waits=False)
    session = Session(
        power_dbm=power_dbm, transmit_allowed=True, antennas=settings.antennas, plan=WALK, interlock=interlock
    )
    with _talking(settings, session, clock, tls) as (talk, selector):
        until_real_s = time.monotonic() + seconds
        walk = Walk(seconds, {antenna: Heard() for antenna in session.facts.antennas})
        try:
            while not talk.ended and (left_s := until_real_s - time.monotonic()) > 0.0:
                causes = interlock.causes(session.facts.level)
                if causes:
                    walk.silenced_by = {port: session.facts.level(port) for port in causes}
                    break
                talk.turn(selector)
                if _count(walk, talk, left_s=left_s):
                    show(walk)
            walk.cut_off = talk.ended
        except KeyboardInterrupt:
            walk.cut_off = "stopped by hand"
    walk.seconds_left, walk.has_transmitted = 0.0, talk.has_started
    _count(walk, talk, left_s=0.0)
    return walk


@contextmanager
def _talking(
    settings: ReaderSettings, session: Session, clock: Clock, tls: ssl.SSLContext | None
) -> Iterator[tuple[_Talk, selectors.BaseSelector]]:
    """A reader that is set up; however the block ends, the round is stopped and leave is taken."""
    if settings.host is None:
        raise ReaderAwayError("no [reader] host in the vehicle file")
    try:
        connection = _connect(settings.host, settings.port, tls)
    except OSError as problem:
        raise ReaderAwayError(problem.strerror or str(problem) or type(problem).__name__) from problem
    with connection, selectors.DefaultSelector() as selector:
        selector.register(connection, selectors.EVENT_READ)
        talk = _Talk(connection, session, clock)
        talk.do(session.start(clock.mono()))
        try:
            _until(talk, selector, lambda: session.is_up, SETUP_REAL_S)
            if talk.ended or not session.is_up:
                why = talk.ended or f"not set up within {SETUP_REAL_S:g} s"
                raise ReaderAwayError(why, is_there=True, is_held=talk.is_held)
            yield talk, selector
        finally:
            talk.do(session.close(clock.mono()))
            _until(talk, selector, lambda: session.is_down, GOODBYE_REAL_S)


def _until(talk: _Talk, selector: selectors.BaseSelector, is_there: Callable[[], bool], within_real_s: float) -> None:
    by_real_s = time.monotonic() + within_real_s
    while not (is_there() or talk.ended) and time.monotonic() < by_real_s:
        talk.turn(selector)


def _connect(host: str, port: int, tls: ssl.SSLContext | None) -> socket.socket:
    connection = socket.create_connection((host, port), timeout=CONNECT_REAL_S)
    try:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if tls is not None:
            connection = tls.wrap_socket(connection, server_hostname=host)
        connection.settimeout(0)
    except OSError:
        connection.close()
        raise
    return connection


def _type_of(frame: bytes) -> int:
    """A frame's message type: the low ten bits of its first sixteen, whatever version stands before them."""
    return int.from_bytes(frame[:2]) & 0x3FF


def _answer(talk: _Talk) -> Answer:
    capabilities, facts = talk.capabilities, talk.session.facts
    general = None if capabilities is None else capabilities.general_device_capabilities
    regulatory = None if capabilities is None else capabilities.regulatory_capabilities
    band = None if regulatory is None else regulatory.uhf_band_capabilities
    return Answer(
        maker=None if general is None else general.device_manufacturer_name,
        model=None if general is None else general.model_name,
        firmware="" if general is None else general.reader_firmware_version,
        standard=None if regulatory is None else regulatory.communications_standard,
        powers_dbm={}
        if band is None
        else {entry.index: entry.transmit_power_value / 100 for entry in band.transmit_power_level_table_entry},
        power_index=facts.power.transmit_power,
        antennas=facts.antennas,
        antennas_lost=facts.antennas_lost,
        inputs=facts.inputs,
        levels={record.port: record.on for record in talk.records if isinstance(record, PortInput)},
        outputs=None if general is None else general.gpio_capabilities.num_gpos,
    )


def _count(walk: Walk, talk: _Talk, *, left_s: float) -> bool:
    """Add what came to the counts; whether a round was among it."""
    facts: ReaderFacts = talk.session.facts
    walk.seconds_left, walk.lost = left_s, facts.antennas_lost
    records, talk.records = talk.records, []
    rounds = [record for record in records if isinstance(record, Inventory)]
    for inventory in rounds:
        walk.rounds += 1
        for antenna, heard in walk.antennas.items():
            reads = [read for read in inventory.reads if read.antenna == antenna]
            heard.now = len({read.epc for read in reads})
            heard.now_dbm = max((read.rssi for read in reads), default=None)
            heard.tags |= {read.epc for read in reads}
            known = [dbm for dbm in (heard.best_dbm, heard.now_dbm) if dbm is not None]
            heard.best_dbm = max(known, default=None)
    return bool(rounds)
