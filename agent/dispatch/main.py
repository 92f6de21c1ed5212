"""Wires the dispatch side: settings and files → store, ingest and board in one process.

`Dispatch` is what the demo starts and stops; `run` is the command `roadtally dispatch`.
"""

from __future__ import annotations

import argparse
import logging
import signal
import sys
import threading
from functools import partial
from pathlib import Path
from typing import Protocol, Self
from zoneinfo import ZoneInfo

import msgspec
import uvicorn

from agent.canonical import digest_of
from agent.clock import Clock, SystemClock
from agent.dispatch import account_command
from agent.dispatch.accounts import Accounts
from agent.dispatch.board import Access, Board, DriverNotice, create_app, listen
from agent.dispatch.hosts import LOOPBACK, own_names
from agent.dispatch.ingest import Ingest
from agent.dispatch.live import Changes
from agent.dispatch.loaded import Loaded, database_of, load, read_text
from agent.dispatch.people import People
from agent.dispatch.places import Places
from agent.dispatch.queries import Queries
from agent.dispatch.settings import DispatchSettings, parse_dispatch
from agent.dispatch.site_desk import open_desk
from agent.dispatch.store import open_store
from agent.dispatch.store_evidence import kept_in
from agent.errors import RoadtallyError
from agent.notify import Notifier

log = logging.getLogger(__name__)
_FORGET_EVERY_S = 3600.0
_DAY_S = 86_400.0
_LOOK_EVERY_S = 0.5


class Dispatch:
    """Store, ingest and board of one depot, in threads of this process. Use as a context, or `start` and `close`.

    Raises StoreError where the database cannot be opened and ConfigError where the port is taken.
    """

    def __init__(self, loaded: Loaded, *, clock: Clock | None = None) -> None:
        settings = loaded.settings
        self._loaded = loaded
        self._clock = SystemClock() if clock is None else clock
        self._stop = threading.Event()
        self._socket = listen(settings.server.host, settings.server.port)
        database = settings.server.database
        self.store = open_store(database if "://" in database else loaded.folder / database)
        log.info("the database is %s", self.store.about)
        self.accounts = Accounts(self.store, clock=self._clock)
        self._changes = changes = Changes()
        self.ingest = Ingest(
            self.store,
            loaded.broker,
            clock=self._clock,
            on_change=changes.note,
            on_link=lambda _link: changes.note_broker(),
        )
        places, privacy = Places(), settings.privacy
        publish = partial(self.ingest.downlink_to_all, "sites") if settings.publish else None
        self.sites = open_desk(self.store, places, self._clock, publish=publish, files=loaded.site_files)
        server, zone = settings.server, ZoneInfo(settings.server.timezone)
        self.queries = Queries(
            self.store,
            places=places,
            names=loaded.names,
            plan=loaded.plan,
            zone=zone,
            quiet_after_s=server.quiet_after_s,
        )
        people = People(
            self.store,
            places,
            clock=self._clock,
            zone=zone,
            assigned=loaded.assigned,
            keep_days=privacy.keep_badges_days,
        )
        access = Access(
            store=self.store,
            accounts=self.accounts,
            people=people,
            required=server.log_in,
            secure=server.is_encrypted,
        )
        hosts, any_address = _hosts(settings)
        app = create_app(
            Board(
                queries=self.queries,
                places=places,
                clock=self._clock,
                changes=changes,
                broker=lambda: self.ingest.link,
                zone=zone,
                notice=DriverNotice(**msgspec.structs.asdict(privacy)),
                hosts=hosts,
                any_address=any_address,
                access=access,
                kept_evidence=kept_in(loaded.folder, settings.evidence_dir, register=loaded.plan.register),
                open_to_network=not settings.is_local,
                sites=self.sites,
                stopping=self._stop.is_set,
            )
        )
        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            ws="none",
            timeout_graceful_shutdown=3,
            lifespan="on",
            server_header=False,
            # Whose address and whether TLS a proxy may say; nobody else.
            proxy_headers=server.behind_tls,
            forwarded_allow_ips="127.0.0.1,::1",
            ssl_certfile=None if server.cert_file is None else loaded.folder / server.cert_file,
            ssl_keyfile=None if server.key_file is None else str(loaded.folder / server.key_file),
        )
        self._server = uvicorn.Server(config)
        self._threads = (
            threading.Thread(target=self._server.run, args=([self._socket],), name="board", daemon=True),
            threading.Thread(target=self._forget, name="forget", daemon=True),
        )

    @property
    def address(self) -> str:
        """The board's address for a browser."""
        host, port = self._socket.getsockname()[:2]
        shown = f"[{host}]" if ":" in host else host
        scheme = "https" if self._loaded.settings.server.cert_file is not None else "http"
        return f"{scheme}://{shown}:{port}/"

    def start(self) -> Self:
        """Put sites, register and plan in force where settings say so, then hear and show."""
        if self._loaded.settings.publish:
            self.sites.publish_again()
            for what, content in self._loaded.contents.items():
                version = self.store.version_of(what, digest_of(content), now_s=self._clock.utc())
                self.ingest.downlink_to_all(what, version, content)
        self.ingest.start()
        for thread in self._threads:
            thread.start()
        return self

    def close(self) -> None:
        """End pages and ingest, with everything received committed."""
        self._stop.set()
        self._server.should_exit = True
        self.ingest.close()
        for thread in self._threads:
            thread.join(timeout=10.0)
        self._socket.close()
        self.store.close()

    @property
    def is_ready(self) -> bool:
        """Whether the board answers by now."""
        return self._server.started

    @property
    def is_serving(self) -> bool:
        """Whether the board still answers, ingest still hears, and what is too old still goes."""
        return all(thread.is_alive() for thread in self._threads) and not self.ingest.failed

    @property
    def progress(self) -> tuple[int, int]:
        """How far ingest's worker and the board's pump have come; both grow as long as neither hangs."""
        return self.ingest.turns, self._changes.looks

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_error: object) -> None:
        self.close()

    def _forget(self) -> None:
        privacy = self._loaded.settings.privacy
        while not self._stop.is_set():
            now_s = self._clock.utc()
            try:
                gone = self.store.forget(
                    records_before_s=now_s - privacy.keep_days * _DAY_S,
                    badges_before_s=now_s - privacy.keep_badges_days * _DAY_S,
                )
                self.accounts.sweep()
            except RoadtallyError:
                log.exception("what is too old to be kept could not be deleted; tried again in an hour")
            else:
                if gone:
                    log.info("%d records were deleted for their age", gone)
            self._stop.wait(_FORGET_EVERY_S)


