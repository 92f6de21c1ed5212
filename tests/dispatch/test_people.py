"""A badge's own record: who sees it, what it says and does not say, and the notes beside it."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from agent.dispatch.audit import COMMAND_LINE, AuditLog, Wanted
from agent.dispatch.badges import epcs_of
from agent.dispatch.people import Assigned, assigned_by
from agent.dispatch.schema_accounts import badge_leg, note
from agent.dispatch.store import DispatchStore, open_store
from agent.records import PlanRow
from tests.dispatch.scenario import BADGE, DAY_S, HOSTILE, VanDay, fill, item
from tests.dispatch.test_board import text_of
from tests.dispatch.test_migrations import RELEASE_0_1_0
from tests.dispatch.visitor import NOW_S, PASSWORDS, Depot

PAGE, LEG = f"/badge/{BADGE['epc']}", "van-07/2026-03-02/1"
ASSIGNED = Assigned({("van-07", "2026-03-02"): ("I. Sarre",)})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """A store with the scenario's two vans."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    fill(opened, now_s=NOW_S)
    yield opened
    opened.close()


@pytest.fixture
def depot(store: DispatchStore, tmp_path: Path) -> Depot:
    """A board with an account of each role; Ferrow carries the badge."""
    return Depot(store, tmp_path, assigned=ASSIGNED)


def test_where_a_badge_was_heard(depot: Depot) -> None:
    """Legs with places, times and confidence, the assigned driver as the plan's word, and the caution over all."""
    text = text_of(depot.visitor("Ferrow").get(PAGE))
    assert "Your badge: A. Ferrow" in text
    assert "A badge aboard proves neither who drove nor who carried anything." in text
    assert "Badge aboard, as last told, of van-07." in text
    leg = r"van-07/2026-03-02/1\s*Ostrand hire depot, 07:00\s*Tern Street Playhouse, 07:25\s*very likely 99.0 %"
    assert re.search(leg, text), text
    assert "I. Sarre, by the plan" in text
    assert "Kept for 14 days, then deleted with its notes" in text
    for word in ("score", "rank"):
        assert text.count(word) == 1, "only where it says that there is none"


def test_only_the_person_and_those_who_dispatch(depot: Depot) -> None:
    """Another account that may only look sees neither the record nor a way to it; an unknown badge is said."""
    depot.accounts.make("Okafor", "look", PASSWORDS["Ferrow"], COMMAND_LINE)
    other = depot.visitor()
    assert other.log_in("Okafor", PASSWORDS["Ferrow"]).status_code == 303
    assert other.get(PAGE).status_code == 403
    assert "/badge/" not in other.get("/van/van-07").text
    token = other.token_on("/me")
    answer = other.ask("POST", "/badge-note", data={"form_token": token, "epc": BADGE["epc"], "text": "x"})
    assert answer.status_code == 403
    for name in ("Ferrow", "Sarre", "Quill"):
        assert "/badge/" in depot.visitor(name).get("/van/van-07").text
    assert depot.visitor("Sarre").get("/badge/urn:epc:id:gsrnp:9521141.0000000099").status_code == 404


def test_who_looked_is_told_to_the_person(depot: Depot) -> None:
    """A dispatcher's look is kept once a day and shown to the badge's person; the person's own look is not."""
    own, dispatcher = depot.visitor("Ferrow"), depot.visitor("Sarre")
    assert "Nobody else." in text_of(own.get(PAGE))
    for _ in range(3):
        assert dispatcher.get(PAGE).status_code == 200
    assert re.search(r"Who else looked at this record Sarre, 08:06", text_of(own.get(PAGE)))
    looked = AuditLog(depot.store).entries(Wanted(kind="badge-looked-at"))
    assert [(each.who, each.subject) for each in looked] == [("Sarre", BADGE["epc"])]


def test_a_note_stands_beside_the_record(depot: Depot, store: DispatchStore) -> None:
    """The person adds notes to a leg and to the whole; they are shown with name and time, and no record changes."""
    own = depot.visitor("Ferrow")
    with store.reading() as connection:
        before = connection.execute(sa.text("SELECT * FROM record ORDER BY vehicle, epoch, seq")).all()
    about = {"epc": BADGE["epc"], "about": LEG, "text": "I was on foot that day; the badge lay in the van."}
    assert own.send(PAGE, "/badge-note", **about).status_code == 303
    assert own.send(PAGE, "/badge-note", epc=BADGE["epc"], about="", text=HOSTILE[:1500]).status_code == 303
    text = text_of(own.get(PAGE))
    said = r"I was on foot that day; the badge lay in the van\.\s*Note by Ferrow, 08:06, about van-07/2026-03-02/1"
    assert re.search(said, text), text
    assert "<script>alert(1)</script>" in text
    assert "<script>alert" not in own.get(PAGE).text
    with store.reading() as connection:
        assert connection.execute(sa.text("SELECT * FROM record ORDER BY vehicle, epoch, seq")).all() == before
    kept = AuditLog(store).entries(Wanted(kind="badge-note"))
    assert (kept[1].who, kept[1].after) == ("Ferrow", f'{{"about":"{LEG}","letters":{len(about["text"])}}}')


