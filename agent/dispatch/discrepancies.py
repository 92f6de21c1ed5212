"""What is open about a van's record, in a dispatcher's words: what is missing, what does not fit, what to do.

What the van tells of its own record's condition stands among it. Reads the tables through the connection it is given.
Each is found anew from what is stored, so that it goes by itself when what was missing comes in, or when what it speaks
of has been deleted for its age.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Sequence
from typing import Any

import msgspec
import sqlalchemy as sa

from agent.bodies import Status
from agent.dispatch import schema
from agent.dispatch.links import OTHER_KEY
from agent.dispatch.views import DiscrepancyView
from agent.dispatch.wire import parse_ranges
from agent.dispatch.words import seconds_of
from agent.errors import MessageError
from agent.messages import parse_topic

_MOST_NAMED, _MOST_SHOWN, _EXCERPT = 8, 5, 400

_COPIED = (
    "A number is never used twice, so the computer's disk was set back to an earlier state, or its card was copied."
    " Both records are kept and the first one counts; the van numbers what it has not yet handed over anew by itself."
    " If a copied card is in use elsewhere, take it out."
)
_OTHER_KEY = (
    "If the computer was changed or set up anew, that is why. If not, somebody else speaks in this van's name:"
    " change its password at the broker."
)
_UNFIT = (
    "All of it is kept and counts. If the computer's disk was not restored, have roadtally verify say what was changed."
)
_UNUSED = "What came is kept as it is, and nothing else waits for it. Send it to whoever looks after the van's program."
_DISK = (
    "Leave the van's computer on until its disk takes records again, and free or change its card soon."
)
_UNDELIVERED = (
    "The van keeps them and tries again by itself. Look at what it says of the broker; where no acknowledgement comes,"
    " at whether the dispatch side runs and may publish there."
)
_GAP = "The van sends them again by itself; until then its pages may lack what they tell."


def open_discrepancies(
    connection: sa.Connection, vehicle: str, kinds: Collection[str] | None = None
) -> tuple[DiscrepancyView, ...]:
    """All that is open about one van's record, the gravest first; `kinds` are the only ones to look for, if given."""
    asked: tuple[tuple[str, Callable[[], Sequence[DiscrepancyView | None]]], ...] = (
        ("clash", lambda: [_clashes(connection, vehicle)]),
        ("key", lambda: [_keys(connection, vehicle)]),
        ("chain", lambda: [_misfits(connection, vehicle)]),
        ("gap", lambda: _gaps(connection, vehicle)),
        ("told", lambda: _told(connection, vehicle)),
        ("refused", lambda: [_refused(connection, vehicle)]),
        ("unread", lambda: [_unread(connection, vehicle)]),
    )
    found = (each for kind, ask in asked if kinds is None or kind in kinds for each in ask())
    return tuple(each for each in found if each is not None)


def _told(connection: sa.Connection, vehicle: str) -> list[DiscrepancyView]:
    """What the van's last status says of its own record: a disk that takes nothing, records that nobody takes."""
    at = schema.vehicle.c
    text = connection.execute(sa.select(at.status).where(at.vehicle == vehicle)).scalar()
    status = None if text is None else msgspec.json.decode(text, type=Status)
    if status is None:
        return []
    found, disk = [], status.disk
    if disk is not None and (disk.state != "ok" or disk.text):
        short = "the van's disk is full" if disk.state == "full" else "the van's disk needs attention"
        said = disk.text or f"The van says that its disk is full; {disk.waiting} records are in its memory alone."
        found.append(DiscrepancyView("disk", short, said, seconds_of(disk.since), _DISK, max(disk.waiting, 1)))
    if status.undelivered is not None:
        words, _, since = status.undelivered.rpartition(" since ")
        since_s = seconds_of(since)
        words = words if since_s is not None else status.undelivered
        said = f"The van says of its records: {words}."
        found.append(DiscrepancyView("undelivered", "records that do not arrive", said, since_s, _UNDELIVERED, 1))
    return found


