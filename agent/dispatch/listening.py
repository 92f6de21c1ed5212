"""The board's own socket, taken before anything else starts, so that a taken port is said in words."""

from __future__ import annotations

import socket

from agent.errors import ConfigError
from agent.records import Problem


def listen(host: str, port: int) -> socket.socket:
    """A listening socket; raises ConfigError where the address cannot be had."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        what = f"the board cannot listen at {host}:{port}: {error.strerror}"
        do = "end what uses that port, or write another number"
        raise ConfigError([Problem(file="dispatch.toml", where="[dispatch] port", what=what, got="", do=do)]) from error
    return listening
