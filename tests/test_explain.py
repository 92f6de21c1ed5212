"""`roadtally explain`: what it shows is what replay states and what stands in the recording itself."""

from __future__ import annotations

import io
import json
import os
import pty
import re
import subprocess
import sys
import termios
from argparse import ArgumentParser, Namespace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import agent.window
from agent.custody import ABOARD
from agent.errors import ConfigError
from agent.evidence import Evidence, heard_between, latest_line, leg_belief
from agent.evidence_account import say
from agent.explain import add_arguments, explain, run, screen_of, watch_recording
from agent.hindsight import Subject, look_back, looked_back
from agent.itinerary import Leg
from agent.presence.belief import Assessment, assess
from agent.recording import encode_line, lines_of
from agent.records import Input
from agent.replay import replay
from agent.setup import read_setup
from agent.statements import SAME_P
from agent.units import parse_utc
from tests import tinyday
from tests.days import EPCS, ITEMS, TAGS, Scene, setup_of
from tests.days import VEHICLE as SCENE_VEHICLE
from tests.test_vehicle_agent import Van

PAR_LAMP, RACK, ON_THE_DOCK = (tinyday.EPCS[name] for name in "ABD")


def write_recording(path: Path, inputs: list[Input]) -> Path:
    """A recording of these inputs."""
    path.write_bytes(b"".join(encode_line(line) + b"\n" for item in inputs for line in lines_of(item)))
    return path


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The day of twenty minutes as files, with what replay makes of it in `out`."""
    folder = tmp_path_factory.mktemp("day")
    tinyday.write_files(folder)
    write_recording(folder / "recording.jsonl", list(tinyday.inputs()))
    setup = read_setup(
        config=folder / "vehicle.toml", sites=folder / "geofences", register=folder / "register.csv"
    )
    replay(setup, folder / "recording.jsonl", folder / "out")
    return folder


def options(folder: Path, epc: str, *more: str, source: str = "recording.jsonl") -> Namespace:
    """The command's options for a folder with everything in it."""
    parser = ArgumentParser()
    add_arguments(parser)
    files = [f"--config={folder / 'vehicle.toml'}", f"--sites={folder / 'geofences'}"]
    files.append(f"--register={folder / 'register.csv'}")
    return parser.parse_args([str(folder / source), "--epc", epc, *files, *more])


def of(folder: Path, epc: str, *more: str, source: str = "recording.jsonl") -> Evidence:
    """The evidence."""
    return explain(options(folder, epc, *more, source=source))[0]


def lines(path: Path) -> list[dict[str, Any]]:
    """The JSON lines of a file."""
    return [json.loads(line) for line in path.read_text().splitlines()]


@pytest.mark.parametrize("letter", "ABCD")
def test_the_decisions_are_those_that_replay_states(day: Path, letter: str) -> None:
    """Each event of the tag: same id, kind, time, interval, confidence and site, and nothing else."""
    epc = tinyday.EPCS[letter]
    told = lines(day / "out" / "events.jsonl")
    stated = [e for e in told if e["action"] != "OBSERVE" and epc in e.get("childEPCs", [])]
    shown = of(day, epc).decisions
    assert len(shown) == {"A": 1, "B": 2, "C": 1, "D": 0}[letter]
    assert {d.event_id for d in shown if d.stands} == {e["eventID"] for e in stated}
    for event in stated:
        (one,) = [d for d in shown if d.event_id == event["eventID"]]
        assert one.kind == {"ADD": "loaded", "DELETE": "unloaded"}[event["action"]]
        times = ("eventTime", "rt:not_before", "rt:not_after")
        assert [one.at_s, one.not_before_s, one.not_after_s] == [parse_utc(event[key]) for key in times]
        assert one.p == event["rt:confidence"][0]["rt:p"]
        assert event["bizLocation"]["id"] == f"urn:roadtally:site:{one.site}"


