"""What changed from one revision of a manifest to the next, as a reader would say it. Pure."""

from __future__ import annotations

from agent.dispatch.views import LoadedView, ManifestView
from agent.dispatch.views_day import ChangedView, DifferenceView
from agent.dispatch.words import confidence, rfc3339


def difference(before: ManifestView, after: ManifestView) -> DifferenceView:
    """`after` against `before`; an item counts as changed when its confidence is said in another word."""
    was, now = ({each.epc: each for each in leg.items} for leg in (before, after))
    badges_was, badges_now = ({each.epc: each for each in leg.badges} for leg in (before, after))
    return DifferenceView(
        added=tuple(each for epc, each in now.items() if epc not in was),
        gone=tuple(each for epc, each in was.items() if epc not in now),
        changed=tuple(
            ChangedView(epc, each.name, was[epc].p, each.p)
            for epc, each in now.items()
            if epc in was and confidence(was[epc].p) != confidence(each.p)
        ),
        badges_added=tuple(each for epc, each in badges_now.items() if epc not in badges_was),
        badges_gone=tuple(each for epc, each in badges_was.items() if epc not in badges_now),
        lines=tuple(_lines(before, after, was, now)),
    )


def _lines(
    before: ManifestView, after: ManifestView, was: dict[str, LoadedView], now: dict[str, LoadedView]
) -> list[str]:
    lines = []
    if before.problem != after.problem:
        lines.append("One of the two cannot be shown, so that not everything can be compared.")
    if before.certain != after.certain:
        lines.append("The set is now certain." if after.certain else "The set is no longer certain.")
    lines += [*_arrival(before, after), *_departure(before, after)]
    moved = sum(
        (was[epc].site, _time(was[epc].time_s)) != (each.site, _time(each.time_s))
        for epc, each in now.items()
        if epc in was
    )
    if moved:
        lines.append(f"Where or when {moved} item{' was' if moved == 1 else 's were'} loaded is said anew.")
    return [*lines, *_counts(before, after)]


def _arrival(before: ManifestView, after: ManifestView) -> list[str]:
    if before.arrived_at is None and after.arrived_at is None:
        return []
    if before.arrived_at is None:
        return [f"The arrival is now known: {after.arrived_at}."]
    if after.arrived_at is None:
        return ["The arrival is taken back."]
    if before.arrived_at != after.arrived_at:
        return [f"The arrival is now at {after.arrived_at}, before at {before.arrived_at}."]
    now, was = _time(after.arrived_s), _time(before.arrived_s)
    return [f"The arrival was at {now} UTC, said before as {was}."] if now != was else []


def _departure(before: ManifestView, after: ManifestView) -> list[str]:
    lines = []
    if before.departed_from != after.departed_from:
        lines.append(f"The departure is now from {after.departed_from}, before from {before.departed_from}.")
    now, was = _time(after.departed_s), _time(before.departed_s)
    return [*lines, f"The departure was at {now} UTC, said before as {was}."] if now != was else lines


def _counts(before: ManifestView, after: ManifestView) -> list[str]:
    lines = []
    silences = [len(each.not_read) for each in (before, after)]
    if silences[0] != silences[1]:
        lines.append(f"{_count(silences[1], 'stretch', 'stretches')} not read, before {silences[0]}.")
    unlisted = [{each.tag for each in leg.unlisted} for leg in (before, after)]
    if unlisted[0] != unlisted[1]:
        lines.append(
            f"{_count(len(unlisted[1]), 'tag', 'tags')} that the register does not list, before {len(unlisted[0])}."
        )
    for what in ("short", "over", "substituted", "not_checked"):
        told = [getattr(each, what) for each in (before, after)]
        if told[0] != told[1]:
            lines.append(f"Against the plan: {len(told[1])} {what.replace('_', ' ')}, before {len(told[0])}.")
    if before.plan_version != after.plan_version:
        lines.append(f"Compared with plan version {after.plan_version}, before {before.plan_version}.")
    return lines


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _time(utc_s: float | None) -> str:
    """To the minute, as pages say times; a second more or less is no change for a reader."""
    return "not known" if utc_s is None else rfc3339(utc_s)[11:16]
