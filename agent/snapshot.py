"""What the vehicle shows of itself between decisions: retained `aboard`, `position`, and parts of `status`; floor 2.

While the van stands, each item is likely aboard, heard near or not heard, by the live belief; while it moves, the leg's
manifest speaks. Outside working hours neither place nor badge nor position is shown.
"""

from __future__ import annotations

from agent.bodies import Aboard, AboardItem, BadgeAboard, GpsStatus, NotRead, Position, ReaderStatus
from agent.gps_faults import Fault
from agent.itinerary import Leg, Stop
from agent.motion import State as Doing
from agent.privacy import is_working
from agent.silence import is_reading, is_whole, present, words
from agent.state import Setup, State, trusted_utc
from agent.tally import CERTAIN, SIGMAS_95
from agent.units import format_utc

# Shown as aboard from this probability on; below it only what was heard a short while ago is worth a line.
SHOWN = 0.5
HEARD_S = 300.0
# A fix is fresh for a minute.
FRESH_S = 60.0


def aboard(setup: Setup, state: State, *, now_s: float) -> Aboard:
    """What is aboard at `now_s` (tally's axis), as likely as it is known."""
    vehicle = setup.vehicle
    moment = state.axis.moment(state.timeline, now_s)
    at = format_utc(moment.utc_s) if moment.trusted else None
    # While no time is trusted nobody can say that it is working time.
    hours = vehicle.privacy.working_hours
    working = hours is None or (moment.trusted and is_working(vehicle.privacy, moment.utc_s))
    current = state.itinerary.current
    leg = _leg(state)
    manifest = state.ledger.manifests.get(leg.number) if leg is not None else None
    items, badges, certain = _lines(setup, state, now_s=now_s)
    silent = not_read(state)
    return Aboard(
        vehicle=vehicle.id,
        at=at,
        trip=None if manifest is None else manifest["trip"],
        leg=None if manifest is None or current is not leg else manifest["manifest"],
        state={Stop: "stopped", Leg: "moving"}.get(type(current), "unknown"),  # type: ignore[arg-type]
        site=current.place.site if isinstance(current, Stop) and working else None,
        since=None if current is None else trusted_utc(state, current.from_s),
        certain=certain,
        items=items,
        badges=badges if working else (),
        not_read=silent[0] if silent else None,
        silences=silent,
    )


def _leg(state: State) -> Leg | None:
    return next((s for s in reversed(state.itinerary.segments) if isinstance(s, Leg)), None)


def not_read(state: State) -> tuple[NotRead, ...]:
    """Every silence that lasts, the one to act upon first."""
    return tuple(
        NotRead(trusted_utc(state, each.since_s), words(each), is_whole(each), each.antenna) for each in present(state)
    )


def reader_status(state: State, now: float) -> ReaderStatus:
    """How the reader does, for the vehicle's status; `now` on this boot's clock."""
    silent = not_read(state) if state.axis.bases else ()
    fixture_s = state.proof.fixture_s
    return ReaderStatus(
        state="up" if state.reading.up else "down",
        not_read_since=min((each.since for each in silent if each.whole and each.since), default=None),
        antennas_lost=state.reading.lost,
        not_read=silent,
        fixture_heard=None if fixture_s is None else trusted_utc(state, fixture_s),
        fixture_heard_s=None if fixture_s is None else round(max(state.axis.at(now) - fixture_s, 0.0), 1),
    )


def gps_status(state: State, now: float, fault: Fault | None) -> GpsStatus:
    """How the receiver does, and what was last told to be wrong with it."""
    fix = state.motion.last
    last_fix = None
    if fix is not None:
        utc = state.timeline.utc_of(state.timeline.boot, fix.mono)
        last_fix = None if utc is None else format_utc(utc)
    if fix is not None and now - fix.mono < FRESH_S:
        return GpsStatus("ok", last_fix, None if fault is None else fault.text)
    mute = fix is None if fault is None else fault.is_silence
    return GpsStatus("silent" if mute else "no fix", last_fix, None if fault is None else fault.text)


def _lines(setup: Setup, state: State, *, now_s: float) -> tuple[tuple[AboardItem, ...], tuple[BadgeAboard, ...], bool]:
    belief = state.belief
    if belief is None:
        return (), (), False
    here = belief.forward[:, setup.model.is_aboard].sum(axis=1)
    heard = list(belief.heard_s)
    for item in belief.open:
        for number in item.rssi_dbm:
            heard[number] = item.to_s
    told = {line["epc"] for manifest in state.ledger.manifests.values() for line in manifest["items"]}
    items: list[AboardItem] = []
    badges: list[BadgeAboard] = []
    doubt = 1.0
    for number in range(1, len(belief.tags)):
        tag, p = belief.tags[number], float(here[number])
        listing = setup.register.find(tag)
        if listing is None or listing.kind not in {"item", "person"}:
            continue
        age = now_s - heard[number] if heard[number] >= 0 else None
        if listing.kind == "person":
            if p >= SHOWN:
                badges.append(BadgeAboard(listing.epc, listing.name, round(p, 4)))
            continue
        doubt *= max(p, 1 - p)
        near = age is not None and age <= HEARD_S
        if p < SHOWN and not near:
            continue
        shown = "aboard" if p >= SHOWN else "near" if near else "not heard"
        items.append(
            AboardItem(
                epc=listing.epc,
                p=round(p, 4),
                state=shown,  # type: ignore[arg-type]
                heard_s=None if age is None else round(max(age, 0.0)),
                tag=None if listing.epc in told else tag,
                name=None if listing.epc in told else listing.name,
            )
        )
    items.sort(key=lambda item: (item.state != "aboard", item.epc))
    badges.sort(key=lambda badge: badge.epc)
    return tuple(items), tuple(badges), doubt >= CERTAIN and is_reading(state)


def position(setup: Setup, state: State) -> Position | None:
    """The last fix; None where there is none, time is not trusted, or it is outside working hours."""
    fix = state.motion.last
    if fix is None:
        return None
    utc_s = state.timeline.utc_of(state.timeline.boot, fix.mono)
    if utc_s is None or not is_working(setup.vehicle.privacy, utc_s):
        return None
    current = state.itinerary.current
    manifest = state.ledger.manifests.get(current.number) if isinstance(current, Leg) else None
    moving = state.motion.state is Doing.MOVING
    return Position(
        vehicle=setup.vehicle.id,
        at=format_utc(utc_s),
        lat=round(fix.lat, 5),  # 1.1 m
        lon=round(fix.lon, 5),
        error_m=round(SIGMAS_95 * fix.sigma_m),
        speed_mps=round(state.motion.speed_mps, 1) if moving else 0.0,
        site=current.place.site if isinstance(current, Stop) else None,
        leg=None if manifest is None else manifest["manifest"],
    )
