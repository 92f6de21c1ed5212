"""The decision and its evidence in plain words; every number in them is counted from the evidence.

Knows no drawing. A sentence says what was heard of how many rounds, where the van was, and why that counts.
"""

from __future__ import annotations

from msgspec import Struct

from agent.custody import ABOARD
from agent.evidence import (
    Decision,
    Evidence,
    Passage,
    Span,
    believed,
    decisions_within,
    first_heard,
    heard_between,
    heard_within,
    last_heard,
    latest_line,
    leg_belief,
    passage_at,
    passages_within,
    stop_of,
)
from agent.evidence_records import NO_SITE
from agent.evidence_words import Clock, head_line, of_rounds, sentence, sure

# Heard in fewer rounds of a drive than this, a line on its manifest wants a reason. Judgement.
WEAK = 0.05
# Not on a manifest, but not ruled out either. Judgement.
DOUBT = 0.05
OFF_MANIFESTS = frozenset({"fixture", "ignore"})
_REASONS = {"did_not_occur": "it did not occur", "incorrect_data": "it was stated anew"}
_KINDS = {
    "person": "A badge: it proves neither who drove nor who carried.",
    "fixture": "A tag fixed in a van: it is on no manifest.",
    "ignore": "The register says to ignore it: it is on no manifest.",
    "unlisted": "Not in the register: never an item; listed as unlisted where it travels along.",
}


class Paragraph(Struct, frozen=True):
    """A head and what it rests on; `of` is the decision that it speaks of, if it does."""

    head: str
    text: str
    of: Decision | None = None


def say(evidence: Evidence, *, around_s: float | None = None) -> tuple[Paragraph, ...]:
    """The decisions of the stretch asked about and what they rest on, then its drives, then what is not known."""
    clock = Clock(evidence.zone)
    told: list[Paragraph] = []
    if around_s is not None:
        told.append(_at(evidence, around_s, clock))
    within = decisions_within(evidence)
    for decision in within:
        if decision.stands:
            text = _loaded(evidence, decision) if decision.kind == "loaded" else _unloaded(evidence, decision)
            told.append(Paragraph(head_line(decision, clock), text, decision))
        else:
            told.append(_taken_back(evidence, decision, clock))
    if not any(decision.stands for decision in within):
        told.append(_undecided(evidence, clock))
    told += _drives(evidence, clock)
    notes = [_KINDS[evidence.kind]] if evidence.kind in _KINDS else []
    if not evidence.doors_known:
        notes.append("No input says whether the doors are open.")
    notes += evidence.missing
    if notes:
        told.append(Paragraph("To bear in mind", " ".join(notes)))
    return tuple(told)


def _at(evidence: Evidence, at_s: float, clock: Clock) -> Paragraph:
    number = passage_at(evidence.passages, at_s)
    where = "where the van was is not known"
    if number is not None:
        passage = evidence.passages[number]
        where = _route(evidence, number) if passage.kind == "leg" else f"the van stood at {_stood(passage)}"
        where = f"the van was driving, {where}" if passage.kind == "leg" else where
    then, now = believed(evidence.live, at_s), believed(evidence.now, at_s)
    parts = [f"P(aboard) was {sure(then)} as believed at the time" if then is not None else ""]
    parts.append(f"{sure(now)} looking back" if now is not None else "")
    heard_s = last_heard(evidence.hearing, at_s)
    parts.append("not heard before" if heard_s is None else f"it had last been heard at {clock.hms(heard_s)}")
    return Paragraph(f"At {clock.hms(at_s)} {where}", sentence("; ".join(part for part in parts if part)))


def _stood(passage: Passage) -> str:
    if not passage.p or passage.site is None:
        return passage.name
    others = "".join(f", or {site} {p:.2f}" for site, p in passage.others[:1])
    return f"{passage.name} ({passage.p:.2f}{others})"


def _route(evidence: Evidence, number: int) -> str:
    passages = evidence.passages
    start = passages[number - 1].name if number else "the record's beginning"
    end = passages[number + 1].name if number + 1 < len(passages) else "the record's end"
    return f"{start} to {end}"


def _minutes(passage: Passage) -> str:
    minutes = (passage.to_s - passage.from_s) / 60
    return f"{minutes:.0f} min" if minutes >= 1 else f"{passage.to_s - passage.from_s:.0f} s"


def _loaded(evidence: Evidence, decision: Decision) -> str:
    number = stop_of(evidence, decision)
    if number is None:
        return "The stop that it speaks of is not in the record."
    stop = evidence.passages[number]
    hearing = evidence.hearing
    parts = []
    before = evidence.passages[number - 1] if number else None
    if before is not None and before.kind == "leg":
        parts.append(f"on the drive there heard in {of_rounds(heard_between(hearing, before.from_s, before.to_s))}")
    earlier = heard_between(hearing, stop.from_s, decision.at_s)
    first_s = first_heard(hearing, stop.from_s, until_s=stop.to_s)
    if not earlier[0] and earlier[1] and first_s is not None:
        parts.append(f"at this stop not heard until {Clock(evidence.zone).hm(first_s)}, in none of {earlier[1]} rounds")
    else:
        parts.append(f"at this stop heard in {of_rounds(earlier)} before that")
    parts.append(_after(evidence, decision, stop))
    if number + 1 >= len(evidence.passages):
        return sentence("; ".join([*parts, "the van has not left since"]))
    leg = evidence.passages[number + 1]
    heard = heard_between(hearing, leg.from_s, leg.to_s)
    drive = f"then heard in {of_rounds(heard)} of the {_minutes(leg)} drive to {_end(evidence, number + 1)}"
    if not heard[0]:
        return sentence("; ".join([*parts, drive])) + " " + _despite(evidence, leg)
    parts.append(f"{drive}, which nothing left behind at {stop.name} would be")
    return sentence("; ".join(parts))


