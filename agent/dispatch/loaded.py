"""What a dispatch.toml and the files that it names hold, read once at the start, with all that is wrong with them."""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from msgspec import Struct, field

from agent.dispatch.connection import Broker
from agent.dispatch.loading import Plan, plan_of
from agent.dispatch.people import Assigned, assigned_by
from agent.dispatch.settings import BrokerSettings, DispatchSettings, parse_dispatch
from agent.dispatch.site_store import ids_in_force
from agent.errors import ConfigError
from agent.messages import DownLeaf
from agent.plan import parse_plan
from agent.records import PlanRow, Problem
from agent.register import Register, parse_register
from agent.sites import Site, parse_sites

log = logging.getLogger(__name__)


class Loaded(Struct, frozen=True):
    """Settings together with what the files they name hold; `contents` is what downlinks would carry, but for sites."""

    settings: DispatchSettings
    folder: Path
    sites: tuple[Site, ...] = ()
    names: Mapping[str, str] = field(default_factory=dict)
    contents: Mapping[DownLeaf, Any] = field(default_factory=dict)
    broker: Broker = field(default_factory=Broker)
    assigned: Assigned = field(default_factory=Assigned)
    plan: Plan = field(default_factory=Plan)
    site_files: Mapping[str, Any] | None = None


def load(path: Path) -> Loaded:
    """Read a dispatch.toml and every file that it names; raises ConfigError with all that is wrong with them."""
    settings = parse_dispatch(read_text(path, where=""), file=str(path))
    folder = path.resolve().parent
    problems: list[Problem] = []
    contents: dict[DownLeaf, Any] = {}
    site_files: dict[str, Any] | None = None
    sites: tuple[Site, ...] = ()
    register = Register()
    broker, assigned = Broker(), Assigned()
    rows: tuple[PlanRow, ...] = ()
    try:
        _look_at_certificate(settings, folder)
        broker = _broker(settings.mqtt, folder)
    except ConfigError as error:
        problems += error.problems
    try:
        if settings.sites_dir is not None:
            files = _read_sites(folder / settings.sites_dir)
            sites = parse_sites(files)
            site_files = {name: json.loads(text) for name, text in files.items()}
    except ConfigError as error:
        problems += error.problems
    try:
        if settings.register_file is not None:
            file = folder / settings.register_file
            text = read_text(file, where="[register] file")
            register = parse_register(text, file=str(file))
            contents["register"] = text
    except ConfigError as error:
        problems += error.problems
    try:
        if settings.plan_file is not None:
            file = folder / settings.plan_file
            text = read_text(file, where="[plan] file")
            known = {site.id for site in sites} | ids_in_force(settings.server.database, folder)
            rows = parse_plan(text, file=str(file), sites=known, register=register)
            assigned = assigned_by(rows, {listing.epc: listing.name for listing in register.listings})
            contents["plan"] = text
    except ConfigError as error:
        problems += error.problems
    if problems:
        raise ConfigError(problems)
    names = {listing.epc: listing.name for listing in register.listings}
    plan = plan_of(rows, register)
    return Loaded(settings, folder, sites, names, contents, broker, assigned, plan, site_files)


def _look_at_certificate(settings: DispatchSettings, folder: Path) -> None:
    for key, name in (("cert_file", settings.server.cert_file), ("key_file", settings.server.key_file)):
        if name is not None:
            read_text(folder / name, where=f"[dispatch] {key}")


def _broker(settings: BrokerSettings, folder: Path) -> Broker:
    secret = settings.password_file

    def beside(key: str) -> str | None:
        name: str | None = getattr(settings, key)
        if name is not None:
            read_text(folder / name, where=f"[mqtt] {key}")  # whoever cannot read it is told now, not at the first try
        return None if name is None else str(folder / name)

    return Broker(
        host=settings.host,
        port=settings.port,
        client_id=settings.client_id,
        username=settings.username,
        password=None if secret is None else read_text(folder / secret, where="[mqtt] password_file").strip(),
        ca_file=beside("ca_file"),
        cert_file=beside("cert_file"),
        key_file=beside("key_file"),
    )


def read_text(path: Path, *, where: str) -> str:
    """A file's text; raises ConfigError, which names the key `where` it is named."""
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        what = f"cannot be read: {getattr(error, 'strerror', None) or error}"
        raise ConfigError(
            [Problem(file=str(path), where=where, what=what, got="", do="check path and rights")]
        ) from error


def _read_sites(folder: Path) -> dict[str, str]:
    paths = sorted(folder.glob("*.geojson"))
    if not paths:
        problem = Problem(file=str(folder), where="[sites] dir", what="no .geojson there", got="", do="put one there")
        raise ConfigError([problem])
    return {path.name: read_text(path, where="[sites] dir") for path in paths}


def database_of(settings: DispatchSettings, folder: Path) -> str | Path:
    """Where the database is: a path beside the settings' file, or a URL."""
    database = settings.server.database
    return database if "://" in database else folder / database
