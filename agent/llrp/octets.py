"""Octets to the fields of a record and back, by its compiled layout.

Lengths are checked at every level: a parameter ends inside what holds it, and holds exactly what its layout says. What
a record does not know but may hold is kept as Custom or Unknown and written again as it came. Everything that does not
fit raises LlrpError, which says in which parameter.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any, TypeVar

from msgspec import Struct

from agent.errors import LlrpError
from agent.llrp.wire import CUSTOM, FIRST_TLV, TV_LENGTHS, Custom, Layout, Parameter, Unknown, layout_of

MAX_DEPTH = 16  # the standard nests 8 deep; hostile bytes could go down thousands of levels
_MAX_PARAMETER = 0xFFFF
_TLV = struct.Struct(">HH")
_COUNT = struct.Struct(">H")
T = TypeVar("T", bound=Parameter)

Reader = Callable[[bytes, int, int, int], Any]
OWN_DECODERS: dict[type, Reader] = {}
"""Records that decode themselves (for speed): class → (data, start, end, depth) → record."""
OWN_ENCODERS: dict[type, Callable[[Any], bytes]] = {}
"""Records that encode themselves: class → record → the whole parameter with its header."""


def decode_fields(layout: Layout, data: bytes, at: int, end: int, depth: int = 0) -> list[Any]:
    """The values of a record's fields, in the record's order, from data[at:end]."""
    if depth > MAX_DEPTH:
        raise LlrpError(f"{layout.name}: parameters nested more than {MAX_DEPTH} deep")
    values = layout.defaults.copy()
    if at + layout.run.size > end:
        raise LlrpError(f"{layout.name}: {end - at} octets where its fields take {layout.run.size}")
    for whole, plain, cells in zip(layout.run.unpack_from(data, at), layout.plain, layout.cells, strict=True):
        if plain >= 0:
            values[plain] = whole
            continue
        for cell in cells:
            value = whole >> cell.shift & cell.mask
            values[cell.index] = bool(value) if cell.flag else value
    at += layout.run.size
    if layout.tail is not None:
        index, kind = layout.tail
        values[index], at = _decode_tail(layout.name, kind, data, at, end)
    if at == end and not layout.slots:
        return values
    if not layout.can_hold:
        raise LlrpError(f"{layout.name}: {end - at} octets too many")
    _decode_children(layout, values, data, at, end, depth)
    return values


def _decode_tail(name: str, kind: str, data: bytes, at: int, end: int) -> tuple[Any, int]:
    if kind == "bytesToEnd":
        return data[at:end], end
    if at + 2 > end:
        raise LlrpError(f"{name}: cut off before its count")
    (count,) = _COUNT.unpack_from(data, at)
    at += 2
    size = count * {"utf8v": 1, "u8v": 1, "u16v": 2, "u32v": 4}[kind]
    if at + size > end:
        raise LlrpError(f"{name}: {count} elements announced, {end - at} octets left")
    if kind == "u16v":
        return struct.unpack_from(f">{count}H", data, at), at + size
    if kind == "u32v":
        return struct.unpack_from(f">{count}I", data, at), at + size
    octets = data[at : at + size]
    if kind == "u8v":
        return octets, at + size
    try:
        return octets.decode(), at + size
    except UnicodeDecodeError:
        raise LlrpError(f"{name}: its text is not UTF-8: {octets[:40]!r}") from None


def read_header(owner: str, data: bytes, at: int, end: int) -> tuple[int, int, int]:
    """(type number, start of the value, end of the parameter) of the parameter at `at`."""
    first = data[at]
    if first & 0x80:
        number = first & 0x7F
        length = TV_LENGTHS.get(number)
        if length is None:
            raise LlrpError(f"{owner}: TV parameter of unknown type {number}, so of unknown length, at octet {at}")
        start, stop = at + 1, at + 1 + length
    else:
        if at + _TLV.size > end:
            raise LlrpError(f"{owner}: {end - at} octets left where a parameter's header takes 4")
        number, length = _TLV.unpack_from(data, at)
        if not FIRST_TLV <= number <= CUSTOM or length < _TLV.size:
            raise LlrpError(f"{owner}: no parameter can have type {number} and length {length} (octet {at})")
        start, stop = at + _TLV.size, at + length
    if stop > end:
        raise LlrpError(f"{owner}: parameter {number} ends {stop - end} octets behind what holds it")
    return number, start, stop


def _decode_children(  # noqa: PLR0917 - the row of a decoder's arguments, the same everywhere in this module
    layout: Layout, values: list[Any], data: bytes, at: int, end: int, depth: int
) -> None:
    lists: dict[int, list[Any]] = {}
    while at < end:
        number, start, stop = read_header(layout.name, data, at, end)
        child = layout.children.get(number)
        if child is not None:
            parameter = decode_parameter(layout.child_classes[number], data, start, stop, depth + 1)
            if child.many:
                lists.setdefault(child.index, []).append(parameter)
            elif values[child.index] is not None:
                raise LlrpError(f"{layout.name}: more than one {layout.own[child.index]}")
            else:
                values[child.index] = parameter
        elif number in layout.tvs:
            index, short = layout.tvs[number]
            values[index] = short.packing.unpack_from(data, at)[1]
        else:
            other = layout.keeps_order if layout.keeps_order is not None else layout.others
            if other is None:
                raise LlrpError(f"{layout.name}: cannot hold parameter {number}")
            lists.setdefault(other, []).append(decode_unknown(number, data, start, stop))
        at = stop
    for index, found in lists.items():
        values[index] = tuple(found)
    for name, child in layout.slots:
        if child.required and not values[child.index]:
            raise LlrpError(f"{layout.name}: {name} is missing")


def decode_unknown(number: int, data: bytes, start: int, stop: int) -> Custom | Unknown:
    """A parameter that the record around it does not know."""
    if number == CUSTOM:
        return decode_parameter(Custom, data, start, stop, 0)
    return Unknown(number, data[start:stop])


def decode_parameter(cls: type[T], data: bytes, start: int, stop: int, depth: int) -> T:
    """The record of a parameter whose value is data[start:stop]."""
    own = OWN_DECODERS.get(cls)
    if own is not None:
        parameter: T = own(data, start, stop, depth)
        return parameter
    return cls(*decode_fields(layout_of(cls), data, start, stop, depth))


def encode_fields(layout: Layout, record: Struct) -> bytes:
    """A record's fields and sub-parameters, without any header."""
    own = [getattr(record, name) for name in layout.own]
    wholes = _encode_run(layout, own)
    try:
        parts = [layout.run.pack(*wholes)]
        if layout.tail is not None:
            parts.append(_encode_tail(layout.tail[1], own[layout.tail[0]]))
        for index, short in layout.tvs.values():
            if own[index] is not None:
                parts.append(short.packing.pack(0x80 | short.number, own[index]))
    except struct.error as error:
        raise LlrpError(f"{layout.name} {wholes}: a value does not fit into its field ({error})") from None
    for _, child in layout.slots:
        value = own[child.index]
        if child.many:
            parts.extend(encode_parameter(each) for each in value)
        elif value is not None:
            parts.append(encode_parameter(value))
    if layout.others is not None:
        parts.extend(encode_parameter(each) for each in own[layout.others])
    return b"".join(parts)


