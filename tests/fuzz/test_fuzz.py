"""The fuzzers' targets in short form: hypothesis drives them; and each can fail."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

import agent.llrp.session
from agent.llrp.codec import HEADER, MAX_FRAME, LlrpStream
from tests.fuzz import targets
from tests.fuzz.targets import TARGETS, seeds

QUICK = settings(max_examples=400, deadline=2000, suppress_health_check=[HealthCheck.too_slow])
# A script's octets are biased to what leads on: answers, frames, time.
_STEP = st.one_of(st.just(b"\0"), st.binary(min_size=1, max_size=40), st.sampled_from(seeds("stream")))


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_what_a_good_peer_says_passes(name: str) -> None:
    """Each target takes the inputs that the fuzzer begins with, and every cut of them."""
    for seed in seeds(name):
        for cut in range(0, len(seed) + 1, max(len(seed) // 40, 1)):
            TARGETS[name](seed[:cut])


@QUICK
@given(st.binary(max_size=300))
def test_codec(data: bytes) -> None:
    """Any body under any type number is a message that reads back the same, or LlrpError."""
    targets.codec(data)


@QUICK
@given(st.lists(_STEP, max_size=12).map(b"".join))
def test_stream(data: bytes) -> None:
    """However the octets are cut, they say the same, and no more than a frame ever waits."""
    targets.stream(data)


@settings(QUICK, max_examples=100)
@given(st.lists(_STEP, max_size=40).map(b"".join))
def test_session(data: bytes) -> None:
    """Whatever comes whenever, a session answers with actions and its sums hold."""
    targets.session(data)


@QUICK
@given(st.one_of(st.binary(max_size=300), st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace"))))
@example(b'{"class":"TPV","mode":3,"lat":1,"lon":1e999,"time":"2026-01-01T00:00:00Z"}')
def test_gps(line: bytes) -> None:
    """A line of gpsd is an object, nothing or GpsdError; a fix has finite values."""
    targets.gps(line)
    targets.gps_text(line)


def test_memory_is_bounded() -> None:
    """A peer that announces frames of 4 GiB and sends 64 MiB of them takes no more memory than a frame may have."""
    stream = LlrpStream()
    chunk = bytes(1 << 20)
    tracemalloc.start()
    try:
        stream.receive(HEADER.pack(1 << 10 | 61, 0xFFFF_FFFF, 1))
        list(stream.messages())
        for _ in range(64):
            stream.receive(chunk)
            list(stream.messages())
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 2 * MAX_FRAME


def test_the_session_target_can_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    """A session that loses count of a cut-off round is found out by the target."""
    script = bytes(12) + b"\x06"
    targets.session(script)
    monkeypatch.setattr(agent.llrp.session.Tally, "bad", lambda *_: None)
    with pytest.raises(AssertionError, match="sums do not hold"):
        targets.session(bytes(10) + _report_outside())


def _report_outside() -> bytes:
    """A report that comes between rounds, as the script's step 3 (octets heard)."""
    frame = targets.encode(targets.report(1, 2))
    return b"".join(
        bytes((3 | len(frame[at : at + 31]) << 3,)) + frame[at : at + 31] for at in range(0, len(frame), 31)
    )
