"""The guard on skipped tests, run as CI runs it: by pytest in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SKIPS = "import pytest\n\ndef test_runs():\n    pass\n\ndef test_skips():\n    pytest.skip({reason!r})\n"


def run(folder: Path, *, reason: str, ci: str, module: bool = False) -> subprocess.CompletedProcess[str]:
    """Run pytest on one planted file in `folder`, with the guard loaded."""
    whole = f"import pytest\npytest.skip({reason!r}, allow_module_level=True)\n"
    (folder / "test_planted.py").write_text(whole if module else SKIPS.format(reason=reason))
    if module:
        (folder / "test_other.py").write_text("def test_runs():\n    pass\n")
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "tests.ci_plugin", "-p", "no:cacheprovider", folder],
        cwd=ROOT,
        env={**os.environ, "ROADTALLY_CI": ci, "PYTEST_ADDOPTS": ""},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


@pytest.mark.parametrize("module", [False, True], ids=["a test", "a whole module"])
def test_a_skip_that_nobody_allowed_fails_ci(tmp_path: Path, *, module: bool) -> None:
    """With ROADTALLY_CI=1 a skip for missing published data fails the run and is named."""
    done = run(tmp_path, reason="published data missing: standards", ci="1", module=module)
    assert done.returncode == pytest.ExitCode.TESTS_FAILED, done.stdout
    assert "CI must run them" in done.stdout
    assert "published data missing: standards" in done.stdout


def test_a_skip_on_the_list_passes_ci(tmp_path: Path) -> None:
    """A reason on the allow-list leaves the run green."""
    done = run(tmp_path, reason="ext4 on a loop device needs mount rights", ci="1")
    assert done.returncode == pytest.ExitCode.OK, done.stdout


def test_a_developer_may_skip(tmp_path: Path) -> None:
    """Without ROADTALLY_CI the same skip is only reported."""
    done = run(tmp_path, reason="published data missing: standards", ci="")
    assert done.returncode == pytest.ExitCode.OK, done.stdout