def _encode_run(layout: Layout, own: list[Any]) -> list[int]:
    """The values of the fixed run, bits put together to whole octets."""
    wholes = []
    for plain, cells in zip(layout.plain, layout.cells, strict=True):
        if plain >= 0:
            wholes.append(own[plain])
            continue
        whole = 0
        for cell in cells:
            value = int(own[cell.index])
            if value & ~cell.mask:
                raise LlrpError(f"{layout.name}.{layout.own[cell.index]}: {value} does not fit into its bits")
            whole |= value << cell.shift
        wholes.append(whole)
    return wholes


def _encode_tail(kind: str, value: Any) -> bytes:  # noqa: ANN401 - str, bytes or a tuple, as `kind` says
    if kind == "bytesToEnd":
        return bytes(value)
    if kind == "utf8v":
        value = value.encode()
    elif kind != "u8v":
        form = "H" if kind == "u16v" else "I"
        return _COUNT.pack(len(value)) + struct.pack(f">{len(value)}{form}", *value)
    return _COUNT.pack(len(value)) + bytes(value)


def encode_parameter(parameter: Parameter) -> bytes:
    """A parameter with its header. Raises LlrpError where a value does not fit."""
    own = OWN_ENCODERS.get(type(parameter))
    if own is not None:
        return own(parameter)
    if isinstance(parameter, Unknown):
        number, body = parameter.parameter_number, parameter.data
    else:
        number, body = parameter.number, encode_fields(layout_of(type(parameter)), parameter)
    if number < FIRST_TLV:
        return bytes((0x80 | number,)) + body
    if _TLV.size + len(body) > _MAX_PARAMETER:
        raise LlrpError(f"{type(parameter).__name__}: {len(body)} octets are more than a parameter can hold")
    return _TLV.pack(number, _TLV.size + len(body)) + body
