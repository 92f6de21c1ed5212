"""From the state to statements: smooth a window, find moves, and say what stands, what falls and what is aboard.

Called at decision moments only: a sweep after each departure, each arrival, now and then at a stop, the trip's end.
Pure: gives a new state and the records that it takes to bring what was stated in line with what is known.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from msgspec.structs import replace

from agent import epcis
from agent.axis import Moment
from agent.custody import ABOARD, Account, Move, find_moves
from agent.itinerary import Leg, Place, Stop
from agent.planning import compare_with_plan
from agent.privacy import WITHHELD, is_working
from agent.records import Listing, Record
from agent.silence import TOLD_S, silences, silent_s, words
from agent.sites import site_uri
from agent.state import Setup, Silence, State
from agent.statements import Draft, Key, state_events, state_manifest, withdraw_manifest
from agent.units import format_utc
from agent.window import lay_window, smooth_window

# P(the whole set is right) at which a manifest is called certain.
CERTAIN = 0.97
# Rounds after the departure without which nothing is certain: the sweep has to have been heard.
CERTAIN_ROUNDS = 15
# With this share of what may be aboard out of reach of the antennas that are left, nothing is certain: one of two, or
# two of four. Judgement.
DEAF = 0.2
# And at most so much of the sweep may be unread: a dip of the electrics at the start is no doubt. Judgement: a quarter.
CERTAIN_SILENT_S = 30.0
# Departures and arrivals are dated back to the first moving or standing fix: a few seconds either way. Judgement.
DRIVEN_S = 5.0
SIGMAS_95 = 2.4477  # radius that holds 95 in 100, in standard deviations of each axis (Rayleigh distribution)


@dataclass(frozen=True, slots=True)
class LegBelief:
    """P(aboard) of each tag on one leg."""

    leg: Leg
    p: np.ndarray[Any, np.dtype[np.float64]]
    rounds: int


class Tally:
    """One pass over a window of the state."""

    def __init__(self, setup: Setup, state: State, *, now_s: float) -> None:
        self.setup = setup
        self.state = state
        self.now_s = now_s
        self.issued_s = self.utc(now_s)

    def moment(self, t_s: float) -> Moment:
        """A moment in UTC with its bounds."""
        return self.state.axis.moment(self.state.timeline, t_s)

    def utc(self, t_s: float) -> float:
        """UTC seconds of a moment, as well as is known."""
        return self.moment(t_s).utc_s

    def run(self, *, settle: bool, whole: bool, final: bool = False) -> tuple[State, tuple[Record, ...]]:
        """Assess, compare with what was stated, and give what must be said."""
        state = self.state
        if state.belief is None or not state.itinerary.segments:
            return state, ()
        window = lay_window(state, now_s=self.now_s, settle=settle, whole=whole)
        if not window.marks:
            return state, ()
        marks, accounts = window.marks, window.accounts
        belief, assessment = smooth_window(self.setup, state, window, now_s=self.now_s)
        legs = {s.number: s for s in state.itinerary.segments if isinstance(s, Leg)}
        state = replace(state, belief=belief)
        moves = find_moves(assessment, marks, accounts, belief.tags, moment=self.moment, final=final)
        on_legs = []
        for row, mark in zip(assessment.marks, marks, strict=True):
            if mark.kind == "leg":
                leg = legs[mark.leg]
                inside = (assessment.at_s >= leg.from_s) & (assessment.at_s <= (leg.to_s or self.now_s))
                on_legs.append(
                    LegBelief(leg, assessment.aboard[row].astype(np.float64), int(assessment.rounds[inside].sum()))
                )
        now = assessment.aboard[assessment.marks[-1]]
        self.state = state
        return self._state(accounts, moves, on_legs, now)

    def _state(
        self,
        accounts: Sequence[Account],
        moves: Sequence[Move],
        on_legs: Sequence[LegBelief],
        now: np.ndarray[Any, np.dtype[np.float32]],
    ) -> tuple[State, tuple[Record, ...]]:
        state = self.state
        badges = {item.leg.number: self._badges(item) for item in on_legs}
        stops = {s.number: s for s in state.itinerary.segments if isinstance(s, Stop)}
        drafts: list[Draft] = []
        for move in moves:
            listing = self.setup.register.find(move.tag)
            if listing is None or listing.kind != "item":
                continue
            drafts.append(self._moved(move, listing, stops[move.stop], self._badges_at(move, stops, badges)))
        for item in on_legs:
            drafts.extend(self._driven(item, badges[item.leg.number]))
        drafts.sort(key=lambda draft: (draft.at_s, draft.kind, str(draft.key)))
        ledger, events = state_events(
            state.ledger,
            drafts,
            withdraw=self._to_withdraw(accounts, {item.leg.number for item in on_legs}, now),
            vehicle_epc=self.setup.vehicle.epc,
            issued_s=self.issued_s,
        )
        state = replace(state, ledger=ledger)
        records = list(events)
        for leg in state.itinerary.retired:
            ledger, gone = withdraw_manifest(state.ledger, leg.number, issued_s=self.issued_s)
            state = replace(state, ledger=ledger)
            records.extend(gone)
        for item in on_legs:
            state, body = self._manifest(state, item, badges[item.leg.number])
            state, body = compare_with_plan(
                self.setup, state, item.leg, body, aboard=[line[0] for line in self._items(item)], utc=self.utc
            )
            ledger, said = state_manifest(state.ledger, item.leg.number, body, issued_s=self.issued_s)
            state = replace(state, ledger=ledger)
            records.extend(said)
        return state, tuple(records)

    def _to_withdraw(
        self, accounts: Sequence[Account], legs: Collection[int], now: np.ndarray[Any, np.dtype[np.float32]]
    ) -> list[Key]:
        """What falls unless it is drafted again: all that this window speaks of, and what legs that were none left."""
        state = self.state
        assert state.belief is not None  # noqa: S101 - run() looked
        open_parts = {(a.stop, a.part) for a in accounts if a.open}
        closed_parts = {(a.stop, a.part) for a in accounts} - open_parts
        back = {tag for tag, p in zip(state.belief.tags, now, strict=True) if p >= ABOARD}
        fallen: list[Key] = []
        for key in state.ledger.events:
            if key[0] in {"load", "unload"}:
                part = (key[1], key[2])
                if part in closed_parts or (part in open_parts and key[3] in back):
                    fallen.append(key)
            elif key[0] == "departed" and key[1] in legs:
                fallen.append(key)
        for leg in state.itinerary.retired:
            fallen += [key for key in (("departed", leg.number), ("arrived", leg.number)) if key in state.ledger.events]
        return fallen

    def _badges(self, item: LegBelief) -> tuple[epcis.Confident, ...]:
        assert self.state.belief is not None  # noqa: S101 - run() looked
        found = []
        for number in np.flatnonzero(item.p >= ABOARD):
            listing = self.setup.register.find(self.state.belief.tags[number]) if number else None
            if listing is not None and listing.kind == "person":
                found.append(epcis.Confident(listing.epc, float(item.p[number])))
        return tuple(sorted(found, key=lambda c: c.epc)) if self._working(item.leg.from_s) else ()

    def _badges_at(
        self, move: Move, stops: Mapping[int, Stop], badges: Mapping[int, tuple[epcis.Confident, ...]]
    ) -> tuple[epcis.Confident, ...]:
        """The badges aboard on the leg that carried it: after a load, before an unload."""
        segments = self.state.itinerary.segments
        at = segments.index(stops[move.stop])
        beside = at + 1 if move.kind == "load" else at - 1
        leg = segments[beside] if 0 <= beside < len(segments) else None
        return badges.get(leg.number, ()) if isinstance(leg, Leg) else ()

    def _working(self, t_s: float) -> bool:
        return is_working(self.setup.vehicle.privacy, self.utc(t_s))

    def _place(self, place: Place, t_s: float) -> epcis.Place:
        at_s = self.utc(t_s)
        if not self._working(t_s):
            return epcis.Place(location_uri=WITHHELD, timezone_offset="+00:00", geo=None)
        site = self.setup.site_of.get(place.site) if place.site is not None else None
        if site is not None:
            return epcis.place_at_site(site_uri(site), site.timezone, at_s)
        geo = None
        if place.lat is not None and place.lon is not None:
            geo = (place.lat, place.lon, SIGMAS_95 * place.sigma_m)
        return epcis.Place(location_uri=None, timezone_offset="+00:00", geo=geo)

    def _bounds(self, at_s: float, *, error_s: float) -> tuple[float, float, float]:
        at = self.moment(at_s)
        return at.utc_s, at.not_before_s - error_s, at.not_after_s + error_s

    def _moved(self, move: Move, listing: Listing, stop: Stop, badges: tuple[epcis.Confident, ...]) -> Draft:
        return Draft(
            key=move.key,
            kind="loaded" if move.kind == "load" else "unloaded",
            at_s=move.at_s,
            not_before_s=move.not_before_s,
            not_after_s=move.not_after_s,
            place=self._place(stop.place, move.at_t_s),
            children=(epcis.Confident(listing.epc, move.p),),
            badges=badges if self._working(move.at_t_s) else (),
        )

    def _driven(self, item: LegBelief, badges: tuple[epcis.Confident, ...]) -> list[Draft]:
        """The departure and, once it is over, the arrival of a leg."""
        leg = item.leg
        segments = self.state.itinerary.segments
        at = segments.index(leg)
        before = segments[at - 1] if at else None
        drafts = []
        utc_s, low, high = self._bounds(leg.from_s, error_s=DRIVEN_S)
        if isinstance(before, Stop):
            children = tuple(epcis.Confident(listing.epc, p) for listing, _, p in self._items(item))
            place = self._place(before.place, leg.from_s)
            if place.location_uri is not None or place.geo is not None:
                drafts.append(
                    Draft(("departed", leg.number), "departed", utc_s, low, high, place, children, badges)
                )
        after = segments[at + 1] if at + 1 < len(segments) else None
        if isinstance(after, Stop) and leg.to_s is not None:
            utc_s, low, high = self._bounds(leg.to_s, error_s=DRIVEN_S)
            place = self._place(after.place, leg.to_s)
            if place.location_uri is not None or place.geo is not None:
                seen = badges if self._working(leg.to_s) else ()
                drafts.append(Draft(("arrived", leg.number), "arrived", utc_s, low, high, place, (), seen))
        return drafts

    def _items(self, item: LegBelief) -> list[tuple[Listing, str, float]]:
        """(listing, tag, P) of every registered item aboard on a leg, by EPC."""
        assert self.state.belief is not None  # noqa: S101 - run() looked
        found: dict[str, tuple[Listing, str, float]] = {}
        for number in np.flatnonzero(item.p >= ABOARD):
            tag = self.state.belief.tags[number]
            listing = self.setup.register.find(tag) if number else None
            if listing is not None and listing.kind == "item":
                p = float(item.p[number])
                if listing.epc not in found or found[listing.epc][2] < p:
                    found[listing.epc] = (listing, tag, p)
        return [found[epc] for epc in sorted(found)]

    def _manifest(
        self, state: State, item: LegBelief, badges: tuple[epcis.Confident, ...]
    ) -> tuple[State, dict[str, Any]]:
        leg = item.leg
        segments = state.itinerary.segments
        at = segments.index(leg)
        before = segments[at - 1] if at else None
        after = segments[at + 1] if at + 1 < len(segments) else None
        state, trip = self._trip_name(state, leg)
        assert state.belief is not None  # noqa: S101 - run() looked
        lines = []
        for listing, tag, p in self._items(item):
            line: dict[str, Any] = {"epc": listing.epc, "tag": tag, "name": listing.name, "confidence": round(p, 4)}
            lines.append(line | {"loaded": self._loaded(state, tag, leg)})
        unlisted: list[dict[str, Any]] = []
        doubt = 1.0
        for number in range(1, len(state.belief.tags)):
            p, tag = float(item.p[number]), state.belief.tags[number]
            known = self.setup.register.find(tag)
            if known is None:
                if p >= ABOARD:
                    unlisted.append({"tag": tag, "confidence": round(p, 4)})
            elif known.kind == "item":
                doubt *= max(p, 1 - p)
        unread = self._silences()
        body: dict[str, Any] = {
            "manifest": f"{self.setup.vehicle.id}/{trip}/{leg.index}",
            "vehicle": self.setup.vehicle.id,
            "trip": f"{self.setup.vehicle.id}/{trip}",
            "badges": [
                {"epc": badge.epc, "name": self.setup.register.by_epc[badge.epc].name, "confidence": round(badge.p, 4)}
                for badge in badges
            ],
            "departed": self._end(before, leg.from_s) | {"position": self._position(before, leg.from_s)},
            "arrived": None if leg.to_s is None else self._end(after, leg.to_s),
            "certain": doubt >= CERTAIN and item.rounds >= CERTAIN_ROUNDS and not self._is_unsure(leg, unread),
            "items": lines,
            "unlisted": sorted(unlisted, key=lambda line: str(line["tag"])),
        }
        not_read = self._not_read(leg, unread)
        return state, body | ({"not_read": not_read} if not_read else {})

    def _is_unsure(self, leg: Leg, unread: Sequence[Silence]) -> bool:
        """Whether too much went unread, of the sweep or of what may be aboard, to stand by the whole set."""
        until_s = min(leg.from_s + self.setup.vehicle.reading.sweep_s, self.now_s if leg.to_s is None else leg.to_s)
        silent = silent_s(unread, self.utc(leg.from_s), self.utc(until_s))
        alone = self.setup.model.parameters.antenna_alone_share
        deaf = self.state.antennas.most_deaf(alone, leg.from_s, math.inf if leg.to_s is None else leg.to_s)
        return silent > CERTAIN_SILENT_S or deaf >= DEAF

    def _silences(self) -> list[Silence]:
        """Every silence with its times in UTC seconds: how long the computer was off, the axis does not know."""
        return [
            replace(
                each,
                since_s=self.utc(each.since_s),
                until_s=None if each.until_s is None else self.utc(each.until_s),
            )
            for each in silences(self.state)
        ]

    def _not_read(self, leg: Leg, unread: Sequence[Silence]) -> list[dict[str, Any]]:
        """What was silent on this leg for longer than a minute; `until` null while it lasts."""
        from_s = self.utc(leg.from_s)
        to_s = self.utc(self.now_s if leg.to_s is None else leg.to_s)
        lines = []
        for each in unread:
            until_s = to_s if each.until_s is None else min(each.until_s, to_s)
            if until_s - max(each.since_s, from_s) > TOLD_S:
                line: dict[str, Any] = {
                    "since": format_utc(each.since_s),
                    "until": None if each.until_s is None else format_utc(each.until_s),
                    "why": words(each),
                }
                lines.append(line | ({} if each.antenna is None else {"antenna": each.antenna}))
        return lines

    def _loaded(self, state: State, tag: str, leg: Leg) -> dict[str, Any] | None:
        """Where this item was last loaded before a leg; None for what was aboard when the tool first ran."""
        latest: Draft | None = None
        for key, stated in state.ledger.events.items():
            before = key[0] == "load" and key[3] == tag and stated.draft.at_s <= self.utc(leg.from_s) + 60.0
            if before and (latest is None or stated.draft.at_s > latest.at_s):
                latest = stated.draft
        if latest is None:
            return None
        sites = {site_uri(site): site.id for site in self.setup.site_of.values()}
        return {
            "site": sites.get(latest.place.location_uri or ""),
            "time": format_utc(latest.at_s),
            "not_before": format_utc(latest.not_before_s),
            "not_after": format_utc(latest.not_after_s),
        }

    def _end(self, stop: object, t_s: float) -> dict[str, Any]:
        site = stop.place.site if isinstance(stop, Stop) and self._working(t_s) else None
        return {"site": site, "time": format_utc(self.utc(t_s))}

    def _position(self, stop: object, t_s: float) -> dict[str, float] | None:
        if not isinstance(stop, Stop) or stop.place.lat is None or stop.place.lon is None or not self._working(t_s):
            return None
        place = stop.place
        return {
            "lat": round(stop.place.lat, 6),
            "lon": round(stop.place.lon, 6),
            "error_m": round(SIGMAS_95 * place.sigma_m, 1),
        }

    def _trip_name(self, state: State, leg: Leg) -> tuple[State, str]:
        """`DATE`, then `DATE.2` …: the date of the trip's first departure in the home site's zone."""
        if leg.trip in state.trips:
            return state, state.trips[leg.trip]
        home = self.setup.site_of.get(self.setup.vehicle.home or "")
        zone = ZoneInfo(home.timezone) if home is not None and home.timezone else UTC
        first = next(
            (s for s in state.itinerary.segments if isinstance(s, Leg) and s.trip == leg.trip), leg
        )
        date = datetime.fromtimestamp(self.utc(first.from_s), tz=zone).date().isoformat()
        taken = set(state.trips.values())
        name, n = date, 1
        while name in taken:
            n += 1
            name = f"{date}.{n}"
        return replace(state, trips={**state.trips, leg.trip: name}), name


