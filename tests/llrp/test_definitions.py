"""The records against the definitions of both versions of the standard (LLRP toolkit, Apache-2.0)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from agent.llrp import params, tables, told
from agent.llrp.messages import MESSAGES, Message
from agent.llrp.tagreport import TagReportData
from agent.llrp.wire import TV_LENGTHS, Custom, Parameter, layout_of
from tests.llrp.twins import Definition, Definitions, load, plain

PARAMETERS: list[type[Parameter]] = [Custom, TagReportData] + [
    thing
    for module in (params, told)
    for thing in vars(module).values()
    if isinstance(thing, type) and issubclass(thing, Parameter) and thing.__module__ == module.__name__
]
# Sub-parameters that this project leaves unread, as they came, under `others`.
UNREAD = {"Custom", "C1G2Filter", "RFSurveyEvent", "RFSurveyReportData", "RFSurveySpec", "LoopSpec", "SpecLoopEvent",
          "AccessCommandOpSpecResult", "EPCParameter", "CustomMessage"}  # fmt: skip

OF_1_1 = {46, 56, 47, 57}


@pytest.fixture(scope="module", params=["llrp-1x0-def.xml", "llrp-1x1-def.xml"])
def definitions(request: pytest.FixtureRequest, standards: Path) -> Definitions:
    """One version of the standard."""
    return load(standards / "llrp" / request.param)


def _check(definitions: Definitions, cls: type[Any], definition: Definition) -> None:
    layout = layout_of(cls)
    assert cls.number == definition.number
    if cls is told.C1G2LLRPCapabilities and ("", "r6", None) in definition.fields:
        return  # 1.1 gave four of 1.0.1's reserved bits a meaning; the record has 1.1's
    ours = [(plain(name), kind) for name, kind in layout.wire_fields]
    assert ours == [(plain(name), kind) for name, kind, _ in definition.fields], cls
    children: dict[str, str] = {}
    for name, repeat in definition.children:
        for alternative in definitions.alternatives(name):
            children[alternative] = repeat
    numbers = {definitions.by_name(name).number: repeat for name, repeat in children.items() if name not in UNREAD}
    for number, repeat in numbers.items():
        if number in layout.tvs or (cls is TagReportData and number in (13, 241)):
            continue
        if cls is TagReportData:
            assert definitions.parameters[number].name.endswith("OpSpecResult")
            continue
        child = layout.children[number]
        assert child.many == repeat.endswith("N") or cls.__name__ == "GetReaderCapabilitiesResponse", (cls, number)
        assert child.required == repeat.startswith("1"), (cls, number, repeat)
    known = set(layout.children) - {Custom.number}
    later = {19, 20}  # the XPC words of 1.1
    assert known <= set(numbers), cls
    assert set(layout.tvs) - later <= set(numbers), cls


@pytest.mark.parametrize("cls", PARAMETERS, ids=lambda cls: cls.__name__)
def test_parameter_is_laid_out_as_defined(cls: type[Parameter], definitions: Definitions) -> None:
    """Type number, fields, their widths and order, reserved bits and sub-parameters are the standard's."""
    definition = definitions.parameters[cls.number]
    assert plain(cls.__name__) == plain(definition.name)
    _check(definitions, cls, definition)


@pytest.mark.parametrize("cls", MESSAGES.values(), ids=lambda cls: cls.__name__)
def test_message_is_laid_out_as_defined(cls: type[Message], definitions: Definitions) -> None:
    """Type number, fields and sub-parameters of every message are the standard's; the four on versions are 1.1's."""
    if cls.number in OF_1_1 and not OF_1_1 & set(definitions.messages):
        return  # 1.0.1 has none of them
    definition = definitions.messages[cls.number]
    assert plain(cls.__name__) == plain(definition.name)
    _check(definitions, cls, definition)


def test_enumerations_are_those_of_1_1(standards: Path) -> None:
    """Every enumeration has exactly the names and numbers of llrp-1x1-def.xml."""
    definitions = load(standards / "llrp" / "llrp-1x1-def.xml")
    ours = {
        name: {entry.name.rstrip("_"): int(entry) for entry in thing}
        for name, thing in vars(tables).items()
        if isinstance(thing, type) and issubclass(thing, tables.IntEnum) and thing is not tables.IntEnum
    }
    assert ours == {name: definitions.enumerations[name] for name in ours}
    assert len(ours) >= 15


def test_short_parameters_have_the_defined_lengths(standards: Path) -> None:
    """The lengths of all TV parameters (type below 128) follow from the definitions of 1.1."""
    definitions = load(standards / "llrp" / "llrp-1x1-def.xml")
    defined = {
        number: sum(int(kind[1:]) for _, kind, _ in definition.fields) // 8
        for number, definition in definitions.parameters.items()
        if number < 128
    }
    assert {number: TV_LENGTHS[number] for number in defined} == defined
