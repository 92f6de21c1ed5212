"""Recording lines (formats.md section 1) to records and back, and rounds put together with their reads.

Knows the form of a line and nothing of what it means. A line that cannot be read is counted by cause and skipped, so
that `lines = used + skipped` always adds up.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import msgspec

from agent.records import Boot, Fix, Input, Inventory, Line, Read, Round

# The clock of one boot never runs back. Lines cut off or swapped by a few seconds are let through; more than this
# without a `boot` line can only be a new boot whose own line was lost.
BACKWARDS_S = 5.0

_DECODER: msgspec.json.Decoder[Line] = msgspec.json.Decoder(Line)
_ENCODER = msgspec.json.Encoder()


def encode_line(line: Line) -> bytes:
    """One recording line as JSON without the line feed."""
    return _ENCODER.encode(line)


class Lines:
    """Reads recording lines and counts them, and those `skipped` by cause: not_json, unknown_kind, bad_value."""

    def __init__(self) -> None:
        self.lines = 0
        self.reads = 0
        self.rounds = 0
        self.fixes = 0
        self.skipped: dict[str, int] = {}

    def inputs(self, lines: Iterable[bytes]) -> Iterator[Input]:
        """The pipeline's inputs: each round carries the reads that stand before it; a lost `boot` line is put back."""
        decode = _DECODER.decode
        pending: list[Read] = []
        last_mono: float | None = None
        for text in lines:
            if not text.strip():
                continue
            self.lines += 1
            try:
                line = decode(text)
            except msgspec.ValidationError as error:
                self._skip("unknown_kind" if "Invalid value" in str(error) and "$.kind" in str(error) else "bad_value")
                continue
            except (msgspec.DecodeError, UnicodeDecodeError):
                self._skip("not_json")
                continue
            if isinstance(line, Read):
                pending.append(line)
                self.reads += 1
                continue
            mono = line.mono
            if isinstance(line, Boot):
                pending = []  # reads whose round never ended: the power went, nothing says how long it listened
            elif last_mono is not None and mono < last_mono - BACKWARDS_S:
                pending = [read for read in pending if read.mono <= mono]
                yield Boot(mono=mono)
            last_mono = mono
            if isinstance(line, Round):
                self.rounds += 1
                yield Inventory(mono, line.seconds, line.antennas, tuple(pending))
                pending = []
                continue
            if isinstance(line, Fix):
                self.fixes += 1
            yield line

    def _skip(self, cause: str) -> None:
        self.skipped[cause] = self.skipped.get(cause, 0) + 1


def lines_of(item: Input) -> Iterator[Line]:
    """The recording lines of one pipeline input, in order; a tick leaves none."""
    if isinstance(item, Inventory):
        yield from item.reads
        yield Round(item.mono, item.seconds, item.antennas)
    elif isinstance(item, Line):
        yield item
