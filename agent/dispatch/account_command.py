"""`roadtally dispatch account …`: accounts made and mended on the board's own computer.

A password is asked on the terminal or read from a file, never given on the command line, where every process can read
it. What is done here is in the audit log as done from the command line.
"""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from agent.clock import SystemClock
from agent.dispatch.accounts import Accounts, RefusedError
from agent.dispatch.audit import COMMAND_LINE
from agent.dispatch.permits import ROLE_WORDS, ROLES
from agent.dispatch.store import open_store
from agent.errors import ConfigError
from agent.records import Problem

Ask = Callable[[str], str]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `roadtally dispatch account`."""
    does = parser.add_subparsers(dest="does", metavar="WHAT", required=True)
    add = does.add_parser("add", help="make an account; from the first one on everybody has to log in")
    add.add_argument("name", metavar="NAME")
    add.add_argument("--role", required=True, choices=ROLES, help="; ".join(ROLE_WORDS.values()))
    add.add_argument("--badge", metavar="EPC", help="the badge that the person carries, as its pure identity URI")
    password = does.add_parser("password", help="give an account another password; ends its sessions")
    password.add_argument("name", metavar="NAME")
    disable = does.add_parser("disable", help="end an account's sessions and let it log in no more")
    disable.add_argument("name", metavar="NAME")
    enable = does.add_parser("enable", help="let a disabled account log in again")
    enable.add_argument("name", metavar="NAME")
    every = [add, password, disable, enable, does.add_parser("list", help="every account")]
    for each in every:
        # Left out here it keeps what was said before `account`.
        each.add_argument("--config", type=Path, default=argparse.SUPPRESS, metavar="FILE", help="dispatch.toml")
    for each in (add, password):
        each.add_argument("--password-file", metavar="FILE", help="its first line is the password; - is standard input")


def run(args: argparse.Namespace, database: str, *, ask: Ask = getpass.getpass) -> int:
    """Do it; 0 done, 1 refused with the reason said. Raises ConfigError for a file that cannot be read."""
    store = open_store(database)
    try:
        accounts = Accounts(store, clock=SystemClock())
        try:
            _do(args, accounts, ask)
        except RefusedError as error:
            sys.stderr.write(f"roadtally dispatch account: {error}\n")
            return 1
        return 0
    finally:
        store.close()


def _do(args: argparse.Namespace, accounts: Accounts, ask: Ask) -> None:
    if args.does == "list":
        for each in accounts.all():
            made = datetime.fromtimestamp(each.made_s, tz=UTC)
            state = "disabled" if each.disabled else f"{each.sessions} sessions"
            sys.stdout.write(f"{each.name}\t{each.role}\t{state}\tmade {made:%Y-%m-%d}\t{each.badge or ''}\n")
    elif args.does == "add":
        first = not accounts.exist
        accounts.make(args.name, args.role, _password(args, ask), COMMAND_LINE, badge=args.badge)
        sys.stdout.write(f"The account {args.name} is made, with the role {args.role}.\n")
        if first:
            sys.stdout.write("It is the first one: from now on everybody has to log in.\n")
        if first and args.role != "administer":
            sys.stdout.write("It cannot make others; make one with --role administer too.\n")
    elif args.does == "password":
        accounts.set_password(args.name, _password(args, ask), COMMAND_LINE)
        sys.stdout.write(f"{args.name} has another password and is logged out everywhere.\n")
    else:
        account = accounts.one(args.name)
        if account is None:
            raise RefusedError(f"there is no account {args.name}")
        disabled = args.does == "disable"
        accounts.change(args.name, COMMAND_LINE, role=account.role, badge=account.badge, disabled=disabled)
        sys.stdout.write(f"{args.name} is {'disabled and logged out' if disabled else 'enabled'}.\n")


def _password(args: argparse.Namespace, ask: Ask) -> str:
    if args.password_file is None:
        password = ask(f"Password for {args.name}: ")
        if ask("The same again: ") != password:
            raise RefusedError("the two passwords are not the same; nothing was changed")
        return password
    if args.password_file == "-":  # noqa: S105 - a file's name
        return sys.stdin.readline().rstrip("\r\n")
    try:
        return Path(args.password_file).read_text(encoding="utf-8").partition("\n")[0].rstrip("\r")
    except (OSError, UnicodeDecodeError) as error:
        what = f"cannot be read: {getattr(error, 'strerror', None) or error}"
        problem = Problem(file=args.password_file, where="", what=what, got="", do="check path and rights")
        raise ConfigError([problem]) from error