@pytest.mark.parametrize("letter", "ABCD")
def test_each_leg_has_its_manifests_line(day: Path, letter: str) -> None:
    """Revision by revision what the manifests say; the belief looking back is within what makes no new revision."""
    evidence = of(day, tinyday.EPCS[letter])
    told = lines(day / "out" / "manifests.jsonl")
    assert [(line.manifest, line.revision) for line in evidence.lines] == [(m["manifest"], m["revision"]) for m in told]
    for line, body in zip(evidence.lines, told, strict=True):
        sure = {entry["epc"]: entry["confidence"] for entry in body["items"]}
        assert line.p == sure.get(tinyday.EPCS[letter])
    assert len(evidence.legs) == 2
    for leg in evidence.legs:
        line, p = latest_line(evidence, leg.manifest), leg_belief(evidence, leg)
        assert line is not None
        assert p is not None
        assert abs(p - (line.p if line.p is not None else 0.0)) <= (SAME_P if line.p is not None else 0.5)


def weak_scene() -> Scene:
    """Items heard well, weakly and hardly go to the hall; one stays there; then home, and a second trip."""
    scene = Scene(seed=5)
    scene.stay(300).doors(on=True).hear("case-1").hear("case-2", rate=0.06).hear("case-3", rate=0.15)
    for number in (4, 5, 6, 7, 8):
        scene.hear(f"case-{number}", rate=0.003 * number)
    scene.stay(240)
    scene.doors(on=False).stay(60).drive("hall").stay(20).doors(on=True).stay(120).lose("case-3").stay(120)
    scene.doors(on=False).stay(30).drive("depot").stay(30).doors(on=True).stay(200).lose("case-1").stay(60)
    scene.doors(on=False).stay(700).drive("studio").stay(120).drive("depot").stay(300)
    return scene


def test_what_is_shown_is_what_was_decided_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Looking back on each trip gives, bit by bit, the tally's own last smoothing before it let go of that trip."""
    taken: list[tuple[int, Assessment]] = []

    def noted(belief: Any, **how: Any) -> Any:
        found = assess(belief, **how)
        taken.append((belief.era, found[1]))
        return found

    monkeypatch.setattr(agent.window, "assess", noted)
    setup = setup_of()
    recording = write_recording(tmp_path / "r.jsonl", weak_scene().inputs)
    watch = watch_recording(setup, Subject(EPCS["case-2"], TAGS["case-2"], "case 2", "item"), recording)
    assert len(watch.chapters) == 3
    for era, chapter in enumerate(watch.chapters):
        theirs = [assessment for at, assessment in taken if at == era][-1]
        found = look_back(setup, chapter)
        assert found is not None
        np.testing.assert_array_equal(found[1].at_s, theirs.at_s)
        np.testing.assert_array_equal(found[1].aboard, theirs.aboard)
        assert found[1].marks[: len(theirs.marks)] == theirs.marks


def test_the_belief_on_a_leg_is_its_manifests_to_the_rounding(tmp_path: Path) -> None:
    """The revision that a trip's end gives its last leg has the confidences that looking back shows, to 4 decimals."""
    setup = setup_of()
    recording = write_recording(tmp_path / "r.jsonl", weak_scene().inputs)
    replay(setup, recording, tmp_path / "out")
    told = lines(tmp_path / "out" / "manifests.jsonl")
    unsure = 0
    for name in EPCS:
        subject = Subject(EPCS[name], TAGS[name], ITEMS[name].name, "item")
        watch = watch_recording(setup, subject, recording)
        for chapter in watch.chapters[:2]:
            state = chapter.state
            leg = [s for s in state.itinerary.segments if isinstance(s, Leg)][-1]
            assert leg.to_s is not None
            mark_s = (leg.from_s + leg.to_s) / 2
            (p,) = [p for at_s, p in looked_back(setup, subject, chapter) if at_s == mark_s]
            name_of_leg = state.ledger.manifests[leg.number]["manifest"]
            (body,) = [m for m in told if m["manifest"] == name_of_leg and m["arrived"] and m["revision"] == 2]
            stated = {entry["epc"]: entry["confidence"] for entry in body["items"]}.get(EPCS[name])
            assert stated == (round(p, 4) if p >= ABOARD else None)
            unsure += ABOARD < p < 0.999
    assert unsure