def troubled(connection: sa.Connection) -> dict[str, set[str]]:
    """The vehicles about whose record anything is open, and of which kinds; `open_discrepancies` says what."""
    record, keys, known = schema.record.c, schema.vehicle_key.c, schema.vehicle.c
    found: dict[str, set[str]] = defaultdict(set)
    for row in connection.execute(sa.select(schema.cursor.c.vehicle, schema.cursor.c.ranges)):
        if parse_ranges(row.ranges).gaps:
            found[row.vehicle].add("gap")
    other = sa.select(keys.vehicle).join(schema.vehicle, known.vehicle == keys.vehicle).where(keys.key != known.key)
    for kind, query in (
        ("clash", sa.select(schema.clash.c.vehicle).distinct()),
        ("key", other),
        ("chain", sa.select(record.vehicle).where(record.misfit.is_not(None)).distinct()),
        ("refused", sa.select(record.vehicle).where(record.refused.is_not(None)).distinct()),
    ):
        for vehicle in connection.execute(query).scalars():
            found[vehicle].add(kind)
    for topic in connection.execute(sa.select(schema.unreadable.c.topic).distinct()).scalars():
        vehicle = f"{topic}///".split("/")[2]  # a vehicle's topics begin with its name, whatever follows
        found[vehicle].add("unread")
    told = sa.or_(known.status.contains('"undelivered":"'), known.status.contains('"disk":{'))
    for vehicle in connection.execute(sa.select(known.vehicle).where(told)).scalars():
        found[vehicle].add("told")
    return found


def strangers(connection: sa.Connection) -> DiscrepancyView | None:
    """Messages that could not be read, on topics that belong to no van that was ever heard."""
    table = schema.unreadable.c
    known = set(connection.execute(sa.select(schema.vehicle.c.vehicle)).scalars())
    rows = [
        row
        for row in connection.execute(sa.select(table.topic, table.reason, table.times, table.received_s))
        if _vehicle_of(row.topic) not in known
    ]
    return _unreadable(rows) if rows else None


def _clashes(connection: sa.Connection, vehicle: str) -> DiscrepancyView | None:
    table = schema.clash.c
    rows = connection.execute(
        sa.select(table.epoch, table.seq, table.received_s)
        .where(table.vehicle == vehicle)
        .order_by(table.epoch, table.seq)
    ).all()
    if not rows:
        return None
    numbers = sorted({(row.epoch, row.seq) for row in rows})
    if len(numbers) == 1:
        text = f"Two records bear the number {numbers[0][1]}{_of_epoch(numbers[0][0])}."
    else:
        text = f"Records bear numbers that were taken: {_listed(numbers)}."
    return DiscrepancyView(
        "clash", "two records bear one number", text, min(row.received_s for row in rows), _COPIED, len(numbers)
    )


def _keys(connection: sa.Connection, vehicle: str) -> DiscrepancyView | None:
    table = schema.vehicle_key.c
    first = sa.select(schema.vehicle.c.key).where(schema.vehicle.c.vehicle == vehicle).scalar_subquery()
    rows = connection.execute(sa.select(table.first_s).where(table.vehicle == vehicle, table.key != first)).all()
    if not rows:
        return None
    keys = "another key" if len(rows) == 1 else f"{len(rows)} other keys"
    text = f"Records are signed with {keys} than the one this van came with first."
    return DiscrepancyView(
        "key", "signed with another key", text, min(row.first_s for row in rows), _OTHER_KEY, len(rows)
    )


def _misfits(connection: sa.Connection, vehicle: str) -> DiscrepancyView | None:
    table = schema.record.c
    rows = connection.execute(
        sa.select(table.epoch, table.seq, table.misfit, table.received_s)
        .where(table.vehicle == vehicle, table.misfit.is_not(None), table.misfit != OTHER_KEY)
        .order_by(table.epoch, table.seq)
    ).all()
    if not rows:
        return None
    first = rows[0]
    text = f"Record {first.seq}{_of_epoch(first.epoch)} {first.misfit}."
    if len(rows) > 1:
        numbers = [(row.epoch, row.seq) for row in rows]
        text = f"{len(rows)} records do not fit the chain of this van's record: {_listed(numbers)}. {text}"
    return DiscrepancyView(
        "chain", "records that do not follow each other", text, min(row.received_s for row in rows), _UNFIT, len(rows)
    )


