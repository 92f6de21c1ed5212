"""How right a tally is: F1 of moves and the share of manifests that are exact; with the table over some days.

A move counts only with the right thing, kind, site and stop. A manifest is exact when its set of items is.

    python -m tests.bench.score --seeds 5
    python -m tests.bench.score --seeds 5 --faults all       # or none, or names as in convoy,ghost-reads
    python -m tests.bench.score --seeds 2 --days 5           # whole weeks
    python -m tests.bench.score --seeds 2 --each             # a line for each fault by itself
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from agent.replay import replay
from agent.setup import read_setup
from agent.units import parse_utc
from agent.world import Day, Faults, day_files, make_week, record_day
from agent.world.faults import NAMES, NONE
from tests.bench.baselines import Move, Said, apply, hear, heard_once, last_minute, smurf

HEARD_ONCE, OWN_FINAL, OWN_FIRST = "heard at least once on the leg", "roadtally, final", "roadtally, first manifests"
_SLACK_S = 150.0
"""How far a stated time may lie outside its stop and still mean it; legs shorter than twice this are told by site."""


@dataclass(frozen=True, slots=True)
class Score:
    """Counts that add up over days."""

    right: int = 0
    stated: int = 0
    happened: int = 0
    exact: int = 0
    legs: int = 0
    item_legs_right: int = 0
    item_legs: int = 0

    def __add__(self, other: Score) -> Score:
        """The two days together."""
        return Score(*(getattr(self, name) + getattr(other, name) for name in self.__slots__))

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall of moves."""
        total = self.stated + self.happened
        return 2 * self.right / total if total else 1.0

    @property
    def manifests_exact(self) -> float:
        """Share of legs with exactly the right set."""
        return self.exact / self.legs if self.legs else 1.0


def truth_of(day_truth: Mapping[str, Any]) -> Said:
    """What truly happened, in the form in which it is scored."""
    stops = spans(day_truth)
    moves = []
    for move in day_truth["moves"]:
        at_s = parse_utc(move["time"])
        number = next(i for i, (begin, end, _) in enumerate(stops) if begin <= at_s <= end)
        moves.append((move["kind"], move["epc"], number))
    return Said(tuple(moves), tuple(frozenset(m["items"]) for m in day_truth["manifests"]))


def spans(day_truth: Mapping[str, Any]) -> list[tuple[float, float, str | None]]:
    """Begin, end and site of every true stop; the first begins and the last ends at no time."""
    return [
        (
            parse_utc(stop["arrived"]) if stop["arrived"] else -np.inf,
            parse_utc(stop["departed"]) if stop["departed"] else np.inf,
            stop["site"],
        )
        for stop in day_truth["stops"]
    ]


def score(truth: Said, said: Said) -> Score:
    """Holds what was said against what happened."""
    want, got = Counter(truth.moves), Counter(said.moves)
    return Score(
        right=(want & got).total(),
        stated=got.total(),
        happened=want.total(),
        exact=sum(a == b for a, b in zip(truth.aboard, said.aboard, strict=True)),
        legs=len(truth.aboard),
        item_legs_right=sum(len(a & b) for a, b in zip(truth.aboard, said.aboard, strict=True)),
        item_legs=sum(len(a | b) for a, b in zip(truth.aboard, said.aboard, strict=True)),
    )


def said_by(
    day_truth: Mapping[str, Any],
    events: Sequence[Mapping[str, Any]],
    manifests: Sequence[Mapping[str, Any]],
    *,
    site_of: Mapping[str, str],
    first: bool = False,
) -> Said:
    """A tally's standing events and manifests (highest revision, or with `first` the first) matched to true stops.

    `site_of` turns a bizLocation into a site id. A move that fits no stop keeps the number -1 and so counts as wrong.
    """
    moves = [move for move, _ in moves_of(day_truth, events, site_of=site_of)]
    # A manifest that is missing is not exact even where nothing was aboard.
    aboard = [
        frozenset({"missing"}) if manifest is None else frozenset(item["epc"] for item in manifest["items"])
        for manifest in by_leg(day_truth, manifests, first=first)
    ]
    return Said(tuple(moves), tuple(aboard))


def moves_of(
    day_truth: Mapping[str, Any], events: Sequence[Mapping[str, Any]], *, site_of: Mapping[str, str]
) -> list[tuple[Move, float]]:
    """The moves that stand, each with its stated probability; those that fit no stop have the number -1."""
    stops = spans(day_truth)
    void = {event["eventID"] for event in events if "errorDeclaration" in event}
    moves: list[tuple[Move, float]] = []
    for event in events:
        kind = {"ADD": "load", "DELETE": "unload"}.get(event["action"])
        if event["type"] != "AggregationEvent" or kind is None or event["eventID"] in void:
            continue
        at_s = parse_utc(event["eventTime"])
        place = (event.get("bizLocation") or {}).get("id", "")
        site = site_of.get(place, place.rsplit(":", 1)[-1]) or None
        fits = [
            (max(begin - at_s, at_s - end, 0.0), i)
            for i, (begin, end, where) in enumerate(stops)
            if where == site and begin - _SLACK_S <= at_s <= end + _SLACK_S
        ]
        number = min(fits)[1] if fits else -1
        stated = {each["rt:epc"]: each["rt:p"] for each in event.get("rt:confidence", ())}
        moves += [((kind, epc, number), stated.get(epc, math.nan)) for epc in event["childEPCs"]]
    return moves