def test_a_note_that_cannot_be_taken(depot: Depot) -> None:
    """An empty one, one too long, one about another's leg: said in words, and what was typed is still there."""
    own = depot.visitor("Ferrow")
    for fields, says in (
        ({"text": "  "}, "write what the note should say"),
        ({"text": "W" * 2001}, "no more than 2000 characters; this one has 2001"),
        ({"text": "mine", "about": "van-03/2026-03-02/1"}, "not in this badge&#39;s record"),
    ):
        answer = own.send(PAGE, "/badge-note", epc=BADGE["epc"], **fields)
        assert (answer.status_code, says in answer.text) == (422, True), fields
        assert fields["text"].strip() in answer.text


@pytest.mark.parametrize("epc", ["", "nonsense", "x" * 5000, "urn:epc:id:gsrnp:9521141.0000000099"])
def test_a_note_stands_beside_a_record_only(depot: Depot, store: DispatchStore, epc: str) -> None:
    """What is no badge's EPC, or one of which nothing is kept, gets no note and no entry in the log."""
    dispatcher = depot.visitor("Sarre")
    answer = dispatcher.send(PAGE, "/badge-note", epc=epc, text="a note beside nothing")
    assert answer.status_code in (404, 422)
    with store.reading() as connection:
        assert connection.execute(sa.select(note)).first() is None
    assert not AuditLog(store).entries(Wanted(kind="badge-note"))


def test_what_is_too_old_is_gone(depot: Depot, store: DispatchStore) -> None:
    """After the days that badges are kept, neither the page nor the tables hold the legs or the notes."""
    own = depot.visitor("Ferrow")
    own.send(PAGE, "/badge-note", epc=BADGE["epc"], about=LEG, text="a note")
    depot.clock.utc_s += 15 * 86_400
    own = depot.visitor("Ferrow")
    old = text_of(own.get(PAGE))  # the van's last word still names it until it is forgotten
    assert ("On no leg that is still kept." in old, "a note" in old.split("Notes")[1]) == (True, False)
    store.forget(records_before_s=0.0, badges_before_s=depot.clock.utc_s - 14 * 86_400)
    assert own.get(PAGE).status_code == 404
    with store.reading() as connection:
        for table in (badge_leg, note):
            assert connection.execute(sa.select(sa.func.count()).select_from(table)).scalar() == 0


def test_a_higher_revision_takes_a_badge_off(depot: Depot, store: DispatchStore) -> None:
    """A leg whose highest revision names the badge no more, or that was withdrawn, is none of its record."""
    day = VanDay("van-07", epoch=3)
    day.manifest(1, 3, ("depot", DAY_S + 3600), [item(1)], badges=[])
    day.manifest(2, 2, ("playhouse", DAY_S + 7200), [item(1)], withdrawn=True)
    store.ingest(day.batches()[0], received_s=NOW_S)
    assert "On no leg that is still kept." in text_of(depot.visitor("Ferrow").get(PAGE))


def test_the_assigned_driver_on_a_vans_page(depot: Depot) -> None:
    """The plan's driver of the day, told as the plan's word and apart from the badge aboard."""
    text = text_of(depot.visitor("Sarre").get("/van/van-07"))
    said = "Assigned driver today, by the plan: I. Sarre The plan says who should drive; nothing here proves who did."
    assert said in text
    assert "Assigned driver" not in text_of(depot.visitor("Sarre").get("/van/van-03"))


def test_drivers_of_a_plan() -> None:
    """By vehicle and day, each once, by the register's name, without what was cancelled."""
    epc = BADGE["epc"]
    rows = [
        PlanRow("van-07", "2026-03-02", "depot", "hall", epc="urn:x", driver=epc),
        PlanRow("van-07", "2026-03-02", "depot", "quay", epc="urn:y", driver=epc),
        PlanRow("van-03", "2026-03-02", "depot", "hall", epc="urn:z", driver=epc, cancelled=True),
        PlanRow("van-03", "2026-03-02", "depot", "hall", epc="urn:z"),
    ]
    assert assigned_by(rows, {epc: "A. Ferrow"}).drivers == {("van-07", "2026-03-02"): ("A. Ferrow",)}


def test_legs_of_an_earlier_release_are_found(tmp_path: Path) -> None:
    """A database of 0.1.0 is read once for the badges of its manifests, whatever else stands in their place."""
    path, day = tmp_path / "dispatch.sqlite", VanDay()
    body = json.dumps(day.manifest_body(1, 1, ("depot", DAY_S), [item(1)]))
    with sqlite3.connect(path) as connection:
        connection.executescript(RELEASE_0_1_0.read_text())
        for seq, text in ((1, body), (2, "{"), (3, '{"badges":[7]}')):
            row = ("van-07", f"van-07/2026-03-02/{seq}", 1, 1, seq, DAY_S, False, text)
            connection.execute("INSERT INTO manifest VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
    connection.close()
    store = open_store(path)
    with store.reading() as read:
        assert read.execute(sa.select(badge_leg)).all() == [(BADGE["epc"], "van-07", "van-07/2026-03-02/1", DAY_S)]
    store.close()


@pytest.mark.parametrize(
    ("document", "epcs"),
    [
        ('{"badges":[{"epc":"a"},{"epc":"a"},{"epc":"b"}]}', ("a", "b")), ('{"badges":"?"}', ()), ("[]", ()), ("{", ()),
        ('{"badges":[7,{"epc":7},{"epc":"a\\u0000"}]}', ()),
    ],
)  # fmt: skip
def test_badges_of_any_document(document: str, epcs: tuple[str, ...]) -> None:
    """Whatever a vehicle wrote, what is there of badges is read and the rest is none."""
    assert epcs_of(document) == epcs
