"""Writes requirements.lock from pyproject.toml: one file in two parts, so that the demo need not fetch the test tools.

The first part is what the demo runs (extras `demo` and `build`), the second what only tests and lint need; a line of
comment stands between. One resolution gives both, so they cannot disagree. `make lock` runs it, with uv beside its
own interpreter.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCK = ROOT / "requirements.lock"
DIVIDER = "# Below this line: tests and lint alone."
OPTIONS = ("--quiet", "--universal", "--generate-hashes", "--python-version=3.11", "--no-header",
           "--no-emit-index-url", "--no-annotate")  # fmt: skip


def compiled(out: Path, *options: str) -> list[tuple[str, str]]:
    """Resolve pyproject.toml into `out`, which uv also takes its preferences from; (name, its lines with hashes).

    A name comes twice where two versions of Python need different releases of it.
    """
    uv = Path(sys.executable).with_name("uv")
    subprocess.run([uv, "pip", "compile", *OPTIONS, *options, "pyproject.toml", "-o", out], cwd=ROOT, check=True)  # noqa: S603 - our own words
    blocks = re.split(r"\n(?=[A-Za-z0-9])", out.read_text().strip())
    return [(block.split("==")[0], block) for block in blocks]


def main() -> None:
    """Resolve everything, then the demo's part held to it, and write the two in order."""
    with tempfile.TemporaryDirectory() as folder:
        whole, part = Path(folder, "whole"), Path(folder, "part")
        if LOCK.exists():
            lines = [line for line in LOCK.read_text().splitlines(keepends=True) if not line.startswith("#")]
            whole.write_text("".join(lines))
        everything = compiled(whole, "--all-extras")
        first = compiled(part, "--extra=demo", "--extra=build", f"--constraint={whole}")
    # The whole's lines for both parts: its markers are those that hold for every use.
    needed = {name for name, _ in first}
    if strays := needed - {name for name, _ in everything}:
        sys.exit(f"The demo's part names what the whole does not: {', '.join(sorted(strays))}")
    above = [block for name, block in everything if name in needed]
    below = [block for name, block in everything if name not in needed]
    LOCK.write_text("\n".join([*above, DIVIDER, *below]) + "\n")


if __name__ == "__main__":
    main()
