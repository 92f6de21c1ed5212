"""What is kept of a badge: the legs it was heard aboard, and the notes that people put beside them.

Only what the privacy settings leave (`agent.dispatch.forget`). A badge aboard proves neither who drove nor who carried;
no figure here compares, ranks or scores anybody. A note stands beside the record and changes nothing of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, tzinfo
from typing import Any

import msgspec
import sqlalchemy as sa
from msgspec import Struct, field

from agent.bodies import Aboard
from agent.clock import Clock
from agent.dispatch import audit, schema
from agent.dispatch.audit import Doer
from agent.dispatch.badges import is_epc
from agent.dispatch.documents import Names, manifest_view
from agent.dispatch.permits import Caller
from agent.dispatch.places import Places
from agent.dispatch.schema_accounts import audit as entries
from agent.dispatch.schema_accounts import badge_leg, note
from agent.dispatch.store import DispatchStore
from agent.dispatch.views import AuditEntry, BadgeLegView, BadgePage, NoteView
from agent.errors import RoadtallyError
from agent.records import PlanRow

MOST_LEGS = 100
_MOST_NOTES, _MOST_LETTERS, _MOST_NOTES_A_BADGE = 300, 2000, 1000
_DAY_S = 86_400.0


class NoteError(RoadtallyError):
    """A note that cannot be taken, in words for who wrote it."""


class Assigned(Struct, frozen=True):
    """The drivers that the plan assigns, by vehicle and date; by the plan alone."""

    drivers: Mapping[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)

    def of(self, vehicle: str, at_s: float, zone: tzinfo) -> tuple[str, ...]:
        """Who is assigned to a vehicle on the day of that moment."""
        return self.drivers.get((vehicle, datetime.fromtimestamp(at_s, tz=UTC).astimezone(zone).date().isoformat()), ())


def assigned_by(rows: Iterable[PlanRow], names: Mapping[str, str]) -> Assigned:
    """The drivers of a plan, by their badge's name in the register."""
    found: dict[tuple[str, str], dict[str, None]] = defaultdict(dict)
    for row in rows:
        if row.driver is not None and not row.cancelled:
            found[row.vehicle, row.date][names.get(row.driver, row.driver)] = None
    return Assigned({key: tuple(each) for key, each in found.items()})


