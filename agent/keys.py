"""The keys of a TOML file's sections: what may stand where, and everything that is wrong at once; floor 1.

A section is a table of `Key`s. `parse_document` reads the text, `check_section` gives a section's values as kept and
adds a Problem for each key that is unknown (with the nearest known name), missing, or holds what it may not. The other
functions are what a `Key` reads with: they give the value as kept, or raise Refused. Knows nothing of meanings.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
import tomllib
import zoneinfo
from collections.abc import Callable, Collection, Mapping
from typing import Any

from msgspec import Struct

from agent.errors import ConfigError
from agent.records import Problem


class Refused(Exception):  # noqa: N818 - never leaves this module
    """A value that a key does not allow."""


class Key(Struct, frozen=True):
    """One key of a section: `read` gives the value as kept or raises Refused, `allowed` says what may stand there."""

    allowed: str
    read: Callable[[object], Any]
    required: bool = False


def refuse(ok: bool) -> None:  # noqa: FBT001 - a condition, not an option
    """Raise Refused unless the condition holds."""
    if not ok:
        raise Refused


def text(value: object) -> str:
    """A text that is not empty, without blanks around it."""
    if not isinstance(value, str) or not value.strip():
        raise Refused
    return value.strip()


def matching(pattern: str) -> Callable[[object], str]:
    """A text that the whole pattern fits."""

    def read(value: object) -> str:
        found = text(value)
        refuse(re.fullmatch(pattern, found) is not None)
        return found

    return read


def flag(value: object) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise Refused
    return value


def whole(low: int, high: int) -> Callable[[object], int]:
    """A whole number from `low` to `high`."""

    def read(value: object) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise Refused
        return value

    return read


def real(low: float, high: float) -> Callable[[object], float]:
    """A number from `low` to `high`; NaN is within no bounds."""

    def read(value: object) -> float:
        if not isinstance(value, float | int) or isinstance(value, bool) or not low <= value <= high:
            raise Refused
        return float(value)

    return read


def one_of(*choices: str) -> Callable[[object], str]:
    """One of these words."""

    def read(value: object) -> str:
        found = text(value)
        refuse(found in choices)
        return found

    return read


def distinct_ports(value: object) -> tuple[int, ...]:
    """A list of different small numbers from 1, at least one."""
    if not isinstance(value, list) or not value:
        raise Refused
    ports = tuple(whole(1, 255)(one) for one in value)
    refuse(len(set(ports)) == len(ports))
    return ports


def date(value: object) -> dt.date:
    """A date without a time."""
    if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
        raise Refused
    return value


def minute_of_day(value: object) -> int:
    """HH:MM or a TOML local time, as minutes of the day; 24:00 ends it."""
    if isinstance(value, dt.time):
        return value.hour * 60 + value.minute
    match = re.fullmatch(r"(\d\d):(\d\d)", text(value))
    if match is None:
        raise Refused
    minutes = int(match[1]) * 60 + int(match[2])
    refuse(int(match[2]) < 60 and minutes <= 24 * 60)  # noqa: PLR2004 - a clock's
    return minutes


def time_zone(value: object) -> str:
    """The name of a time zone that the tz database has."""
    try:
        return zoneinfo.ZoneInfo(text(value)).key
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise Refused from error


def parse_document(source: str, *, file: str) -> dict[str, Any]:
    """A TOML text as its tables; raises ConfigError, which says the line, on anything else."""
    try:
        return tomllib.loads(source)
    except (ValueError, RecursionError) as error:  # the latter and a plain ValueError: absurdly deep, absurdly long
        what = f"this is not TOML: {error}"
        raise ConfigError([Problem(file=file, where="", what=what, got="", do="mend it there")]) from error


def check_section(
    table: object,
    keys: Mapping[str, Key],
    *,
    file: str,
    section: str,
    problems: list[Problem],
) -> dict[str, Any]:
    """The values of one section that may stand there, as kept; what may not is added to `problems`."""
    if not isinstance(table, Mapping):
        problems.append(Problem(file=file, where=section, what="no section", got=shown(table), do=f"write [{section}]"))
        return {}
    values: dict[str, Any] = {}
    for name, value in table.items():
        key = keys.get(name)
        if key is None:
            problems.append(unknown(name, keys, file=file, where=f"[{section}] {name}", what="unknown key"))
            continue
        try:
            values[name] = key.read(value)
        except Refused:
            where = f"[{section}] {name}"
            problems.append(Problem(file=file, where=where, what="", got=shown(value), do=f"give {key.allowed}"))
    for name, key in keys.items():
        if key.required and name not in table:
            where, do = f"[{section}] {name}", f"give {key.allowed}"
            problems.append(Problem(file=file, where=where, what="missing", got="", do=do))
    return values


def unknown(name: str, known: Collection[str], *, file: str, where: str, what: str) -> Problem:
    """A name that nobody knows, with the nearest that somebody does."""
    near = difflib.get_close_matches(name, known, n=1)
    do = f"write {near[0]} if that is meant" if near else f"leave it out; known are {', '.join(known)}"
    return Problem(file=file, where=where, what=what, got="", do=do)


def shown(value: object) -> str:
    """What stands there, nearly as written and no longer than a glance."""
    found = repr(value) if not isinstance(value, bool) else str(value).lower()
    return found if len(found) <= 60 else found[:57] + "…"  # noqa: PLR2004 - a glance
