"""The OpenAPI 3.1 description of the API, made from the very views that it answers with; pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import msgspec
from msgspec import Struct

from agent.dispatch.permits import PERMITS, SCOPES
from agent.dispatch.views import AuditEntry, ItemLine, ItemPage, ManifestView, VanLine, VanPage
from agent.dispatch.views_day import DayView, ManifestPage

_TIME = {"type": ["string", "null"], "format": "date-time"}


class Endpoint(Struct, frozen=True, kw_only=True):
    """What is said of one path. `listed` names the list that it gives a page at a time, `filters` how to narrow it."""

    path: str
    name: str
    summary: str
    view: str
    listed: str | None = None
    filters: Mapping[str, str] = {}
    example: str = ""


ENDPOINTS: tuple[Endpoint, ...] = (
    Endpoint(path="/api/1/vans", name="vans", summary="Every van at a glance", view="VanLine", listed="vans"),
    Endpoint(path="/api/1/vans/{vehicle}", name="van", summary="All of one van", view="VanPage", example="van-07"),
    Endpoint(
        path="/api/1/manifests/{manifest}", name="manifest", summary="One leg's manifest as it stands",
        view="ManifestView", example="van-07/2026-03-02/1",
    ),
    Endpoint(
        path="/api/1/vans/{vehicle}/days/{date}", name="day",
        summary="A van's day: its stops, its legs, its track, and what is missing", view="DayView", example="van-07",
    ),
    Endpoint(
        path="/api/1/manifests/{manifest}/revisions", name="revisions",
        summary="Every revision of a leg's manifest, with what each changed", view="ManifestPage",
        example="van-07/2026-03-02/1", filters={"revision": "the one to show, by its key; else the one that stands"},
    ),
    Endpoint(
        path="/api/1/items", name="items", summary="Items by EPC, with where they are", view="ItemLine", listed="items",
        filters={"aboard": "only those aboard this van"},
    ),
    Endpoint(
        path="/api/1/items/{epc}", name="item", summary="One item with its custody, by its pure identity URI",
        view="ItemPage", example="urn:epc:id:grai:9521141.00012.100",
    ),
    Endpoint(path="/api/1/sites", name="sites", summary="The sites as GeoJSON (RFC 7946)", view="Sites"),
    Endpoint(
        path="/api/1/audit", name="audit", summary="What people did, newest first", view="AuditEntry", listed="entries",
        filters={"who": "only what this account did", "kind": "only this kind, such as logged-in"},
    ),
)  # fmt: skip
MOST_LISTED, USUALLY_LISTED = 200, 50


def permit_path(path: str) -> str:
    """A path as the table of permits writes it."""
    return path.replace("{manifest}", "{manifest:path}").replace("{epc}", "{epc:path}")


@cache
def description(version: str) -> Mapping[str, Any]:
    """The whole document; whoever gets it changes nothing in it."""
    return {
        "openapi": "3.1.1",
        "info": {
            "title": "roadtally dispatch",
            "version": version,
            "description": "What is aboard each van, where it is, how sure and how old that is. All times are RFC 3339 "
            "in UTC; p is a probability from 0 to 1. A badge aboard proves neither who drove nor who carried.",
        },
        "paths": {each.path: {"get": _operation(each)} for each in ENDPOINTS},
        "components": {
            "schemas": _schemas(),
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer", "description": _scopes()}},
        },
    }


def _scopes() -> str:
    return "Scopes: " + "; ".join(f"{scope}: {says}" for scope, says in SCOPES.items()) + "."


def _operation(each: Endpoint) -> dict[str, Any]:
    scope = PERMITS["GET", permit_path(each.path)].scope
    text = {"type": "string"}
    examples = _EXAMPLES | dict.fromkeys(("vehicle", "manifest", "epc"), each.example)
    parameters = [
        {"name": part, "in": "path", "required": True, "schema": text, "example": examples[part]}
        for part in ("vehicle", "date", "manifest", "epc")
        if f"{{{part}}}" in each.path
    ]
    refused = {
        "401": "no token, or one that is not in force",
        "403": f"the token lacks the scope {scope}",
        "429": "too many requests; `Retry-After` says how many seconds to wait",
    }
    if parameters:
        refused["404"] = "there is none"
    if each.listed:
        refused["400"] = "a cursor or limit that is none"
        parameters += [_query("cursor", "`next` of the page before", "string"), _query("limit", _LIMIT, "integer")]
    parameters += [_query(name, says, "string") for name, says in each.filters.items()]
    return {
        "operationId": each.name,
        "summary": each.summary,
        "security": [{"token": [scope]}],
        "parameters": parameters,
        "responses": {
            "200": {
                "description": each.summary,
                "headers": {"ETag": {"description": "send it as If-None-Match", "schema": {"type": "string"}}},
                "content": {"application/json": {"schema": answer_schema(each)}},
            },
            "304": {"description": "as the ETag that was sent"},
            **{
                status: {"description": says, "content": {"application/problem+json": {"schema": _ref("Problem")}}}
                for status, says in sorted(refused.items())
            },
        },
    }


_EXAMPLES = {"date": "2026-03-02"}
_LIMIT = f"how many at once, up to {MOST_LISTED}; {USUALLY_LISTED} where nothing is said"


def _query(name: str, says: str, kind: str) -> dict[str, Any]:
    return {"name": name, "in": "query", "description": says, "schema": {"type": kind}}


def _ref(name: str) -> dict[str, Any]:
    return {"$ref": f"#/components/schemas/{name}"}


def answer_schema(each: Endpoint) -> dict[str, Any]:
    """The schema of a good answer."""
    if each.listed is None:
        return _ref(each.view)
    following = {"type": ["string", "null"], "description": "the cursor of the next page; null at the end"}
    properties = {each.listed: {"type": "array", "items": _ref(each.view)}, "next": following}
    return {"type": "object", "properties": properties, "required": [each.listed, "next"]}


def _schemas() -> dict[str, Any]:
    views = (VanLine, VanPage, ManifestView, ItemPage, ItemLine, AuditEntry, DayView, ManifestPage)
    _, found = msgspec.json.schema_components(views, ref_template="#/components/schemas/{name}")
    schemas = {name: _as_told(schema) for name, schema in sorted(found.items())}
    text, number = {"type": "string"}, {"type": "integer"}
    schemas["Problem"] = {
        "type": "object",
        "description": "Problem details, RFC 9457",
        "properties": {"type": text, "title": text, "status": number, "detail": text},
        "required": ["type", "title", "status", "detail"],
    }
    feature = {
        "type": "object",
        "properties": {
            "type": {"const": "Feature"},
            "id": text,
            "properties": {"type": "object", "properties": {"site": text, "name": text}, "required": ["site", "name"]},
            "geometry": {"type": "object", "required": ["type", "coordinates"]},
        },
        "required": ["type", "id", "properties", "geometry"],
    }
    schemas["Sites"] = {
        "type": "object",
        "properties": {"type": {"const": "FeatureCollection"}, "features": {"type": "array", "items": feature}},
        "required": ["type", "features"],
    }
    return schemas


def _as_told(schema: Any) -> Any:  # noqa: ANN401 - JSON Schema
    """A view's schema as the API writes the view: times without `_s`, badges only with their scope."""
    if isinstance(schema, Sequence) and not isinstance(schema, str):
        return [_as_told(each) for each in schema]
    if not isinstance(schema, Mapping):
        return schema
    told = {key: _as_told(each) for key, each in schema.items()}
    if "properties" in told:
        named = told["properties"].items()
        told["properties"] = {
            key.removesuffix("_s"): dict(_TIME) if key.endswith("_s") else each for key, each in named
        }
        told["required"] = [key.removesuffix("_s") for key in told.get("required", ()) if not key.startswith("badges")]
        for key in ("badges", "badges_added", "badges_gone"):
            if key in told["properties"]:
                told["properties"][key]["description"] = "only with the scope read:people"
    return told
