"""Canonical JSON, held against the tables and examples of RFC 8785."""

from __future__ import annotations

import json
import math
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.canonical import canonical_json, digest_of

# RFC 8785, appendix B: the bits of a double and how it is written.
APPENDIX_B = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


@pytest.mark.parametrize(("bits", "text"), APPENDIX_B)
def test_numbers_are_written_as_the_rfc_lists_them(bits: str, text: str) -> None:
    """Every finite row of RFC 8785, appendix B."""
    assert canonical_json(struct.unpack(">d", bytes.fromhex(bits))[0]) == text.encode()


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000", "fff0000000000000"])
def test_what_is_no_number_is_refused(bits: str) -> None:
    """RFC 8785, appendix B, marks NaN and the infinities as errors."""
    with pytest.raises(ValueError, match="no number"):
        canonical_json(struct.unpack(">d", bytes.fromhex(bits))[0])


def test_the_rfcs_own_example() -> None:
    """RFC 8785, section 3.2.2: literals, numbers and a string with everything that is escaped."""
    value = json.loads(
        '{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        ' "string": "\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/", "literals": [null, true, false]}'
    )
    assert (
        canonical_json(value)
        == (
            '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
            '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
        ).encode()
    )


def test_keys_are_sorted_by_their_utf16_units() -> None:
    """RFC 8785, section 3.2.3: the emoji (a surrogate pair) comes before the Hebrew letter of a higher code unit."""
    keys = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    expected = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    assert list(json.loads(canonical_json(dict.fromkeys(keys, 0)))) == expected


JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=("Cs",)), max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=12,
)


@given(JSON_VALUES)
def test_writing_loses_nothing_and_is_stable(value: Any) -> None:
    """What is written reads back equal, every number being a double, and writing that again gives the same bytes."""
    try:
        written = canonical_json(value)
    except ValueError as problem:
        assert "surrogate" in str(problem)  # a key may hold one  # noqa: PT017
        return
    assert json.loads(written, parse_int=float) == value
    assert canonical_json(json.loads(written)) == written


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (10**400, "no number"),
        (b"", "bytes"),
        ({1: 2}, "key"),
        ("\ud800", "surrogate"),
        (["\ud800"], "surrogate"),
        (math.nan, "number"),
    ],
)
def test_what_json_cannot_hold_is_refused(value: Any, words: str) -> None:
    """Each refusal says what it met."""
    with pytest.raises(ValueError, match=words):
        canonical_json(value)


def test_deep_nesting_is_refused() -> None:
    """A value nested ten thousand deep is an error of the value, not a crash."""
    value: list[Any] = []
    for _ in range(10_000):
        value = [value]
    with pytest.raises(ValueError, match="nested"):
        canonical_json(value)


def test_the_digest_names_its_hash() -> None:
    """The digest of the empty string's JSON (two quotes): SHA-256 of 0x2222, by `printf '""' | sha256sum`."""
    assert digest_of("") == "sha-256:12ae32cb1ec02d01eda3581b127c1fee3b0dc53572ed6baf239721a03d82e126"
