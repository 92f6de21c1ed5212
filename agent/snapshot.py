"""What the vehicle shows of itself between decisions: the retained `aboard` and `position` bodies; floor 1.

While the van stands, each item is likely aboard, heard near or not heard, by the live belief; while it moves, the leg's
manifest speaks. Outside working hours neither place nor badge nor position is shown.
"""

from __future__ import annotations

from agent.bodies import Aboard, AboardItem, BadgeAboard, LoadedAt, NotRead, Position
from agent.itinerary import Leg, Stop
from agent.motion import State as Doing
from agent.privacy import is_working
from agent.state import Setup, State, trusted_utc
from agent.tally import CERTAIN, SIGMAS_95
from agent.units import format_utc

# Shown as aboard from this probability on; below it only what was heard a short while ago is worth a line.
SHOWN = 0.5
HEARD_S = 300.0


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
        not_read=_not_read(setup, state),
    )


def _leg(state: State) -> Leg | None:
    return next((s for s in reversed(state.itinerary.segments) if isinstance(s, Leg)), None)


def _not_read(setup: Setup, state: State) -> NotRead | None:
    reading = state.reading
    since = trusted_utc(state, reading.since_s)
    if not reading.up:
        return NotRead(since, "the reader is down")
    if state.battery.asleep_since_s is not None:
        return NotRead(trusted_utc(state, state.battery.asleep_since_s), "asleep, to spare the battery")
    if state.proof.deaf:
        return NotRead(trusted_utc(state, state.proof.since_s), "nothing is heard, not even the tag fixed in the van")
    if reading.lost:
        antennas = ", ".join(map(str, reading.lost))
        return NotRead(since, f"antenna {antennas} is lost")
    stop = state.itinerary.current
    if isinstance(stop, Stop) and stop.place.site is not None and setup.site_of[stop.place.site].radio_off:
        return NotRead(trusted_utc(state, stop.from_s), "radio is off at this site")
    return None


def _lines(
    setup: Setup, state: State, *, now_s: float
) -> tuple[tuple[AboardItem, ...], tuple[BadgeAboard, ...], bool]:
    belief = state.belief
    if belief is None:
        return (), (), False
    here = belief.forward[:, setup.model.is_aboard].sum(axis=1)
    heard = list(belief.heard_s)
    for item in belief.open:
        for number in item.rssi_dbm:
            heard[number] = item.to_s
    loaded = _loaded(setup, state)
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
                tag=tag,
                name=listing.name,
                p=round(p, 4),
                state=shown,  # type: ignore[arg-type]
                heard_s=None if age is None else round(max(age, 0.0), 1),
                loaded=loaded.get(tag),
            )
        )
    items.sort(key=lambda item: (item.state != "aboard", item.name, item.epc))
    badges.sort(key=lambda badge: badge.epc)
    is_heard = state.reading.up and not state.proof.deaf and not state.battery.is_asleep
    return tuple(items), tuple(badges), doubt >= CERTAIN and is_heard


def _loaded(setup: Setup, state: State) -> dict[str, LoadedAt]:
    sites = {site.sgln or f"urn:roadtally:site:{site.id}": site.id for site in setup.site_of.values()}
    latest: dict[str, tuple[float, LoadedAt]] = {}
    for key, stated in state.ledger.events.items():
        if key[0] == "load":
            draft, tag = stated.draft, str(key[3])
            if tag not in latest or draft.at_s > latest[tag][0]:
                latest[tag] = (draft.at_s, LoadedAt(sites.get(draft.place.location_uri or ""), format_utc(draft.at_s)))
    return {tag: at for tag, (_, at) in latest.items()}


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
        lat=round(fix.lat, 6),
        lon=round(fix.lon, 6),
        error_m=round(SIGMAS_95 * fix.sigma_m, 1),
        speed_mps=round(state.motion.speed_mps, 1) if moving else 0.0,
        site=current.place.site if isinstance(current, Stop) else None,
        leg=None if manifest is None else manifest["manifest"],
    )
