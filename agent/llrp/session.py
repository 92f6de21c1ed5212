"""A client's session with one reader: octets and time in, actions out. Owns no socket, no thread, no clock.

    for action in session.start(now): ...       # the transport is connected
    for action in session.receive(chunk, now): ...
    for action in session.tick(now): ...        # at the latest at session.deadline
    for action in session.lost(now): ...        # the transport is gone

An action is octets to `Send`, a record to `Deliver`, a `Note` for the log, or `Drop`: close the transport, and start
again later. The session lives over many connections: it keeps the reading plan, what the inputs and antennas were, and
the counts. `now` is seconds on this boot's monotonic clock.

It never transmits, that is, never sends START_ROSPEC, unless it was made with `transmit_allowed`; the ROSpec it gives
the reader has no other start trigger, and ends by itself. Where its interlock says so it waits after each connect for
`release`, and is silent while an input of the reader's says so, whatever the plan. The states are a table
(`states.py`), what is done in each is `course.py`'s; what has no place there is the peer's mistake, and the connection
is dropped.
"""

from __future__ import annotations

import math

from agent.errors import LlrpError
from agent.llrp import messages as m
from agent.llrp.codec import Malformed
from agent.llrp.course import LATE_S, Course
from agent.llrp.facts import complaints, status_text
from agent.llrp.outputs import Rhythm
from agent.llrp.rospec import ROSPEC_ID
from agent.llrp.rounds import ReadingPlan, Tally
from agent.llrp.states import ANSWERS, Action, Deliver, Event, Note, State
from agent.llrp.tables import ConnectionAttemptStatusType, StatusCode, name_of
from agent.llrp.told import ReaderEventNotificationData
from agent.llrp.versions import NEGOTIATING
from agent.records import ReaderState

MISSED_KEEPALIVES = 3
ANSWER_S = 10.0
OVERDUE_S = 2.0  # a round that has not ended by then is stopped and closed by us


