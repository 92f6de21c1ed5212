"""`roadtally replay`: whole recordings to files, held against the formats by a program that knows nothing of ours."""

from __future__ import annotations

import gzip
import json
import os
import pty
import shutil
import subprocess
import sys
import termios
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from agent.errors import ConfigError
from agent.replay import add_arguments, run
from agent.world import day_files, make_day

REGION = Path(__file__).resolve().parents[1] / "geofences" / "region.geojson"
FILES = ("events.jsonl", "manifests.jsonl", "summary.json")


def options(folder: Path, out: Path, **changed: Path) -> Namespace:
    """The command's options for a folder that holds an example."""
    parser = ArgumentParser()
    add_arguments(parser)
    given = {
        "config": folder / "vehicle.toml",
        "sites": folder / "geofences",
        "register": folder / "register.csv",
        "out": out,
    } | changed
    recording = given.pop("recording", folder / "recording.jsonl")
    return parser.parse_args(
        [str(recording), *(part for key, path in given.items() for part in (f"--{key}", str(path)))]
    )


def replayed(folder: Path, out: Path, **changed: Path) -> dict[str, Any]:
    """The summary of a replay that went well."""
    assert run(options(folder, out, **changed)) == 0
    summary: dict[str, Any] = json.loads((out / "summary.json").read_text())
    return summary


def conforms(conform: Path, out: Path, *more: str | Path) -> str:
    """What the checking program says; the test fails where it finds anything."""
    done = subprocess.run([sys.executable, conform, out, *more], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def told(short_day: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The short day's output."""
    out = tmp_path_factory.mktemp("short")
    replayed(short_day, out)
    return out


def test_the_short_day_conforms_and_is_right(told: Path, short_day: Path, conform: Path) -> None:
    """Every load, unload and manifest as it truly was, in the form of the formats."""
    said = conforms(
        conform, told, "--truth", short_day / "truth.json", "--sites", short_day / "geofences/sites.geojson"
    )
    assert "0 problems" in said


def test_its_summary_counts_the_files_own_lines(told: Path, short_day: Path) -> None:
    """Lines, reads, rounds and fixes as grep would count them; two legs, three stops, two lines that are none."""
    summary = json.loads((told / "summary.json").read_text())
    lines = (short_day / "recording.jsonl").read_text().splitlines()
    assert summary["lines"] == len(lines)
    for key, kind in (("reads", "read"), ("rounds", "round"), ("fixes", "fix")):
        assert summary[key] == sum(line.startswith(f'{{"kind":"{kind}",') and line.endswith("}") for line in lines)
    assert (summary["legs"], summary["stops"]) == (2, 3)
    assert summary["skipped"] == {"not_json": 1, "unknown_kind": 1}
    assert summary["seconds"] > 0


def test_the_same_recording_gives_the_same_bytes(told: Path, short_day: Path, tmp_path: Path) -> None:
    """A second run, in a process of its own, differs in `seconds` alone."""
    command = [sys.executable, "-m", "agent", "replay", short_day / "recording.jsonl",
               "--config", short_day / "vehicle.toml", "--sites", short_day / "geofences",
               "--register", short_day / "register.csv", "--out", tmp_path / "made" / "here"]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, cwd=REGION.parents[1])
    out = tmp_path / "made" / "here"
    for name in FILES[:2]:
        assert (out / name).read_bytes() == (told / name).read_bytes()
    one, other = (json.loads((folder / FILES[2]).read_text()) for folder in (out, told))
    assert one | {"seconds": 0} == other | {"seconds": 0}


def test_a_terminal_sees_progress_and_nothing_else_does(told: Path, short_day: Path, tmp_path: Path) -> None:
    """With a terminal as standard error a bar shows how far it is; without one nothing is written there."""
    given = options(short_day, tmp_path / "out")
    words = ["replay", str(given.recording), "--config", str(given.config), "--sites", str(given.sites),
             "--register", str(given.register), "--out", str(given.out)]  # fmt: skip
    command = [sys.executable, "-m", "agent", *words]
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, 80))
    os.set_blocking(ours, False)  # a bar that is not there is an error, not a wait for ever
    try:
        subprocess.run(command, stdout=subprocess.DEVNULL, stderr=theirs, check=True, timeout=60)
        shown = os.read(ours, 65536).decode()
    finally:
        os.close(ours)
        os.close(theirs)
    assert "recording.jsonl" in shown
    assert "%" in shown
    for name in FILES[:2]:
        assert (tmp_path / "out" / name).read_bytes() == (told / name).read_bytes()
    plain = subprocess.run(command, capture_output=True, check=True, timeout=60)
    assert plain.stderr == b""
    assert b"%" not in plain.stdout


