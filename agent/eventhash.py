"""The CBV 2.0 event hash: one identifier for one event's content, whoever computes it, however it is written down.

Made for the fields that this project emits and strict about the rest: an event with a standard field that is not known
here (quantities, sensors, sources, transformations) is refused, for a hash that leaves something out would be a lie.
Knows nothing of why an event was made.

Source: GS1 Core Business Vocabulary 2.0, section 8.9 (hash algorithm). Its rules as used here:

- fields in the canonical order, name and value put together without separators; then whatever is left, sorted;
- `recordTime`, `eventID`, `errorDeclaration` and comments take no part, so a voided event keeps its identifier;
- times in UTC with three decimals; numbers without padding; bare words and CURIEs of the vocabulary as full web URIs;
- EPC URIs as canonical GS1 Digital Link URIs;
- members of a list sorted; a user extension as `{namespace}name`, its own members sorted;
- SHA-256 of the UTF-8 text, as an RFC 6920 `ni:` URI.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from agent.epc import check_digit
from agent.units import format_utc, parse_utc

_CBV = "https://ref.gs1.org/cbv/"
# The prefixes that GS1's own context declares and that may stand in a value.
_GS1_PREFIXES = {"cbv": _CBV, "gs1": "https://gs1.org/voc/"}
_CBV_URNS = {
    "urn:epcglobal:cbv:bizstep:": f"{_CBV}BizStep-",
    "urn:epcglobal:cbv:disp:": f"{_CBV}Disp-",
    "urn:epcglobal:cbv:btt:": f"{_CBV}BTT-",
}
_IGNORED = frozenset(
    {"@context", "type", "recordTime", "eventID", "errorDeclaration", "comment", "rdfs:comment"},
)
# Canonical order; what is not in it follows, sorted.
_ORDER = (
    "eventTime",
    "eventTimeZoneOffset",
    "certificationInfo",
    "parentID",
    "epcList",
    "childEPCs",
    "action",
    "bizStep",
    "disposition",
    "readPoint",
    "bizLocation",
)
_EPC_LISTS = frozenset({"epcList", "childEPCs"})
_PLACES = frozenset({"readPoint", "bizLocation"})
_VOCABULARIES = {"bizStep": f"{_CBV}BizStep-", "disposition": f"{_CBV}Disp-"}

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
# What a double holds; a hostile exponent must not be written out.
_MOST_DIGITS = 308
_EPC_URI = re.compile(r"urn:epc:(?:id|class|idpat):([a-z]+):(.*)")
_CANONICAL_HOST = "https://id.gs1.org/"
# A Digital Link URI elsewhere than at GS1's own host would have to be rewritten; we never emit one.
_FOREIGN_LINK = re.compile(
    r"https?://[^?#]*/(01|gtin|8006|itip|8010|cpid|414|gln|417|party|8017|gsrnp|8018|gsrn|255|gcn|00|sscc|253|gdti|401|ginc"
    r"|402|gsin|8003|grai|8004|giai)/\d{4}"
)
# Digits of prefix and reference together, check digit not counted; None where the reference is free text.
_KEY_DIGITS: dict[str, int | None] = {
    "sgtin": 13, "sscc": 17, "sgln": 12, "grai": 12, "giai": None, "gsrn": 17, "gsrnp": 17,
}  # fmt: skip
# What must be percent-encoded in a Digital Link URI and is not in an EPC URI (GS1 Digital Link, table of section 7).
_ESCAPES = str.maketrans({character: f"%{ord(character):02X}" for character in "!()*+,:"})


def event_hash(event: Mapping[str, Any]) -> str:
    """`ni:///sha-256;…?ver=CBV2.0` of one bare EPCIS 2.0 event; its `@context` gives the extension prefixes.

    Raises ValueError for a field or value that the algorithm cannot be applied to here.
    """
    return f"ni:///sha-256;{hashlib.sha256(pre_hash(event).encode()).hexdigest()}?ver=CBV2.0"


def pre_hash(event: Mapping[str, Any]) -> str:
    """The canonical text that the hash is taken of."""
    prefixes = _prefixes(event.get("@context", ()))
    parts = [f"eventType={event['type']}"]
    parts.extend(_field(name, event[name], prefixes) for name in _ORDER if name in event)
    rest = []
    for name, value in event.items():
        if name in _IGNORED or name in _ORDER:
            continue
        if name == "bizTransactionList":
            rest.append(_transactions(value, prefixes))
        else:
            rest.append(_extension(name, value, prefixes))
    return "".join(parts + sorted(rest))


def digital_link(uri: str) -> str:
    """The canonical GS1 Digital Link URI of a pure identity URI of our schemes; any other text as it is.

    Raises ValueError for an EPC URI of another scheme and for one whose digits are wrong in number.

    >>> digital_link("urn:epc:id:sgln:9521141.12345.0")
    'https://id.gs1.org/414/9521141123454'
    """
    found = _EPC_URI.fullmatch(uri)
    if found is None:
        if _FOREIGN_LINK.match(uri) and not uri.startswith(_CANONICAL_HOST):
            raise ValueError(f"{uri!r}: a Digital Link URI must be at {_CANONICAL_HOST} to be hashed here")
        return uri
    name, body = found.groups()
    if name not in _KEY_DIGITS or not uri.startswith("urn:epc:id:"):
        raise ValueError(f"{uri!r}: no Digital Link form is known here for this kind of EPC URI")
    prefix, _, rest = body.partition(".")
    if name == "giai":
        return f"{_CANONICAL_HOST}8004/{prefix}{rest.translate(_ESCAPES)}"
    reference, _, serial = rest.partition(".")
    # The indicator digit of an SGTIN and the extension digit of an SSCC go before the prefix.
    before = 1 if name in {"sgtin", "sscc"} else 0
    key = reference[:before] + prefix + reference[before:]
    if len(key) != _KEY_DIGITS[name]:
        raise ValueError(f"{uri!r}: prefix and reference have {len(key)} digits, not {_KEY_DIGITS[name]}")
    key += check_digit(key)
    serial = serial.translate(_ESCAPES)
    path = {
        "sgtin": f"01/{key}/21/{serial}",
        "sscc": f"00/{key}",
        "sgln": f"414/{key}" if serial == "0" else f"414/{key}/254/{serial}",
        "grai": f"8003/0{key}{serial}",
        "gsrn": f"8018/{key}",
        "gsrnp": f"8017/{key}",
    }[name]
    return _CANONICAL_HOST + path


def _prefixes(context: object) -> dict[str, str]:
    found = dict(_GS1_PREFIXES)
    for part in context if isinstance(context, (list, tuple)) else (context,):
        if isinstance(part, Mapping):
            found.update({name: uri for name, uri in part.items() if isinstance(uri, str)})
    return found


def _field(name: str, value: Any, prefixes: Mapping[str, str]) -> str:  # noqa: ANN401 -- JSON
    if name == "eventTime":
        return f"{name}={format_utc(parse_utc(value))}"
    if name in _EPC_LISTS:
        return name + "".join(sorted(f"epc={_text(epc, prefixes)}" for epc in value)) if value else ""
    if name in _PLACES:
        more = sorted(_extension(key, item, prefixes) for key, item in value.items() if key != "id")
        return f"{name}id={_text(value['id'], prefixes)}{''.join(more)}"
    if name in _VOCABULARIES and ":" not in value:
        return f"{name}={_VOCABULARIES[name]}{value}"
    return f"{name}={_text(value, prefixes)}"


def _transactions(value: list[dict[str, str]], prefixes: Mapping[str, str]) -> str:
    lines = []
    for transaction in value:
        kind = transaction.get("type", "")
        kind = kind if ":" in kind or not kind else f"{_CBV}BTT-{kind}"
        middle = f"type={_text(kind, prefixes)}" if kind else ""
        lines.append(f"{middle}bizTransaction={_text(transaction['bizTransaction'], prefixes)}")
    return "bizTransactionList" + "".join(sorted(lines))


def _extension(name: str, value: Any, prefixes: Mapping[str, str]) -> str:  # noqa: ANN401 -- JSON
    """A user extension: each member of a list under the same name, the members of an object sorted."""
    prefix, _, local = name.partition(":")
    if not local or prefix not in prefixes:
        raise ValueError(f"event field {name!r} is neither one of those hashed here nor under a declared prefix")
    full = f"{{{prefixes[prefix]}}}{local}"
    members = []
    for member in value if isinstance(value, (list, tuple)) else (value,):
        if isinstance(member, Mapping):
            members.append(full + "".join(sorted(_extension(key, item, prefixes) for key, item in member.items())))
        else:
            text = _text(member, prefixes)
            members.append(f"{full}={text}" if text else full)
    return "".join(sorted(members))


def _text(value: object, prefixes: Mapping[str, str]) -> str:
    """One value in canonical form."""
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise ValueError(f"{value!r} has no canonical form that is agreed upon; use a text or a number")  # noqa: TRY004 -- data, not a call
    text = str(value).strip()
    if _NUMBER.fullmatch(text):
        return _number(text)
    prefix, _, local = text.partition(":")
    if local and prefix in prefixes:
        return prefixes[prefix] + local
    for urn, web in _CBV_URNS.items():
        if text.startswith(urn):
            return web + text.removeprefix(urn)
    return digital_link(text)


def _number(text: str) -> str:
    """A number without sign of plus, leading or trailing zeros, and exponent."""
    number = Decimal(text)
    if not number:
        return "0"
    if abs(number.adjusted()) > _MOST_DIGITS:
        raise ValueError(f"{text!r} is a number too large or too small to be written out")
    digits = f"{number:f}"
    return digits.rstrip("0").rstrip(".") if "." in digits else digits
