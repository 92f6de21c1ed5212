"""What the vehicle works with (sites, register, plan, settings), and whether a new version of it may be taken into use.

A version whose content does not hold up is refused with every reason, and the last good one stays. Reads no file: the
caller gives texts, and keeps what was accepted.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace

from agent.bodies import Held, Holding, RefusedDownlink
from agent.errors import ConfigError
from agent.geofences import Site, parse_sites
from agent.messages import DownLeaf, Downlink
from agent.plan import parse_plan
from agent.presence.model import Model
from agent.records import PlanRow, Problem
from agent.register import Register, parse_register
from agent.sites import SiteIndex
from agent.state import Setup
from agent.vehicle import Vehicle

# Versions of the plan that manifests of the past days may still be held against.
KEEP_PLANS = 8


@dataclass(frozen=True, slots=True)
class InUse:
    """The parts of a setup with their versions; `refused` is the latest refusal of each kind."""

    vehicle: Vehicle
    model: Model
    sites: tuple[Site, ...]
    register: Register
    plans: Mapping[int, tuple[PlanRow, ...]]
    versions: Mapping[DownLeaf, int]
    refused: Mapping[str, RefusedDownlink]

    def setup(self) -> Setup:
        """What the pipeline takes."""
        return Setup(
            vehicle=self.vehicle,
            sites=SiteIndex(self.sites),
            site_of={site.id: site for site in self.sites},
            register=self.register,
            model=self.model,
            plans=self.plans,
            plan_version=max(self.plans, default=None),
        )

    def holding(self) -> Holding:
        """The same, as the status tells it."""

        def held(leaf: DownLeaf) -> Held:
            return Held(self.versions.get(leaf))

        return Holding(
            sites=held("sites"),
            register=held("register"),
            plan=held("plan"),
            settings=held("settings"),
            refused=tuple(self.refused[leaf] for leaf in sorted(self.refused)),
        )

    def refuse(self, leaf: str, version: int | None, reasons: tuple[str, ...]) -> InUse:
        """Note that a version was not taken, and why."""
        told = RefusedDownlink(leaf, version, reasons)  # type: ignore[arg-type]
        return replace(self, refused={**self.refused, leaf: told})

    def take(self, downlink: Downlink) -> InUse:
        """Take a version into use. Raises ConfigError, with every reason, for one that does not hold up."""
        leaf, content = downlink.leaf, downlink.content
        fields: dict[str, object] = {}
        name = f"{leaf} version {downlink.version}"
        if leaf == "sites":
            whole = isinstance(content, dict) and content.get("type") == "FeatureCollection"
            files = {name: content} if whole or not isinstance(content, dict) else content
            fields["sites"] = parse_sites({file: json.dumps(part) for file, part in files.items()})
        elif leaf == "register":
            fields["register"] = parse_register(str(content), file=name)
        elif leaf == "plan":
            ids = {site.id for site in self.sites}
            rows = parse_plan(str(content), file=name, sites=ids, register=self.register)
            plans = {**self.plans, downlink.version: rows}
            fields["plans"] = {version: plans[version] for version in sorted(plans)[-KEEP_PLANS:]}
        else:
            what, do = f"{leaf} are not taken from the dispatch side yet", "change the vehicle file"
            raise ConfigError([Problem(name, "", "", do, what)])
        fields["versions"] = {**self.versions, leaf: downlink.version}
        fields["refused"] = {kind: told for kind, told in self.refused.items() if kind != leaf}
        return replace(self, **fields)  # type: ignore[arg-type]


def why_not(error: ConfigError) -> tuple[str, ...]:
    """The reasons of a refusal, one line each."""
    return tuple(str(problem) for problem in error.problems)
