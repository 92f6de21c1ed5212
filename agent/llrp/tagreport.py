"""TagReportData, the parameter that comes by the hundred: one record per tag, read and written quickly.

A reader fills every report of a stream alike, so the first report's shape (which TV parameters, in which order) is
compiled and tried on the next one by a single unpack; where it does not match, the general way reads it. TV parameters
stand in the record as bare values. Results of tag access and vendors' parameters stay unread under `others`.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from functools import lru_cache
from operator import itemgetter
from typing import Annotated, Any, ClassVar

from msgspec.structs import astuple

from agent.errors import LlrpError
from agent.llrp.octets import OWN_DECODERS, OWN_ENCODERS, decode_unknown, encode_parameter, read_header
from agent.llrp.wire import Others, Parameter, Tv, layout_of

_EPC_DATA, _EPC_96, _EPC_96_OCTETS = 241, 13, 12
_HEADER = struct.Struct(">HH")


class TagReportData(Parameter, frozen=True):
    """What a reader says of one tag; None: not in this report. Times in microseconds, `peak_rssi` in dBm.

    `epc` is the EPC's octets. `epc_bits` is None for the EPC_96 form and the number of bits for the EPCData form, whose
    last octet is filled up with zeros.
    """

    number: ClassVar[int] = 240

    epc: bytes
    epc_bits: int | None = None
    rospec_id: Annotated[int | None, Tv(9, "u32")] = None
    spec_index: Annotated[int | None, Tv(14, "u16")] = None
    inventory_parameter_spec_id: Annotated[int | None, Tv(10, "u16")] = None
    antenna_id: Annotated[int | None, Tv(1, "u16")] = None
    peak_rssi: Annotated[int | None, Tv(6, "s8")] = None
    channel_index: Annotated[int | None, Tv(7, "u16")] = None
    first_seen_timestamp_utc: Annotated[int | None, Tv(2, "u64")] = None
    first_seen_timestamp_uptime: Annotated[int | None, Tv(3, "u64")] = None
    last_seen_timestamp_utc: Annotated[int | None, Tv(4, "u64")] = None
    last_seen_timestamp_uptime: Annotated[int | None, Tv(5, "u64")] = None
    tag_seen_count: Annotated[int | None, Tv(8, "u16")] = None
    c1g2_pc: Annotated[int | None, Tv(12, "u16")] = None
    c1g2_crc: Annotated[int | None, Tv(11, "u16")] = None
    c1g2_xpcw1: Annotated[int | None, Tv(19, "u16")] = None
    c1g2_xpcw2: Annotated[int | None, Tv(20, "u16")] = None
    access_spec_id: Annotated[int | None, Tv(16, "u32")] = None
    others: Others = ()


_LAYOUT = layout_of(TagReportData)
_TVS = _LAYOUT.tvs  # type number → (index of the field, its packing), in the record's order
_FIELDS = len(_LAYOUT.own)
_OTHERS = _FIELDS - 1


class _Shape:
    """A report with a 96-bit EPC and the TV parameters `numbers` in this order, as one packing."""

    def __init__(self, numbers: tuple[int, ...]) -> None:
        self.numbers = numbers
        self.packing = struct.Struct(">HHB12s" + "".join(_TVS[number][1].packing.format[1:] for number in numbers))
        self.size = self.packing.size
        # Every second value is a type number: the parameter's, the EPC's, then one of each TV parameter.
        self.types = (TagReportData.number, 0x80 | _EPC_96, *(0x80 | number for number in numbers))
        fields = [0, *(_TVS[number][0] for number in numbers)]
        absent = 2 * len(fields) + 2
        places = {field: 3 + 2 * place for place, field in enumerate(fields)}
        self.pick = itemgetter(*(places.get(field, absent) for field in range(_OTHERS)))
        woven = [_FIELDS, _FIELDS + 1]
        for place, field in enumerate(fields):
            woven += [_FIELDS + 2 + place, field]
        self.weave = itemgetter(*woven)
        self.constants = (self.types[0], self.size, *self.types[1:])
        self.present = itemgetter(*fields, 0)  # twice the EPC, so that it always gives a tuple
        self.absences = _FIELDS - len(fields) - 1

    def fits(self, values: tuple[Any, ...]) -> bool:
        """Whether a record with these values has this shape."""
        return (
            not values[_OTHERS]
            and len(values[0]) == _EPC_96_OCTETS
            and values.count(None) == self.absences
            and values[1] is None
            and None not in self.present(values)
        )


_shape = lru_cache(maxsize=64)(_Shape)


def decode_tags(data: bytes, at: int, end: int, owner: str) -> tuple[list[TagReportData], int]:
    """The tag reports that stand one after another from `at`, and where they end. Raises LlrpError."""
    tags: list[TagReportData] = []
    shape: _Shape | None = None
    while at < end:
        if shape is not None and at + shape.size <= end:
            values = shape.packing.unpack_from(data, at)
            if values[::2] == shape.types and values[1] == shape.size:
                tags.append(TagReportData(*shape.pick((*values, None))))
                at += shape.size
                continue
        number, start, stop = read_header(owner, data, at, end)
        if number != TagReportData.number:
            break
        tag, numbers = _decode_any(data, start, stop)
        tags.append(tag)
        shape = _shape(numbers) if numbers is not None else None
        at = stop
    return tags, at


def _decode_any(data: bytes, at: int, end: int) -> tuple[TagReportData, tuple[int, ...] | None]:
    """One tag report, and its TV parameters in order where its shape can be compiled."""
    values: list[Any] = [None] * _FIELDS
    values[_OTHERS] = ()
    numbers: list[int] = []
    plain = True
    while at < end:
        number, start, stop = read_header("TagReportData", data, at, end)
        if number in (_EPC_96, _EPC_DATA):
            if values[0] is not None:
                raise LlrpError("TagReportData: more than one EPC")
            plain = plain and number == _EPC_96 and not numbers
            values[0] = data[start:stop]
            if number == _EPC_DATA:
                values[0], values[1] = _decode_epc_data(data, start, stop)
        elif number in _TVS:
            index, short = _TVS[number]
            if values[index] is not None:
                raise LlrpError(f"TagReportData: more than one {_LAYOUT.own[index]}")
            values[index] = short.packing.unpack_from(data, at)[1]
            numbers.append(number)
        else:
            values[_OTHERS] += (decode_unknown(number, data, start, stop),)
            plain = False
        at = stop
    if values[0] is None:
        raise LlrpError("TagReportData: the EPC is missing")
    return TagReportData(*values), tuple(numbers) if plain else None


def _decode_epc_data(data: bytes, at: int, end: int) -> tuple[bytes, int]:
    if at + 2 > end:
        raise LlrpError("EPCData: cut off before its count of bits")
    bits = data[at] << 8 | data[at + 1]
    if at + 2 + (bits + 7) // 8 != end:
        raise LlrpError(f"EPCData: {bits} bits announced, {end - at - 2} octets given")
    return data[at + 2 : end], bits


def encode_tags(tags: Iterable[TagReportData]) -> bytes:
    """Tag reports one after another. Raises LlrpError where a value does not fit into its field."""
    parts: list[bytes] = []
    shape: _Shape | None = None
    for tag in tags:
        values = astuple(tag)
        if shape is None or not shape.fits(values):
            shape = _shape(tuple(number for number, (index, _) in _TVS.items() if values[index] is not None))
            if not shape.fits(values):
                parts.append(_encode_any(tag))
                shape = None
                continue
        try:
            parts.append(shape.packing.pack(*shape.weave(values + shape.constants)))
        except struct.error as error:
            raise LlrpError(f"{tag}: a value does not fit into its field ({error})") from None
    return b"".join(parts)


def _encode_any(tag: TagReportData) -> bytes:
    if tag.epc_bits is None:
        if len(tag.epc) != _EPC_96_OCTETS:
            raise LlrpError(f"TagReportData: {len(tag.epc)} octets of EPC without `epc_bits`; EPC_96 has 12")
        parts = [bytes((0x80 | _EPC_96,)) + tag.epc]
    else:
        if len(tag.epc) != (tag.epc_bits + 7) // 8:
            raise LlrpError(f"TagReportData: an EPC of {len(tag.epc)} octets cannot have {tag.epc_bits} bits")
        parts = [_HEADER.pack(_EPC_DATA, 6 + len(tag.epc)) + tag.epc_bits.to_bytes(2, "big") + tag.epc]
    try:
        for number, (index, short) in _TVS.items():
            value = getattr(tag, _LAYOUT.own[index])
            if value is not None:
                parts.append(short.packing.pack(0x80 | number, value))
    except struct.error as error:
        raise LlrpError(f"{tag}: a value does not fit into its field ({error})") from None
    parts.extend(encode_parameter(other) for other in tag.others)
    body = b"".join(parts)
    return _HEADER.pack(TagReportData.number, 4 + len(body)) + body


def _decode_one(data: bytes, at: int, end: int, _depth: int) -> TagReportData:
    return _decode_any(data, at, end)[0]


OWN_DECODERS[TagReportData] = _decode_one
OWN_ENCODERS[TagReportData] = _encode_any
