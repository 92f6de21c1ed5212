"""One target under atheris, in a process of its own: `python -m tests.fuzz.guided TARGET [libFuzzer's options]`.

Only the agent's own modules carry the fuzzer's counters, which is why everything is imported inside.
"""

from __future__ import annotations

import sys

import atheris  # type: ignore[import-not-found]  # there only where the fuzzer was wished for

with atheris.instrument_imports(include=["agent"], enable_loader_override=False):
    from tests.fuzz.targets import TARGETS

if __name__ == "__main__":
    atheris.Setup([sys.argv[0], *sys.argv[2:]], TARGETS[sys.argv[1]])
    atheris.Fuzz()
