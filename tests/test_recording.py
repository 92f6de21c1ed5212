"""Recording lines to inputs and back, and the count of everything."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.recording import BACKWARDS_S, Lines, encode_line, lines_of
from agent.records import Boot, Fix, Input, Inventory, PortInput, Read, ReaderState, Round, Tick

TAG = "3034257BF400B7800004CB2F"


def taken(*texts: bytes | str | dict[str, object]) -> tuple[Lines, list[Input]]:
    """What comes of some lines, with the counts."""
    lines = Lines()
    raw = [json.dumps(text) if isinstance(text, dict) else text for text in texts]
    return lines, list(lines.inputs([text.encode() if isinstance(text, str) else text for text in raw]))


def read(mono: float, *, epc: str = TAG) -> dict[str, object]:
    """A read's line."""
    return {"kind": "read", "mono": mono, "epc": epc, "antenna": 1, "rssi": -60.0, "count": 1}


def done(mono: float) -> dict[str, object]:
    """A round's line."""
    return {"kind": "round", "mono": mono, "seconds": 2.0, "antennas": [1, 2]}


BOOT: dict[str, object] = {"kind": "boot", "mono": 0.0, "utc": "2026-03-02T07:01:12.000Z"}


def test_a_round_carries_the_reads_that_stand_before_it() -> None:
    """Two reads, their round, and a round that heard nothing."""
    _, inputs = taken(BOOT, read(2.0), read(2.0, epc="AB"), done(2.0), done(4.0))
    assert isinstance(inputs[1], Inventory)
    assert [r.epc for r in inputs[1].reads] == [TAG, "AB"]
    assert inputs[2] == Inventory(4.0, 2.0, (1, 2))


def test_every_kind_is_taken() -> None:
    """All six kinds of formats.md section 1 come through as they are; a boot may lack its clock."""
    tpv = {"class": "TPV", "mode": 3, "unheard-of": [1, None]}
    _, inputs = taken(
        {"kind": "boot", "mono": 0.5},
        {"kind": "fix", "mono": 1.0, "tpv": tpv},
        {"kind": "input", "mono": 2.0, "port": 1, "on": True},
        {"kind": "reader", "mono": 3.0, "state": "antenna_lost", "antenna": 2},
        done(4.0),
    )
    assert inputs == [
        Boot(0.5),
        Fix(1.0, tpv),
        PortInput(2.0, 1, on=True),
        ReaderState(3.0, "antenna_lost", 2),
        Inventory(4.0, 2.0, (1, 2)),
    ]


@pytest.mark.parametrize(
    ("text", "cause"),
    [
        (b'{"kind":"round","mono":3.0,"sec', "not_json"),
        (b"\x00\xff\xfe", "not_json"),
        (b"not a line", "not_json"),
        (b'{"kind":"fix","mono":1.0,"tpv":{"device":"\xff"}}', "not_json"),
        (b'{"kind":"smell","mono":1.0}', "unknown_kind"),
        (b'{"kind":"round","mono":"late","seconds":2.0,"antennas":[1]}', "bad_value"),
        (b'{"kind":"round","mono":1.0}', "bad_value"),
        (b'{"mono":1.0}', "bad_value"),
        (b"[1,2]", "bad_value"),
        (b"7", "bad_value"),
        (b'{"kind":"reader","mono":1.0,"state":"asleep"}', "bad_value"),
        (b'{"kind":"read","mono":1.0,"epc":"not hex","antenna":1,"rssi":-60.0}', "bad_value"),
        (b'{"kind":"read","mono":1.0,"epc":"","antenna":1,"rssi":-60.0}', "bad_value"),
        (b'{"kind":"read","mono":1.0,"epc":"30342","antenna":1,"rssi":-60.0}', "bad_value"),
        (b'{"kind":"boot","mono":1e999,"utc":null}', "bad_value"),
    ],
)
def test_what_cannot_be_used_is_counted_by_cause_and_skipped(text: bytes, cause: str) -> None:
    """The line is skipped under its cause, and the lines around it are used."""
    lines, inputs = taken(BOOT, text, done(2.0))
    assert lines.skipped == {cause: 1}
    assert inputs == [Boot(0.0, "2026-03-02T07:01:12.000Z"), Inventory(2.0, 2.0, (1, 2))]


