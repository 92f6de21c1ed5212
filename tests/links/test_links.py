"""The link bench's short form, and that it can fail: one that trims by PUBACK is found out."""

from __future__ import annotations

import queue
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from agent import broker
from agent.messages import Ack
from agent.publisher import Acks
from agent.publisher_log import LogSender
from tests.delivery import Van
from tests.links.bench import mixture, trial
from tests.links.month import month

pytestmark = [
    pytest.mark.integration,
    pytest.mark.skipif(broker.mosquitto_program() is None, reason="mosquitto is not installed"),
]


@pytest.mark.parametrize("seed", [5])
def test_a_mixture_of_everything_ends_with_the_vehicles_record(seed: int) -> None:
    """Coverage, broker and dispatch side fail at random: 0 lost, 0 doubled, 0 different. `make faults` lives many."""
    verdict = trial(seed, mixture(seed, steps=5))
    assert verdict.problems == (), verdict


def test_a_month_offline_comes_home_whatever_is_killed_meanwhile() -> None:
    """2,000 records of it, broker and dispatch side killed once each; the long form has 15,000 and eight kills."""
    verdict = month(3, records=2000, kills=2)
    assert len(verdict.did) == 2
    assert verdict.problems == (), verdict


class Trusting(Van):
    """The mistake that the bench must find: what the broker has confirmed is taken for delivered."""

    def __init__(self, path: Path, **options: Any) -> None:
        believed: queue.SimpleQueue[Acks] = queue.SimpleQueue()
        self._believed = believed
        self._confirmed: set[int] = set()
        super().__init__(path, **options)
        sender: LogSender = self.publisher._log
        confirm = sender._window.confirm

        def trust(mid: int, **times: float) -> Any:
            found = confirm(mid, **times)
            if found is not None:
                self._confirmed |= found[0].waiting
                upto = next(seq for seq in count(1) if seq not in self._confirmed) - 1
                also = tuple((seq, seq) for seq in sorted(self._confirmed) if seq > upto)
                believed.put(Acks((Ack(sender._window.epoch, upto, also),)))
            return found

        sender._window.confirm = trust  # type: ignore[method-assign]

    def turn(self) -> None:
        """The run loop's part, with acks that nobody gave."""
        while not self._believed.empty():
            self._arrived.put(self._believed.get())
        super().turn()


def test_a_vehicle_that_trims_by_puback_is_found_out() -> None:
    """A broker that loses its memory while the dispatch side is away has then lost records for good."""
    verdict = trial(1, ["depot_away_and_broker_wiped"], make_van=Trusting)
    assert verdict.lost > 0, verdict