def test_gzip_is_read_alike(told: Path, short_day: Path, tmp_path: Path) -> None:
    """`.jsonl.gz` gives what `.jsonl` gives."""
    packed = tmp_path / "recording.jsonl.gz"
    packed.write_bytes(gzip.compress((short_day / "recording.jsonl").read_bytes()))
    replayed(short_day, tmp_path / "out", recording=packed)
    for name in FILES[:2]:
        assert (tmp_path / "out" / name).read_bytes() == (told / name).read_bytes()


PLAN = """vehicle,date,load_at,unload_at,epc,type,quantity,line
van-01,2026-05-04,depot,yard-a,urn:epc:id:grai:9521141.00012.101,,,1
van-01,2026-05-04,depot,yard-a,urn:epc:id:grai:9521141.00014.8,,,2
van-01,2026-05-04,depot,yard-a,,moving head,3,3
"""
TRUNK = "urn:epc:id:grai:9521141.00014."
PLAN_KEYS = {"plan_version", "short", "over", "substituted", "not_checked"}


def test_a_plan_only_adds_its_own_keys(told: Path, short_day: Path, conform: Path, tmp_path: Path) -> None:
    """With a plan: the same events, and manifests that are byte-equal apart from what the plan adds."""
    (tmp_path / "plan.csv").write_text(PLAN)
    out = tmp_path / "out"
    replayed(short_day, out, plan=tmp_path / "plan.csv")
    conforms(conform, out, "--with-plan")
    assert (out / "events.jsonl").read_bytes() == (told / "events.jsonl").read_bytes()
    bare = []
    shorts, substituted = [], []
    for line in (out / "manifests.jsonl").read_text().splitlines():
        manifest = json.loads(line)
        assert manifest.keys() >= PLAN_KEYS
        shorts += [entry.get("epc") or (entry["type"], entry["quantity"]) for entry in manifest["short"]]
        substituted += manifest["substituted"]
        manifest = {key: value for key, value in manifest.items() if key not in PLAN_KEYS}
        for entry in manifest["items"]:
            entry.pop("unload_at", None)
        bare.append(json.dumps(manifest, separators=(",", ":"), ensure_ascii=False))
    assert "\n".join(bare) + "\n" == (told / "manifests.jsonl").read_text()
    assert {"epc": f"{TRUNK}7", "for": f"{TRUNK}8"} in substituted
    assert ("moving head", 2) in shorts


@pytest.mark.parametrize("seed", [12])
def test_a_simulated_day_conforms(seed: int, conform: Path, tmp_path: Path) -> None:
    """A day of the simulated world, with its faults: every line of the output has the form of the formats."""
    day = make_day(seed, sites=json.loads(REGION.read_text()))
    (tmp_path / "geofences").mkdir()
    for name, text in day_files(day, np.random.default_rng(seed)).items():
        path = tmp_path / ("geofences/" + name if name.endswith(".geojson") else name)
        with path.open("w") as file:
            file.writelines([text] if isinstance(text, str) else text)
    summary = replayed(tmp_path, tmp_path / "out", plan=tmp_path / "plan.csv")
    conforms(conform, tmp_path / "out", "--with-plan")
    assert summary["legs"] == len(json.loads((tmp_path / "truth.json").read_text())["manifests"])


def test_lines_that_cannot_be_read_are_counted(told: Path, short_day: Path, tmp_path: Path) -> None:
    """Rubbish between the lines changes nothing but the counts."""
    lines = (short_day / "recording.jsonl").read_bytes().splitlines(keepends=True)
    lines[100:100] = [
        b"{\n",
        b'{"kind":"smell","mono":3}\n',
        b'{"kind":"read","mono":3,"epc":"zz","antenna":1,"rssi":0}\n',
        b"\n",
    ]
    (tmp_path / "recording.jsonl").write_bytes(b"".join(lines))
    summary = replayed(short_day, tmp_path / "out", recording=tmp_path / "recording.jsonl")
    assert summary["skipped"] == {"bad_value": 1, "not_json": 2, "unknown_kind": 2}
    assert summary["lines"] == len(lines) - 1
    assert (tmp_path / "out" / "events.jsonl").read_bytes() == (told / "events.jsonl").read_bytes()


