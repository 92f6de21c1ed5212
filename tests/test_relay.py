"""The relay passes bytes untouched, and a cut is a cut in both directions."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import pytest

from agent.relay import LinkRelay


@pytest.fixture
def echo() -> Iterator[int]:
    """The port of a server that sends back what it gets."""

    def serve(connection: socket.socket) -> None:
        with connection:
            while chunk := _received(connection):
                connection.sendall(chunk)

    def accept() -> None:
        while True:
            try:
                connection, _ = server.accept()
            except OSError:
                return
            threading.Thread(target=serve, args=[connection], daemon=True).start()

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=accept, daemon=True)
        thread.start()
        yield server.getsockname()[1]
        server.shutdown(socket.SHUT_RDWR)
    thread.join(5.0)


def _received(connection: socket.socket) -> bytes:
    """The next bytes; none where the other end is gone, however it went."""
    try:
        return connection.recv(65_536)
    except ConnectionError:
        return b""


def connected(port: int) -> socket.socket:
    """A connection that gives up after five seconds."""
    connection = socket.create_connection(("127.0.0.1", port), timeout=5.0)
    connection.settimeout(5.0)
    return connection


def exchange(connection: socket.socket, sent: bytes) -> bytes:
    """What comes back for `sent`."""
    sender = threading.Thread(target=connection.sendall, args=[sent])
    sender.start()
    got = bytearray()
    while len(got) < len(sent):
        chunk = connection.recv(65_536)
        if not chunk:
            break
        got += chunk
    sender.join(5.0)
    return bytes(got)


def test_bytes_pass_untouched(echo: int) -> None:
    """Three megabytes come back as they went, and are counted both ways."""
    sent = bytes(range(256)) * 12_000
    with LinkRelay(listen_port=0, target_port=echo) as relay, connected(relay.port) as near:
        assert exchange(near, sent) == sent
        assert relay.passed_bytes == 2 * len(sent)


def test_a_cut_resets_and_refuses_until_mended(echo: int) -> None:
    """An open connection ends at once, a new one gets nowhere, and after the mend a new one works."""
    with LinkRelay(listen_port=0, target_port=echo) as relay:
        with connected(relay.port) as near:
            assert exchange(near, b"before") == b"before"
            relay.cut()
            assert _received(near) == b""
        with connected(relay.port) as near:
            assert _received(near) == b""
        relay.mend()
        with connected(relay.port) as near:
            assert exchange(near, b"after") == b"after"


def test_a_silent_cut_loses_bytes_and_says_nothing(echo: int) -> None:
    """In a dead zone connections stay open and nothing arrives; at its end they are reset."""
    with LinkRelay(listen_port=0, target_port=echo) as relay, connected(relay.port) as near:
        assert exchange(near, b"before") == b"before"
        relay.cut(silently=True)
        with connected(relay.port) as late:
            for connection in (near, late):
                connection.sendall(b"lost")
                connection.settimeout(0.05)
                with pytest.raises(TimeoutError):
                    connection.recv(1)
            relay.mend()
            for connection in (near, late):
                connection.settimeout(5.0)
                assert _received(connection) == b""
        with connected(relay.port) as again:
            assert exchange(again, b"after") == b"after"


def test_no_target_is_a_reset() -> None:
    """Where nothing listens behind the relay the near end is told so."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        free = probe.getsockname()[1]
    with LinkRelay(listen_port=0, target_port=free) as relay, connected(relay.port) as near:
        assert _received(near) == b""


def test_a_taken_port_is_an_error(echo: int) -> None:
    """The relay does not start where another listens."""
    with pytest.raises(OSError, match="in use"):
        LinkRelay(listen_port=echo, target_port=echo).start()