class Session(Course):
    """See the module. `tally` counts tag reports, `malformed` frames that could not be read."""

    # --- what the transport calls ---

    @property
    def tally(self) -> Tally:
        """What became of the tag reports, over all connections."""
        return self._listening.tally

    @property
    def is_up(self) -> bool:
        """Whether the reader is set up, so that reading can start."""
        return self._is_up

    @property
    def is_down(self) -> bool:
        """Whether there is no connection, or none that is wanted any more."""
        return self.state is State.DOWN

    @property
    def deadline(self) -> float:
        """When `tick` has something to do at the latest, on the monotonic clock; infinite while down."""
        if self.is_down:
            return math.inf
        return min(self.peer_deadline, self._own_time(), self._outputs.deadline)

    @property
    def peer_deadline(self) -> float:
        """By when the reader must have done what it owes us: speak, answer, end its round. The earliest of them."""
        silence_by = self._heard_at + MISSED_KEEPALIVES * self._wishes.keepalive_s
        round_by = math.inf if self._listening.round is None else self._own_time()
        return min(silence_by, self._answer_by(), round_by)

    def start(self, now: float) -> list[Action]:
        """The transport is connected."""
        self._begin(now)
        self._move(Event.CONNECTED, now)
        return self._take()

    def receive(self, chunk: bytes, now: float) -> list[Action]:
        """Octets came."""
        if self.is_down:
            return []
        self._stream.receive(chunk)
        try:
            for message in self._stream.messages():
                self._heard_at = now
                self.messages += 1
                self._hear(message, now)
            self._go_on(now)
        except LlrpError as error:
            self._drop(str(error))
        return self._take()

    def tick(self, now: float, *, spare: bool = False) -> list[Action]:
        """Time passed. `spare` leaves the peer's deadlines alone: on a scaled clock they can pass in a blink."""
        if self.is_down:
            return []
        try:
            if not spare:
                self._check_peer(now)
            self._go_on(now)
        except LlrpError as error:
            self._drop(str(error))
        return self._take()

    def set_plan(self, plan: ReadingPlan, now: float) -> list[Action]:
        """Read by another plan from now on; a round under way goes on, unless the plan is to be silent."""
        self._timetable.adopt(plan, now)
        return self.tick(now, spare=True)

    def pause(self, now: float) -> list[Action]:
        """Stop transmitting now, whatever the plan, until `resume`."""
        self._paused = True
        return self.tick(now, spare=True)

    def resume(self, now: float) -> list[Action]:
        """Go on by the plan."""
        self._paused = False
        return self.tick(now, spare=True)

    def release(self, times_up: int, now: float) -> list[Action]:
        """Whoever says when to read has taken all that was told up to the reader's `times_up`-th coming up.

        A release that speaks of an earlier connection than this one changes nothing: this one's inputs may be others.
        """
        self._released_up = times_up
        return self.tick(now, spare=True)

    def set_output(self, port: int, rhythm: Rhythm, now: float) -> list[Action]:
        """Drive an output by this rhythm from now on, also over connections."""
        self._outputs.wish(port, rhythm, now)
        return self.tick(now, spare=True)

    def close(self, now: float) -> list[Action]:
        """Take leave: outputs off, stop the round, ask for the end; a Drop follows when the reader agrees."""
        if self.state in (State.DOWN, State.CLOSING):
            return self._take()
        if self._is_up:
            self._actions += map(self._versions.send, self._outputs.darken(now))
        if self.state in (State.STARTING, State.RUNNING):
            self._send(m.StopROSpec(ROSPEC_ID, message_id=self._next_id()))
        self._listening.let_go()
        self._enter(State.CLOSING, now)
        return self._take()

    def lost(self, now: float) -> list[Action]:
        """The transport is gone, by whichever side."""
        self._listening.let_go()
        self.state = State.DOWN
        if self._is_up:
            self._is_up = False
            self._actions.append(Deliver(ReaderState(now, "down")))
        return self._take()

    # --- time ---

    def _answer_by(self) -> float:
        return math.inf if self._asked_at is None else self._asked_at + ANSWER_S

    def _own_time(self) -> float:
        """When we have to act by ourselves in this state."""
        if self.state is State.READY and self._may_transmit():
            return self._timetable.next_at
        if self._listening.round is None:
            return math.inf
        if self.state is State.RUNNING:
            return self._listening.round.started_at + self._listening.round.seconds + OVERDUE_S
        if self.state is State.SETTLING:
            return self._settle_at + (LATE_S if self._listening.round.is_over else OVERDUE_S)
        return math.inf

    def _check_peer(self, now: float) -> None:
        silent_s = now - self._heard_at
        if self.state in NEGOTIATING and now >= self._answer_by():
            self._move(self._versions.refused(), now)
        if self._asked_at is not None and now >= self._answer_by():
            answer = ANSWERS[self.state].__name__ if self.state in ANSWERS else "ConnectionAttemptEvent"
            raise LlrpError(f"no {answer} within {ANSWER_S:g} s")
        if silent_s >= MISSED_KEEPALIVES * self._wishes.keepalive_s:
            raise LlrpError(f"nothing heard for {silent_s:.1f} s, that is {MISSED_KEEPALIVES} keepalives")
        if self._listening.round is not None and now >= self._own_time():
            if self.state is State.RUNNING:
                self._actions.append(Note("the round did not end by itself and is stopped"))
                self._move(Event.STOP, now)
            elif self.state is State.SETTLING:
                self._settled(now)  # we were never told that the ROSpec is over

    def _go_on(self, now: float) -> None:
        """What follows from where we stand, until nothing does."""
        under_way = self._listening.round
        if under_way is not None and self.state is State.RUNNING:
            if under_way.is_ending:
                self._move(Event.ROUND_OVER, now)
            elif not self._may_transmit():
                self._move(Event.STOP, now)
        # The next round may not be asked for before this one's ROSpec is inactive.
        if under_way is not None and under_way.is_over and self.state is State.SETTLING:
            self._settle(under_way, now)
        if self.state is State.READY and self._may_transmit() and now >= self._timetable.next_at:
            self._move(Event.ROUND_DUE if self._spec_s == self.plan.round_s else Event.SPEC_DIFFERS, now)
        if self._is_up and self.state is not State.CLOSING:
            self._actions += map(self._versions.send, self._outputs.requests(now))

    # --- messages ---

    def _hear(self, message: m.Message | Malformed, now: float) -> None:
        if isinstance(message, m.ROAccessReport):
            self._listening.hear_report(message, now)
        elif isinstance(message, m.Keepalive):
            self._send(m.KeepaliveAck(message_id=message.message_id))
        elif isinstance(message, m.ReaderEventNotification):
            self._hear_event(message.reader_event_notification_data, now, message.version)
        elif isinstance(message, m.Response):
            self._hear_answer(message, now)
        elif isinstance(message, m.ErrorMessage) and self.state in NEGOTIATING:
            self._move(self._versions.refused(), now)
        elif isinstance(message, m.ErrorMessage):
            raise LlrpError(f"the reader could not read what it was sent: {status_text(message.llrp_status)}")
        elif isinstance(message, Malformed):
            self.malformed += 1
            self._actions.append(Note(f"message {message.message_number} could not be read: {message.reason}"))
        else:
            self._actions.append(Note(f"{type(message).__name__} is not for us and was passed over"))

    def _hear_answer(self, message: m.Response, now: float) -> None:
        if self._outputs.owns(message):
            self._actions += self._outputs.hear(message)
            return
        expected = ANSWERS.get(self.state)
        if self.state is State.CLOSING and not isinstance(message, m.CloseConnectionResponse):
            return  # of what we asked before we took leave
        if self._asked_at is None or expected is None or not isinstance(message, expected):
            self._actions.append(Note(f"{type(message).__name__} came unasked and was passed over"))
            return
        if message.message_id != self._message_id:
            self._actions.append(Note(f"{type(message).__name__} answers another request and was passed over"))
            return
        if self.state is State.CLOSING:
            raise LlrpError("closed, as we asked")
        if self.state in NEGOTIATING:
            self._move(self._versions.heard(message), now)
            return
        # A round may end by itself while our stop is on the way; the reader then has nothing to stop.
        if message.llrp_status.status_code != StatusCode.M_Success and self.state is not State.STOPPING:
            raise LlrpError(f"the reader refused: {type(message).__name__} {status_text(message.llrp_status)}")
        if isinstance(message, m.GetReaderCapabilitiesResponse):
            self.facts.learn(message)
        elif isinstance(message, m.GetReaderConfigResponse):
            self._actions.extend(Deliver(record) for record in self.facts.told_config(message, now))
        self._move(Event.ANSWERED, now)

    def _hear_event(self, data: ReaderEventNotificationData, now: float, version: int) -> None:
        if data.connection_attempt_event is not None:
            self._hear_attempt(data.connection_attempt_event.status, now, version)
        if data.gpi_event is not None:
            self._actions.extend(Deliver(record) for record in self.facts.told_input(data.gpi_event, now))
        if data.antenna_event is not None:
            self._actions.extend(Deliver(record) for record in self.facts.told_antenna(data.antenna_event, now))
        self._listening.hear_progress(data, now)
        self._actions.extend(Note(text) for text in complaints(data))
        if data.connection_close_event is not None:
            raise LlrpError("the reader closes the connection")

    def _hear_attempt(self, status: int, now: float, version: int) -> None:
        if status == ConnectionAttemptStatusType.Success:
            self._move(self._versions.greeted(version), now)
        elif status != ConnectionAttemptStatusType.Another_Connection_Attempted:
            raise LlrpError(f"the reader refused the connection: {name_of(ConnectionAttemptStatusType, status)}")
