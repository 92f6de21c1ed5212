"""Which of the reader's antennas still hear? One may die without the reader's noticing; then its silence says nothing.

For each tag it is learned how often an antenna hears it in rounds in which any antenna does. An antenna that hears
nothing, while tags that it used to hear are heard on others, is lost from the first of those rounds on once that would
be a wonder; it is back when it hears again. What the reader itself says of its antennas counts as well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from msgspec import Struct
from msgspec.structs import replace

from agent.records import Inventory

# One round in so many seconds is enough to tell.
EVERY_S = 5.0
# A tag says something once it was heard in so many of those rounds. Judgement.
KNOWN = 12.0
# Half of what was learned of a tag is forgotten after so many of those rounds in which it was heard. Judgement.
REMEMBERED = 240.0
# Tags remembered; what was heard longest ago goes first.
TAGS = 300
# So small a chance of that silence with an antenna that hears, each round counting for less than it would by itself:
# a tag that is moved out of an antenna's reach stays there. Judgement.
WONDER = 1e-6
TEMPER = 0.25
# And it must last so long: under a session in which a tag answers one antenna and then is quiet for the others, an
# antenna may come too late for minutes on end. Judgement.
LASTS_S = 900.0

# No round says more than this. Judgement.
LEAST = 0.05
# What was heard before a loss may be told so much later.
LATE_S = 60.0

Share = tuple[float, Mapping[int, float]]  # rounds in which a tag was heard, and those in which this antenna did


class Loss(Struct, frozen=True):
    """From `at_s` an antenna is lost, or back; `told` by the reader itself. Of `antennas` that there are."""

    at_s: float
    antenna: int
    lost: bool
    told: bool
    antennas: int


class Silence(Struct, frozen=True):
    """An antenna has heard nothing since `since_s`; `log_chance` is how likely that is if it hears."""

    since_s: float
    log_chance: float = 0.0


class Antennas(Struct, frozen=True):
    """What is known of each antenna; `losses` in the order in which they were found out."""

    known: tuple[int, ...] = ()
    shares: Mapping[str, Share] = {}
    silent: Mapping[int, Silence] = {}
    losses: tuple[Loss, ...] = ()
    next_s: float = 0.0

    @property
    def lost(self) -> frozenset[int]:
        """The antennas that are lost now."""
        return frozenset(antenna for antenna, loss in self._latest().items() if loss.lost)

    def say(self, t_s: float, antenna: int, *, lost: bool) -> Antennas:
        """The reader itself says that an antenna is lost or back."""
        if lost == (antenna in self.lost):
            return self
        return self.change(t_s, antenna, lost=lost, told=True)

    def change(self, t_s: float, antenna: int, *, lost: bool, told: bool) -> Antennas:
        """From `t_s` on an antenna is lost, or back; `told` by the reader."""
        loss = Loss(t_s, antenna, lost, told, len(self.known) or 1)
        silent = {each: silence for each, silence in self.silent.items() if each != antenna}
        return replace(self, losses=(*self.losses, loss), silent=silent)

    def take(self, t_s: float, item: Inventory) -> Antennas:
        """One more round, which ended at `t_s`."""
        heard: dict[str, set[int]] = {}
        for read in item.reads:
            heard.setdefault(read.epc, set()).add(read.antenna)
        on = {antenna for each in heard.values() for antenna in each}
        found = self
        for antenna in self._back(on, t_s):
            found = found.change(t_s, antenna, lost=False, told=False)
        if t_s < self.next_s or not heard:
            return found
        known = tuple(sorted({*self.known, *item.antennas, *on}))
        lost = found.lost
        silent: dict[int, Silence] = {}
        for antenna in known:
            if antenna in on or antenna in lost or antenna not in item.antennas:
                continue
            before = found.silent.get(antenna, Silence(t_s))
            chance = before.log_chance + TEMPER * self._log_chance(antenna, heard)
            silent[antenna] = Silence(before.since_s, chance)
        shares = self._learned(heard, lost)
        found = replace(found, known=known, silent=silent, shares=shares, next_s=t_s + EVERY_S)
        for antenna, silence in silent.items():
            proven = silence.log_chance < math.log(WONDER) and t_s - silence.since_s > LASTS_S
            if proven and len(known) > len(found.lost) + 1:
                found = found.change(silence.since_s, antenna, lost=True, told=False)
        return found

    def deaf(self, alone: float) -> tuple[tuple[float, float], ...]:
        """Moments (rising) from which on this share of what is aboard is out of reach of the antennas that are left.

        `alone` is the share of an antenna's own part that it alone hears.
        """
        lost: set[int] = set()
        found = []
        for loss in sorted(self.losses, key=lambda each: each.at_s):
            lost = lost | {loss.antenna} if loss.lost else lost - {loss.antenna}
            found.append((loss.at_s, alone * len(lost) / max(loss.antennas, 1)))
        return tuple(found)

    def most_deaf(self, alone: float, from_s: float, to_s: float) -> float:
        """The largest share that was out of reach at some time between two moments."""
        changes = self.deaf(alone)
        before = [share for at_s, share in changes if at_s <= from_s][-1:]
        return max([*before, *(share for at_s, share in changes if from_s < at_s < to_s)], default=0.0)

    def _latest(self) -> dict[int, Loss]:
        """The last word on each antenna of which there was any."""
        return {loss.antenna: loss for loss in self.losses}

    def _back(self, on: set[int], t_s: float) -> list[int]:
        """Which of the lost ones are heard on again; reads of a moment ago may still have been on their way."""
        if not self.losses:
            return []  # mostly, and asked at every round
        latest = self._latest()
        return [a for a in sorted(self.lost & on) if t_s - latest[a].at_s > LATE_S]

    def unnoticed(self) -> tuple[Loss, ...]:
        """The losses that last and of which the reader said nothing."""
        if not self.losses:
            return ()  # mostly, and asked at every input
        return tuple(loss for _, loss in sorted(self._latest().items()) if loss.lost and not loss.told)

    def forget(self, before_s: float) -> Antennas:
        """Without what was before a moment, but for losses that lasted until then."""
        lasting = {loss.antenna: loss for loss in self.losses if loss.at_s < before_s}
        kept = [loss for loss in self.losses if loss.at_s >= before_s or (loss.lost and lasting[loss.antenna] is loss)]
        return replace(self, losses=tuple(kept))

    def _log_chance(self, antenna: int, heard: Mapping[str, set[int]]) -> float:
        """The log of the chance that this antenna hears none of these tags, by what it used to hear."""
        chances = []
        for tag in heard:
            rounds, by = self.shares.get(tag, (0.0, {}))
            if rounds >= KNOWN:
                chances.append(math.log(max(1 - by.get(antenna, 0.0) / rounds, LEAST)))
        # One tag alone may have been moved out of this antenna's reach, so the one that says most is left out.
        return max(sum(sorted(chances)[1:]), math.log(LEAST))

    def _learned(self, heard: Mapping[str, set[int]], lost: frozenset[int]) -> Mapping[str, Share]:
        if lost:
            return self.shares
        shares = dict(self.shares)
        for tag, antennas in heard.items():
            rounds, by = shares.pop(tag, (0.0, {}))
            keep = 0.5 if rounds >= REMEMBERED else 1.0
            seen = {antenna: keep * count for antenna, count in by.items()}
            for antenna in antennas:
                seen[antenna] = seen.get(antenna, 0.0) + 1
            shares[tag] = (keep * rounds + 1, seen)
        while len(shares) > TAGS:
            del shares[next(iter(shares))]
        return shares
