"""Rules of the house that a reader would otherwise have to check by hand."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import agent

ROOT = Path(__file__).resolve().parents[1]
MOST_LINES = 400
MODULES = sorted((ROOT / "agent").rglob("*.py"))
# Folders that only exist on somebody's machine, and the hosts of package indexes.
MACHINE_PATH = re.compile(r"(?<![\w.~-])/(?:work|root|home|Users)/\w")
INDEX_HOST = re.compile(r"\b(?:pypi|pythonhosted|npmjs)\.(?:org|com)\b|--(?:extra-)?index-url\b|--find-links\b")


def project() -> dict[str, object]:
    """The `[project]` table of pyproject.toml."""
    table: dict[str, object] = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    return table


def texts() -> list[tuple[str, str]]:
    """Every text file that git holds or would take, with its name."""
    listed = subprocess.run(
        ["git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if listed.returncode:
        pytest.fail("the house's rules are checked in a git clone")
    found = []
    for name in filter(None, listed.stdout.decode().split("\0")):
        raw = (ROOT / name).read_bytes() if (ROOT / name).is_file() else b""
        if b"\0" not in raw:
            found.append((name, raw.decode("utf-8")))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_is_short_and_opens_with_its_contract(path: Path) -> None:
    """No module has more than 400 lines, and each says at its top what it does."""
    text = path.read_text()
    assert len(text.splitlines()) <= MOST_LINES, "make it two"
    assert ast.get_docstring(ast.parse(text)), "say what it does, what it leaves to others, why it exists"


def test_no_file_names_a_machine_or_an_index() -> None:
    """No file of the project holds the path of somebody's machine or the host of a package index."""
    wrong = [
        f"{name}: {match.group()}"
        for name, text in texts()
        if name != "tests/test_house.py"
        for pattern in (MACHINE_PATH, INDEX_HOST)
        for match in [pattern.search(text)]
        if match
    ]
    assert not wrong


def test_those_patterns_can_find_something() -> None:
    """The two patterns see what they are for, and leave ordinary text alone."""
    assert MACHINE_PATH.search("see " + "/home" + "/somebody/roadtally")
    assert INDEX_HOST.search("https://" + "pypi" + ".org/simple")
    assert not MACHINE_PATH.search("https://example.com/work/plan and agent/work/x")


def locked(text: str) -> dict[str, list[str]]:
    """The versions that a lock pins for each name; more than one where Pythons differ. Every entry must have hashes."""
    found: dict[str, list[str]] = {}
    for block in re.split(r"\n(?=[^\s#])", re.sub(r"^#.*\n", "", text, flags=re.MULTILINE).strip()):
        head = Requirement(block.splitlines()[0].rstrip("\\ "))
        assert "--hash=sha256:" in block, head.name
        found.setdefault(canonicalize_name(head.name), []).append(str(head.specifier).removeprefix("=="))
    return found


@pytest.mark.parametrize("part", ["demo", "all"])
def test_the_lock_holds_every_dependency_with_hashes(part: str) -> None:
    """Each dependency is in requirements.lock at versions that fit; those of the demo stand above the dividing line."""
    lock = (ROOT / "requirements.lock").read_text()
    above, divider, _ = lock.partition("# Below this line")
    assert divider
    pinned = locked(above if part == "demo" else lock)
    table = project()
    extras = table["optional-dependencies"]
    assert isinstance(extras, dict)
    assert isinstance(table["dependencies"], list)
    wanted = [*table["dependencies"], *extras["dispatch"], *extras["demo"], *extras["build"]]
    wanted += extras["dev"] if part == "all" else []
    for requirement in map(Requirement, wanted):
        name = canonicalize_name(requirement.name)
        for version in pinned[name] if name != "roadtally" else ():
            assert requirement.specifier.contains(version, prereleases=True), f"{requirement} but {version}: make lock"


def test_one_version_everywhere() -> None:
    """pyproject.toml, the package and the newest released entry of CHANGELOG.md name the same version."""
    version = str(project()["version"])
    newest = re.search(r"^## (\d\S*)", (ROOT / "CHANGELOG.md").read_text(), re.MULTILINE)
    assert newest
    assert newest.group(1) == version
    assert agent.__version__ == version


def test_the_readme_carries_the_cautions() -> None:
    """Fitting, radio, people's safety and privacy are spoken of where a newcomer reads first."""
    readme = " ".join((ROOT / "README.md").read_text().split())
    for words in ("What is fitted is what is tallied", "competent person", "licensed practice", "while driving",
                  "medical implants", "personal data", "proves neither who drove nor who carried"):  # fmt: skip
        assert words in readme, words


def test_pictures_that_the_pages_name_exist() -> None:
    """Every relative link of README.md and DEVELOPERS.md leads to a file."""
    for page in ("README.md", "DEVELOPERS.md"):
        for link in re.findall(r"\]\((?!https?:|#)([^)#]+)", (ROOT / page).read_text()):
            assert (ROOT / link).exists(), f"{page}: {link}"