def _hosts(settings: DispatchSettings) -> tuple[tuple[str, ...], bool]:
    """The names by which the board may be asked, and whether by any address; see `agent.dispatch.hosts`."""
    named = () if settings.server.name is None else (settings.server.name,)
    if settings.is_local or named:
        return (*LOOPBACK, *named), False
    if settings.server.allow_without_login:
        return (*LOOPBACK, *own_names()), True
    return ("*",), False  # who comes by a borrowed name has no cookie for it, and so is nobody


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `roadtally dispatch`."""
    parser.add_argument("--config", type=Path, metavar="FILE", help="dispatch.toml")
    also = parser.add_subparsers(dest="also", metavar="account", required=False)
    account_command.add_arguments(also.add_parser("account", help="make, list and mend accounts"))


def run(args: argparse.Namespace) -> int:
    """Serve until SIGINT or SIGTERM; 0 at a clean end, 1 if the board ends by itself, 2 if the settings are wrong."""
    if args.config is None:
        sys.stderr.write("roadtally dispatch: --config FILE is missing; an empty dispatch.toml is enough\n")
        return 2
    if getattr(args, "also", None) == "account":
        settings = parse_dispatch(read_text(args.config, where=""), file=str(args.config))
        return account_command.run(args, str(database_of(settings, args.config.resolve().parent)))
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    try:
        loaded = load(args.config)
        dispatch = Dispatch(loaded)
    except RoadtallyError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    notifier = Notifier()
    with dispatch:
        whom = _whom(dispatch, loaded.settings)
        sys.stderr.write(f"The board is at {dispatch.address} for {whom}. Ctrl-C ends it.\n")
        sys.stderr.write(f"The database is {dispatch.store.about}.\n")
        ended_well = _watch(dispatch, notifier, stop)
        notifier.stopping("committing what has come in")
    return 0 if ended_well else 1


def _whom(dispatch: Dispatch, settings: DispatchSettings) -> str:
    if dispatch.accounts.exist:
        clear = not settings.is_local and not settings.server.is_encrypted
        return "whoever logs in" + ("; passwords cross the network in the clear" if clear else "")
    if settings.server.log_in:
        return "nobody yet, as there is no account: make one with `roadtally dispatch account add`"
    return "this computer only, without log-in" if settings.is_local else "everybody on the network, without log-in"


class _Running(Protocol):
    """What `_watch` sees of a Dispatch."""

    @property
    def address(self) -> str: ...
    @property
    def is_ready(self) -> bool: ...
    @property
    def is_serving(self) -> bool: ...
    @property
    def progress(self) -> tuple[int, int]: ...


def _watch(dispatch: _Running, notifier: Notifier, stop: threading.Event, *, every_s: float = _LOOK_EVERY_S) -> bool:
    """Tell the service manager how it goes until `stop`; false if the dispatch side has ended by itself."""
    ready, told = False, dispatch.progress
    while not stop.wait(every_s):
        if not dispatch.is_serving:
            sys.stderr.write("The dispatch side has ended by itself; its log says why.\n")
            return False
        if not ready and dispatch.is_ready:
            ready = True
            notifier.ready(f"the board is at {dispatch.address}")
        progress = dispatch.progress
        if all(now > before for now, before in zip(progress, told, strict=True)):
            told = progress
            notifier.alive()
    return True
