"""EPC codes: what is on a tag (hex) and what it means (URI), both ways. Knows nothing of registers or readers.

The 96-bit GS1 schemes SGTIN, SSCC, SGLN, GRAI, GIAI, GSRN and GSRNP, and the raw form for everything else. Decoding is
strict and total: hex that breaks any rule of its scheme (header, partition, range, reserved bits) is no GS1 EPC and
becomes `urn:epc:raw:BITS.xHEX`, so that one odd tag harms nothing. Encoding and parsing refuse with a ValueError that
says what is wrong, because there a person typed something.

A pure identity URI has no filter value: the same item may carry a tag with any of the eight. Whoever compares items
compares URIs, never hex.

Source: GS1 EPC Tag Data Standard 2.3, its chapters on the pure identity URI, the tag and raw URI, and the binary
encoding (headers, partition tables, the 96-bit schemes); annex E.3 has the examples that the tests use.
"""

from __future__ import annotations

import re
from functools import lru_cache

from msgspec import Struct

PURE = "urn:epc:id:"
TAG = "urn:epc:tag:"
RAW = "urn:epc:raw:"

_BITS = 96
# Tags that one vehicle hears between two restarts: its own stock, and strays at docks. An entry is about 300 bytes.
_REMEMBERED_TAGS = 16_384

_HEX = re.compile(r"[0-9A-Fa-f]*")
_DIGITS = re.compile(r"[0-9]*")
_NUMBER = re.compile(r"0|[1-9][0-9]*")
_RAW_URI = re.compile(r"urn:epc:raw:([1-9][0-9]*)\.x([0-9A-F]+)")
# Partition value 0..6 -> digits of the GS1 company prefix, and the bits these take.
_PREFIX_DIGITS = (12, 11, 10, 9, 8, 7, 6)
_PREFIX_BITS = (40, 37, 34, 30, 27, 24, 20)


class Scheme(Struct, frozen=True):
    """One 96-bit scheme: 8 header, 3 filter, 3 partition, then prefix and reference (by partition), serial, reserved.

    `reference_digits` is None where the reference is written without leading zeros (GIAI), so only its bits bound it.
    `serial_bits` is 0 where the scheme has no serial; the bits that are left over are reserved and zero.
    """

    name: str
    header: int
    reference_bits: tuple[int, ...]
    reference_digits: tuple[int, ...] | None
    serial_bits: int


_SEVEN = (4, 7, 10, 14, 17, 20, 24)
_EIGHTEEN = (18, 21, 24, 28, 31, 34, 38)
_UP_FROM_1 = (1, 2, 3, 4, 5, 6, 7)
_UP_FROM_0 = (0, 1, 2, 3, 4, 5, 6)
_UP_FROM_5 = (5, 6, 7, 8, 9, 10, 11)

SCHEMES = (
    Scheme("sgtin", 0x30, _SEVEN, _UP_FROM_1, 38),
    Scheme("sscc", 0x31, _EIGHTEEN, _UP_FROM_5, 0),
    Scheme("sgln", 0x32, (1, 4, 7, 11, 14, 17, 21), _UP_FROM_0, 41),
    Scheme("grai", 0x33, _SEVEN, _UP_FROM_0, 38),
    Scheme("giai", 0x34, (42, 45, 48, 52, 55, 58, 62), None, 0),
    Scheme("gsrn", 0x2D, _EIGHTEEN, _UP_FROM_5, 0),
    Scheme("gsrnp", 0x2E, _EIGHTEEN, _UP_FROM_5, 0),
)
_BY_HEADER = {scheme.header: scheme for scheme in SCHEMES}
_BY_NAME = {scheme.name: scheme for scheme in SCHEMES}


