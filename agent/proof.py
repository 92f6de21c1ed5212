"""Does the reader still hear? A tag fixed in the van answers: silent with everything else, it says *not read*.

How often the van's own fixtures are heard is learned from all rounds. A run of rounds in which nothing at all was heard
proves deafness once it would be a wonder with a hearing reader; the rounds from then on say nothing of what is aboard.
Without a fixture nothing is proved either way.
"""

from __future__ import annotations

from msgspec import Struct

from agent.register import Register

# A fixture heard in fewer rounds than these, or more seldom than this, proves nothing. Judgement.
KNOWN_ROUNDS = 60
PLAIN_RATE = 0.3
# So small a chance of that silence with a reader that hears. Judgement: fades last, so reads are far from independent.
WONDER = 1e-6
# Rounds remembered, so that a fixture that slowly fails is not trusted for ever. Judgement: some hours.
REMEMBERED = 10_000


class Proof(Struct, frozen=True):
    """In `heard` of `rounds` rounds a fixture was heard; since `since_s` the last `silent` rounds heard nothing."""

    heard: float = 0.0
    rounds: float = 0.0
    silent: int = 0
    since_s: float = 0.0
    fixture_s: float | None = None  # when a fixture was last heard, which proves that the reader hears

    @property
    def deaf(self) -> bool:
        """True while the silence proves that nothing is read."""
        if not self.silent or self.rounds < KNOWN_ROUNDS or self.heard < PLAIN_RATE * self.rounds:
            return False  # mostly, and asked at every input
        missed = max(1 - self.heard / self.rounds, 0.02)
        return bool(missed**self.silent < WONDER)

    def take(self, t_s: float, *, fixture: bool, anything: bool) -> Proof:
        """One more round, which ended at `t_s`: was a fixture heard in it, was anything?"""
        if not anything:
            since_s = self.since_s if self.silent else t_s
            return Proof(self.heard, self.rounds, self.silent + 1, since_s, self.fixture_s)
        keep = 1.0 if self.rounds < REMEMBERED else 0.5
        fixture_s = t_s if fixture else self.fixture_s
        return Proof(keep * self.heard + fixture, keep * self.rounds + 1, fixture_s=fixture_s)


def is_own_fixture(register: Register, vehicle: str, tag_hex: str) -> bool:
    """Is this the tag of a fixture of this vehicle?"""
    listing = register.find(tag_hex)
    return listing is not None and listing.kind == "fixture" and listing.home in {vehicle, None}


def fixed_elsewhere(register: Register, vehicle: str, tag_hex: str) -> str | None:
    """The other vehicle in which this tag is fixed; None for every other tag."""
    listing = register.find(tag_hex)
    if listing is None or listing.kind != "fixture" or listing.home in {vehicle, None}:
        return None
    return listing.home
