"""RO_ACCESS_REPORT to sightings of tags. Knows nothing of rounds.

A reader may leave out an enabled field whose value has not changed: it means the same as before in that report stream
(LLRP 1.0.1, TagReportContentSelector). So a `Reports` belongs to one stream, is told what is enabled there, and
remembers. A field that is not enabled, or was never given, is not remembered.

Stamps are the exception: one that is left out is not filled in, since a read must not be taken for old because its
reader gave a stamp once.

A sighting needs an antenna and a signal strength. A report without an EPC, or whose stream has never named the antenna
or the strength, is counted as malformed, by cause; nothing is guessed.
"""

from __future__ import annotations

from msgspec import Struct

from agent.llrp.messages import ROAccessReport
from agent.llrp.params import TagReportContentSelector
from agent.llrp.readerclock import Stamps
from agent.llrp.tagreport import TagReportData


class Sighting(Struct, frozen=True):
    """One tag in one report; `tag` is the EPC in upper-case hex, `count` how often it was heard since the last one."""

    tag: str
    antenna: int
    rssi_dbm: int
    count: int
    channel: int | None
    stamps: Stamps | None = None


class Reports:
    """The sightings of one report stream. received = those given out + the sum of `malformed`."""

    def __init__(self, enabled: TagReportContentSelector) -> None:
        self.received = 0
        self.malformed: dict[str, int] = {}
        self._enabled = (
            enabled.enable_antenna_id,
            enabled.enable_peak_rssi,
            enabled.enable_channel_index,
            enabled.enable_tag_seen_count,
        )
        self._before: tuple[int | None, ...] = (None,) * len(self._enabled)

    def sightings(self, report: ROAccessReport) -> list[Sighting]:
        """What one report says, in its order."""
        found: list[Sighting] = []
        for tag in report.tag_report_data:
            self.received += 1
            values: tuple[int | None, ...] = (
                tag.antenna_id,
                tag.peak_rssi,
                tag.channel_index,
                tag.tag_seen_count,
            )
            if None in values:
                values = self._fill(values)
            self._before = values
            antenna, rssi, channel, count = values
            if not tag.epc:
                self._bad("no EPC")
            elif antenna is None:
                self._bad("antenna never given")
            elif rssi is None:
                self._bad("signal strength never given")
            else:
                # Without a count the tag was heard at least once, and that is all that is known.
                found.append(Sighting(tag.epc.hex().upper(), antenna, rssi, count or 1, channel, _stamps(tag)))
        return found

    def _fill(self, values: tuple[int | None, ...]) -> tuple[int | None, ...]:
        """What is enabled and left out is the same as before."""
        return tuple(
            before if value is None and on else value
            for value, before, on in zip(values, self._before, self._enabled, strict=True)
        )

    def _bad(self, cause: str) -> None:
        self.malformed[cause] = self.malformed.get(cause, 0) + 1


def _stamps(tag: TagReportData) -> Stamps | None:
    utc = (tag.first_seen_timestamp_utc, tag.last_seen_timestamp_utc)
    if utc != (None, None):
        return Stamps(is_uptime=False, first_us=utc[0], last_us=utc[1])
    uptime = (tag.first_seen_timestamp_uptime, tag.last_seen_timestamp_uptime)
    return None if uptime == (None, None) else Stamps(is_uptime=True, first_us=uptime[0], last_us=uptime[1])