def heard_by_hand(day: Path, tag: str, from_s: float, to_s: float) -> tuple[int, int]:
    """(rounds that heard a tag, rounds) between two UTC times, counted in the recording's own lines."""
    heard = rounds = 0
    mine = False
    for line in lines(day / "recording.jsonl"):
        if line["kind"] == "read":
            mine = mine or line["epc"] == tag
        elif line["kind"] == "round":
            at_s = tinyday.START_UTC_S + line["mono"] - tinyday.BOOT_MONO_S
            if from_s < at_s <= to_s:
                rounds, heard = rounds + 1, heard + mine
            mine = False
    return heard, rounds


def test_the_words_count_what_stands_in_the_recording(day: Path) -> None:
    """Rounds of the drive, and of the stop before and after the loading, are those of the recording's own lines."""
    evidence = of(day, PAR_LAMP)
    account = {paragraph.of.kind: paragraph for paragraph in say(evidence) if paragraph.of is not None}
    loaded = evidence.decisions[0]
    stop, leg = evidence.passages[0], evidence.passages[1]
    tag = tinyday.TAGS["A"]
    loaded_s = loaded.at_s + 0.2  # a round that ends with it, give or take the receiver's own lag, is before it
    before = heard_by_hand(day, tag, stop.from_s, loaded_s)
    after = heard_by_hand(day, tag, loaded_s, stop.to_s)
    drive = heard_by_hand(day, tag, leg.from_s, leg.to_s)
    assert drive[0] > 100
    text = account["loaded"].text
    assert f"{before[0]} of {before[1]} rounds before that" in text or f"in none of {before[1]} rounds" in text
    assert f"in {after[0]} of {after[1]} rounds after that" in text
    assert f"heard in {drive[0]} of {drive[1]} rounds of the 4 min drive to Gull Lane Theatre" in text
    assert "which nothing left behind at Halyard hire depot would be" in text
    when = r"07:0\d \((between 07:0\d and 07:0\d|within that minute)\)"
    assert re.fullmatch(rf"Loaded at Halyard hire depot, {when}, .+", account["loaded"].head)


def test_doors_inputs_and_sites_are_as_they_were(day: Path) -> None:
    """The doors' spans are the input's changes, the stops are the two sites, in order."""
    evidence = of(day, PAR_LAMP)
    changes = [at_s for at_s, port, _ in tinyday.port_changes() if port == tinyday.DOORS][1:]
    begun = tinyday.START_UTC_S
    spans = [(span.from_s - begun, span.to_s - begun) for span in evidence.doors]
    for (from_s, to_s), (opened_s, closed_s) in zip(spans, list(pairwise(changes))[::2], strict=True):
        assert 0 < from_s - opened_s <= 2
        assert 0 < to_s - closed_s <= 2
    stops = [passage.name for passage in evidence.passages if passage.kind == "stop"]
    assert stops == ["Halyard hire depot", "Gull Lane Theatre", "Halyard hire depot"]
    assert evidence.zone == "Atlantic/Azores"


def test_what_stood_by_is_said_to_have_been_left(day: Path) -> None:
    """The fourth item, heard at the dock and never aboard: no decision, and its rounds on the drives are none."""
    evidence = of(day, ON_THE_DOCK)
    told = say(evidence)
    assert not evidence.decisions
    assert told[0].head == "Near the van, never believed aboard"
    driving = sum(heard_between(evidence.hearing, leg.from_s, leg.to_s)[1] for leg in evidence.legs)
    assert f"in 0 of {driving} rounds of its drives" in told[0].text


