"""What somebody typed or scanned into the search field: which EPCs it may mean, or that it is a name; pure.

Understood are pure identity, tag and raw URIs, a tag's hex, GS1 element strings (with brackets, or as a scanner sends
them), a GTIN, GRAI, GIAI, SSCC, GSRN or GSRNP by itself or with its serial, and an uncompressed GS1 Digital Link URI.

A GS1 key does not say where its company prefix ends, an EPC does. So a key means up to seven EPCs, one for each length
of prefix, and whoever searches asks for all of them; no table of prefixes is needed.

Sources: GS1 General Specifications (element strings, FNC1 as the separator, application identifiers 00, 01, 21, 8003,
8004, 8017, 8018), GS1 Digital Link Standard: URI Syntax (primary keys in the path), GS1 EPC Tag Data Standard 2.3
(which digits of a key become which part of an EPC).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from urllib.parse import unquote, urlsplit

from msgspec import Struct

from agent.epc import PURE, check_digit, parse_epc

MOST_TYPED = 2000
_PREFIXES = range(6, 13)
_BRACKETS = re.compile(r"\((\d{2,4})\)([^(]*)")
_SYMBOLOGY = re.compile(r"\][A-Za-z]\d")
_SEPARATOR = "\x1d"
_HEX = re.compile(r"[0-9A-Fa-f]{8,}")
_KEY_ONLY = re.compile(r"(\d{8}|\d{12,14}|\d{18})(?:[\s/,;+]+(\S{1,40}))?")
_GTIN, _SERIAL = "01", "21"
_PLAIN = {"00": 18, "01": 14, "8017": 18, "8018": 18}  # digits
_KEYS = ("00", "01", "8003", "8004", "8017", "8018")
_NAMES = {
    "00": "an SSCC", "01": "a GTIN", "8003": "a GRAI", "8004": "a GIAI", "8017": "a GSRN of a provider",
    "8018": "a GSRN",
}  # fmt: skip


class Typed(Struct, frozen=True):
    """What the text may mean. `epcs` are single things, `classes` beginnings of EPCs of a kind, ending in a dot.

    `what` says in words what it was taken for, `problem` what is wrong with it. All of it may as well be a name.
    """

    text: str
    epcs: tuple[str, ...] = ()
    classes: tuple[str, ...] = ()
    what: str | None = None
    problem: str | None = None


def understand(given: str) -> Typed:  # noqa: PLR0911 - a form each
    """See the module. Never fails: what is nothing else is a name."""
    text = given.strip()[:MOST_TYPED]
    if not text:
        return Typed("")
    if text[:4].lower() == "urn:":
        return _uri(text)
    if text[:8].lower().startswith(("http://", "https://")):
        return _link(text)
    if _BRACKETS.match(text):
        return _elements(text, dict(_BRACKETS.findall(text)))
    if _SYMBOLOGY.match(text) or _SEPARATOR in text:
        return _scanned(text)
    key = _KEY_ONLY.fullmatch(text)
    if key is not None:
        if len(key[1]) == 18:  # noqa: PLR2004 - the digits of an SSCC and of a GSRN
            return _joined(text, *(_elements(text, {ai: key[1]}) for ai in ("00", "8018", "8017")))
        found = _elements(text, {_GTIN: key[1]} | ({_SERIAL: key[2]} if key[2] else {}))
        if not found.problem:
            return found
        hexed = _hex(text)
        return found if hexed is None else Typed(text, hexed.epcs, what=hexed.what, problem=found.problem)
    return _hex(text) or _run_together(text) or Typed(text)


def _uri(text: str) -> Typed:
    # What comes before the scheme's own part may be written in capitals (RFC 8141, section 3.1).
    head = re.match(r"urn:epc:(id|tag|raw|idpat):([a-z0-9-]*:)?", text, re.IGNORECASE)
    uri = text if head is None else head[0].lower() + text[head.end() :]
    try:
        epc, _ = parse_epc(uri)
    except ValueError as error:
        if uri.startswith(PURE):
            return Typed(text, (uri,), what="an EPC's URI")  # which no 96 bits hold; it may be kept all the same
        return Typed(text, problem=str(error))
    return Typed(text, (epc,), what="an EPC's URI")


def _hex(text: str) -> Typed | None:
    bare = text.replace(" ", "").removeprefix("0x")
    if not _HEX.fullmatch(bare) or len(bare) % 4:
        return None
    epc, _ = parse_epc(bare)
    return Typed(text, (epc,), what="a tag's hex")


def _link(text: str) -> Typed:
    """A GS1 Digital Link URI: the key's application identifier and value are segments of its path."""
    parts = [unquote(each) for each in urlsplit(text).path.split("/") if each]
    for number, part in enumerate(parts[:-1]):
        if part in _KEYS:
            rest = parts[number:]
            found = dict(zip(rest[::2], rest[1::2], strict=False))
            if part == _GTIN and found[part].isdigit() and len(found[part]) in (8, 12, 13):
                found[part] = found[part].zfill(14)
            return _elements(text, found, "a GS1 Digital Link with ")
    return Typed(text, problem="this address is no GS1 Digital Link with a key that an item can have")


