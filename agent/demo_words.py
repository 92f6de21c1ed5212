"""What a vehicle publishes, as sentences: what got on and off, arrivals, departures, and what proved otherwise later.

Knows the day's names and what it has told; prints nothing. What happened before the last arrival or departure that has
been told is later knowledge and is worded as such; an event taken back and stated again alike is not told twice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from msgspec import Struct

from agent.evidence_records import NO_SITE
from agent.units import parse_utc

ZONE = ZoneInfo("Atlantic/Azores")
_STEPS = {"loading": ("loaded", "+"), "unloading": ("unloaded", "-")}
_NAMES_SHOWN, _KINDS_SHOWN = 3, 4
# What is handled at one place within this time is told together.
_TOGETHER_S = 1200.0


class Sentence(Struct, frozen=True):
    """A line of the story. `utc_s` is when it happened; None for what only became known now."""

    utc_s: float | None
    mark: str
    text: str


class Move(Struct, frozen=True):
    """One item on or off, as an event states it."""

    step: str
    place: str
    epc: str
    utc_s: float


def clock(utc_s: float) -> str:
    """The region's local time, `07:05`."""
    return datetime.fromtimestamp(utc_s, tz=UTC).astimezone(ZONE).strftime("%H:%M")


class Narrator:
    """Turns batches of records into sentences, in order of time. `sites` are names by id and by URI, `names` by EPC."""

    def __init__(self, *, sites: Mapping[str, str], names: Mapping[str, str]) -> None:
        self._sites, self._names = sites, names
        self._told_s = 0.0  # the last arrival or departure that was told
        self.corrections = 0

    def tell(self, records: Sequence[tuple[str, dict[str, Any]]]) -> list[Sentence]:
        """The sentences of some records, (kind, body) in the order published."""
        stated: list[Move] = []
        void: list[Move] = []
        said: list[Sentence] = []
        for kind, body in records:
            if kind == "event" and body["bizStep"] in _STEPS:
                is_void = "errorDeclaration" in body
                self.corrections += is_void
                (void if is_void else stated).extend(self._moves(body))
            elif kind == "event" and body["bizStep"] == "arriving" and "errorDeclaration" not in body:
                said.append(self._passing(parse_utc(body["eventTime"]), "■", f"arrived at {self._place(body)}"))
            elif kind == "manifest" and (body["revision"] == 1 or body.get("withdrawn")):
                said.append(self._departed(body))
        stated, void = _net(stated, void)
        for step, place, at_s, epcs in _together([move for move in stated if move.utc_s >= self._told_s]):
            word, mark = _STEPS[step]
            said.append(Sentence(at_s, mark, f"{word} at {place}: {self._some(epcs)}"))
        said.sort(key=lambda sentence: sentence.utc_s or 0.0)
        late = [move for move in stated if move.utc_s < self._told_s]
        for moves, was in ((late, "was"), (void, "was not")):
            for step, place, at_s, epcs in _together(moves):
                plural = was.replace("was", "were") if len(epcs) > 1 else was
                text = f"(now known) {self._some(epcs)} {plural} {_STEPS[step][0]} at {place} at {clock(at_s)}"
                said.append(Sentence(None, " ", text))
        passed = [sentence.utc_s or 0.0 for sentence in said if sentence.mark in "■►"]
        self._told_s = max([self._told_s, *passed])
        return said

    def _moves(self, body: Mapping[str, Any]) -> list[Move]:
        at_s, place = parse_utc(body["eventTime"]), self._place(body)
        return [Move(body["bizStep"], place, epc, at_s) for epc in body["childEPCs"]]

    def _departed(self, body: Mapping[str, Any]) -> Sentence:
        site = self._sites.get(body["departed"]["site"] or "", NO_SITE)
        at_s = parse_utc(body["departed"]["time"])
        if body.get("withdrawn"):
            return Sentence(None, " ", f"(now known) the departure from {site} at {clock(at_s)} was none")
        count = len(body["items"])
        sure = "certain" if body["certain"] else "not yet sure"
        text = f"departed from {site} with {count} item{'s' * (count != 1)} ({sure})"
        text += "".join(f"; {word}: {len(body[word])}" for word in ("short", "over") if body.get(word))
        return self._passing(at_s, "►", text)

    def _passing(self, at_s: float, mark: str, text: str) -> Sentence:
        if at_s < self._told_s:
            return Sentence(None, " ", f"(now known) {text} at {clock(at_s)}")
        return Sentence(at_s, mark, text)

    def _place(self, body: Mapping[str, Any]) -> str:
        location = (body.get("bizLocation") or {}).get("id")
        return NO_SITE if location is None else self._sites.get(location, location)

    def name(self, epc: str) -> str:
        """The item's name; its EPC where it has none."""
        return self._names.get(epc, epc)

    def _some(self, epcs: Sequence[str]) -> str:
        if len(epcs) <= _NAMES_SHOWN:
            return ", ".join(map(self.name, epcs))
        kinds = Counter(self.name(epc).rpartition(" ")[0] or epc for epc in epcs)
        shown = ", ".join(f"{count} {kind}" for kind, count in kinds.most_common(_KINDS_SHOWN))
        return f"{len(epcs)} items ({shown}{' …' if len(kinds) > _KINDS_SHOWN else ''})"


def _net(stated: Sequence[Move], void: Sequence[Move]) -> tuple[list[Move], list[Move]]:
    """What is left of both when each taking back is set against the same move stated in the same breath."""
    left = list(stated)
    gone = []
    for back in void:
        same = next((m for m in left if (m.step, m.place, m.epc) == (back.step, back.place, back.epc)), None)
        if same is None:
            gone.append(back)
        else:
            left.remove(same)
    return left, gone


def _together(moves: Sequence[Move]) -> list[tuple[str, str, float, list[str]]]:
    """The same done at the same place in one go: (step, place, when it ended, EPCs)."""
    groups: list[tuple[str, str, float, list[str]]] = []
    for move in sorted(moves, key=lambda move: (move.step, move.place, move.utc_s)):
        if groups:
            step, place, at_s, epcs = groups[-1]
            if (step, place) == (move.step, move.place) and move.utc_s - at_s <= _TOGETHER_S:
                groups[-1] = (step, place, move.utc_s, [*epcs, move.epc])
                continue
        groups.append((move.step, move.place, move.utc_s, [move.epc]))
    return sorted(groups, key=lambda group: group[2])
