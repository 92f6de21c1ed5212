"""The command line says what it can do, what is wrong, and nothing when nobody listens any more."""

from __future__ import annotations

import builtins
import importlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from agent import __version__, cli
from agent.cli import COMMANDS, main
from tests import tinyday

ROOT = Path(__file__).resolve().parents[1]


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_a_help_that_teaches(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The help of a command tells its job, its options and something to know, and ends with 0."""
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    told = " ".join(capsys.readouterr().out.split())
    _, short, more = COMMANDS[command]
    assert short[1:] in told
    assert more.split(". ")[0] in told
    assert "usage: roadtally" in told


def test_the_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    """`roadtally --help` names each command."""
    with pytest.raises(SystemExit):
        main(["--help"])
    told = capsys.readouterr().out
    assert all(command in told for command in COMMANDS)


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """As the package has it."""
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"roadtally {__version__}\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "required: COMMAND"),
        (["fly"], "invalid choice: 'fly'"),
        (["demo", "--speed", "abc"], "argument --speed: 'abc' is no number; from 1 to 2000"),
        (["demo", "--speed", "nan"], "argument --speed: nan is out of range"),
        (["demo", "--speed", "0.5"], "argument --speed: 0.5 is out of range"),
        (["demo", "--seed", "-1"], "argument --seed: -1 is out of range"),
        (["demo", "--port", "70000"], "argument --port: 70000 is out of range"),
        (["run"], "required: --config"),
        (["check", "--config", "x", "--walk-test"], "--walk-test and --transmit-s go together"),
        (["check", "--config", "x", "--transmit-s", "60"], "--walk-test and --transmit-s go together"),
        (["check", "--config", "x", "--walk-test", "--transmit-s", "121"], "121 is out of range; from 1 to 120"),
        (["check", "--config", "x", "--walk-test", "--transmit-s", "nan"], "nan is out of range"),
    ],
)
def test_wrong_usage_is_told_in_one_line(words: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What is wrong with the words, on standard error, with exit code 2."""
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    assert told in capsys.readouterr().err


def test_every_fault_of_the_files_is_told_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt key, a site without a name and a wrong kind: three lines that name their files, and exit code 2."""
    tinyday.write_files(tmp_path, vehicle=tinyday.VEHICLE.replace("[inputs]", "[inptus]"))
    sites = tmp_path / "geofences" / "sites.geojson"
    sites.write_text(tinyday.sites().replace('"name": "Gull Lane Theatre"', '"nmae": "Gull Lane Theatre"'))
    (tmp_path / "register.csv").write_text(tinyday.REGISTER.replace("item,par lamp", "lorry,par lamp"))
    options = ["--config", str(tmp_path / "vehicle.toml"), "--sites", str(tmp_path / "geofences")]
    options += ["--register", str(tmp_path / "register.csv")]
    for command in (["check"], ["run", "--store", str(tmp_path / "vehicle.db")]):
        assert main([*command, *options]) == 2
        told = capsys.readouterr().err
        assert "inputs" in told.split("vehicle.toml")[1].splitlines()[0]
        assert "sites.geojson" in told
        assert "name" in told.split("sites.geojson")[1].splitlines()[0]
        assert "register.csv" in told
        assert "lorry" in told
    assert not (tmp_path / "vehicle.db").exists()


def test_check_says_what_it_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Good files: the vehicle, whether its reader may transmit, the sites and the register, with exit code 0."""
    tinyday.write_files(tmp_path)
    options = ["--config", str(tmp_path / "vehicle.toml"), "--sites", str(tmp_path / "geofences")]
    assert main(["check", "--files-only", *options, "--register", str(tmp_path / "register.csv")]) == 0
    told = capsys.readouterr().out
    assert "van-07" in told
    assert "not allowed: The reader stays silent" in told
    assert "2: depot, hall" in told
    assert "4 item" in told


@pytest.mark.parametrize(
    ("command", "missing", "extra"),
    [("demo", "rich", "demo"), ("demo", "uvicorn", "demo"), ("dispatch", "uvicorn", "dispatch")],
)
def test_a_small_installation_says_which_extra_is_wanted(
    command: str, missing: str, extra: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where the board's or the demo's libraries are left out, the command names the extra instead of a traceback."""
    for name in list(sys.modules):
        if name.partition(".")[0] == missing or name.startswith(("agent.demo", "agent.dispatch")):
            monkeypatch.delitem(sys.modules, name)
    real: Callable[..., Any] = builtins.__import__

    def without(name: str, *args: Any, **options: Any) -> Any:
        if name.partition(".")[0] == missing:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return real(name, *args, **options)

    monkeypatch.setattr(builtins, "__import__", without)
    assert main([command, "--config", "x"] if command == "dispatch" else [command]) == 1
    told = capsys.readouterr().err
    assert told == (
        f"roadtally {command} needs {missing}, which a vehicle's installation leaves out:"
        f" pip install 'roadtally[{extra}]'\n"
    )


def test_a_bug_of_ours_is_not_taken_for_a_missing_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    """A module of our own that is missing ends in a traceback, as a bug should."""

    def broken(_name: str) -> Any:
        raise ModuleNotFoundError("No module named 'agent.nowhere'", name="agent.nowhere")

    monkeypatch.setattr(importlib, "import_module", broken)
    with pytest.raises(ModuleNotFoundError):
        main(["demo"])


def test_a_ctrl_c_while_the_parts_load_is_no_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    """KeyboardInterrupt during an import: exit code 130."""

    def interrupted(_name: str) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr(importlib, "import_module", interrupted)
    assert main(["demo"]) == 130


@pytest.mark.parametrize("words", [["--help"], ["demo", "--help"]])
def test_nobody_listening_is_no_traceback(words: list[str]) -> None:
    """`roadtally … | head -0`: the reader is gone before anything is written; nothing is said on standard error."""
    # Unbuffered, argparse meets the broken pipe itself and passes over it.
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"}
    process = subprocess.Popen(
        [sys.executable, "-m", "agent", *words],
        cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait(30) == 1
    assert said == b""


def test_the_commands_are_those_of_the_formats() -> None:
    """run, replay, dispatch, check, demo (formats.md, section 9)."""
    assert set(cli.COMMANDS) >= {"run", "replay", "dispatch", "check", "demo"}
