"""A ROSpec of a simulated reader while it is active: which AISpec runs until when, and what its tags answered.

What tags answer is a `Source`'s business; here it becomes TagReportData, as the ROSpec's content selector says.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

from agent.llrp.params import AISpec, ROReportSpec, ROSpec
from agent.llrp.simulated.setup import POWERS_DBM
from agent.llrp.tables import AISpecStopTriggerType, ROReportTriggerType, ROSpecStopTriggerType
from agent.llrp.tagreport import TagReportData

SLICE_S = 1.0  # an AISpec without an end of its own, or with a far one, is asked for in slices of this
_LONGEST_UNCUT_S = 10.0
_EPC_96_DIGITS = 24
_BITS_A_DIGIT = 4


class TagRead(Protocol):
    """What a source says of one tag heard on one antenna; `tag` is the EPC in hex."""

    @property
    def tag(self) -> str: ...  # noqa: D102 - a field
    @property
    def antenna(self) -> int: ...  # noqa: D102 - a field
    @property
    def rssi_dbm(self) -> float: ...  # noqa: D102 - a field
    @property
    def count(self) -> int: ...  # noqa: D102 - a field


class Source(Protocol):
    """Where the tags are."""

    def inventory(
        self, *, started_s: float, seconds: float, antennas: tuple[int, ...], power_dbm: float
    ) -> Sequence[TagRead]:
        """What is heard in `seconds` from `started_s` (the reader's clock), the time shared out among the antennas."""
        ...


class Running:
    """An active ROSpec. `due` is when `advance` must be called next, by the reader's clock."""

    def __init__(
        self, spec: ROSpec, *, now: float, source: Source, default_report: ROReportSpec, epoch_s: float
    ) -> None:
        self.spec = spec
        self.spec_index = 0
        self.report = spec.ro_report_spec if spec.ro_report_spec is not None else default_report
        self._source = source
        self._epoch_s = epoch_s
        self._heard: dict[tuple[str, int], TagReportData] = {}
        stop = spec.ro_boundary_spec.rospec_stop_trigger
        timed = stop.rospec_stop_trigger_type == ROSpecStopTriggerType.Duration
        self._ends_at = now + stop.duration_trigger_value / 1000 if timed else math.inf
        self._begin(now)

    @property
    def aispec(self) -> AISpec:
        """The AISpec that runs."""
        found = self.spec.spec_parameter[self.spec_index - 1]
        assert isinstance(found, AISpec)  # noqa: S101 - nothing else is taken by check_rospec
        return found

    def _begin(self, now: float) -> None:
        self.spec_index += 1
        stop = self.aispec.aispec_stop_trigger
        timed = stop.aispec_stop_trigger_type == AISpecStopTriggerType.Duration
        self._aispec_ends_at = min(now + stop.duration_trigger / 1000 if timed else math.inf, self._ends_at)
        self._heard_until = now
        self._plan_slice()

    def _plan_slice(self) -> None:
        left_s = self._aispec_ends_at - self._heard_until
        self.due = self._heard_until + (left_s if left_s <= _LONGEST_UNCUT_S else SLICE_S)

    def until(self, now: float) -> float:
        """Up to when to listen once it is due: to the AISpec's end, or, where that is far, to now, however late."""
        return min(now, self._aispec_ends_at)

    def listen(self, until: float, *, antennas: tuple[int, ...], power_index: dict[int, int]) -> None:
        """Take what is heard up to `until`; `antennas` are those that are connected."""
        seconds = until - self._heard_until
        started_at = self._heard_until
        self._heard_until = until
        wanted = self.aispec.antenna_ids
        used = tuple(antenna for antenna in antennas if 0 in wanted or antenna in wanted)
        if seconds <= 0 or not used:
            return
        own = self._powers()
        by_power: dict[int, list[int]] = {}
        for antenna in used:
            by_power.setdefault(own.get(antenna, own.get(0, power_index[antenna])), []).append(antenna)
        for index, group in by_power.items():
            share_s = seconds * len(group) / len(used)
            reads = self._source.inventory(
                started_s=started_at, seconds=share_s, antennas=tuple(group), power_dbm=POWERS_DBM[index]
            )
            self._take(reads, started_at)
            started_at += share_s

    def _powers(self) -> dict[int, int]:
        configurations = self.aispec.inventory_parameter_spec[0].antenna_configuration
        return {c.antenna_id: c.rf_transmitter.transmit_power for c in configurations if c.rf_transmitter is not None}

    def _take(self, reads: Sequence[TagRead], started_at: float) -> None:
        content = self.report.tag_report_content_selector
        seen_us = round((self._epoch_s + started_at) * 1e6)
        last_us = round((self._epoch_s + self._heard_until) * 1e6)
        spec = self.spec
        for read in reads:
            before = self._heard.get((read.tag, read.antenna))
            rssi, count, first_us = max(-128, min(127, round(read.rssi_dbm))), read.count, seen_us
            if before is not None:
                rssi = max(rssi, before.peak_rssi or -128)
                count += before.tag_seen_count or 0
                first_us = before.first_seen_timestamp_utc or seen_us
            digits = len(read.tag)
            self._heard[read.tag, read.antenna] = TagReportData(
                bytes.fromhex(read.tag if digits % 2 == 0 else read.tag + "0"),
                None if digits == _EPC_96_DIGITS else _BITS_A_DIGIT * digits,
                spec.rospec_id if content.enable_rospec_id else None,
                self.spec_index if content.enable_spec_index else None,
                1 if content.enable_inventory_parameter_spec_id else None,
                read.antenna if content.enable_antenna_id else None,
                rssi if content.enable_peak_rssi else None,
                1 if content.enable_channel_index else None,
                first_us if content.enable_first_seen_timestamp else None,
                None,
                last_us if content.enable_last_seen_timestamp else None,
                None,
                min(count, 0xFFFF) if content.enable_tag_seen_count else None,
            )

    def is_aispec_over(self, now: float) -> bool:
        """Whether the AISpec has run its time; otherwise only a slice of it has, and the next one is planned."""
        if now >= self._aispec_ends_at:
            return True
        self._plan_slice()
        return False

    def next_aispec(self, now: float) -> bool:
        """Go on to the next AISpec; False where there is none, or the ROSpec's time is over."""
        if now >= self._ends_at or self.spec_index >= len(self.spec.spec_parameter):
            return False
        self._begin(now)
        return True

    def reports(
        self, *, aispec_over: bool = False, rospec_over: bool = False, asked: bool = False
    ) -> list[tuple[TagReportData, ...]]:
        """The reports that are due now: at the ends that the trigger names, every N tags, or because a client asked."""
        trigger, n = self.report.ro_report_trigger, self.report.n
        at_aispec = trigger == ROReportTriggerType.Upon_N_Tags_Or_End_Of_AISpec_Or_End_Of_RFSurveySpec
        at_rospec = trigger == ROReportTriggerType.Upon_N_Tags_Or_End_Of_ROSpec
        everything = asked or (aispec_over and at_aispec) or (rospec_over and (at_rospec or at_aispec))
        size = n if n and (at_aispec or at_rospec) else max(len(self._heard), 1)
        tags = list(self._heard.values())
        whole = len(tags) if everything else (len(tags) // size * size if n and (at_aispec or at_rospec) else 0)
        keys = list(self._heard)[:whole]
        for key in keys:
            del self._heard[key]
        return [tuple(tags[at : at + size]) for at in range(0, whole, size)]