GOOD = [
    BOOT,
    read(1.0),
    done(1.0),
    {"kind": "fix", "mono": 1.5, "tpv": {}},
    {"kind": "input", "mono": 2, "port": 1, "on": False},
]
BAD = [b"{", b'{"kind":"smell"}', b'{"kind":"fix","mono":1}']


@given(st.lists(st.sampled_from([(text, True) for text in GOOD] + [(text, False) for text in BAD] + [(b" \n", None)])))
def test_lines_are_used_or_skipped(mixed: list[tuple[dict[str, object] | bytes, bool | None]]) -> None:
    """Whatever comes in whatever order: lines = used + skipped, and an empty line is no line."""
    lines, inputs = taken(*(text for text, _ in mixed))
    used = sum(good is True for _, good in mixed)
    assert lines.lines == used + sum(lines.skipped.values())
    assert sum(lines.skipped.values()) == sum(good is False for _, good in mixed)
    assert lines.reads == sum(text == GOOD[1] for text, _ in mixed)
    assert lines.rounds == sum(text == GOOD[2] for text, _ in mixed) == sum(isinstance(i, Inventory) for i in inputs)
    assert lines.fixes == sum(isinstance(item, Fix) for item in inputs)


def test_a_lost_boot_line_is_put_back() -> None:
    """The clock of one boot never runs back: far back is a boot whose line was lost, a little is a swapped line."""
    _, inputs = taken(BOOT, done(500.0), done(500.0 - BACKWARDS_S + 0.1), done(8.0), done(10.0))
    assert [type(item) for item in inputs] == [Boot, Inventory, Inventory, Boot, Inventory, Inventory]
    assert inputs[3] == Boot(8.0)


def test_reads_whose_round_never_ended_are_no_evidence() -> None:
    """The power went in mid-round: nothing says how long it listened, so its reads go to no later round."""
    lines, inputs = taken(BOOT, read(2.0), BOOT, done(4.0))
    assert inputs[2] == Inventory(4.0, 2.0, (1, 2))
    assert lines.reads == 1
    # The same where the boot's own line was lost too: reads of the old boot go, those of the new one stay.
    _, inputs = taken(BOOT, done(500.0), read(502.0), read(9.0, epc="AB"), done(10.0))
    assert inputs[2] == Boot(10.0)
    assert isinstance(inputs[3], Inventory)
    assert [r.epc for r in inputs[3].reads] == ["AB"]


def test_inputs_written_down_and_read_again_are_the_same() -> None:
    """What `run --record` writes, `replay` reads."""
    inputs: list[Input] = [
        Boot(0.0, "1970-01-01T00:00:12.000Z"),
        Inventory(
            2.0, 2.0, (1, 2), (Read(2.0, TAG, 1, -61.5, 3, channel=4, pc="3000", phase=1.5), Read(2.0, "AB", 2, -70.0))
        ),
        Fix(2.5, {"class": "TPV", "mode": 1}),
        PortInput(3.0, 2, on=True),
        ReaderState(4.0, "down"),
        Tick(5.0),
        Inventory(6.0, 2.0, (1,)),
    ]
    lines, again = taken(*(encode_line(line) for item in inputs for line in lines_of(item)))
    assert again == [item for item in inputs if not isinstance(item, Tick)]
    assert lines.skipped == {}
    assert lines.lines == 8
    assert list(lines_of(Round(6.0, 2.0, (1,)))) == [Round(6.0, 2.0, (1,))]  # type: ignore[arg-type]