def _scanned(text: str) -> Typed:
    bare = text[3:] if _SYMBOLOGY.match(text) else text
    return _run_together(bare.strip(_SEPARATOR), text) or Typed(text, problem="this scan holds no key of an item")


def _run_together(bare: str, text: str | None = None) -> Typed | None:
    """An element string without brackets: one key, and a GTIN's serial up to the separator."""
    text = bare if text is None else text
    for ai in _KEYS:
        if not bare.startswith(ai):
            continue
        value, rest = bare[len(ai) :].partition(_SEPARATOR)[::2]
        if ai in _PLAIN:
            value, rest = bare[len(ai) : len(ai) + _PLAIN[ai]], bare[len(ai) + _PLAIN[ai] :].lstrip(_SEPARATOR)
            if len(value) < _PLAIN[ai] or not value.isdigit() or (rest and ai == _GTIN and not rest.startswith("21")):
                continue
        elif not value[:7].isdigit():
            continue
        serial = rest[2:].partition(_SEPARATOR)[0] if rest.startswith(_SERIAL) else ""
        found = _elements(text, {ai: value} | ({_SERIAL: serial} if serial else {}))
        if not found.problem:
            return found
    return None


def _elements(text: str, found: Mapping[str, str], before: str = "") -> Typed:  # noqa: PLR0911 - a fault each
    ai = next((each for each in _KEYS if each in found), None)
    if ai is None:
        told = ", ".join(f"({each})" for each in list(found)[:5])
        return Typed(text, problem=f"{told} is no key of an item: known are (00), (01), (8003), (8004), (8017), (8018)")
    value, serial = found[ai].strip(), found.get(_SERIAL, "").strip()
    what = f"{before}{_NAMES[ai]}" + (f" with the serial {serial[:40]}" if serial else "")
    if ai == "8004":
        if len(value) > 30 or not value[:6].isdigit():  # noqa: PLR2004 - GS1's longest
            return Typed(text, problem=f"{_NAMES[ai]} begins with its company prefix: {value[:40]!r}")
        return Typed(text, tuple(_giai(value)), what=what)
    digits = value[:14] if ai == "8003" else value.zfill(14) if ai == _GTIN else value
    wanted = 14 if ai == "8003" else _PLAIN[ai]
    if len(digits) != wanted or not (digits.isascii() and digits.isdigit()):
        return Typed(text, problem=f"{_NAMES[ai]} has {wanted} digits (got {value[:40]!r})")
    if ai == "8003" and digits[0] != "0":
        return Typed(text, problem=f"a GRAI begins with a 0 (got {value[:40]!r})")
    right = check_digit(digits[:-1])
    if digits[-1] != right:
        return Typed(text, problem=f"{_NAMES[ai]} {digits}: the check digit is {digits[-1]}, {right} would fit")
    if ai == "8003":
        serial = value[14:]
    return _of_key(text, ai, digits, serial, what)


def _of_key(text: str, ai: str, digits: str, serial: str, what: str) -> Typed:
    if ai in ("00", _GTIN):  # the first digit is the indicator or extension and goes before the reference
        name = "sscc" if ai == "00" else "sgtin"
        bodies = [f"{digits[1 : 1 + n]}.{digits[0]}{digits[1 + n : -1]}" for n in _PREFIXES]
    elif ai == "8003":
        name, bodies = "grai", [f"{digits[1 : 1 + n]}.{digits[1 + n : -1]}" for n in _PREFIXES]
    else:
        name = "gsrn" if ai == "8018" else "gsrnp"
        bodies = [f"{digits[:n]}.{digits[n:-1]}" for n in _PREFIXES]
    uris = [f"{PURE}{name}:{body}" for body in bodies]
    if name not in ("sgtin", "grai"):
        return Typed(text, tuple(uris), what=what)
    if not serial:
        return Typed(text, classes=tuple(f"{uri}." for uri in uris), what=what)
    # A tag of 96 bits holds a serial as a number: leading zeros are lost on it.
    plain = [serial, *([str(int(serial))] if serial.isascii() and serial.isdigit() and serial[0] == "0" else [])]
    return Typed(text, tuple(f"{uri}.{each}" for uri in uris for each in plain), what=what)


def _giai(value: str) -> list[str]:
    return [f"{PURE}giai:{value[:n]}.{value[n:]}" for n in _PREFIXES if len(value) > n and value[:n].isdigit()]


def _joined(text: str, *several: Typed) -> Typed:
    good = [each for each in several if not each.problem]
    if not good:
        return several[0]
    return Typed(text, tuple(epc for each in good for epc in each.epcs), what=" or ".join(e.what or "" for e in good))