def by_leg(
    day_truth: Mapping[str, Any], manifests: Sequence[Mapping[str, Any]], *, first: bool = False
) -> list[Mapping[str, Any] | None]:
    """For each true leg the manifest that speaks of it, if any: its highest revision, or with `first` its first."""
    chosen: dict[str, Mapping[str, Any]] = {}
    for manifest in manifests:
        if not first or manifest["manifest"] not in chosen:
            chosen[manifest["manifest"]] = manifest
    found: list[Mapping[str, Any] | None] = []
    for leg in day_truth["manifests"]:
        left_s = parse_utc(leg["departed"])
        near = [
            (abs(parse_utc(m["departed"]["time"]) - left_s), ident)
            for ident, m in chosen.items()
            if not m.get("withdrawn")
        ]
        gap_s, ident = min(near, default=(np.inf, ""))
        found.append(chosen.pop(ident) if gap_s <= _SLACK_S else None)
    return found


class Output(NamedTuple):
    """What `replay` wrote of a day, with the site that each bizLocation is."""

    events: list[dict[str, Any]]
    manifests: list[dict[str, Any]]
    site_of: dict[str, str]


def replayed(day: Day, *, seed: int, folder: Path) -> Output:
    """The day's recording, replayed in `folder`."""
    for name, content in day_files(day, np.random.default_rng(seed)).items():
        with (folder / name).open("w", encoding="utf-8") as file:
            file.writelines([content] if isinstance(content, str) else content)
    return replay_folder(folder, sites=folder / "sites.geojson", out=folder / "out")


def replay_folder(folder: Path, *, sites: Path, out: Path) -> Output:
    """The recording of a folder with its vehicle.toml, register.csv and the file of `sites`, replayed into `out`."""
    setup = read_setup(config=folder / "vehicle.toml", sites=sites, register=folder / "register.csv")
    replay(setup, folder / "recording.jsonl", out)
    events, manifests = (
        [json.loads(line) for line in (out / name).read_text(encoding="utf-8").splitlines()]
        for name in ("events.jsonl", "manifests.jsonl")
    )
    features = json.loads(sites.read_text(encoding="utf-8"))["features"]
    site_of = {feature["properties"].get("sgln", feature["id"]): feature["id"] for feature in features}
    return Output(events, manifests, site_of)


def final_and_first(day_truth: Mapping[str, Any], output: Output) -> tuple[Said, Said]:
    """The project's own tally from `replay`'s output: final, and by the first revisions."""
    events, manifests, site_of = output
    final = said_by(day_truth, events, manifests, site_of=site_of)
    return final, said_by(day_truth, events, manifests, site_of=site_of, first=True)


def table(
    seeds: Sequence[int], sites: Mapping[str, Any], *, own: bool = True, faults: Faults = NONE, days: int = 1
) -> dict[str, Score]:
    """Scores by rule over the days (or weeks of so many days) of these seeds, all from the same recordings."""
    sums: dict[str, Score] = {}
    for seed in seeds:
        day = make_week(seed, sites=sites, days=days, faults=faults)
        truth = truth_of(day.truth)
        rounds = hear(day, record_day(day, np.random.default_rng(seed)))
        said = {
            HEARD_ONCE: apply(heard_once, rounds, day),
            "heard within 60 s": apply(last_minute, rounds, day),
            "SMURF": apply(smurf(rounds), rounds, day),
        }
        if own:
            with tempfile.TemporaryDirectory() as folder:
                final, first = final_and_first(day.truth, replayed(day, seed=seed, folder=Path(folder)))
            said |= {OWN_FINAL: final, OWN_FIRST: first}
        for name, one in said.items():
            sums[name] = sums.get(name, Score()) + score(truth, one)
    return sums


def print_table(sums: Mapping[str, Score]) -> None:
    """One line a rule."""
    print(f"{'rule':34} {'moves F1':>9} {'manifests exact':>16} {'item-legs right':>16}")
    for name, one in sums.items():
        share = one.item_legs_right / one.item_legs if one.item_legs else 1.0
        f1 = "" if name.endswith("first manifests") else f"{one.f1:.3f}"
        print(f"{name:34} {f1:>9} {one.manifests_exact:>16.3f} {share:>16.4f}")


def print_each(seeds: Sequence[int], sites: Mapping[str, Any], *, days: int = 1) -> None:
    """A line for each fault switched on by itself, beside the plain days and those with all of them."""
    print(f"{'':22} {'roadtally':>26} {'heard once on the leg':>26}")
    print(f"{'fault':22} {'moves F1':>9} {'final':>8} {'first':>7} {'moves F1':>17} {'exact':>8}")
    for name in ("none", *NAMES, "all"):
        sums = table(seeds, sites, faults=Faults.parse(name), days=days)
        final, first, once = (sums[rule] for rule in (OWN_FINAL, OWN_FIRST, HEARD_ONCE))
        print(
            f"{name:22} {final.f1:>9.3f} {final.manifests_exact:>8.3f} {first.manifests_exact:>7.3f}"
            f" {once.f1:>17.3f} {once.manifests_exact:>8.3f}",
            flush=True,
        )


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seeds", type=int, default=5, help="so many days, from --from on")
    parser.add_argument("--from", dest="begin", type=int, default=100, help="first seed")
    parser.add_argument("--rules-only", action="store_true", help="leave the project's own tally out")
    parser.add_argument("--faults", type=Faults.parse, default=NONE, help="all, none, or names: a,b")
    parser.add_argument("--days", type=int, default=1, help="days on end in each recording")
    parser.add_argument("--each", action="store_true", help="a line for each fault, switched on by itself")
    args = parser.parse_args()
    region = Path(__file__).resolve().parents[2] / "geofences" / "region.geojson"
    sites = json.loads(region.read_text(encoding="utf-8"))
    seeds = range(args.begin, args.begin + args.seeds)
    if args.each:
        print_each(seeds, sites, days=args.days)
        return
    print_table(table(seeds, sites, own=not args.rules_only, faults=args.faults, days=args.days))


if __name__ == "__main__":
    main()