class People:
    """See the module."""

    def __init__(
        self, store: DispatchStore, places: Places, *, clock: Clock, zone: tzinfo, assigned: Assigned, keep_days: int
    ) -> None:
        self._store, self._places, self._clock = store, places, clock
        self._zone, self._assigned, self.keep_days = zone, assigned, keep_days

    def assigned(self, vehicle: str) -> tuple[str, ...]:
        """Who the plan assigns to a vehicle today."""
        return self._assigned.of(vehicle, self._clock.utc(), self._zone)

    def badge(self, epc: str) -> BadgePage | None:
        """A badge's record; None where nothing is kept of it and the register does not list it."""
        since_s = self._clock.utc() - self.keep_days * _DAY_S
        with self._store.reading() as connection:
            which = sa.and_(badge_leg.c.epc == epc, badge_leg.c.departed_s >= since_s)
            query = sa.select(badge_leg).where(which).order_by(badge_leg.c.departed_s.desc(), badge_leg.c.manifest)
            rows = connection.execute(query.limit(MOST_LEGS + 1)).all()
            notes = self._notes(connection, epc, since_s)
            looked = self._looked(connection, epc, since_s)
            vans = sa.select(schema.vehicle.c.vehicle, schema.vehicle.c.aboard).order_by(schema.vehicle.c.vehicle)
            revisions = self._revisions(connection, [(row.vehicle, row.manifest) for row in rows[:MOST_LEGS]])
            held = connection.execute(vans.where(schema.vehicle.c.aboard.contains(epc, autoescape=True))).all()
        cargos = {row.vehicle: msgspec.json.decode(row.aboard, type=Aboard) for row in held}
        aboard = {
            vehicle: badge.name for vehicle, cargo in cargos.items() for badge in cargo.badges if badge.epc == epc
        }
        legs, name = [], next((each for each in aboard.values() if each), "")
        by_leg: dict[str, list[NoteView]] = defaultdict(list)
        for each in notes:
            by_leg[each.about or ""].append(each)
        for row in rows[:MOST_LEGS]:
            last = revisions[row.vehicle, row.manifest]
            leg = manifest_view([last], self._places, Names({}))
            badge = next((each for each in leg.badges if each.epc == epc), None)
            if last.withdrawn or badge is None:
                continue  # withdrawn, or a higher revision names this badge no more
            name = name or badge.name
            legs.append(
                BadgeLegView(
                    vehicle=row.vehicle, manifest=row.manifest, departed_from=leg.departed_from,
                    departed_s=leg.departed_s, arrived_at=leg.arrived_at, arrived_s=leg.arrived_s, p=badge.p,
                    driver=", ".join(self._assigned.of(row.vehicle, leg.departed_s, self._zone)) or None,
                    notes=tuple(by_leg.pop(row.manifest, ())),
                )
            )  # fmt: skip
        if not legs and not aboard and not notes:
            return None
        rest = [each for some in by_leg.values() for each in some]
        return BadgePage(
            epc=epc, name=name or epc, aboard=tuple(aboard), legs=tuple(legs), more_legs=len(rows) > MOST_LEGS,
            notes=tuple(rest), looked=looked,
        )  # fmt: skip

    def _revisions(self, connection: sa.Connection, legs: list[tuple[str, str]]) -> dict[tuple[str, str], sa.Row[Any]]:
        """The highest revision of each leg."""
        at = schema.manifest.c
        query = sa.select(schema.manifest).where(sa.tuple_(at.vehicle, at.manifest).in_(legs))
        rows = connection.execute(query.order_by(at.revision, at.epoch, at.seq)) if legs else ()
        return {(row.vehicle, row.manifest): row for row in rows}

    def _notes(self, connection: sa.Connection, epc: str, since_s: float) -> tuple[NoteView, ...]:
        query = sa.select(note).where(note.c.epc == epc, note.c.at_s >= since_s).order_by(note.c.number.desc())
        rows = connection.execute(query.limit(_MOST_NOTES)).all()
        return tuple(NoteView(about=row.about, account=row.account, at_s=row.at_s, text=row.text) for row in rows)

    def _looked(self, connection: sa.Connection, epc: str, since_s: float) -> tuple[AuditEntry, ...]:
        which = sa.and_(entries.c.kind == "badge-looked-at", entries.c.subject == epc, entries.c.at_s >= since_s)
        query = sa.select(entries).where(which).order_by(entries.c.number.desc()).limit(_MOST_NOTES)
        return tuple(audit.entry_of(row) for row in connection.execute(query))

    def looked_at(self, epc: str, caller: Caller, doer: Doer) -> None:
        """Keep that somebody else looked at a badge's record, once a day each."""
        if caller.name is None or caller.badge == epc:
            return
        now_s = self._clock.utc()
        at = entries.c
        mine = sa.and_(at.who == caller.name, at.at_s > now_s - _DAY_S)
        which = sa.and_(at.kind == "badge-looked-at", at.subject == epc, mine)
        with self._store.reading() as connection:
            known = connection.execute(sa.select(at.number).where(which).limit(1)).first() is not None
        if not known:
            with self._store.writing() as connection:
                audit.keep(connection, doer, "badge-looked-at", epc, at_s=now_s)

    def add_note(self, epc: str, text: str, doer: Doer, *, about: str | None) -> None:
        """Put a note beside a badge's record; NoteError where it cannot be taken."""
        text = text.replace("\0", "").replace("\r\n", "\n").strip()
        if doer.who is None or not text:
            raise NoteError("write what the note should say")
        if not is_epc(epc) or self.badge(epc) is None:
            raise NoteError("nothing is kept of this badge that a note could stand beside")
        if len(text) > _MOST_LETTERS:
            raise NoteError(f"a note has no more than {_MOST_LETTERS} characters; this one has {len(text)}")
        now_s = self._clock.utc()
        with self._store.writing() as connection:
            if about is not None:
                here = sa.and_(badge_leg.c.epc == epc, badge_leg.c.manifest == about)
                if connection.execute(sa.select(badge_leg.c.epc).where(here)).first() is None:
                    raise NoteError("the leg that the note is about is not in this badge's record")
            count = connection.execute(sa.select(sa.func.count()).where(note.c.epc == epc)).scalar() or 0
            if count >= _MOST_NOTES_A_BADGE:
                raise NoteError("there are too many notes beside this record already")
            connection.execute(sa.insert(note).values(epc=epc, about=about, account=doer.who, at_s=now_s, text=text))
            # What it says stands in the note, which goes with the record; the log outlives both.
            audit.keep(connection, doer, "badge-note", epc, at_s=now_s, after={"about": about, "letters": len(text)})
