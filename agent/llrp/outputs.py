"""The reader's outputs as a session drives them: one level at a time, by a rhythm; pure, time as an argument.

A rhythm is kept until another is wished, also over connections; an output that nobody wished anything for is left
alone. The next level goes out only when the reader has answered for the one before: a slow reader blinks more slowly,
never faster. Requests have numbers of their own, apart from those that the session waits for.

Whoever takes leave darkens them (`darken`). Who is killed or loses the connection cannot, and a reader keeps an output
as it was last set, for nothing in LLRP sets it back when a client is gone; so a lamp may stay as it was for as long as
nobody is connected. A connection that begins takes nothing for known and sets every output that is wished at once. A
lamp that must be dark without an agent needs a wiring that falls off by itself, or a reader set to do so by its maker's
own means.
"""

from __future__ import annotations

import math

from msgspec import Struct

from agent.llrp import messages as m
from agent.llrp.params import GPOWriteData
from agent.llrp.states import Action, Note
from agent.llrp.tables import StatusCode

# Message ids from here on are outputs' own; the session's never get this far (it would take a year at a hundred a
# second).
FIRST_ID, LAST_ID = 0xF000_0000, 0xFFFF_FFFF
# An answer that stays away this long is not waited for any more.
ANSWER_S = 10.0


class Rhythm(Struct, frozen=True):
    """On for `on_s`, then off for `off_s`, over and over; 0.0 of one of them is steadily the other."""

    on_s: float
    off_s: float

    def level(self, age_s: float) -> bool:
        """Whether it is on so long after it began."""
        if self.on_s == 0.0 or self.off_s == 0.0:
            return self.on_s > 0.0
        return age_s % (self.on_s + self.off_s) < self.on_s

    def changes_after(self, age_s: float) -> float:
        """How long after `age_s` the level is another; infinite where it is steady."""
        if self.on_s == 0.0 or self.off_s == 0.0:
            return math.inf
        at = age_s % (self.on_s + self.off_s)
        return (self.on_s if at < self.on_s else self.on_s + self.off_s) - at


ON, DARK = Rhythm(1.0, 0.0), Rhythm(0.0, 1.0)


class Outputs:
    """See the module."""

    def __init__(self) -> None:
        self._wished: dict[int, tuple[Rhythm, float]] = {}  # port → rhythm and when it began
        self._set: dict[int, bool] = {}  # as last asked of this connection
        self._asked: tuple[int, int, float] | None = None  # message id, port, when
        self._last_id = FIRST_ID - 1
        self._next_at = math.inf

    def begin(self) -> None:
        """A new connection: what the reader's outputs are now is not known."""
        self._set.clear()
        self._asked = None

    def wish(self, port: int, rhythm: Rhythm, now: float) -> None:
        """From now on this rhythm; the same again goes on as it was."""
        if port not in self._wished or self._wished[port][0] != rhythm:
            self._wished[port] = (rhythm, now)

    @property
    def deadline(self) -> float:
        """When `requests` has something to say at the latest, unless an answer comes or another wish."""
        if self._asked is not None:
            return self._asked[2] + ANSWER_S
        return self._next_at

    def requests(self, now: float) -> list[m.Message]:
        """What to send now: one level of one output at most."""
        if self._asked is not None and now < self._asked[2] + ANSWER_S:
            return []
        self._asked = None
        self._next_at = min((now + r.changes_after(now - t) for r, t in self._wished.values()), default=math.inf)
        for port, (rhythm, began) in self._wished.items():
            level = rhythm.level(now - began)
            if self._set.get(port) is not level:
                return [self._request({port: level}, now)]
        return []

    def darken(self, now: float) -> list[m.Message]:
        """All outputs off at once: whoever takes leave leaves no lamp lit behind."""
        return [self._request(dict.fromkeys(self._wished, False), now)] if self._wished else []

    def owns(self, message: m.Response) -> bool:
        """Whether this answers a request of an output."""
        return message.message_id >= FIRST_ID

    def hear(self, message: m.Response) -> list[Action]:
        """The answer to one of these requests; an output that is refused is left alone from then on."""
        asked = self._asked
        if asked is None or asked[0] != message.message_id:
            return []
        self._asked = None
        if message.llrp_status.status_code == StatusCode.M_Success:
            return []
        # Asked once more would be refused once more, several times a second.
        self._wished.pop(asked[1], None)
        return [Note(f"the reader refuses to set output {asked[1]}; it is left alone: see [signal] output")]

    def _request(self, levels: dict[int, bool], now: float) -> m.Message:
        self._last_id = self._last_id + 1 if self._last_id < LAST_ID else FIRST_ID
        self._asked = (self._last_id, next(iter(levels)), now)
        self._set.update(levels)
        data = tuple(GPOWriteData(port, level) for port, level in levels.items())
        return m.SetReaderConfig(reset_to_factory_default=False, gpo_write_data=data, message_id=self._last_id)
