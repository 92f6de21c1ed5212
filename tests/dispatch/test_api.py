"""The API under /api/1/: each answer against the schema that its own description states for it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import jsonschema
import pytest
import sqlalchemy as sa

from agent.dispatch import schema
from agent.dispatch.audit import COMMAND_LINE, MASKED, Doer, keep
from agent.dispatch.openapi import ENDPOINTS, description, permit_path
from agent.dispatch.permits import PERMITS, SCOPES
from agent.dispatch.queries import Queries
from agent.dispatch.store import DispatchStore, open_store
from agent.records import Listing
from agent.register import register_of
from tests.dispatch.scenario import BADGE, HOSTILE, VanDay, fill, item
from tests.dispatch.visitor import NOW_S, Depot, Visitor

EXAMPLES = {"{vehicle}": "van-07", "{manifest}": "van-07/2026-03-02/1", "{epc}": item(0)["epc"], "{date}": "2026-03-02"}


@pytest.fixture
def depot(tmp_path: Path) -> Iterator[Depot]:
    """A board with the scenario's vans and an account of each role."""
    store: DispatchStore = open_store(tmp_path / "dispatch.sqlite")
    fill(store, now_s=NOW_S)
    yield Depot(store, tmp_path)
    store.close()


def strict(schema: Any) -> Any:
    """The same schema, which takes no property that it does not name, and knows its own components."""
    if isinstance(schema, list):
        return [strict(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    told = {key: strict(each) for key, each in schema.items()}
    if isinstance(told.get("properties"), dict) and told.get("type") == "object":
        told["additionalProperties"] = False
    if "$ref" in told:
        told["$ref"] = told["$ref"].replace("#/components/schemas/", "#/$defs/")
    return told


def check(document: dict[str, Any], schema: dict[str, Any], value: object) -> None:
    """Raise unless the value keeps to the schema, formats included."""
    whole = strict(schema) | {"$defs": strict(document["components"]["schemas"])}
    jsonschema.Draft202012Validator.check_schema(whole)
    jsonschema.Draft202012Validator(whole, format_checker=jsonschema.FormatChecker()).validate(value)


def stated(document: dict[str, Any], path: str, status: str = "200") -> Any:
    """The schema of an answer, as the description states it."""
    (content,) = document["paths"][path]["get"]["responses"][status]["content"].values()
    return content["schema"]


def test_every_answer_keeps_to_its_schema(depot: Depot) -> None:
    """Each path of the description answers as it says; JSON Schema 2020-12, which OpenAPI 3.1 takes as it is."""
    document = depot.visitor().get("/api/1/openapi.json").json()
    assert document["openapi"].startswith("3.1.")
    program = depot.program(*SCOPES)
    for path in document["paths"]:
        real = path
        for part, value in EXAMPLES.items():
            real = real.replace(part, value)
        answer = program.get(real)
        assert answer.status_code == 200, (real, answer.text)
        told = answer.json()
        if path == "/api/1/sites":
            assert len(told["features"]) == 4
            told = {**told, "features": [{**each, "properties": {k: each["properties"][k] for k in ("site", "name")},
                    "geometry": {"type": "x", "coordinates": []}} for each in told["features"]]}  # fmt: skip
            document["components"]["schemas"]["Sites"]["properties"]["features"]["items"]["properties"]["geometry"] = {}
        check(document, stated(document, path), told)
    van = program.get("/api/1/vans/van-07").json()
    with pytest.raises(jsonschema.ValidationError):
        check(document, stated(document, "/api/1/vans/{vehicle}"), van | {"unknown": 1})
    with pytest.raises(jsonschema.ValidationError):
        check(document, stated(document, "/api/1/vans/{vehicle}"), van | {"at": "yesterday"})


def test_every_route_is_described(depot: Depot) -> None:
    """What is served under /api/1/ is described with the scope that the table of permits asks for, and nothing else."""
    described = {permit_path(each.path): each for each in ENDPOINTS}
    served = {path for method, path in PERMITS if path.startswith("/api/1/") and method == "GET"}
    assert described.keys() == served - {"/api/1/openapi.json"}
    document = description("0")
    for path, each in described.items():
        assert document["paths"][each.path]["get"]["security"] == [{"token": [PERMITS["GET", path].scope]}]
    names = [each["get"]["operationId"] for each in document["paths"].values()]
    assert len(set(names)) == len(names)
    served_now = depot.visitor().get("/api/1/openapi.json").json()
    assert served_now["paths"] == json.loads(json.dumps(document["paths"]))


def test_references_lead_somewhere() -> None:
    """Every reference of the description names a component of it."""
    document = description("0")
    text = json.dumps(document)
    named = {part.split('"')[0] for part in text.split("#/components/schemas/")[1:]}
    assert named <= document["components"]["schemas"].keys()
    assert "VanPage" in named


def problem_of(answer: httpx.Response) -> dict[str, Any]:
    """A refusal as problem details; fails where it is none."""
    assert answer.headers["content-type"] == "application/problem+json"
    document = description("0")
    check(dict(document), {"$ref": "#/components/schemas/Problem"}, answer.json())
    assert answer.json()["status"] == answer.status_code
    return dict(answer.json())


def test_refusals_are_problem_details(depot: Depot) -> None:
    """401 without a token in force, 403 without the scope, 404, 400: all as RFC 9457 says, with what to do."""
    nobody, wrong = depot.visitor(), Visitor(depot.app, token="roadtally_wrong")  # noqa: S106 - one that is none
    for visitor in (nobody, wrong):
        answer = visitor.get("/api/1/vans")
        assert problem_of(answer)["status"] == 401
        assert answer.headers["www-authenticate"].startswith("Bearer")
    assert problem_of(nobody.get("/api/vans"))["status"] == 401
    program = depot.program("read:items")
    answer = program.get("/api/1/vans")
    assert problem_of(answer)["detail"] == "This needs the scope read:vans; the token has read:items."
    assert 'error="insufficient_scope"' in answer.headers["www-authenticate"]
    assert problem_of(program.get("/api/1/items/urn:x"))["status"] == 404
    for query in ("limit=0", "limit=201", "limit=x", "cursor=!", "cursor=%00", "limit=²"):
        assert problem_of(program.get(f"/api/1/items?{query}"))["status"] == 400, query


def test_a_fast_program_is_slowed_down(depot: Depot) -> None:
    """After a burst of a hundred a token is told to wait, another token is not, and a second later it goes on."""
    program, other = depot.program("read:sites"), depot.program("read:sites")
    said = [program.get("/api/1/sites").status_code for _ in range(101)]
    assert said == [200] * 100 + [429]
    answer = program.get("/api/1/sites")
    assert problem_of(answer)["status"] == 429
    assert answer.headers["retry-after"] == "1"
    assert other.get("/api/1/sites").status_code == 200
    depot.clock.mono = lambda: 1.0  # type: ignore[method-assign]
    assert program.get("/api/1/sites").status_code == 200


def test_a_token_ends(depot: Depot) -> None:
    """It says when it was last used; revoked, or made by who may administer no more, it opens nothing."""
    boss = depot.visitor("Quill")
    program = depot.program("read:vans")
    (token,) = depot.accounts.tokens()
    assert token.used_s is None
    assert program.get("/api/1/vans").status_code == 200
    assert depot.accounts.tokens()[0].used_s == NOW_S
    boss.send("/api-access", f"/api-access/tokens/{token.token}/revoke")
    assert program.get("/api/1/vans").status_code == 401
    second = depot.program("read:vans")
    depot.accounts.make("Okafor", "administer", "a trunk of cables more", COMMAND_LINE)
    depot.accounts.change("Quill", COMMAND_LINE, role="dispatch", badge=None, disabled=False)
    assert second.get("/api/1/vans").status_code == 401


def test_badges_only_with_their_scope(depot: Depot) -> None:
    """Without read:people no answer names a badge; it is left out, as an empty list would say that none was aboard."""
    with_people, without = depot.program("read:vans", "read:people"), depot.program("read:vans")
    leg = "/api/1/manifests/van-07/2026-03-02/1"
    day = "/api/1/vans/van-07/days/2026-03-02"
    for path in ("/api/1/vans/van-07", leg, f"{leg}/revisions", day, "/api/van/van-07"):
        assert BADGE["epc"] in with_people.get(path).text, path
        told = without.get(path)
        assert BADGE["epc"] not in told.text
        assert '"badges"' not in told.text


def test_a_badge_is_no_item(depot: Depot, tmp_path: Path) -> None:
    """Whom the register lists as a person is found as no item: neither by a token for items nor on a page."""
    person = Listing(BADGE["epc"], "30", "person", "A. Ferrow")
    shown = Depot(depot.store, tmp_path, people=False, register=register_of((person,)))
    with depot.store.writing() as connection:  # as a vehicle tells it that does not know the badge
        told = {"epc": BADGE["epc"], "name": "A. Ferrow", "tag": "30", "aboard": "van-07", "since_exact": True}
        connection.execute(sa.insert(schema.item).values(told))
    program, page = shown.program("read:items"), shown.visitor("Ferrow")
    assert program.get(f"/api/1/items/{BADGE['epc']}").status_code == 404
    assert program.get(f"/api/item/{BADGE['epc']}").status_code == 404
    assert BADGE["epc"] not in [each["epc"] for some in pages_of(program, "/api/1/items", "items") for each in some]
    assert page.get(f"/item/{BADGE['epc']}").status_code == 404
    for text in ("Ferrow", "a. ferrow", BADGE["epc"], "0000000042"):
        answer = page.get("/search", params={"q": text})
        assert (answer.status_code, f"/item/{BADGE['epc']}" in answer.text) == (200, False), text


def test_there_is_no_evidence_of_a_badge(depot: Depot, tmp_path: Path) -> None:
    """When and where a badge was heard is in no picture of an item's evidence, though a van told it as an item's."""
    told = item(0)
    person = Listing(told["epc"], told["tag"], "person", "A. Ferrow")
    shown = Depot(depot.store, tmp_path, people=False, register=register_of((person,)))
    path = f"/evidence/van-07/{told['epc']}"
    assert depot.visitor("Ferrow").get(path).status_code == 200
    assert shown.visitor("Ferrow").get(path).status_code == 404


def test_the_log_names_badges_only_with_their_scope(depot: Depot) -> None:
    """Without read:people the log's subjects and texts are told without the badges in them, all else as it is."""
    depot.accounts.change("Sarre", COMMAND_LINE, role="dispatch", badge=BADGE["epc"], disabled=False)
    with depot.store.writing() as connection:
        keep(connection, Doer("Quill", "test"), "badge-looked-at", "no EPC, but a badge", at_s=NOW_S)
    sarre = depot.visitor("Sarre")
    sarre.send(f"/badge/{BADGE['epc']}", "/badge-note", epc=BADGE["epc"], text="mine")
    whole = depot.program("read:audit", "read:people").get("/api/1/audit").json()["entries"]
    masked = depot.program("read:audit").get("/api/1/audit")
    assert json.dumps(whole).count(BADGE["epc"]) == 3
    assert "urn:epc" not in masked.text
    assert "but a badge" not in masked.text
    told = masked.json()["entries"]
    assert [each["kind"] for each in told[1:]] == [each["kind"] for each in whole]
    changed = next(each for each in told if each["kind"] == "account-changed")
    assert json.loads(changed["after"]) == {"role": "dispatch", "badge": MASKED, "disabled": False}


def test_vans_on_the_map_only_with_their_scope(depot: Depot) -> None:
    """A token for sites learns where sites are, not where vans are."""
    assert set(depot.program("read:sites").get("/api/map").json()) == {"sites"}
    assert "van-07" in depot.program("read:sites", "read:vans").get("/api/map").json()["vans"]


def test_a_page_of_vans_is_one_question(depot: Depot, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many vans a page lists, they are asked for together."""
    asked: list[object] = []
    whole = Queries.vans

    def counted(self: Queries, **more: Any) -> Any:
        asked.append(more.get("only"))
        return whole(self, **more)

    monkeypatch.setattr(Queries, "vans", counted)
    answer = depot.program("read:vans").get("/api/1/vans").json()["vans"]
    assert [each["vehicle"] for each in answer] == ["van-03", "van-07"]
    assert len(asked) == 1


def pages_of(program: Visitor, path: str, name: str) -> list[list[dict[str, Any]]]:
    """A list, page by page."""
    found: list[list[dict[str, Any]]] = []
    cursor = ""
    while cursor is not None:
        asked = f"{path}{'&' if '?' in path else '?'}limit=3"
        answer = program.get(f"{asked}&cursor={cursor}" if cursor else asked).json()
        found.append(answer[name])
        cursor = answer["next"]
    return found


def test_lists_go_on_where_they_were(depot: Depot) -> None:
    """Nothing comes twice or is left out, though something new comes in between the pages."""
    program = depot.program(*SCOPES)
    pages = pages_of(program, "/api/1/items", "items")
    assert [len(each) for each in pages] == [3, 3, 3, 3, 2]
    epcs = [each["epc"] for page in pages for each in page]
    assert epcs == sorted(set(epcs))
    aboard = [each for page in pages_of(program, "/api/1/items?aboard=van-07", "items") for each in page]
    assert {each["aboard"] for each in aboard} == {"van-07"}
    vans = [each["vehicle"] for page in pages_of(program, "/api/1/vans", "vans") for each in page]
    assert vans == ["van-03", "van-07"]
    first = program.get("/api/1/audit?limit=2").json()
    with depot.store.writing() as connection:
        keep(connection, COMMAND_LINE, "sites-changed", "depot", at_s=NOW_S)
    second = program.get(f"/api/1/audit?limit=2&cursor={first['next']}").json()
    numbers = [each["number"] for each in first["entries"] + second["entries"]]
    assert numbers == list(range(numbers[0], numbers[0] - 4, -1))


def test_what_is_known_is_not_sent_again(depot: Depot) -> None:
    """The same answer under its ETag is 304 without a body, until something changes."""
    program = depot.program("read:items")
    first = program.get("/api/1/items?limit=2")
    again = program.get("/api/1/items?limit=2", headers={"if-none-match": f'"x", W/{first.headers["etag"]}'})
    assert (again.status_code, again.content) == (304, b"")
    day = VanDay("van-03", epoch=2)
    day.manifest(1, 1, ("depot", NOW_S), [item(0) | {"name": HOSTILE[:900]}])
    depot.store.ingest(day.batches()[0], received_s=NOW_S)
    fresh = program.get("/api/1/items?limit=2", headers={"if-none-match": first.headers["etag"]})
    assert fresh.status_code == 200
    assert fresh.json()["items"][0]["name"] == HOSTILE[:900]


def test_the_page_that_explains_it(depot: Depot) -> None:
    """Every curl line of the page names a path that answers."""
    page = depot.visitor("Quill").get("/api-access").text
    lines = re.findall(r"curl -sS .*?http://localhost([^<'\s]*)", page)
    program = depot.program(*SCOPES)
    assert len(lines) == 6
    for each in lines:
        assert program.get(each.replace("&amp;", "&")).status_code == 200, each
