"""A session's course through its states: what is done on entering each, and what belongs to one connection. Pure.

`states.py` has the table, `session.py` what moves a session along it: the transport, time, and what the reader says.
"""

from __future__ import annotations

import math

from agent.errors import LlrpError
from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream
from agent.llrp.facts import ReaderFacts
from agent.llrp.interlock import Interlock
from agent.llrp.listening import Listening
from agent.llrp.outputs import Outputs
from agent.llrp.requests import Wishes, request_for
from agent.llrp.rounds import OFF, PARKED, ReadingPlan, Round, Timetable
from agent.llrp.states import ANSWERS, TRANSITIONS, Action, Deliver, Drop, Event, Note, State
from agent.llrp.versions import Versions
from agent.records import ReaderState

KEEPALIVE_S = 5.0
LATE_S = 0.2  # how long a round that was told to be over waits for a report that comes after the word


class Course:
    """See the module. `malformed` counts frames that could not be read, `messages` all that came."""

    def __init__(
        self,
        *,
        power_dbm: float,
        transmit_allowed: bool,
        antennas: tuple[int, ...] = (),  # () means all that the reader has
        plan: ReadingPlan = PARKED,
        interlock: Interlock = Interlock(),  # noqa: B008 - frozen
        tag_population: int = 100,  # how many tags to expect
        keepalive_s: float = KEEPALIVE_S,
    ) -> None:
        self.state = State.DOWN
        self.messages = 0
        self.malformed = 0
        self.facts = ReaderFacts(asked_antennas=antennas, power_dbm=power_dbm)
        self._wishes = Wishes(power_dbm, transmit_allowed, tag_population, keepalive_s)
        self._timetable = Timetable(plan)
        self._listening = Listening()
        self._interlock = interlock
        self._released_up = 0
        self._times_up = 0
        self._outputs = Outputs()
        self._versions = Versions()
        self._paused = False
        self._is_up = False
        self._message_id = 0
        self._begin(0.0)

    def _begin(self, now: float) -> None:
        """What belongs to one connection."""
        self._stream = LlrpStream()
        self._listening.begin_connection()
        self.facts.begin_connection()
        self._outputs.begin()
        self._versions.begin()
        self._actions: list[Action] = []
        self._heard_at = now
        self._asked_at: float | None = None
        self._settle_at = math.inf
        self._spec_s = 0.0

    @property
    def plan(self) -> ReadingPlan:
        """The plan that is followed."""
        return self._timetable.plan

    def _may_transmit(self) -> bool:
        is_held = self._interlock.waits and self._released_up != self._times_up
        if is_held or self._paused or self._interlock.silences(self.facts.level):
            return False
        return self._wishes.transmit_allowed and self.plan.burst_rounds != OFF.burst_rounds

    # --- states ---

    def _move(self, event: Event, now: float) -> None:
        """Go where the table says, and do what is done on entering there."""
        target = TRANSITIONS.get((self.state, event))
        if target is None:
            raise LlrpError(f"{event.name.lower()} cannot follow in state {self.state.name.lower()}")
        self._enter(target, now)

    def _enter(self, state: State, now: float) -> None:
        self.state = state
        self._asked_at = now if state is State.GREETING else None  # the reader speaks first
        if state in (State.ADDING, State.READDING):
            self._spec_s = self.plan.round_s
        elif state in (State.ENABLING, State.REENABLING):
            self._listening.begin_stream()
        elif state is State.ANTENNAS and self.facts.holds_reports:
            self._send(m.EnableEventsAndReports(message_id=self._next_id()))
        elif state is State.READY and not self._is_up:
            self._come_up(now)
        elif state is State.STARTING:
            listening = tuple(a for a in self.facts.antennas if a not in self.facts.antennas_lost)
            self._listening.start(now, seconds=self._spec_s, antennas=listening)
        elif state is State.STOPPING and self._listening.round is not None:
            self._listening.round.stopped_at = now
        elif state is State.SETTLING:
            self._settle_at = now
        if state in ANSWERS:
            self._asked_at = now
            self._message_id = self._next_id()
            request = request_for(
                state, wishes=self._wishes, facts=self.facts, round_s=self._spec_s, message_id=self._message_id
            )
            if request is not None:
                self._send(request)

    def _come_up(self, now: float) -> None:
        """The reader is set up, and has told its inputs."""
        self._is_up = True
        self._times_up += 1
        self._actions.append(Deliver(ReaderState(now, "up")))
        self._actions.extend(Note(text) for text in self._interlock.complaints(self.facts.level))

    def _settle(self, under_way: Round, now: float) -> None:
        """The ROSpec is over; a report may still come, but not for long."""
        if under_way.has_report or now >= self._settle_at + LATE_S:
            self._settled(now)

    def _settled(self, now: float) -> None:
        """The round is over and told."""
        inventory = self._listening.end(now, antennas_lost=self.facts.antennas_lost)
        if inventory is not None:
            self._actions.append(Deliver(inventory))
        self._timetable.round_ended(now)
        self._move(Event.SETTLED, now)

    # --- sending ---

    def _next_id(self) -> int:
        self._message_id = self._message_id % 0xFFFF_FFFF + 1
        return self._message_id

    def _send(self, message: m.Message) -> None:
        self._actions.append(self._versions.send(message))

    def _drop(self, reason: str) -> None:
        """End this connection; `lost` follows from the transport."""
        self.state = State.DOWN
        self._actions.append(Drop(reason))

    def _take(self) -> list[Action]:
        actions, self._actions = self._actions, []
        return actions
