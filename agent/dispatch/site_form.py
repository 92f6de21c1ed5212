"""A site as the fields of a plain form, both ways; and what is drawn of sites on a map. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal

from agent.dispatch.sitebook import Book, Change, Feature, outline_text, parse_circle, parse_outline
from agent.errors import ConfigError
from agent.records import Problem

Look = Literal["fence", "edited", "other", "before", "new", "changed", "gone"]
CIRCLE, OUTLINE = "circle", "outline"
_LONGEST_NAME = 200  # Judgement: longer is no name


def fields_of(feature: Feature | None) -> dict[str, str]:
    """What stands in the form for a site; empty fields for none."""
    feature = feature or {}
    properties = feature.get("properties") or {}
    is_circle = (feature.get("geometry") or {}).get("type") == "Point"
    radius = properties.get("radius_m")
    return {
        "id": str(feature.get("id") or ""),
        "name": str(properties.get("name") or ""),
        "sgln": str(properties.get("sgln") or ""),
        "timezone": str(properties.get("timezone") or ""),
        "radio_off": "1" if properties.get("radio_off") is True else "",
        "kind": CIRCLE if is_circle else OUTLINE,
        "outline": "" if is_circle else outline_text(feature),
        "centre": outline_text(feature) if is_circle else "",
        "radius_m": "" if radius is None else f"{radius:g}",
    }


def parse_fields(fields: Mapping[str, str], *, site_id: str, before: Feature | None) -> Feature:
    """The feature that a form says; properties that the form does not show stay as they were `before`.

    Raises ConfigError with what is wrong with the fields alone; `agent.geofences` judges the rest.
    """
    problems: list[Problem] = []
    properties = dict((before or {}).get("properties") or {})
    properties.pop("radius_m", None)
    name = " ".join(fields.get("name", "").split())
    if len(name) > _LONGEST_NAME:
        do = f"say it in {_LONGEST_NAME} characters"
        problems.append(Problem("this site", "name", f"{len(name)} characters", do, "too long for a name"))
    for key, value in (("name", name), ("sgln", fields.get("sgln", "").strip())):
        _put(properties, key, value)
    _put(properties, "timezone", fields.get("timezone", "").strip())
    _put(properties, "radio_off", bool(fields.get("radio_off")))
    geometry: dict[str, Any] = {}
    try:
        if fields.get("kind") == CIRCLE:
            geometry, properties["radius_m"] = parse_circle(fields.get("centre", ""), fields.get("radius_m", ""))
        else:
            geometry = parse_outline(fields.get("outline", ""))
    except ConfigError as error:
        problems += error.problems
    if problems:
        raise ConfigError(problems)
    others = {key: value for key, value in (before or {}).items() if key != "bbox"}  # of the outline as it was
    return others | {"type": "Feature", "id": site_id, "properties": properties, "geometry": geometry}


def _put(properties: dict[str, Any], key: str, value: object) -> None:
    if value:
        properties[key] = value
    else:
        properties.pop(key, None)


# -- drawings ----------------------------------------------------------------------------------------------------------


def drawn(feature: Feature, look: Look, *, label: bool = False) -> dict[str, Any]:
    """One outline on a map."""
    properties = feature.get("properties") or {}
    return {
        "id": feature.get("id"),
        "name": properties.get("name"),
        "look": look,
        "label": label,
        "radius_m": properties.get("radius_m"),
        "geometry": feature["geometry"],
    }


def drawing(
    features: Iterable[dict[str, Any]], *, stops: Sequence[tuple[float, float]] = (), edits: bool = False
) -> dict[str, Any]:
    """What the page's script draws; with `edits` it also lets the form's outline be changed."""
    return {"features": list(features), "stops": [list(each) for each in stops], "edits": edits}


def drawn_changes(changes: Iterable[Change]) -> list[dict[str, Any]]:
    """Old outlines under new ones; what did not change is faint."""
    found = []
    for change in changes:
        moved = change.before is None or change.after is None or change.before["geometry"] != change.after["geometry"]
        moved = moved or _radius(change.before) != _radius(change.after)
        if change.before is not None and change.kind in ("changed", "gone") and moved:
            found.append(drawn(change.before, "gone" if change.after is None else "before", label=change.after is None))
        if change.after is not None:
            look: Look = "new" if change.kind == "new" else "changed" if change.kind == "changed" else "other"
            found.append(drawn(change.after, look, label=change.kind != "unchanged"))
    return found


def _radius(feature: Feature | None) -> object:
    return ((feature or {}).get("properties") or {}).get("radius_m")


def others_of(book: Book, site_id: str | None) -> list[dict[str, Any]]:
    """All but the one being changed, faint."""
    return [drawn(each, "other") for each in book.features if each["id"] != site_id]
