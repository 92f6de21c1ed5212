"""Which tag is meant: by EPC in any form, by name, or by a part of either that only one thing has.

Also which stretch of time: a day, or a moment with what is around it. Text in, facts out; says what is wrong with it.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from agent.epc import parse_epc
from agent.errors import ConfigError
from agent.evidence import Evidence, passage_at
from agent.hindsight import Subject
from agent.records import Listing, Problem
from agent.register import Register
from agent.tables import near_miss
from agent.units import format_utc, parse_utc

MOST_LISTED = 12
_DATE = re.compile(r"\d{4}-\d\d-\d\d")
_LOCAL = re.compile(r"(?:(\d{4}-\d\d-\d\d)[T ])?(\d\d?:\d\d(?::\d\d)?)")
# Around a moment: the stop or drive that holds it and its neighbours, but no more of each than this. Judgement.
AROUND_S = 5400.0
EDGE_S = 120.0
# A day is shown from shortly before the first thing that happened to shortly after the last. Judgement.
MARGIN_S = 600.0


def find_subject(text: str, register: Register, *, file: str) -> Subject:
    """The one tag that `text` means; raises ConfigError, listing what fits, where that is none or several.

    A tag that is in no register is meant by its EPC alone.
    """
    wanted = text.strip()
    named = [listing for listing in register.listings if listing.name.casefold() == wanted.casefold()]
    if len(named) == 1:
        return _of(named[0])
    if not named:
        try:
            epc, tag = parse_epc(wanted)
        except ValueError as error:
            wrong = str(error)
        else:
            listing = register.by_epc.get(epc)
            return _of(listing) if listing is not None else Subject(epc, tag)
        part = wanted.casefold()
        named = [x for x in register.listings if part and (part in x.name.casefold() or part in x.epc.casefold())]
        if len(named) == 1:
            return _of(named[0])
    if named:
        listed = "; ".join(f"{x.name} {x.epc}" for x in named[:MOST_LISTED])
        more = f"; and {len(named) - MOST_LISTED} more" if len(named) > MOST_LISTED else ""
        do, what = f"give one of: {listed}{more}", f"{len(named)} things fit"
        raise ConfigError([Problem(file, "--epc", repr(text), do, what)])
    near = near_miss(wanted, tuple(listing.name for listing in register.listings))
    do = "give an EPC (urn:epc:id:…, urn:epc:tag:… or hex) or a name of the register"
    if wanted[:4].lower() == "urn:":
        raise ConfigError([Problem(file, "--epc", repr(text), do, wrong)])
    do += f"; {near!r} is near" if near else ""
    what = "is no EPC, and no thing of that name is in the register"
    raise ConfigError([Problem(file, "--epc", repr(text), do, what)])


def _of(listing: Listing) -> Subject:
    return Subject(listing.epc, listing.tag, listing.name, listing.kind)


def days_of(evidence: Evidence) -> tuple[date, ...]:
    """The local days on which the van drove, anything was decided on the tag, or it was heard."""
    zone = ZoneInfo(evidence.zone)
    moments = [passage.from_s for passage in evidence.legs]
    moments += [decision.at_s for decision in evidence.decisions]
    moments += [one.at_s for one in evidence.strength]
    return tuple(sorted({datetime.fromtimestamp(at, tz=zone).date() for at in moments}))


def stretch_of(evidence: Evidence, at: str | None, *, file: str) -> tuple[float, float, float | None]:
    """(from, to, the moment asked about) in UTC seconds: of `--at` TIME or DATE, or of the tag's latest decision's day.

    Raises ConfigError where `at` cannot be read or lies outside what is recorded.
    """
    zone = ZoneInfo(evidence.zone)
    if at is None:
        day = _latest_day(evidence, zone)
        return (*_day(evidence, day, zone), None)
    if _DATE.fullmatch(at.strip()):
        try:
            day = date.fromisoformat(at.strip())
        except ValueError as error:
            raise _wrong(file, at, str(error)) from None
        begin = datetime.combine(day, time(), tzinfo=zone).timestamp()
        end = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone).timestamp()
        if end <= evidence.from_s or begin >= evidence.to_s:
            raise _outside(evidence, at, file=file)
        return (*_day(evidence, day, zone), None)
    at_s = _moment(evidence, at, zone, file=file)
    if not evidence.from_s <= at_s <= evidence.to_s:
        raise _outside(evidence, at, file=file)
    return (*_around(evidence, at_s), at_s)


def _moment(evidence: Evidence, at: str, zone: ZoneInfo, *, file: str) -> float:
    text = at.strip()
    local = _LOCAL.fullmatch(text)
    try:
        if local is None:
            return parse_utc(text)
        day = date.fromisoformat(local[1]) if local[1] else _latest_day(evidence, zone)
        clock = f"0{local[2]}" if local[2][1] == ":" else local[2]  # 8:16 is 08:16
        return datetime.combine(day, time.fromisoformat(clock), tzinfo=zone).timestamp()
    except ValueError as error:
        raise _wrong(file, at, str(error)) from None


def _wrong(file: str, at: str, what: str) -> ConfigError:
    do = "give a time such as 2026-03-02T07:01:12Z, a local 08:16 or 2026-03-02T08:16, or a day such as 2026-03-02"
    return ConfigError([Problem(file, "--at", repr(at), do, what)])


def _outside(evidence: Evidence, at: str, *, file: str) -> ConfigError:
    do = f"give a time within {format_utc(evidence.from_s)} to {format_utc(evidence.to_s)}"
    return ConfigError([Problem(file, "--at", repr(at), do, "is outside of what is recorded")])


def _latest_day(evidence: Evidence, zone: ZoneInfo) -> date:
    """Of the latest decision, else the last day on which it was heard, else the last on which the van drove."""
    at_s = max((decision.at_s for decision in evidence.decisions), default=None)
    if at_s is None:
        at_s = max((one.at_s for one in evidence.strength), default=None)
    if at_s is None:
        at_s = max((leg.from_s for leg in evidence.legs), default=evidence.to_s)
    return datetime.fromtimestamp(at_s, tz=zone).date()


def _day(evidence: Evidence, day: date, zone: ZoneInfo) -> tuple[float, float]:
    """The local day, without its idle ends; only a drive over midnight reaches out of it."""
    begin = datetime.combine(day, time(), tzinfo=zone).timestamp()
    end = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone).timestamp()
    legs = [(leg.from_s, leg.to_s) for leg in evidence.legs if leg.to_s > begin and leg.from_s < end]
    moments = [decision.at_s for decision in evidence.decisions] + [one.at_s for one in evidence.strength]
    spans = legs + [(at_s, at_s) for at_s in moments if begin <= at_s < end]
    if not spans:
        return _held(evidence, begin, end)
    low, high = min(low for low, _ in spans), max(high for _, high in spans)
    return _held(evidence, min(low, max(begin, low - MARGIN_S)), max(high, min(end, high + MARGIN_S)))


def _around(evidence: Evidence, at_s: float) -> tuple[float, float]:
    number = passage_at(evidence.passages, at_s)
    if number is None:
        return _held(evidence, at_s - AROUND_S, at_s + AROUND_S)
    near = evidence.passages[max(0, number - 1) : number + 2]
    # A little of what is before and after, so that where the van came from and went to is seen.
    low, high = near[0].from_s - EDGE_S, near[-1].to_s + EDGE_S
    return _held(evidence, max(low, at_s - AROUND_S), min(high, at_s + AROUND_S))


def _held(evidence: Evidence, low: float, high: float) -> tuple[float, float]:
    low, high = max(low, evidence.from_s), min(high, evidence.to_s)
    return low, max(high, low + 60.0)