@lru_cache(maxsize=_REMEMBERED_TAGS)
def decode_tag(tag_hex: str) -> str:
    """The pure identity URI of a tag, or its `urn:epc:raw:BITS.xHEX`; a ValueError only where the text is not hex.

    >>> decode_tag("3316451FD400038000000008")
    'urn:epc:id:grai:9521141.00014.8'
    """
    tag = _hex(tag_hex)
    decoded = _decode(tag)
    return f"{RAW}{4 * len(tag)}.x{tag}" if decoded is None else f"{PURE}{decoded[0]}:{decoded[2]}"


def tag_uri(tag_hex: str) -> str:
    """The tag URI (with the filter value) of a tag, or its raw URI; a ValueError only where the text is not hex.

    >>> tag_uri("3376451FD40C0E400000162E")
    'urn:epc:tag:grai-96:3.9521141.12345.5678'
    """
    tag = _hex(tag_hex)
    decoded = _decode(tag)
    return f"{RAW}{4 * len(tag)}.x{tag}" if decoded is None else f"{TAG}{decoded[0]}-96:{decoded[1]}.{decoded[2]}"


def encode_uri(uri: str, *, filter_value: int = 0) -> str:
    """Upper-case hex of a pure identity URI, a tag URI (which brings its own filter value) or a raw URI.

    Raises ValueError, saying which part is wrong, for whatever does not fit a 96-bit tag.

    >>> encode_uri("urn:epc:id:giai:9521141.5678", filter_value=3)
    '3476451FD40000000000162E'
    """
    if uri.startswith(RAW):
        return _raw_hex(uri)
    if uri.startswith(PURE):
        name, separator, body = uri.removeprefix(PURE).partition(":")
    elif uri.startswith(TAG):
        name, separator, rest = uri.removeprefix(TAG).partition(":")
        if not name.endswith("-96"):
            raise ValueError(f"{uri!r} names {name!r}; the tag schemes known are {_known('-96')}")
        name = name.removesuffix("-96")
        filter_text, _, body = rest.partition(".")
        filter_value = _number(filter_text, "filter value", uri)
    else:
        raise ValueError(f"{uri!r} is no EPC URI; it starts with {PURE}, {TAG} or {RAW}")
    scheme = _BY_NAME.get(name)
    if scheme is None or not separator:
        raise ValueError(f"{uri!r} names {name!r}; the schemes known are {_known('')}")
    if not 0 <= filter_value <= 7:  # noqa: PLR2004 -- three bits
        raise ValueError(f"{uri!r}: filter value {filter_value} is not within 0 to 7")
    return _encode(scheme, body, filter_value, uri)


def parse_epc(text: str) -> tuple[str, str]:
    """`(uri, tag)` from a pure identity URI, a tag URI, a raw URI or hex, however a person wrote it down.

    The URI is the canonical one (a raw URI that holds a GS1 EPC gives that); the tag is upper-case hex, with filter
    value 0 where the text names none. Raises ValueError, saying what is wrong.
    """
    text = text.strip()
    if text[:4].lower() == "urn:":
        tag = encode_uri(text)
        return decode_tag(tag), tag
    if not text or not _HEX.fullmatch(text):
        raise ValueError(f"{text!r} is neither an EPC URI ({PURE}…, {TAG}…) nor hex")
    if len(text) % 4:
        raise ValueError(f"{text!r} has {len(text)} hex digits; a tag holds whole words of 4 digits (16 bits)")
    tag = text.upper()
    return decode_tag(tag), tag


def check_digit(digits: str) -> str:
    """The GS1 check digit that follows `digits` (GTIN, GLN, SSCC, GRAI, GSRN); GS1 General Specifications 7.9.1."""
    if not digits or not _DIGITS.fullmatch(digits):
        raise ValueError(f"{digits!r} is not a row of digits")
    total = sum(int(digit) * (1 if place % 2 else 3) for place, digit in enumerate(reversed(digits)))
    return str(-total % 10)


def _known(suffix: str) -> str:
    return ", ".join(scheme.name + suffix for scheme in SCHEMES)


