"""The dispatch side's settings (`dispatch.toml`): text in, typed records or every problem out. Reads no file."""

from __future__ import annotations

import re
from typing import Any

from msgspec import Struct, field

from agent.errors import ConfigError
from agent.keys import Key, check_section, flag, matching, parse_document, real, text, time_zone, unknown, whole
from agent.records import Problem
from agent.vehicle import Privacy

_LOOPBACK = re.compile(r"localhost|127(\.\d{1,3}){3}|::1")


class ServerSettings(Struct, frozen=True):
    """Where the board listens and where the database lies. `quiet_after_s`: when a silent van is called not heard.

    `log_in`: nobody gets in without, even while there is no account. `name`: what browsers call the board, if not
    this computer. `behind_tls`: a proxy on this computer takes TLS; with `cert_file` and `key_file` the board does.
    """

    host: str = "127.0.0.1"
    port: int = 8470
    database: str = "dispatch.db"
    timezone: str = "UTC"
    quiet_after_s: float = 180.0
    allow_without_login: bool = False
    log_in: bool = False
    name: str | None = None
    behind_tls: bool = False
    cert_file: str | None = None
    key_file: str | None = None

    @property
    def is_encrypted(self) -> bool:
        """Whether browsers reach the board by TLS."""
        return self.behind_tls or self.cert_file is not None


class BrokerSettings(Struct, frozen=True):
    """The broker, and as whom to come. With `ca_file` the connection is encrypted; `cert_file` says who we are."""

    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "roadtally-dispatch"
    username: str | None = None
    password_file: str | None = None
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None


class PrivacySettings(Struct, frozen=True):
    """How long is kept what speaks of people, and what the driver's notice says beside it.

    `keep_days` and `keep_badges_days` are carried out here; the rest only repeats what the vans' own files say.
    """

    organisation: str | None = None
    contact: str | None = None
    working_hours: str | None = None
    keep_days: int = 90
    keep_badges_days: int = 14
    van_keep_reads_days: int = Privacy().keep_reads_days


class DispatchSettings(Struct, frozen=True):
    """All of a dispatch.toml; paths as written there."""

    server: ServerSettings = field(default_factory=ServerSettings)
    mqtt: BrokerSettings = field(default_factory=BrokerSettings)
    privacy: PrivacySettings = field(default_factory=PrivacySettings)
    sites_dir: str | None = None
    register_file: str | None = None
    plan_file: str | None = None
    evidence_dir: str | None = None
    publish: bool = False

    @property
    def is_local(self) -> bool:
        """Whether the board can be reached from this computer only."""
        return is_loopback(self.server.host)


_TEXT = Key("a text", text)
_PORT = Key("a port number, 1 to 65535", whole(1, 65_535))
_FLAG = Key("true or false", flag)
_DAYS = Key("whole days, 1 to 3650", whole(1, 3650))

SECTIONS: dict[str, dict[str, Key]] = {
    "dispatch": {
        "host": _TEXT,
        "port": _PORT,
        "database": _TEXT,
        "timezone": Key("an IANA time zone such as Atlantic/Azores", time_zone),
        "quiet_after_s": Key("seconds, 10 to 86400", real(10.0, 86_400.0)),
        "allow_without_login": _FLAG,
        "log_in": _FLAG,
        "name": Key("a host name such as dispatch.depot.example", matching(r"[a-z0-9]([a-z0-9.-]{0,250}[a-z0-9])?")),
        "behind_tls": _FLAG,
        "cert_file": _TEXT,
        "key_file": _TEXT,
    },
    "mqtt": {
        "host": _TEXT,
        "port": _PORT,
        "client_id": Key("1 to 40 of a-z, 0-9 and -", matching(r"[a-z0-9-]{1,40}")),
        "username": _TEXT,
        "password_file": _TEXT,
        "ca_file": _TEXT,
        "cert_file": _TEXT,
        "key_file": _TEXT,
    },
    "sites": {"dir": Key("a folder of .geojson files", text, required=True)},
    "register": {"file": Key("a CSV file", text, required=True)},
    "plan": {"file": Key("a CSV file", text, required=True)},
    "evidence": {"dir": Key("a folder of copies of vehicles' stores", text, required=True)},
    "downlink": {"publish": _FLAG},
    "privacy": {
        "organisation": _TEXT,
        "contact": _TEXT,
        "working_hours": Key('a text for the driver\'s notice such as "Mon to Fri, 06:00 to 19:00"', text),
        "keep_days": _DAYS,
        "keep_badges_days": _DAYS,
        "van_keep_reads_days": _DAYS,
    },
}