def test_never_heard_is_said(day: Path, tmp_path: Path) -> None:
    """A thing of the register that no round heard: so many rounds, none of them."""
    for name in ("vehicle.toml", "recording.jsonl"):
        (tmp_path / name).write_bytes((day / name).read_bytes())
    (tmp_path / "geofences").mkdir()
    (tmp_path / "geofences" / "sites.geojson").write_text(tinyday.sites())
    (tmp_path / "register.csv").write_text(tinyday.REGISTER + "urn:epc:id:grai:9521141.12345.77,item,fog machine 7\n")
    told = say(of(tmp_path, "fog machine 7"))
    rounds = sum(line["kind"] == "round" for line in lines(day / "recording.jsonl"))
    assert told[0].head == "Never heard"
    assert f"none of {rounds} rounds" in told[0].text


def test_a_decision_taken_back_is_shown_as_such(tmp_path: Path) -> None:
    """An item silent at the hall and heard again later: what was said of it meanwhile is taken back, in words."""
    scene = Scene(seed=3).hear("case-1").stay(200).doors(on=True).stay(100).doors(on=False).drive("hall").stay(20)
    scene.doors(on=True).stay(60).lose("case-1").stay(300).doors(on=False).stay(700).drive("studio").stay(60)
    scene.hear("case-1").stay(30).drive("hall").stay(60).drive("depot").stay(400)
    recording = write_recording(tmp_path / "r.jsonl", scene.inputs)
    replay(setup_of(), recording, tmp_path / "out")
    back = [e for e in lines(tmp_path / "out" / "events.jsonl") if "errorDeclaration" in e and e["action"] != "OBSERVE"]
    subject = Subject(EPCS["case-1"], TAGS["case-1"], "case 1", "item")
    evidence = watch_recording(setup_of(), subject, recording).evidence()
    assert back
    assert {d.event_id: d.taken_back_s for d in evidence.decisions if not d.stands} == {
        e["eventID"]: parse_utc(e["errorDeclaration"]["declarationTime"]) for e in back
    }
    heads = [paragraph.head for paragraph in say(evidence)]
    assert sum(head.startswith("Taken back: ") for head in heads) == len(back)


def test_a_moment_shows_the_stop_around_it(day: Path) -> None:
    """`--at` with a local time: the stop that holds it and the drives beside it, and what was believed then."""
    evidence, at_s = explain(options(day, RACK, "--at", "07:10"))
    assert at_s == tinyday.START_UTC_S + 600
    assert evidence.from_s < tinyday.START_UTC_S + tinyday.LEFT_DEPOT_S < evidence.to_s
    (first, *_) = say(evidence, around_s=at_s)
    assert first.head == "At 07:10:00 the van stood at Gull Lane Theatre (0.94)"
    assert "as believed at the time" in first.text


@pytest.mark.parametrize("at", ["2026-03-04", "2026-03-04T08:10:00Z", "2026-03-04T07:10", "7:10:30"])
def test_times_may_be_written_in_any_of_these_ways(day: Path, at: str) -> None:
    """A day, UTC, local with and without a date: all lie within the day of the recording."""
    evidence, at_s = explain(options(day, RACK, "--at", at))
    assert at_s is None or evidence.from_s <= at_s <= evidence.to_s
    assert (at_s is None) == (at == "2026-03-04")


@pytest.mark.parametrize(
    ("epc", "more", "says"),
    [
        ("lamp post", (), "no thing of that name"),
        ("par lampp 1", (), "'par lamp 1' is near"),
        ("r", (), "things fit"),
        ("urn:epc:id:grai:9521141.12345", (), "4 things fit"),
        ("urn:epc:id:grai:1", (), "parts between dots"),
        ("3316451FD400038000000999", (), "the recording never heard it"),
        ("par lamp 1", ("--at", "soon"), "give a time such as"),
        ("par lamp 1", ("--at", "2026-03-05"), "outside of what is recorded"),
        ("par lamp 1", ("--at", "2026-02-31"), "give a time such as"),
        ("par lamp 1", ("--svg", "/dev/null/x.svg"), "give a file that can be written"),
    ],
)
def test_what_is_wrong_is_said_with_what_to_do(day: Path, epc: str, more: tuple[str, ...], says: str) -> None:
    """Nothing fits, several do, a time is none or outside, a file cannot be written: each in words."""
    with pytest.raises(ConfigError, match=re.escape(says)):
        run(options(day, epc, *more))


