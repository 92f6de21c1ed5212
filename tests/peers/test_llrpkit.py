"""Our codec beside llrpkit's (MIT), which was written by others: the same octets say the same.

A development tool alone: nothing of the program uses it, and without it these tests skip.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import pytest

from agent.llrp.codec import HEADER, LlrpStream, Malformed, decode, encode
from agent.llrp.messages import Message, ROAccessReport
from tests.faults.scripted import frames_of, number_of
from tests.llrp.play import CAPABLE, CONFIG, END, INPUTS, Play, report

codec = pytest.importorskip("llrpkit.protocol.codec", reason="llrpkit is not installed")
pytest.importorskip("llrpkit.protocol.messages", reason="llrpkit is not installed")


def published(standards: Path) -> list[tuple[str, bytes]]:
    """Every frame of the published captures and of the single frames."""
    folder = standards / "llrp"
    found = []
    for path in sorted(folder.rglob("*.bin")):
        frames = frames_of(path.read_bytes())
        found += [(f"{path.relative_to(folder)}#{number}", frame) for number, frame in enumerate(frames)]
    assert len(found) > 100
    return found


def written(theirs: Any) -> bytes:
    """A message of theirs as octets again."""
    return bytes(theirs.to_bytes())


def test_codecs_agree_on_every_published_frame(standards: Path) -> None:
    """Both read every frame, and what either writes of it the other reads as the same message."""
    read = 0
    for name, frame in published(standards):
        ours, theirs = decode(frame), codec.decode_message(frame)
        first, _, message_id = HEADER.unpack_from(frame)
        assert (theirs.message_id, ours.message_id) == (message_id, message_id), name
        assert decode(written(theirs)) == ours, name
        assert codec.decode_message(encode(ours)) == theirs, name
        assert first & 0x3FF == number_of(written(theirs)), name
        read += 1
    assert read == len(published(standards))


def test_they_agree_on_tags(standards: Path) -> None:
    """EPC, antenna and strength of every tag report in the captures are the same in both."""
    tags = 0
    for _, frame in published(standards):
        ours = decode(frame)
        if not isinstance(ours, ROAccessReport):
            continue
        theirs = codec.decode_message(frame)
        for mine, other in zip(ours.tag_report_data, _tags_of(theirs), strict=True):
            assert mine.epc.hex() in repr(other).lower() or mine.epc in _octets(other)
            tags += 1
    assert tags > 0


def _tags_of(message: Any) -> list[Any]:
    for name in dir(message):
        value = getattr(message, name)
        if (
            not name.startswith("_")
            and isinstance(value, (list, tuple))
            and value
            and "TagReport" in type(value[0]).__name__
        ):
            return list(value)
    return []


def _octets(parameter: Any) -> bytes:
    return bytes(parameter.encode()) if hasattr(parameter, "encode") else b""


def test_they_read_what_we_write() -> None:
    """Everything that a session sends, and what the simulated reader answers, is read by theirs and written alike."""
    play = Play().set_up()
    play.run_round(1, 2)
    messages: list[Message] = [*play.sent, CAPABLE, CONFIG, INPUTS, report(1, 2), *END]
    for message in messages:
        frame = encode(message)
        assert decode(written(codec.decode_message(frame))) == message, type(message).__name__


def test_the_comparison_can_fail() -> None:
    """A frame with one changed octet is another message to both."""
    frame = encode(report(1))
    other = bytearray(frame)
    other[-1] ^= 1
    assert codec.decode_message(bytes(other)) != codec.decode_message(frame)
    stream = LlrpStream()
    stream.receive(struct.pack(">HII", 1 << 10 | 61, 12, 1) + b"\x00\x01")
    (bad,) = stream.messages()
    assert isinstance(bad, Malformed)
    with pytest.raises(Exception, match=r".+"):
        codec.decode_message(struct.pack(">HII", 1 << 10 | 61, 12, 1) + b"\x00\x01")