def _gaps(connection: sa.Connection, vehicle: str) -> list[DiscrepancyView]:
    at, record = schema.cursor.c, schema.record.c
    found = []
    for row in connection.execute(sa.select(at.epoch, at.ranges).where(at.vehicle == vehicle).order_by(at.epoch)).all():
        gaps = parse_ranges(row.ranges).gaps
        if not gaps:
            continue
        mine = sa.and_(record.vehicle == vehicle, record.epoch == row.epoch)
        beyond = sa.select(sa.func.min(record.received_s)).where(mine, record.seq > gaps[0][1])
        count = sum(high - low + 1 for low, high in gaps)
        spans = [f"{low}" if low == high else f"{low} to {high}" for low, high in gaps[:_MOST_NAMED]]
        more = f" and {len(gaps) - _MOST_NAMED} more gaps" if len(gaps) > _MOST_NAMED else ""
        what = f"{_counted(count, 'record')} still to come"
        text = f"{what}: number {', '.join(spans)}{more}{_of_epoch(row.epoch)}."
        found.append(DiscrepancyView("gap", what, text, connection.execute(beyond).scalar(), _GAP, count))
    return found


def _refused(connection: sa.Connection, vehicle: str) -> DiscrepancyView | None:
    table = schema.record.c
    rows = connection.execute(
        sa.select(
            table.epoch,
            table.seq,
            table.refused,
            table.received_s,
            sa.func.substr(table.body, 1, _EXCERPT).label("body"),
        )
        .where(table.vehicle == vehicle, table.refused.is_not(None))
        .order_by(table.epoch, table.seq)
    ).all()
    if not rows:
        return None
    numbers = [(row.epoch, row.seq) for row in rows]
    what = f"{_counted(len(rows), 'record')} could not be used"
    text = f"{what}: number {_listed(numbers)}. {_sentence(rows[0].refused)}"
    kept = tuple(_excerpt(row.body) for row in rows[:_MOST_SHOWN])
    return DiscrepancyView("refused", what, text, min(row.received_s for row in rows), _UNUSED, len(rows), kept)


def _unread(connection: sa.Connection, vehicle: str) -> DiscrepancyView | None:
    table = schema.unreadable.c
    rows = connection.execute(
        sa.select(table.topic, table.reason, table.times, table.received_s).where(
            table.topic.startswith(f"roadtally/1/{vehicle}/", autoescape=True)
        )
    ).all()
    return _unreadable(rows) if rows else None


def _unreadable(rows: Sequence[Any]) -> DiscrepancyView:
    count = len(rows)
    last = max(rows, key=lambda row: row.received_s)
    what = f"{_counted(count, 'message')} could not be read"
    often = sum(row.times for row in rows)
    came = "" if often == count else f", which came {often} times"
    text = f"{what}{came}. The last, on {last.topic[:80]}: {_sentence(last.reason)}"
    return DiscrepancyView("unread", what, text, last.received_s, _UNUSED, count)


def _vehicle_of(name: str) -> str | None:
    try:
        return parse_topic(name)[0]
    except MessageError:
        return None


def _of_epoch(epoch: int) -> str:
    return "" if epoch == 1 else f" of epoch {epoch}"


def _listed(numbers: list[tuple[int, int]]) -> str:
    named = ", ".join(f"{seq}{_of_epoch(epoch)}" for epoch, seq in numbers[:_MOST_NAMED])
    return named if len(numbers) <= _MOST_NAMED else f"{named} and {len(numbers) - _MOST_NAMED} more"


def _counted(count: int, what: str) -> str:
    return f"1 {what}" if count == 1 else f"{count} {what}s"


def _excerpt(text: str) -> str:
    return text if len(text) < _EXCERPT else f"{text}…"


def _sentence(reason: str) -> str:
    short = reason if len(reason) <= 200 else f"{reason[:200]}…"  # noqa: PLR2004 - what a line of a page holds
    return f"{short[:1].upper()}{short[1:]}."