def _after(evidence: Evidence, decision: Decision, stop: Passage) -> str:
    """What was heard at the stop once the decision's moment had passed."""
    text = f"in {of_rounds(heard_between(evidence.hearing, decision.at_s, stop.to_s))} after that"
    if not evidence.doors_known:
        return text
    heard = heard_within(evidence.hearing, evidence.doors, of=Span(decision.at_s, stop.to_s))
    return f"{text} ({heard[0]} of {heard[1]} with the doors open)" if heard[1] else f"{text}, the doors closed"


def _end(evidence: Evidence, leg: int) -> str:
    return evidence.passages[leg + 1].name if leg + 1 < len(evidence.passages) else "where the record ends"


def _unloaded(evidence: Evidence, decision: Decision) -> str:
    number = stop_of(evidence, decision)
    if number is None:
        return "The stop that it speaks of is not in the record."
    stop = evidence.passages[number]
    hearing = evidence.hearing
    parts = []
    if number:
        leg = evidence.passages[number - 1]
        there = heard_between(hearing, leg.from_s, leg.to_s)
        parts.append(f"heard in {of_rounds(there)} of the {_minutes(leg)} drive there")
    parts.append(f"at this stop in {of_rounds(heard_between(hearing, stop.from_s, decision.at_s))} before that")
    parts.append(_after(evidence, decision, stop))
    last_s = last_heard(hearing, stop.to_s, since_s=stop.from_s)
    if last_s is not None:
        parts.append(f"there last heard at {Clock(evidence.zone).hm(last_s)}")
    if number + 1 >= len(evidence.passages):
        return sentence("; ".join([*parts, "the van has not left since"]))
    leg = evidence.passages[number + 1]
    heard = heard_between(hearing, leg.from_s, leg.to_s)
    parts.append(f"then in {of_rounds(heard)} of the {_minutes(leg)} drive to {_end(evidence, number + 1)}")
    aboard = _while_aboard(evidence, decision)
    usual = f" While aboard it had been heard in {of_rounds(aboard)} of the drives." if aboard[1] else ""
    return sentence("; ".join(parts)) + usual


def _while_aboard(evidence: Evidence, unloaded: Decision) -> tuple[int, int]:
    """Heard on the drives between the loading before an unloading, if there was one, and the unloading."""
    loads = [d.at_s for d in evidence.decisions if d.stands and d.kind == "loaded" and d.at_s < unloaded.at_s]
    since_s = max(loads, default=float("-inf"))
    counts = [
        heard_between(evidence.hearing, leg.from_s, leg.to_s)
        for leg in evidence.legs
        if leg.from_s >= since_s and leg.to_s <= unloaded.at_s
    ]
    return sum(k for k, _ in counts), sum(n for _, n in counts)


def _despite(evidence: Evidence, leg: Passage) -> str:
    """Why something is still believed aboard on a drive on which it was hardly heard or not at all."""
    clock = Clock(evidence.zone)
    stands = [d.at_s for d in evidence.decisions if d.stands]
    until_s = min((at for at in stands if at >= leg.to_s), default=float("inf"))
    since_s = max((at for at in stands if at <= leg.from_s), default=float("-inf"))
    for later in evidence.legs:
        heard = heard_between(evidence.hearing, later.from_s, later.to_s)
        if leg.to_s <= later.from_s < until_s and heard[0] >= max(1, WEAK * heard[1]):
            return (
                f"Still believed aboard: it is heard in {of_rounds(heard)} of the drive that begins at"
                f" {clock.hm(later.from_s)}, and nothing shows it being put aboard in between."
            )
    before_s = last_heard(evidence.hearing, leg.from_s, since_s=since_s)
    p = leg_belief(evidence, leg)
    stated = "" if p is None else f" ({sure(p)})"
    if before_s is not None:
        return (
            f"Still believed aboard{stated}: last heard at {clock.hm(before_s)}, and nothing since shows it getting"
            " off; a tag that lies badly stays silent for long."
        )
    return f"Believed aboard{stated} by what was known before: nothing was heard of it that shows it getting off."