def is_loopback(host: str) -> bool:
    """Whether a host can only be reached from this computer."""
    return _LOOPBACK.fullmatch(host) is not None


def parse_dispatch(source: str, *, file: str) -> DispatchSettings:
    """The text of a dispatch.toml as settings; raises ConfigError with every problem of it."""
    document = parse_document(source, file=file)
    problems: list[Problem] = []
    values: dict[str, dict[str, Any]] = {name: {} for name in SECTIONS}
    for name, table in document.items():
        if name not in SECTIONS:
            problems.append(unknown(name, SECTIONS, file=file, where=f"[{name}]", what="unknown section"))
        else:
            values[name] = check_section(table, SECTIONS[name], file=file, section=name, problems=problems)
    server = ServerSettings(**values["dispatch"])
    problems += _server_problems(server, file)
    mqtt = values["mqtt"]
    if ("cert_file" in mqtt) != ("key_file" in mqtt) or ("cert_file" in mqtt and "ca_file" not in mqtt):
        problems.append(
            Problem(
                file=file,
                where="[mqtt]",
                what="a certificate needs its key and the authority of both",
                got=", ".join(name for name in ("ca_file", "cert_file", "key_file") if name in mqtt),
                do="give ca_file, cert_file and key_file, or ca_file alone, or none",
            )
        )
    privacy = PrivacySettings(**values["privacy"])
    if privacy.keep_badges_days > privacy.keep_days:
        problems.append(
            Problem(
                file=file,
                where="[privacy] keep_badges_days",
                what="badges cannot be kept longer than the records that they stand in",
                got=f"{privacy.keep_badges_days} of {privacy.keep_days} days",
                do="give no more than keep_days",
            )
        )
    if problems:
        raise ConfigError(problems)
    return DispatchSettings(
        server=server,
        mqtt=BrokerSettings(**mqtt),
        privacy=privacy,
        sites_dir=values["sites"].get("dir"),
        register_file=values["register"].get("file"),
        plan_file=values["plan"].get("file"),
        evidence_dir=values["evidence"].get("dir"),
        publish=values["downlink"].get("publish", False),
    )


def _server_problems(server: ServerSettings, file: str) -> list[Problem]:
    """What does not go together about who may reach the board, and how."""
    found = []
    if not is_loopback(server.host) and not server.allow_without_login:
        if not server.log_in:
            what = "nobody has to log in, and others than this computer would reach the board"
            do = (
                "write 127.0.0.1, or log_in = true and make accounts, or allow_without_login = true if everybody there"
                " may see everything"
            )
            found.append(Problem(file=file, where="[dispatch] host", what=what, got=server.host, do=do))
        elif not server.is_encrypted:
            what = "passwords would cross the network in the clear"
            do = (
                "give cert_file and key_file, or write host = 127.0.0.1 and behind_tls = true with a proxy that takes"
                " TLS in front of it"
            )
            found.append(Problem(file=file, where="[dispatch] host", what=what, got=server.host, do=do))
    if server.log_in and server.allow_without_login:
        do = "leave one of the two out"
        what = "log_in and allow_without_login say the opposite"
        found.append(Problem(file=file, where="[dispatch]", what=what, got="", do=do))
    if (server.cert_file is None) != (server.key_file is None):
        got = "cert_file" if server.key_file is None else "key_file"
        what, do = "a certificate needs its key", "give both or none"
        found.append(Problem(file=file, where="[dispatch]", what=what, got=got, do=do))
    if server.behind_tls and not is_loopback(server.host):
        what = "a board behind a proxy would be reached past the proxy"
        do = "write host = 127.0.0.1, with the proxy on this computer"
        found.append(Problem(file=file, where="[dispatch] behind_tls", what=what, got=server.host, do=do))
    return found
