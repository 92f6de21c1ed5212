"""What every test may lean on: where the published data lie, and what happens where they are missing."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

SHARED = Path(os.environ.get("ROADTALLY_SHARED", Path(__file__).resolve().parents[2] / "shared"))


def _folder(path: Path) -> Path:
    if not path.is_dir():
        pytest.skip(f"published data missing: {path.name} (set ROADTALLY_SHARED to the folder that holds it)")
    return path


@pytest.fixture(scope="session")
def standards() -> Path:
    """The folder of published data for checks; a test that asks for it skips where it is missing."""
    return _folder(SHARED / "standards")


@pytest.fixture(scope="session")
def short_day() -> Path:
    """A small recording with what truly happened."""
    return _folder(SHARED / "examples" / "short-day")


@pytest.fixture(scope="session")
def conform() -> Path:
    """The program that holds an output against the formats."""
    _folder(SHARED / "tools")
    return SHARED / "tools" / "conform.py"