def _taken_back(evidence: Evidence, decision: Decision, clock: Clock) -> Paragraph:
    back_s = decision.taken_back_s if decision.taken_back_s is not None else evidence.to_s
    said = f"said at {clock.hm(decision.said_s)}, " if decision.said_s is not None else ""
    why = _REASONS.get(decision.reason, decision.reason)
    heard = heard_between(evidence.hearing, decision.said_s or decision.at_s, back_s)
    then = f"; in between heard in {of_rounds(heard)}" if heard[1] else ""
    head = head_line(decision, clock)
    text = sentence(f"{said}taken back at {clock.hm(back_s)}: {why}{then}")
    return Paragraph(f"Taken back: {head[0].lower()}{head[1:]}", text, decision)


def _undecided(evidence: Evidence, clock: Clock) -> Paragraph:
    from_s, to_s = evidence.from_s, evidence.to_s
    legs = [passage for passage in passages_within(evidence) if passage.kind == "leg"]
    lines = [(leg, latest_line(evidence, leg.manifest)) for leg in legs]
    aboard = [(leg, line) for leg, line in lines if line is not None and line.p is not None]
    heard = heard_between(evidence.hearing, from_s, to_s)
    if aboard:
        _, line = aboard[0]
        if evidence.kind != "item":
            how = "only things of the register are loaded or unloaded"
        elif line.loaded_s is None:
            how = "it was aboard when the tool first ran"
        else:
            names = {passage.site: passage.name for passage in evidence.passages if passage.site is not None}
            place = names.get(line.loaded_site or "", line.loaded_site or NO_SITE)
            how = f"it was loaded at {place}, {clock.day(line.loaded_s)}"
            how += f" {clock.hm(line.loaded_s)}"
        share = "every drive" if len(aboard) == len(legs) else f"{len(aboard)} of {len(legs)} drives"
        return Paragraph(
            f"Aboard on {share}, neither loaded nor unloaded in this stretch",
            sentence(f"{how}; heard in {of_rounds(heard)}"),
        )
    most = max((p for leg in legs if (p := leg_belief(evidence, leg)) is not None), default=None)
    along = most is not None and most >= ABOARD
    reach = "reaches" if along else "is at most"
    believed_ = "" if most is None else f"; on the drives P(aboard) {reach} {sure(most)}"
    if not heard[0]:
        text = f"heard in none of {heard[1]} rounds{believed_}: nothing says it was aboard"
        return Paragraph("Never heard", sentence(text))
    driving = [heard_between(evidence.hearing, leg.from_s, leg.to_s) for leg in legs]
    moving = (sum(k for k, _ in driving), sum(n for _, n in driving))
    standing = (heard[0] - moving[0], heard[1] - moving[1])
    text = f"heard in {of_rounds(standing)} while the van stood, in {of_rounds(moving)} of its drives{believed_}"
    head = "Travels along, on no manifest" if along else "Near the van, never believed aboard"
    return Paragraph(head, sentence(text))


def _drives(evidence: Evidence, clock: Clock) -> list[Paragraph]:
    told: list[str] = []
    off: list[tuple[Passage, tuple[int, int], float]] = []
    for number, leg in enumerate(evidence.passages):
        if leg.kind != "leg" or leg.to_s < evidence.from_s or leg.from_s > evidence.to_s:
            continue
        line = latest_line(evidence, leg.manifest)
        heard = heard_between(evidence.hearing, leg.from_s, leg.to_s)
        p = leg_belief(evidence, leg)
        if (line is None or line.p is None) and not heard[0] and (p or 0.0) < DOUBT:
            off.append((leg, heard, p or 0.0))
            continue
        told += _silent(off, clock)
        off = []
        when = f"{clock.hm(leg.from_s)}-{clock.hm(leg.to_s)} {_route(evidence, number)}"
        looking = "" if p is None else f", {sure(p)} looking back"
        if line is None:
            told.append(sentence(f"{when}: no manifest{looking}; heard in {of_rounds(heard)}"))
        elif line.p is None:
            stated = "on no manifest" if evidence.kind in OFF_MANIFESTS else "not on the manifest"
            told.append(sentence(f"{when}: {stated}{looking}; heard in {of_rounds(heard)}"))
        else:
            issued = f"revision {line.revision} of {clock.hm(line.issued_s)}"
            looking = looking if p is not None and sure(p) != sure(line.p) else ""
            stated = f"on the manifest with {sure(line.p)} ({issued}){looking}"
            text = sentence(f"{when}: {stated}; heard in {of_rounds(heard)}")
            if not heard[0]:
                text += f" {_despite(evidence, leg)}"
            elif heard[0] < WEAK * heard[1]:
                text += " Few, but on a drive a thing left behind is heard in none."
            told.append(text)
    told += _silent(off, clock)
    return [Paragraph("On the drives" if not number else "", text) for number, text in enumerate(told)]


def _silent(off: list[tuple[Passage, tuple[int, int], float]], clock: Clock) -> list[str]:
    if not off:
        return []
    first, last = off[0][0], off[-1][0]
    which = "drive" if len(off) == 1 else f"{len(off)} drives"
    rounds = sum(heard[1] for _, heard, _ in off)
    most = max(p for _, _, p in off)
    when = f"{clock.hm(first.from_s)}-{clock.hm(last.to_s)}"
    heard = f"heard in none of {rounds} rounds"
    return [sentence(f"{when}, {which}: on no manifest; {heard}; P(aboard) at most {sure(most)}")]
