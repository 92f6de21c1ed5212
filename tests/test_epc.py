"""EPC codec against the encodings printed in the GS1 Tag Data Standard 2.3, annex E.3 (and 1.9, second hand)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.epc import SCHEMES, check_digit, decode_tag, encode_uri, parse_epc, tag_uri

OURS = {f"{scheme.name.upper()}-96" for scheme in SCHEMES}
PREFIX_DIGITS = st.integers(6, 12)


def _vectors(standards: Path) -> list[list[str]]:
    rows = json.loads((standards / "epc" / "vectors.json").read_text(encoding="utf-8"))["vectors"]
    return [row for row in rows if row[1] in OURS]


def _raw(tag: str) -> str:
    return f"urn:epc:raw:{4 * len(tag)}.x{tag}"


@st.composite
def pure_uris(draw: st.DrawFn) -> str:
    """A valid pure identity URI of any of the seven schemes."""
    scheme = draw(st.sampled_from(SCHEMES))
    digits = draw(PREFIX_DIGITS)
    partition = 12 - digits
    parts = [draw(st.text("0123456789", min_size=digits, max_size=digits))]
    if scheme.reference_digits is None:
        parts.append(str(draw(st.integers(0, 2 ** scheme.reference_bits[partition] - 1))))
    else:
        size = scheme.reference_digits[partition]
        parts.append(draw(st.text("0123456789", min_size=size, max_size=size)))
    if scheme.serial_bits:
        parts.append(str(draw(st.integers(0, 2**scheme.serial_bits - 1))))
    return f"urn:epc:id:{scheme.name}:{'.'.join(parts)}"


def test_published_vectors_cover_every_scheme(standards: Path) -> None:
    """Each of the seven schemes has at least one printed example."""
    assert {row[1] for row in _vectors(standards)} == OURS


def test_published_vectors_both_ways(standards: Path) -> None:
    """Every printed 96-bit example of the seven schemes decodes and encodes as printed."""
    for _, _, _, pure, tagged, tag, _ in _vectors(standards):
        assert decode_tag(tag) == pure
        assert tag_uri(tag) == tagged
        assert encode_uri(tagged) == tag
        filter_value = int(tagged.split(":")[4][0])
        assert encode_uri(pure, filter_value=filter_value) == tag
        assert parse_epc(tagged) == parse_epc(tag.lower()) == (pure, tag)


def test_element_strings_hold_the_check_digit(standards: Path) -> None:
    """The printed element strings of GLN and SSCC end in the check digit that we compute."""
    for _, name, element, *_ in _vectors(standards):
        if name == "SSCC-96":
            key = element.removeprefix("(00)")
        elif name == "SGLN-96":
            key = element.removeprefix("(414)").split("(")[0]
        else:
            continue
        assert check_digit(key[:-1]) == key[-1]


@pytest.mark.parametrize(
    "key", ["6291041500213", "7300011000017", "8904000210037", "9521141123454", "095201234567891235"]
)
def test_check_digit(key: str) -> None:
    """Published GTINs, a GLN and an SSCC (GS1 member organisations' examples; TDS 2.3 E.3) carry our check digit."""
    assert check_digit(key[:-1]) == key[-1]


@pytest.mark.parametrize("text", ["", "12a", "-1", "٣"])
def test_check_digit_of_what_has_no_digits(text: str) -> None:
    """Only rows of digits have a check digit."""
    with pytest.raises(ValueError, match="not a row of digits"):
        check_digit(text)


def test_other_schemes_are_raw(standards: Path) -> None:
    """Printed tags of schemes that we don't decode keep their hex."""
    rows = json.loads((standards / "epc" / "vectors.json").read_text(encoding="utf-8"))["vectors"]
    others = [row[5] for row in rows if row[1] not in OURS]
    assert len(others) > 10
    for tag in others:
        assert decode_tag(tag) == _raw(tag)


@given(pure_uris(), st.integers(0, 7))
def test_uri_round_trip(uri: str, filter_value: int) -> None:
    """A pure identity URI survives encoding with any filter value; tag URI and hex name the same thing."""
    tag = encode_uri(uri, filter_value=filter_value)
    assert len(tag) == 24
    assert decode_tag(tag) == uri
    assert parse_epc(tag_uri(tag)) == (uri, tag)


@given(st.binary(min_size=0, max_size=40))
def test_garbage_never_raises(data: bytes) -> None:
    """Any hex decodes, to a URI that encodes back to the same bits apart from the filter value."""
    tag = data.hex().upper()
    uri = decode_tag(tag)
    if uri.startswith("urn:epc:raw:"):
        assert uri == _raw(tag)
    else:
        assert encode_uri(tag_uri(tag)) == tag


@given(st.sampled_from(SCHEMES), st.integers(0, 2**88 - 1))
def test_any_bits_under_a_known_header(scheme: object, rest: int) -> None:
    """Random bits under a known header are either a valid EPC that encodes back to the same bits, or raw."""
    tag = f"{scheme.header:02X}{rest:022X}"  # type: ignore[attr-defined]
    if decode_tag(tag) != _raw(tag):
        assert encode_uri(tag_uri(tag)) == tag


@given(st.text("0123456789abcdefABCDEF", max_size=70))
def test_any_hex_text(text: str) -> None:
    """Hex of any length and case decodes."""
    assert decode_tag(text).startswith("urn:epc:")


@pytest.mark.parametrize(
    ("tag", "why"),
    [
        ("327E451FD46072000000162E", "no partition table has a row 7"),
        ("311BA1B300CE0A6A83000001", "the 24 reserved bits of SSCC-96 are not zero"),
        ("2D76451FD4499602D2000001", "the 24 reserved bits of GSRN-96 are not zero"),
        ("307BFFFFFC00000000000000", "company prefix above 999999"),
        ("3376451FD7FFFFC00000162E", "asset type above 99999"),
        ("E280116060000207AABBCCDD", "the header is no GS1 EPC"),
        ("3376451FD40C0E400000", "80 bits"),
        ("", "no bits at all"),
    ],
)
def test_broken_tags_are_raw(tag: str, why: str) -> None:
    """What breaks a rule of its scheme is no GS1 EPC and keeps its hex."""
    assert decode_tag(tag) == _raw(tag), why


@pytest.mark.parametrize("text", ["xyz", "30 66", "3066C4409047E140075BCD1G", "٣٣", "0x30", "3066\n"])
def test_what_is_no_hex_is_refused(text: str) -> None:
    """Only hex digits are decoded."""
    with pytest.raises(ValueError, match="not hex"):
        decode_tag(text)


@pytest.mark.parametrize(
    ("uri", "says"),
    [
        ("urn:epc:id:grai:9521141.12345.05678", "serial '05678' is not a number without leading zeros"),
        ("urn:epc:id:grai:9521141.12345.32a%2Fb", "not a number"),
        ("urn:epc:id:grai:9521141.1234.5678", "'1234' is not the 5 digits"),
        ("urn:epc:id:grai:95211.1234567.5678", "'95211' is not 6 to 12 digits"),
        ("urn:epc:id:grai:9521141.12345", "has 2 parts between dots; grai has 3"),
        ("urn:epc:id:grai:9521141.12345.274877906944", "above 274877906943"),
        ("urn:epc:id:giai:9521141.288230376151711744", "above 288230376151711743"),
        ("urn:epc:id:giai:9521141.007", "without leading zeros"),
        ("urn:epc:id:gdti:9521141.12345.5678", "names 'gdti'; the schemes known are"),
        ("urn:epc:id:grai", "names 'grai'"),
        ("urn:epc:tag:grai-96:8.9521141.12345.5678", "filter value 8 is not within 0 to 7"),
        ("urn:epc:tag:grai-170:3.9521141.12345.5678", "names 'grai-170'"),
        ("urn:epc:tag:grai-96:9521141.12345.5678", "filter value 9521141"),
        ("urn:epc:raw:96.xABC", "says 96 bits but holds 3 hex digits"),
        ("urn:epc:raw:12.xabc", "upper-case"),
        ("https://id.gs1.org/8003/095211411234545678", "is no EPC URI"),
        ("", "is no EPC URI"),
    ],
)
def test_encoding_says_what_is_wrong(uri: str, says: str) -> None:
    """A URI that no 96-bit tag can hold is refused with the part that is wrong."""
    with pytest.raises(ValueError) as caught:  # noqa: PT011 -- the text is compared below
        encode_uri(uri)
    assert says in str(caught.value)


def test_prefix_of_twelve_digits_leaves_an_empty_reference() -> None:
    """With a 12-digit prefix GRAI and SGLN have no digit left for the reference (TDS, partition tables)."""
    for uri in ("urn:epc:id:grai:952114112345..7", "urn:epc:id:sgln:952114112345..0"):
        assert decode_tag(encode_uri(uri)) == uri


def test_parse_epc_takes_what_people_write() -> None:
    """Blanks around it, lower-case hex, and a raw URI that in truth is a GS1 EPC all lead to the same item."""
    want = ("urn:epc:id:grai:9521141.12345.5678", "3376451FD40C0E400000162E")
    assert parse_epc(" 3376451fd40c0e400000162e ") == want
    assert parse_epc("urn:epc:raw:96.x3376451FD40C0E400000162E") == want
    assert parse_epc("urn:epc:id:grai:9521141.12345.5678")[1] == "3316451FD40C0E400000162E"
    assert parse_epc("E2801160") == ("urn:epc:raw:32.xE2801160", "E2801160")
    for text in ("", "moving head 101", "urn:epc:id:grai:x", "E28", "urn:nothing"):
        with pytest.raises(ValueError, match=r"EPC|hex|prefix|parts"):
            parse_epc(text)
