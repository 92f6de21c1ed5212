"""The LLRP toolkit's definitions and the XML twins of its frames, made comparable with this project's records.

Both sides become the same flat list of (path, value): path is the standard's names from the message down, lower case
without underscores; value an integer, a text, octets as hex, or a tuple of integers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from agent.llrp.messages import Message
from agent.llrp.tagreport import TagReportData
from agent.llrp.wire import Parameter, layout_of

Leaf = tuple[tuple[str, ...], Any]


def plain(name: str) -> str:
    """A name without case and underscores: the standard writes ROSpecID, a record rospec_id."""
    return name.replace("_", "").lower()


@dataclass
class Definition:
    """One message or parameter: its fields as (name, type, enumeration), reserved bits as ("", "rN", None)."""

    name: str
    number: int
    fields: list[tuple[str, str, str | None]] = field(default_factory=list)
    children: list[tuple[str, str]] = field(default_factory=list)  # (name of the parameter or choice, repeat)


@dataclass
class Definitions:
    """One version of the standard."""

    messages: dict[int, Definition] = field(default_factory=dict)
    parameters: dict[int, Definition] = field(default_factory=dict)
    choices: dict[str, list[str]] = field(default_factory=dict)
    enumerations: dict[str, dict[str, int]] = field(default_factory=dict)

    def by_name(self, name: str) -> Definition:
        """A message or parameter by its name in the standard."""
        return next(d for d in (*self.messages.values(), *self.parameters.values()) if d.name == name)

    def alternatives(self, name: str) -> list[str]:
        """The parameters that a sub-parameter's name stands for."""
        return self.choices.get(name, [name])


def _local(element: ET.Element) -> str:
    return element.tag.rpartition("}")[2]


def load(path: Path) -> Definitions:
    """Read llrp-1x0-def.xml or llrp-1x1-def.xml."""
    found = Definitions()
    for element in ET.parse(path).getroot():  # noqa: S314 - published data, not a stranger's
        kind, name = _local(element), element.get("name", "")
        if kind == "enumerationDefinition":
            found.enumerations[name] = {e.get("name", ""): int(e.get("value", "")) for e in element}
        elif kind == "choiceDefinition":
            found.choices[name] = [e.get("type", "") for e in element]
        elif kind in ("messageDefinition", "parameterDefinition"):
            definition = Definition(name, int(element.get("typeNum", "")))
            for part in element:
                if _local(part) == "field":
                    definition.fields.append((part.get("name", ""), part.get("type", ""), part.get("enumeration")))
                elif _local(part) == "reserved":
                    definition.fields.append(("", f"r{part.get('bitCount')}", None))
                elif _local(part) in ("parameter", "choice"):
                    definition.children.append((part.get("type", ""), part.get("repeat", "")))
            (found.messages if kind == "messageDefinition" else found.parameters)[definition.number] = definition
    return found


def messages_of(path: Path) -> list[ET.Element]:
    """The messages in a twin: the root itself, or what a packet sequence holds."""
    root = ET.parse(path).getroot()  # noqa: S314 - published data, not a stranger's
    return list(root) if _local(root) == "packetSequence" else [root]


def leaves_of_xml(definitions: Definitions, element: ET.Element) -> Iterator[Leaf]:
    """A message's XML as leaves."""
    yield ("messageid",), int(element.get("MessageID", ""))
    yield from _xml_leaves(definitions, element, (plain(_local(element)),))


def _xml_leaves(definitions: Definitions, element: ET.Element, path: tuple[str, ...]) -> Iterator[Leaf]:
    definition = definitions.by_name(_local(element))
    fields = {name: (kind, enumeration) for name, kind, enumeration in definition.fields}
    for part in element:
        name = _local(part)
        if name in fields and len(part) == 0:
            yield (*path, plain(name)), _value(definitions, part, *fields[name])
        else:
            yield from _xml_leaves(definitions, part, (*path, plain(name)))


def _value(  # noqa: PLR0911 - one line a wire type
    definitions: Definitions, element: ET.Element, kind: str, enumeration: str | None
) -> Any:
    text = (element.text or "").strip()
    named = definitions.enumerations.get(enumeration or "", {})
    if kind == "utf8v":
        return text
    if kind in ("bytesToEnd", "u96") or (kind == "u8v" and enumeration is None):
        return text.lower()
    if kind == "u1v":
        return int(element.get("Count", "")), text.lower()
    if kind == "u8v":
        return bytes(named[word] for word in text.split()).hex()
    if kind in ("u16v", "u32v"):
        return tuple(int(word) for word in text.split())
    if kind == "u1" and text in ("true", "false"):
        return int(text == "true")
    if kind == "u64" and "T" in text:
        moment = datetime.fromisoformat(text)
        return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    return named[text] if text in named else int(text)


def leaves_of_message(definitions: Definitions, message: Message) -> Iterator[Leaf]:
    """A message record as leaves."""
    yield ("messageid",), message.message_id
    yield from _record_leaves(definitions, message, (plain(definitions.messages[message.number].name),))


def _record_leaves(definitions: Definitions, record: Message | Parameter, path: tuple[str, ...]) -> Iterator[Leaf]:
    if isinstance(record, TagReportData):
        if record.epc_bits is None:
            yield (*path, "epc96", "epc"), record.epc.hex()
        else:
            yield (*path, "epcdata", "epc"), (record.epc_bits, record.epc.hex())
    layout = layout_of(type(record))
    defined = definitions.messages if isinstance(record, Message) else definitions.parameters
    known = {plain(name) for name, _, _ in defined[record.number].fields}  # 1.1 named some of 1.0.1's reserved bits
    fields = {name for name, _ in layout.wire_fields if plain(name) in known}
    tvs = {layout.own[index]: number for number, (index, _) in layout.tvs.items()}
    for name in layout.own:
        value = getattr(record, name)
        if name in fields:
            yield (*path, plain(name)), _simple(value)
        elif name in tvs and value is not None:
            definition = definitions.parameters[tvs[name]]
            yield (*path, plain(definition.name), plain(definition.fields[0][0])), value
        else:
            for part in value if isinstance(value, tuple) else (value,):
                if isinstance(part, Parameter):
                    part_name = plain(definitions.parameters[part.number].name)
                    yield from _record_leaves(definitions, part, (*path, part_name))


def _simple(value: Any) -> Any:
    if isinstance(value, bytes):
        return value.hex()
    return int(value) if isinstance(value, bool) else value
