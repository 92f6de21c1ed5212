"""What the tally said beside what truly happened, and whether every record arrived exactly once."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import Any

import msgspec
from msgspec import Struct
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from agent.demo_day import DemoDay
from agent.units import parse_utc

# A manifest belongs to the true departure nearest in time, if it is no farther than this.
SAME_DEPARTURE_S = 120.0
ENOUGH = 0.97


class LegVerdict(Struct, frozen=True):
    """One true leg, and what its final manifest says of it; `said` None where there is no manifest."""

    site: str | None
    departed: str
    true: frozenset[str]
    said: frozenset[str] | None
    certain: bool

    @property
    def right(self) -> int:
        """Item-legs that are right: items truly aboard and said to be."""
        return len(self.true & (self.said or frozenset()))

    @property
    def claimed(self) -> int:
        """Item-legs that there are to be right or wrong: aboard in truth, or said to be."""
        return len(self.true | (self.said or frozenset()))


class Verdict(Struct, frozen=True):
    """The day's outcome."""

    legs: tuple[LegVerdict, ...]
    sent: int
    received: int
    differing: int
    false_legs: int
    moves_right: int
    moves_said: int
    moves_true: int

    @property
    def share(self) -> float:
        """Item-legs right, of all that are true or said."""
        claimed = sum(leg.claimed for leg in self.legs)
        return sum(leg.right for leg in self.legs) / claimed if claimed else 0.0

    @property
    def whole(self) -> bool:
        """Every record of the vehicle is at the dispatch side exactly once, with the same content."""
        return self.sent > 0 and self.sent == self.received and self.differing == 0

    @property
    def passed(self) -> bool:
        """As `--exit-at-end` asks."""
        return self.whole and self.share >= ENOUGH


def judge(demo: DemoDay) -> Verdict:
    """Compare the two databases with each other, and the dispatch side's with the world's truth."""
    sent = _records(demo.folder / "vehicle.db", "SELECT seq, kind, body FROM record ORDER BY epoch, seq")
    # The dispatch side's key is (vehicle, epoch, seq): a record that came twice in another epoch counts twice.
    received = _records(demo.folder / "dispatch.db", "SELECT seq, kind, body FROM record ORDER BY epoch, seq")
    by_seq = {seq: (kind, body) for seq, kind, body in received}
    differing = sum(by_seq.get(seq) != (kind, body) for seq, kind, body in sent)
    bodies = [(kind, msgspec.json.decode(body)) for _, kind, body in received]
    manifests = _latest([body for kind, body in bodies if kind == "manifest"])
    truth = demo.day.truth
    legs, used = [], set()
    for true in truth["manifests"]:
        nearest = min(manifests, key=lambda m: _apart(m, true), default=None)
        if nearest is not None and _apart(nearest, true) > SAME_DEPARTURE_S:
            nearest = None
        if nearest is not None:
            used.add(nearest["manifest"])
        said = None if nearest is None else frozenset(item["epc"] for item in nearest["items"])
        certain = nearest is not None and bool(nearest["certain"])
        legs.append(LegVerdict(true["site"], true["departed"], frozenset(true["items"]), said, certain))
    said_moves = _moves([body for kind, body in bodies if kind == "event"], demo)
    true_moves = [(move["kind"], move["epc"], move["site"]) for move in truth["moves"]]
    left = list(true_moves)
    right = 0
    for move in said_moves:
        if move in left:
            left.remove(move)
            right += 1
    return Verdict(
        legs=tuple(legs),
        sent=len(sent),
        received=len(received),
        differing=differing,
        false_legs=len(manifests) - len(used),
        moves_right=right,
        moves_said=len(said_moves),
        moves_true=len(true_moves),
    )


def _records(path: object, query: str) -> list[tuple[int, str, str]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return [(seq, kind, body) for seq, kind, body in connection.execute(query)]


def _latest(manifests: list[dict[str, Any]]) -> list[dict[str, Any]]:
    latest: dict[str, dict[str, Any]] = {}
    for manifest in manifests:
        known = latest.get(manifest["manifest"])
        if known is None or manifest["revision"] > known["revision"]:
            latest[manifest["manifest"]] = manifest
    return [manifest for manifest in latest.values() if not manifest.get("withdrawn")]


def _apart(manifest: dict[str, Any], true: dict[str, Any]) -> float:
    return abs(parse_utc(manifest["departed"]["time"]) - parse_utc(true["departed"]))


def _moves(events: list[dict[str, Any]], demo: DemoDay) -> list[tuple[str, str, str | None]]:
    sites = {site.sgln or f"urn:roadtally:site:{site.id}": site.id for site in demo.sites.values()}
    void = {event["eventID"] for event in events if "errorDeclaration" in event}
    moves = []
    for event in events:
        kind = {"loading": "load", "unloading": "unload"}.get(event["bizStep"])
        if kind is not None and event["eventID"] not in void:
            site = sites.get((event.get("bizLocation") or {}).get("id", ""))
            moves += [(kind, epc, site) for epc in event["childEPCs"]]
    return moves


def show(console: Console, verdict: Verdict, demo: DemoDay) -> None:
    """Print the comparison."""
    table = Table(title="What the tally said, and what truly happened", title_justify="left", box=box.SIMPLE_HEAD)
    table.padding, table.pad_edge = (0, 1, 0, 0), False
    for name in ("leg", "truly", "said", "missing", "extra"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("called", no_wrap=True)
    table.add_column("from")
    wrong: list[str] = []
    for number, leg in enumerate(verdict.legs, 1):
        site = demo.sites[leg.site].name if leg.site is not None else "no site"
        if leg.said is None:
            table.add_row(str(number), str(len(leg.true)), "none", "", "", "", escape(site))
            continue
        missing, extra = sorted(leg.true - leg.said), sorted(leg.said - leg.true)
        table.add_row(
            str(number),
            str(len(leg.true)),
            str(len(leg.said)),
            str(len(missing) or "-"),
            str(len(extra) or "-"),
            "certain" if leg.certain else "not sure",
            escape(site),
        )
        for word, epcs in (("missing", missing), ("extra", extra)):
            if epcs:
                wrong.append(f"leg {number} {word}: {', '.join(map(demo.story.narrator.name, epcs))}")
    console.print()
    console.print(table)
    for line in wrong:
        console.print(line, markup=False)
    console.print(
        f"Item-legs right: {verdict.share:.1%} (97.0 % asked). {verdict.moves_right} of {verdict.moves_true} true moves"
        f" stated at the right site, {verdict.moves_said - verdict.moves_right} stated that did not happen."
        f" Corrections on the way: {demo.story.narrator.corrections}."
    )
    if verdict.false_legs:
        console.print(f"Legs stated that were none: {verdict.false_legs}.")
    arrived = "every one exactly once" if verdict.whole else f"{verdict.differing} missing or different"
    console.print(f"Records: {verdict.sent} written by the van, {verdict.received} at the dispatch side; {arrived}.")
    console.print("[bold]As it should be.[/bold]" if verdict.passed else "[bold]Not as it should be.[/bold]")