def test_a_recording_cut_off_at_any_point_replays(short_day: Path, conform: Path, tmp_path: Path) -> None:
    """The power went while the last line was written: what stands before it is used."""
    whole = (short_day / "recording.jsonl").read_bytes()
    for number, share in enumerate((0.2, 0.55, 0.8)):
        cut = tmp_path / f"{number}.jsonl"
        cut.write_bytes(whole[: int(len(whole) * share)])
        summary = replayed(short_day, tmp_path / f"out{number}", recording=cut)
        assert sum(summary["skipped"].values()) <= 3
        conforms(conform, tmp_path / f"out{number}")


def test_an_empty_recording_gives_empty_files(short_day: Path, tmp_path: Path, conform: Path) -> None:
    """Nothing was received: no event, no manifest, and a summary of zeros."""
    (tmp_path / "recording.jsonl").touch()
    summary = replayed(short_day, tmp_path / "out", recording=tmp_path / "recording.jsonl")
    assert {key: summary[key] for key in ("lines", "reads", "stops", "legs")} == dict.fromkeys(
        ("lines", "reads", "stops", "legs"), 0
    )
    conforms(conform, tmp_path / "out")


def test_everything_that_is_wrong_is_told_at_once(short_day: Path, tmp_path: Path) -> None:
    """A missing vehicle file, a broken register and a nameless site: all in one error, each with its file."""
    folder = tmp_path / "day"
    shutil.copytree(short_day, folder)
    (folder / "vehicle.toml").unlink()
    register = (folder / "register.csv").read_text()
    (folder / "register.csv").write_text(register.replace(",item,", ",thing,", 1))
    sites = json.loads((folder / "geofences" / "sites.geojson").read_text())
    sites["features"][0]["properties"].pop("name")
    (folder / "geofences" / "sites.geojson").write_text(json.dumps(sites))
    with pytest.raises(ConfigError) as caught:
        run(options(folder, tmp_path / "out"))
    told = {Path(problem.file).name for problem in caught.value.problems}
    assert told == {"vehicle.toml", "register.csv", "sites.geojson"}
    assert not (tmp_path / "out").exists()


def test_a_bad_plan_is_told_beside_a_bad_vehicle_file(short_day: Path, tmp_path: Path) -> None:
    """What is wrong with the plan does not wait until the rest is right."""
    (tmp_path / "plan.csv").write_text(PLAN.replace("depot,yard-a,,", "moon,yard-a,,"))
    (tmp_path / "vehicle.toml").write_text('[vehicle]\nid = "VAN 1"\n')
    changed = {"plan": tmp_path / "plan.csv", "config": tmp_path / "vehicle.toml"}
    with pytest.raises(ConfigError) as caught:
        run(options(short_day, tmp_path / "out", **changed))
    assert {Path(problem.file).name for problem in caught.value.problems} == {"plan.csv", "vehicle.toml"}


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("gone.jsonl", None, "check the path"),
        ("gone.jsonl.gz", None, "check the path"),
        ("plain.jsonl.gz", b'{"kind":"boot","mono":1}\n' * 9, "gzip"),
        ("cut.jsonl.gz", gzip.compress(b'{"kind":"boot","mono":1}\n' * 9)[:-12], "gzip"),
    ],
)
def test_a_recording_that_cannot_be_read_is_the_operators(
    short_day: Path, tmp_path: Path, name: str, content: bytes | None, says: str
) -> None:
    """Missing, no gzip, or a gzip that ends too early: one plain sentence with the file's name."""
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(ConfigError, match=says) as caught:
        run(options(short_day, tmp_path / "out", recording=tmp_path / name))
    assert name in str(caught.value)


def test_an_output_that_cannot_be_made_is_the_operators(short_day: Path, tmp_path: Path) -> None:
    """`--out` names a file: it says so."""
    (tmp_path / "out").touch()
    with pytest.raises(ConfigError, match="folder"):
        run(options(short_day, tmp_path / "out"))


def test_a_home_that_is_no_site_is_told(short_day: Path, tmp_path: Path) -> None:
    """The vehicle's home must be one of the sites, and those are named."""
    (tmp_path / "vehicle.toml").write_text((short_day / "vehicle.toml").read_text().replace('"depot"', '"depto"'))
    with pytest.raises(ConfigError, match="depot"):
        run(options(short_day, tmp_path / "out", config=tmp_path / "vehicle.toml"))
