"""A real gpsd and a receiver on a pseudo-terminal in the fault bench: their faults one after another on one day."""

from __future__ import annotations

import pytest

from tests.faults.bench import trial
from tests.faults.catalogue import BY_NAME
from tests.faults.real import IS_THERE, REAL

pytestmark = [pytest.mark.integration, pytest.mark.skipif(not IS_THERE, reason="gpsd is not installed")]

AT_S = (60.0, 200.0, 330.0, 450.0, 900.0)  # each is over before the next begins


def test_every_fault_of_a_real_gpsd_one_after_another() -> None:
    """Killed, stopped, restarted, its receiver pulled out and plugged in, and mute: each time the agent is back.

    Within the stated time, every read and line of gpsd accounted for, and the manifests are those of a day without.
    """
    what = tuple((fault.name, at_s) for fault, at_s in zip(REAL, AT_S, strict=True))
    verdict = trial(what)
    assert verdict.problems == ()
    assert verdict.unsure == ()
    assert set(verdict.took_s) == {name for name, _ in what}
    assert all(verdict.took_s[fault.name] <= fault.back_s for fault in REAL)


def test_the_rows_have_names_of_their_own() -> None:
    """A verdict names a fault of the real gpsd and not one of the scripted one."""
    assert not {fault.name for fault in REAL} & set(BY_NAME)
    assert all((fault.holds_s > 0.0) == (fault.end is not None) for fault in REAL)
