"""The badges that a manifest's document names; pure. A badge aboard proves neither who drove nor who carried."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import msgspec

from agent.register import Register

_EPC = re.compile(r"urn:epc:id:[a-z]+:[\w.%-]{1,200}")


def is_epc(text: str) -> bool:
    """Whether the text has the form of a pure identity, by which badges are named."""
    return _EPC.fullmatch(text) is not None


def is_badge(register: Register, epc: str) -> bool:
    """Whether the register lists this EPC for a person."""
    listing = register.by_epc.get(epc)
    return listing is not None and listing.kind == "person"


def epcs_of(document: str | Mapping[str, Any]) -> tuple[str, ...]:
    """The EPCs of a manifest's badges, each once; none where the document holds no list of them."""
    if isinstance(document, str):
        try:
            document = msgspec.json.decode(document)
        except msgspec.DecodeError:
            return ()
    badges = document.get("badges") if isinstance(document, Mapping) else None
    if not isinstance(badges, list):
        return ()
    named = (each.get("epc") for each in badges if isinstance(each, Mapping))
    return tuple(dict.fromkeys(epc for epc in named if isinstance(epc, str) and "\0" not in epc))