def test_a_recording_needs_sites_and_register(day: Path) -> None:
    """Both are asked for at once."""
    parser = ArgumentParser()
    add_arguments(parser)
    given = ["--epc", PAR_LAMP, "--config", str(day / "vehicle.toml")]
    with pytest.raises(ConfigError, match="--sites and --register"):
        run(parser.parse_args([str(day / "recording.jsonl"), *given]))


def test_every_form_of_an_epc_is_the_same_thing(day: Path) -> None:
    """Pure identity, tag URI, hex, hex with another filter value, name and part of the EPC."""
    filtered = f"{int(tinyday.TAGS['A'], 16) | (3 << 85):024X}"
    forms = [PAR_LAMP, PAR_LAMP.replace(":id:grai:", ":tag:grai-96:2."), tinyday.TAGS["A"].lower(), filtered]
    forms += ["PAR LAMP 1", "12345.1"]
    assert {of(day, form).epc for form in forms} == {PAR_LAMP}


def test_a_terminal_sees_colour_and_progress_and_a_pipe_neither(day: Path) -> None:
    """On a terminal of 100 columns: a bar, colours, no line wider; in a pipe plain text of 80 columns, no bar."""
    given = options(day, PAR_LAMP)
    command = [sys.executable, "-m", "agent", "explain", str(given.source), "--epc", PAR_LAMP,
               f"--config={given.config}", f"--sites={given.sites}", f"--register={given.register}"]  # fmt: skip
    environment = {key: value for key, value in os.environ.items() if key not in {"NO_COLOR", "COLUMNS"}}
    environment |= {"TERM": "xterm", "PYTHONIOENCODING": "utf-8"}
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, 100))
    os.set_blocking(ours, False)
    try:
        subprocess.run(command, stdout=theirs, stderr=theirs, check=True, timeout=60, env=environment)
        shown = b""
        while True:
            try:
                shown += os.read(ours, 65536)
            except BlockingIOError:
                break
    finally:
        os.close(ours)
        os.close(theirs)
    text = shown.decode()
    assert "recording.jsonl" in text
    assert "\x1b[94m" in text
    picture = re.sub(r"\x1b\[[0-9;]*m", "", text.rpartition("\r")[0])
    assert max(len(line) for line in picture.replace("\r\n", "\n").split("\n") if "%" not in line) <= 100
    piped = subprocess.run(command, capture_output=True, check=True, timeout=60, env=environment)
    assert piped.stderr == b""
    assert b"\x1b" not in piped.stdout
    assert max(map(len, piped.stdout.decode().splitlines())) <= 80


def test_a_stream_that_can_show_less_is_asked_less() -> None:
    """ASCII where the encoding has no blocks; no colour for NO_COLOR, a dumb terminal or no terminal."""

    class Terminal(io.TextIOWrapper):
        def isatty(self) -> bool:
            return True

    plain, rich = Terminal(io.BytesIO(), encoding="ascii"), Terminal(io.BytesIO(), encoding="utf-8")
    assert not screen_of(plain, {"TERM": "xterm"}).unicode
    assert screen_of(rich, {"TERM": "xterm"}).unicode
    assert screen_of(rich, {"TERM": "xterm"}).colour
    assert not screen_of(rich, {"TERM": "xterm", "NO_COLOR": "1"}).colour
    assert not screen_of(rich, {"TERM": "dumb"}).colour
    assert not screen_of(io.TextIOWrapper(io.BytesIO(), encoding="utf-8"), {"TERM": "xterm"}).colour


