"""One way only to write a JSON value, so that two programs get the same digest for the same content; floor 1.

The way is RFC 8785 (JSON Canonicalization Scheme): keys sorted by their UTF-16 code units, no white space, numbers as
ECMAScript writes them, nothing escaped that need not be. `digest_of` is what stands in a downlink's `digest`.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

_LARGEST_EXACT = 2**53
# ECMAScript's Number::toString writes plain digits for 1e-6 <= |x| < 1e21 and an exponent elsewhere.
_PLAIN_ABOVE, _PLAIN_BELOW = -6, 21


def canonical_json(value: Any) -> bytes:  # noqa: ANN401 - a JSON value is any of six things, nested
    """`value` as RFC 8785 writes it, in UTF-8.

    Every number is taken for a double, as the RFC says. Raises ValueError for what JSON cannot hold: NaN, an infinity,
    a lone surrogate, a key that is no string, nesting too deep to walk.
    """
    parts: list[str] = []
    try:
        _write(value, parts)
        return "".join(parts).encode()
    except RecursionError:
        raise ValueError("the JSON value is nested too deeply") from None
    except UnicodeEncodeError as problem:
        raise ValueError(f"text with a lone surrogate: {problem}") from None


def digest_of(value: Any) -> str:  # noqa: ANN401 - see above
    """`sha-256:` and the 64 hex digits of the SHA-256 of `canonical_json(value)`; raises ValueError as that does."""
    return "sha-256:" + hashlib.sha256(canonical_json(value)).hexdigest()


def _write(value: Any, parts: list[str]) -> None:  # noqa: ANN401 - see above
    if value is None or value is True or value is False:
        parts.append({None: "null", True: "true", False: "false"}[value])
    elif isinstance(value, str):
        parts.append(json.dumps(value, ensure_ascii=False))
    elif isinstance(value, int):
        parts.append(str(int(value)) if abs(value) <= _LARGEST_EXACT else _large_integer(value))
    elif isinstance(value, float):
        parts.append(_number(value))
    elif isinstance(value, dict):
        _write_object(value, parts)
    elif isinstance(value, list | tuple):
        parts.append("[")
        for index, item in enumerate(value):
            if index:
                parts.append(",")
            _write(item, parts)
        parts.append("]")
    else:
        raise ValueError(f"JSON has no {type(value).__name__}")


def _write_object(value: dict[Any, Any], parts: list[str]) -> None:
    for key in value:
        if not isinstance(key, str):
            raise ValueError(f"JSON has no key such as {key!r}")  # noqa: TRY004 - one kind of error for callers
    parts.append("{")
    for index, key in enumerate(sorted(value, key=lambda name: name.encode("utf-16-be"))):
        parts.append("," if index else "")
        parts.append(json.dumps(key, ensure_ascii=False))
        parts.append(":")
        _write(value[key], parts)
    parts.append("}")


def _large_integer(value: int) -> str:
    try:
        return _number(float(value))  # the RFC takes every number for a double
    except OverflowError:
        raise ValueError("JSON has no number beyond 1.8e308") from None


def _number(value: float) -> str:
    if value == 0.0:
        return "0"  # of either sign
    if value != value or value in (float("inf"), float("-inf")):  # noqa: PLR0124 - only NaN differs from itself
        raise ValueError(f"JSON has no number such as {value}")
    sign = "-" if value < 0 else ""
    # repr gives the shortest digits that read back as the same double, as ECMAScript does; only the layout differs.
    mantissa, _, exponent = repr(abs(value)).partition("e")
    whole, _, fraction = mantissa.partition(".")
    fraction = "" if fraction == "0" else fraction
    point = len(whole) + int(exponent or 0)  # how many digits stand before the decimal point
    digits = whole + fraction
    point -= len(digits) - len(digits.lstrip("0"))
    digits = digits.strip("0")
    if not _PLAIN_ABOVE < point <= _PLAIN_BELOW:
        tail = f".{digits[1:]}" if len(digits) > 1 else ""
        return f"{sign}{digits[0]}{tail}e{point - 1:+d}"
    if point <= 0:
        return f"{sign}0.{'0' * -point}{digits}"
    if point >= len(digits):
        return sign + digits + "0" * (point - len(digits))
    return f"{sign}{digits[:point]}.{digits[point:]}"
