"""A reader behind TLS, for tests: a certificate of its own, and a way through to a plain simulated reader."""

from __future__ import annotations

import shutil
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest


def certificate(folder: Path, *options: str) -> tuple[Path, Path]:
    """A certificate that signed itself, as a reader brings it, for a name that is not its address; its key first."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl is missing")
    folder.mkdir(exist_ok=True)
    key, signed = folder / "key.pem", folder / "cert.pem"
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
         "-subj", "/CN=reader-00-11-22", *options, "-keyout", key, "-out", signed],
        check=True, capture_output=True,
    )  # fmt: skip
    return key, signed


def relay(raw: socket.socket, server: ssl.SSLContext, port: int) -> None:
    """Carry octets between one client, over TLS, and the plain reader at `port`, until either ends it."""
    with (
        server.wrap_socket(raw, server_side=True) as outside,
        socket.create_connection(("127.0.0.1", port)) as inside,
    ):
        outside.settimeout(0.01)  # one thread alone may use a TLS socket
        inside.settimeout(0.01)
        ends = ((outside, inside), (inside, outside))
        while True:
            for source, target in ends:
                with suppress(TimeoutError):
                    chunk = source.recv(65536)
                    if not chunk:
                        return
                    target.sendall(chunk)


@contextmanager
def behind_tls(port: int, *, key: Path, signed: Path) -> Iterator[int]:
    """The port at which the plain reader at `port` speaks TLS, one client after another."""
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(signed, key)
    listener = socket.create_server(("127.0.0.1", 0))

    def run() -> None:
        with suppress(OSError):
            while True:
                raw, _ = listener.accept()
                with raw, suppress(OSError):
                    raw.settimeout(5.0)
                    relay(raw, server, port)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        with suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()
