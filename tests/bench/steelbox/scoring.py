"""Scores folders of this world: "heard at least once on the leg" over the recording alone, and the project's tally.

python -m tests.bench.steelbox.scoring FOLDER ... [--rules-only] [--errors]
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from agent.register import parse_register
from agent.units import parse_utc
from tests.bench.baselines import Said, differences
from tests.bench.score import Score, by_leg, final_and_first, replay_folder, score, truth_of


@dataclass(frozen=True, slots=True)
class Certain:
    """How many final manifests there are, how many are marked certain, and how many of those are exact."""

    legs: int = 0
    marked: int = 0
    exact: int = 0

    def __add__(self, other: Certain) -> Certain:
        """The two weeks together."""
        return Certain(self.legs + other.legs, self.marked + other.marked, self.exact + other.exact)


def heard_once(folder: Path, truth: Mapping[str, Any]) -> Said:
    """Aboard on a leg is what was heard at least once on it; told the true stops and which UTC each boot's 0 is.

    What it hears in the recording's last minute counts as still aboard. Registered items alone count.
    """
    listed = parse_register((folder / "register.csv").read_text("utf-8"), file="register.csv").listings
    items = {listing.tag: listing.epc for listing in listed if listing.kind == "item"}
    legs = [(parse_utc(m["departed"]), parse_utc(m["arrived"])) for m in truth["manifests"]]
    begins = np.asarray([begin for begin, _ in legs])
    sets: list[set[str]] = [set() for _ in legs]
    boots = iter(truth["boots"])
    zero_s, row, last = 0.0, [], []  # type: float, list[str], list[tuple[float, list[str]]]
    with (folder / "recording.jsonl").open(encoding="utf-8") as file:
        for text in file:
            if text.startswith('{"kind":"read"'):
                epc = items.get(text.split('"', 8)[7])
                if epc is not None:
                    row.append(epc)
            elif text.startswith(('{"kind": "boot"', '{"kind":"boot"')):
                zero_s, row = parse_utc(next(boots)["mono_zero"]), []
            elif text.startswith('{"kind":"round"'):
                at_s = zero_s + float(text.rpartition(":")[2].rstrip("}\n"))
                number = int(np.searchsorted(begins, at_s)) - 1
                if number >= 0 and at_s <= legs[number][1]:
                    sets[number].update(row)
                last = [(t, r) for t, r in last if t > at_s - 60] + [(at_s, row)]
                row = []
    left = frozenset(epc for _, heard in last for epc in heard)
    aboard = tuple(frozenset(each) for each in sets)
    return Said(differences([frozenset(), *aboard, left]), aboard)


def tally(folder: Path, truth: Mapping[str, Any], out: Path) -> tuple[Said, Said, Certain]:
    """The project's tally from `replay`'s output: final, by first revisions, and what was marked certain."""
    output = replay_folder(folder, sites=folder / "geofences" / "sites.geojson", out=out)
    final, first = final_and_first(truth, output)
    right = [want == got for want, got in zip(truth_of(truth).aboard, final.aboard, strict=True)]
    marked = [manifest is not None and manifest["certain"] for manifest in by_leg(truth, output.manifests)]
    both = [a and b for a, b in zip(marked, right, strict=True)]
    return final, first, Certain(len(right), sum(marked), sum(both))


def explain(truth: Mapping[str, Any], said: Said) -> list[str]:
    """Every wrong or missed move and every wrong leg, a line each."""
    want, got = Counter(truth_of(truth).moves), Counter(said.moves)
    lines = []
    for word, moves in (("missed", want - got), ("wrong", got - want)):
        by_stop = sorted(moves.elements(), key=lambda move: move[2])
        lines += [f"{word:7} {kind:6} {epc} stop {number}" for kind, epc, number in by_stop]
    for number, (a, b) in enumerate(zip(truth_of(truth).aboard, said.aboard, strict=True)):
        if a != b:
            few = [sorted(a - b)[:4], sorted(b - a)[:4]]
            lines.append(f"leg {number}: of {len(a)} items {len(a - b)} lacking, {len(b - a)} too many {few}")
    return lines


def main() -> None:
    """Prints a line for each folder and rule, and the sums."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--rules-only", action="store_true", help="leave the project's own tally out")
    parser.add_argument("--errors", action="store_true", help="list what the project's tally got wrong")
    args = parser.parse_args()
    sums: dict[str, Score] = {}
    weeks: dict[str, list[Score]] = {}
    certain = Certain()
    for folder in args.folders:
        truth = json.loads((folder / "truth.json").read_text("utf-8"))
        wanted = truth_of(truth)
        said = {"heard at least once": heard_once(folder, truth)}
        sure = Certain()
        if not args.rules_only:
            with tempfile.TemporaryDirectory() as out:
                said["roadtally, final"], said["roadtally, first"], sure = tally(folder, truth, Path(out))
        certain += sure
        print(f"{folder.name}: {truth.get('habits')}")
        for name, one in said.items():
            result = score(wanted, one)
            sums[name] = sums.get(name, Score()) + result
            weeks.setdefault(name, []).append(result)
            print(_row(name, result))
        print(_sure(sure))
        if args.errors and "roadtally, final" in said:
            print("\n".join(explain(truth, said["roadtally, final"])))
    print(f"all {len(args.folders)}:")
    for name, result in sums.items():
        print(_row(name, result))
        f1, exact = (np.mean([getattr(w, what) for w in weeks[name]]) for what in ("f1", "manifests_exact"))
        print(f"    mean of the weeks       F1 {f1:.3f}  exact {exact:.3f}")  # else a full van's week outweighs all
    print(_sure(certain))


def _row(name: str, result: Score) -> str:
    f1 = "     " if name.endswith("first") else f"{result.f1:.3f}"
    return f"  {name:24} F1 {f1}  exact {result.manifests_exact:.3f}  ({result.exact} of {result.legs} legs)"


def _sure(sure: Certain) -> str:
    if not sure.legs:
        return ""
    share = sure.exact / sure.marked if sure.marked else 1.0
    return f"  certain {sure.marked / sure.legs:.3f}, of those exact {share:.3f}"


if __name__ == "__main__":
    main()
