"""Report streams: what is left out is the same as before."""

from __future__ import annotations

from agent.llrp.messages import ROAccessReport
from agent.llrp.params import TagReportContentSelector
from agent.llrp.readerclock import Stamps
from agent.llrp.reports import Reports, Sighting
from agent.llrp.rospec import CONTENT
from agent.llrp.tagreport import TagReportData

TAG = bytes.fromhex("3074257BF7194E4000001A85")
HEX = "3074257BF7194E4000001A85"


def test_left_out_field_is_the_same_as_before() -> None:
    """An enabled field that a report leaves out has the value of the report before, over messages too (LLRP 1.0.1)."""
    reports = Reports(CONTENT)
    full = TagReportData(TAG, antenna_id=2, peak_rssi=-61, channel_index=3, tag_seen_count=5)
    assert reports.sightings(ROAccessReport((full, TagReportData(TAG)))) == [Sighting(HEX, 2, -61, 5, 3)] * 2
    changed = TagReportData(TAG, antenna_id=1)
    assert reports.sightings(ROAccessReport((changed, TagReportData(TAG, peak_rssi=-70)))) == [
        Sighting(HEX, 1, -61, 5, 3),
        Sighting(HEX, 1, -70, 5, 3),
    ]


def test_field_that_is_not_enabled_is_not_remembered() -> None:
    """A field that nobody enabled says nothing about the next report."""
    reports = Reports(TagReportContentSelector(enable_antenna_id=True, enable_peak_rssi=True))
    full = TagReportData(TAG, antenna_id=2, peak_rssi=-61, channel_index=3, tag_seen_count=5)
    first, second = reports.sightings(ROAccessReport((full, TagReportData(TAG))))
    assert (first.channel, first.count) == (3, 5)
    assert (second.channel, second.count, second.antenna) == (None, 1, 2)


def test_what_cannot_be_placed_is_counted_by_cause() -> None:
    """Without an EPC, an antenna or a strength there is no sighting; received is those given out plus those counted."""
    reports = Reports(CONTENT)
    tags = (
        TagReportData(TAG),
        TagReportData(TAG, antenna_id=1),
        TagReportData(b"", 0, antenna_id=1, peak_rssi=-60),
        TagReportData(TAG),
    )
    found = reports.sightings(ROAccessReport(tags))
    assert found == [Sighting(HEX, 1, -60, 1, None)]
    assert reports.malformed == {"antenna never given": 1, "signal strength never given": 1, "no EPC": 1}
    assert reports.received == len(found) + sum(reports.malformed.values())


def test_uptime_stands_in_for_utc() -> None:
    """A reader without a UTC clock stamps with its uptime instead; the stamps are the ones of this very report."""
    tag = TagReportData(TAG, antenna_id=1, peak_rssi=-60, first_seen_timestamp_uptime=9, last_seen_timestamp_uptime=12)
    utc = TagReportData(TAG, first_seen_timestamp_utc=9)
    found = Reports(CONTENT).sightings(ROAccessReport((tag, utc, TagReportData(TAG))))
    assert [seen.stamps for seen in found] == [
        Stamps(is_uptime=True, first_us=9, last_us=12),
        Stamps(is_uptime=False, first_us=9, last_us=None),
        None,
    ]