def test_a_store_explains_beside_its_writer(tmp_path: Path) -> None:
    """While the agent has it open: decisions and manifests as its records have them, and what is missing."""
    van = Van(tmp_path).live(tinyday.inputs(), until_s=1000.0)
    try:
        van.agent._commit((), van.clock.now)
        evidence = of(tmp_path, RACK, source="vehicle.db")
        events = [e for e in van.bodies("event") if RACK in e.get("childEPCs", []) and e["action"] != "OBSERVE"]
        assert {d.event_id for d in evidence.decisions} == {e["eventID"] for e in events}
        assert {d.kind for d in evidence.decisions if d.stands} == {"loaded", "unloaded"}
        assert all(d.said_s is not None for d in evidence.decisions)
        assert [(line.manifest, line.revision) for line in evidence.lines] == [
            (m["manifest"], m["revision"]) for m in van.bodies("manifest")
        ]
        whole = tmp_path / "whole"
        whole.mkdir()
        tinyday.write_files(whole)
        until_s = tinyday.BOOT_MONO_S + 1000.0
        write_recording(whole / "recording.jsonl", [item for item in tinyday.inputs() if item.mono <= until_s])
        recorded = of(whole, RACK)
        # A slot belongs to the drive in which it ends; on its edges one slot of some five rounds may differ.
        for mine, theirs in zip(evidence.legs, recorded.legs, strict=True):
            assert mine.from_s == pytest.approx(theirs.from_s)
            one, other = (heard_between(x.hearing, mine.from_s, mine.to_s) for x in (evidence, recorded))
            assert one == pytest.approx(other, abs=6)
        assert sum(s.reads for s in evidence.strength) == sum(s.reads for s in recorded.strength)
        assert max(p for _, p in evidence.now) > 0.99
        assert evidence.now[-1][1] < 0.1
        assert not evidence.live
        assert any("not what was believed at the time" in text for text in evidence.missing)
    finally:
        van.store.close()


def test_a_store_without_register_or_sites_names_what_its_manifests_name(tmp_path: Path) -> None:
    """With the store and the vehicle file alone: the thing by name, places by their identifiers, and that said."""
    van = Van(tmp_path).live(tinyday.inputs())
    van.agent._commit((), van.clock.now)
    van.store.close()
    parser = ArgumentParser()
    add_arguments(parser)
    given = ["--epc", "dimmer rack 2", "--config", str(tmp_path / "vehicle.toml")]
    evidence, _ = explain(parser.parse_args([str(tmp_path / "vehicle.db"), *given]))
    assert evidence.epc == RACK
    assert {d.kind for d in evidence.decisions if d.stands} == {"loaded", "unloaded"}
    assert any("No sites are known" in text for text in evidence.missing)
    assert {d.place for d in evidence.decisions} == {"urn:roadtally:site:depot", "urn:roadtally:site:hall"}


def test_outside_working_hours_neither_place_nor_badge_is_told(tmp_path: Path) -> None:
    """Working hours that end before the drive: no site's name, and of the badge not one read."""
    hours = '[privacy.working_hours]\ndays = ["mon"]\nfrom = "02:00"\nto = "03:00"\ntimezone = "Atlantic/Azores"\n'
    scene = Scene().hear("badge", "case-1").stay(200).drive("hall").stay(200)
    recording = write_recording(tmp_path / "r.jsonl", scene.inputs)
    setup = setup_of(SCENE_VEHICLE + hours)
    (badge,) = [listing for listing in setup.register.listings if listing.kind == "person"]
    watch = watch_recording(setup, Subject(badge.epc, badge.tag, badge.name, "person"), recording)
    evidence = watch.evidence()
    assert not evidence.strength
    assert not evidence.hearing
    assert not evidence.live
    assert not watch.looking_back(evidence.from_s, evidence.to_s)
    assert {p.name for p in evidence.passages if p.kind == "stop"} == {"place not kept (outside working hours)"}
