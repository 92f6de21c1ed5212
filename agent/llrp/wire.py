"""How a parameter's bits lie on the wire, read off the annotations of its record.

A parameter or a message body is a run of fields and then sub-parameters. Each record class names its fields in the
standard's order, annotated with their wire type (`U16`, `Bit`, `Text` …) or with the record of the sub-parameter
(`X` once, `X | None` at most once, `tuple[X, ...]` any number, at least one where it has no default). `layout_of`
compiles that once and `octets.py` runs it. Nothing here knows a single parameter by name.

Source of the rules: LLRP 1.0.1 binary encoding, as laid down in the definitions of the LLRP toolkit (llrp-1x0-def.xml).
"""

from __future__ import annotations

import struct
import types
from typing import Annotated, Any, ClassVar, Union, get_args, get_origin, get_type_hints

from msgspec import NODEFAULT, Struct
from msgspec.structs import fields as struct_fields

# Reserved bits stand behind the field that they follow: Annotated[Bit, "r7"].
Bit = Annotated[bool, "u1"]
U2 = Annotated[int, "u2"]
U8 = Annotated[int, "u8"]
U16 = Annotated[int, "u16"]
U32 = Annotated[int, "u32"]
U64 = Annotated[int, "u64"]
S8 = Annotated[int, "s8"]
S16 = Annotated[int, "s16"]
Text = Annotated[str, "utf8v"]
Octets = Annotated[bytes, "u8v"]
U16s = Annotated[tuple[int, ...], "u16v"]
U32s = Annotated[tuple[int, ...], "u32v"]
Rest = Annotated[bytes, "bytesToEnd"]
OPTIONAL = "0-N"
"""Annotation of a tuple that may be empty and yet has no default, because a field without one stands behind it."""

FIRST_TLV = 128  # type numbers below are TV: a single octet of header, and a length that the number alone says
# The value lengths of every short (TV) parameter of LLRP 1.1 by type number; without one, the rest cannot be found.
TV_LENGTHS = {1: 2, 2: 8, 3: 8, 4: 8, 5: 8, 6: 1, 7: 2, 8: 2, 9: 4, 10: 2, 11: 2, 12: 2, 13: 12, 14: 2, 15: 4, 16: 4,
              17: 2, 18: 4, 19: 2, 20: 2}  # fmt: skip
CUSTOM = 1023
_FORMATS = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q", "s8": "b", "s16": "h"}
_WHOLE_FORMATS = {8: "B", 16: "H", 32: "I"}


class Parameter(Struct, frozen=True):
    """What every parameter record is; `number` is the standard's type number, a TV one's below 128."""

    number: ClassVar[int] = -1


class Unknown(Parameter, frozen=True):
    """A parameter that this project does not read, kept as it came; a TV one where `parameter_number` is below 128."""

    parameter_number: int
    data: bytes


class Custom(Parameter, frozen=True):
    """A vendor's own parameter, kept as it came."""

    number: ClassVar[int] = CUSTOM

    vendor_identifier: U32
    parameter_subtype: U32
    data: Rest = b""


Others = tuple[Custom | Unknown, ...]
"""Type of the field `others`, which every record with sub-parameters has: what it met and does not read."""


class Tv:
    """Annotation of a field that is a TV parameter of its own on the wire: `Annotated[int | None, Tv(9, "u32")]`."""

    def __init__(self, number: int, kind: str) -> None:
        self.number = number
        self.kind = kind
        self.packing = struct.Struct(">B" + _FORMATS[kind])


class _Cell:
    """One value of the fixed run: a whole field, or some bits that share octets with others."""

    def __init__(self, index: int, shift: int = 0, width: int = 0, *, flag: bool = False) -> None:
        self.index = index
        self.shift = shift
        self.mask = (1 << width) - 1
        self.flag = flag


class _Child:
    def __init__(self, index: int, *, many: bool, required: bool) -> None:
        self.index = index
        self.many = many
        self.required = required


