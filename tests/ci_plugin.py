"""Fails a CI run in which a test skipped that should have run there; does nothing unless ROADTALLY_CI=1.

A skip says "this machine lacks something". On a developer's machine that is honest; in CI, which installs what the
tests need, it means that a check has silently gone. So each skip there must match one of `ALLOWED`, with its reason.
"""

from __future__ import annotations

import os
import re

import pytest

# A pattern for the skip's text, and why CI may lack that. Published data (`../shared`) is not here: it must be there.
ALLOWED: dict[str, str] = {
    r"ext4 on a loop device": "needs mount rights that a container does not give",
    r"(movingpandas|trackintel) is not installed": "some forty packages each; a note has the figures they reach",
    r"sllurp cannot be installed here": "under the GPL, so in no lock: the test fetches it and throws it away again",
    r"iotcore has no wheel": "the embedded broker exists for x86-64 alone; aarch64 uses its fallback",
}


def is_allowed(reason: str) -> bool:
    """True where the allow-list names a skip with this text."""
    return any(re.search(pattern, reason) for pattern in ALLOWED)


class SkipGuard:
    """Collects the skips of a run and turns its exit status into a failure when one is not allowed."""

    def __init__(self) -> None:
        self.refused: list[str] = []

    def _note(self, report: pytest.CollectReport | pytest.TestReport) -> None:
        if report.skipped and not hasattr(report, "wasxfail"):
            reason = str(report.longrepr[2]) if isinstance(report.longrepr, tuple) else str(report.longrepr)
            if not is_allowed(reason):
                self.refused.append(f"{report.nodeid}: {reason}")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """One phase of one test ended."""
        self._note(report)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """A module may skip whole while it is collected."""
        self._note(report)

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """A refused skip makes a run that passed a failed one."""
        if self.refused and session.exitstatus == pytest.ExitCode.OK:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Say which, and what to do."""
        if self.refused:
            terminalreporter.section("skipped here, but CI must run them", red=True, bold=True)
            for line in self.refused:
                terminalreporter.line(line)
            terminalreporter.line("Let .ci/run install what they miss, or list the reason in tests/ci_plugin.py.")


def pytest_configure(config: pytest.Config) -> None:
    """Put the guard in place in CI only."""
    if os.environ.get("ROADTALLY_CI") == "1":
        config.pluginmanager.register(SkipGuard(), "roadtally-skip-guard")