def _hex(text: str) -> str:
    if not _HEX.fullmatch(text):
        raise ValueError(f"{text!r} is not hex")
    return text.upper()


def _decode(tag: str) -> tuple[str, int, str] | None:
    """Scheme name, filter value and `prefix.reference[.serial]`; None where the hex is no such EPC."""
    if len(tag) * 4 != _BITS:
        return None
    word = int(tag, 16)
    scheme = _BY_HEADER.get(word >> 88)
    partition = word >> 82 & 0b111
    if scheme is None or partition >= len(_PREFIX_BITS):
        return None
    left = 82
    fields: list[int] = []
    for bits in (_PREFIX_BITS[partition], scheme.reference_bits[partition], scheme.serial_bits):
        left -= bits
        fields.append(word >> left & ((1 << bits) - 1))
    if word & ((1 << left) - 1):  # reserved bits
        return None
    prefix, reference, serial = fields
    if prefix >= 10 ** _PREFIX_DIGITS[partition]:
        return None
    parts = [f"{prefix:0{_PREFIX_DIGITS[partition]}d}"]
    if scheme.reference_digits is None:
        parts.append(str(reference))
    else:
        digits = scheme.reference_digits[partition]
        if reference >= 10**digits:
            return None
        parts.append(f"{reference:0{digits}d}" if digits else "")
    if scheme.serial_bits:
        parts.append(str(serial))
    return scheme.name, word >> 85 & 0b111, ".".join(parts)


def _encode(scheme: Scheme, body: str, filter_value: int, uri: str) -> str:
    parts = body.split(".")
    wanted = 3 if scheme.serial_bits else 2
    if len(parts) != wanted:
        raise ValueError(f"{uri!r} has {len(parts)} parts between dots; {scheme.name} has {wanted}")
    prefix = parts[0]
    if not _DIGITS.fullmatch(prefix) or len(prefix) not in _PREFIX_DIGITS:
        raise ValueError(f"{uri!r}: company prefix {prefix!r} is not 6 to 12 digits")
    partition = _PREFIX_DIGITS.index(len(prefix))
    reference_bits = scheme.reference_bits[partition]
    if scheme.reference_digits is None:
        reference = _number(parts[1], "reference", uri)
        if reference >> reference_bits:
            most = (1 << reference_bits) - 1
            raise ValueError(f"{uri!r}: reference {parts[1]} is above {most}, the most 96 bits hold")
    else:
        digits = scheme.reference_digits[partition]
        if not _DIGITS.fullmatch(parts[1]) or len(parts[1]) != digits:
            raise ValueError(f"{uri!r}: reference {parts[1]!r} is not the {digits} digits that follow this prefix")
        reference = int(parts[1] or "0")
    serial = _number(parts[2], "serial", uri) if scheme.serial_bits else 0
    if serial >> scheme.serial_bits:
        raise ValueError(f"{uri!r}: serial {serial} is above {(1 << scheme.serial_bits) - 1}, the most 96 bits hold")
    word, used = 0, 0
    for value, bits in (
        (scheme.header, 8),
        (filter_value, 3),
        (partition, 3),
        (int(prefix), _PREFIX_BITS[partition]),
        (reference, reference_bits),
        (serial, scheme.serial_bits),
    ):
        word, used = word << bits | value, used + bits
    return f"{word << (_BITS - used):024X}"


def _number(text: str, part: str, uri: str) -> int:
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"{uri!r}: {part} {text!r} is not a number without leading zeros, as a 96-bit tag needs")
    return int(text)


def _raw_hex(uri: str) -> str:
    found = _RAW_URI.fullmatch(uri)
    if found is None:
        raise ValueError(f"{uri!r} is not of the form urn:epc:raw:BITS.xHEX, with upper-case hex")
    bits, tag = int(found[1]), found[2]
    if bits != 4 * len(tag):
        raise ValueError(f"{uri!r} says {bits} bits but holds {len(tag)} hex digits, that is {4 * len(tag)}")
    return tag