class Layout:
    """A record class compiled: its fixed run, at most one field of variable length, its sub-parameters."""

    def __init__(self, cls: type[Struct]) -> None:
        self.cls = cls
        self.name = cls.__name__
        self.own: list[str] = []
        self.wire_fields: list[tuple[str, str]] = []  # (name, wire type), reserved bits as ("", "rN")
        self.tail: tuple[int, str] | None = None
        self.children: dict[int, _Child] = {}
        self.child_classes: dict[int, type[Parameter]] = {}
        self.tvs: dict[int, tuple[int, Tv]] = {}
        self.others: int | None = None
        self.slots: list[tuple[str, _Child]] = []
        self.keeps_order: int | None = None  # the field whose tuple takes unknown parameters in their place
        hints = get_type_hints(cls, include_extras=True)
        for field in struct_fields(cls):
            if field.name in ("message_id", "version"):
                continue  # these stand in the frame's header
            index = len(self.own)
            self.own.append(field.name)
            self._add(index, field.name, hints[field.name], required=field.default is NODEFAULT)
        self._compile_run()
        self.can_hold = bool(self.children or self.tvs) or self.others is not None
        self.defaults: list[Any] = [() if self._is_many(index) else None for index in range(len(self.own))]

    def _is_many(self, index: int) -> bool:
        return index == self.others or any(child.many for name, child in self.slots if child.index == index)

    def _add(self, index: int, name: str, hint: Any, *, required: bool) -> None:  # noqa: ANN401 - a type hint can be anything
        if name == "others":
            self.others = index
            return
        if get_origin(hint) is Annotated:
            base, *notes = get_args(hint)
            if isinstance(notes[0], Tv):
                self.tvs[notes[0].number] = (index, notes[0])
                return
            if notes[0] == OPTIONAL:
                self._add(index, name, base, required=False)
                return
            if notes[0] in ("utf8v", "u8v", "u16v", "u32v", "bytesToEnd"):
                self.tail = (index, notes[0])
                self.wire_fields.append((name, notes[0]))
            else:
                self.wire_fields.extend([(name, notes[0]), *[("", note) for note in notes[1:]]])
            return
        many = get_origin(hint) is tuple
        element = get_args(hint)[0] if many else hint
        is_choice = isinstance(element, types.UnionType) or get_origin(element) is Union
        classes = get_args(element) if is_choice else (element,)
        if not any(isinstance(cls, type) and issubclass(cls, Parameter) for cls in classes):
            return  # a plain value of a record that reads and writes itself
        child = _Child(index, many=many, required=required)
        self.slots.append((name, child))
        for cls in classes:
            if cls is Unknown:
                self.keeps_order = index
            elif cls is not types.NoneType:
                self.children[cls.number] = child
                self.child_classes[cls.number] = cls

    def _compile_run(self) -> None:
        """Group the fields before the tail into whole octets."""
        self.cells: list[list[_Cell]] = []
        form, group, bits = ">", [], 0
        names = {name: index for index, name in enumerate(self.own)}
        for name, kind in self.wire_fields:
            if kind in _FORMATS:
                form += _FORMATS[kind]
                self.cells.append([_Cell(names[name])])
            elif kind[0] in "ur" and kind[1:].isdigit():
                width = int(kind[1:])
                group.append((name, bits, width))
                bits += width
                if bits in _WHOLE_FORMATS:
                    form += _WHOLE_FORMATS[bits]
                    self.cells.append([_Cell(names[n], bits - at - w, w, flag=w == 1) for n, at, w in group if n])
                    group, bits = [], 0
        if bits:
            raise TypeError(f"{self.name}: the fields end within an octet")
        self.run = struct.Struct(form)
        self.plain = [cells[0].index if len(cells) == 1 and not cells[0].mask else -1 for cells in self.cells]


_LAYOUTS: dict[type, Layout] = {}


def layout_of(cls: type[Struct]) -> Layout:
    """The compiled layout of a record class."""
    layout = _LAYOUTS.get(cls)
    if layout is None:
        layout = _LAYOUTS[cls] = Layout(cls)
    return layout
