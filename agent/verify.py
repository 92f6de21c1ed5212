"""`roadtally verify`: walks a vehicle's chain of records and names the first that does not fit.

Reads the vehicle's store, or the dispatch side's database, beside what runs and changes nothing. What a chain can
prove, and what not, says `agent.chain`: each epoch is walked by the key that is noted for it, or by the one that was
got elsewhere (`--key`), and up to what the dispatch side last acknowledged. Of the records after that nobody else
knows, and the output says how many.
"""

from __future__ import annotations

import importlib
import json
import sys
import textwrap
from argparse import ArgumentParser, Namespace
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from agent.chain import KeptChain, KeptEpoch, Misfit, Sealed, Start, Walked, parse_key, walk
from agent.errors import ConfigError
from agent.records import Problem
from agent.setup import read_text
from agent.store_chain import kept_chain

_WIDTH = 100
_MEANING = {
    "changed": "Somebody has changed it since it was written, or the card is failing.",
    "missing": "It was taken out, or an older copy of the card was put back.",
    "inserted": "It was put in, or put elsewhere, by somebody without the van's key.",
    "wrong key": "The van's key was replaced, or another computer wrote this.",
    "not signed": "It was put in by somebody without the van's key.",
}


class Verified(Struct, frozen=True):
    """One epoch: how many records there are, from when to when they tell (None: none says), and how the walk went.

    `acked` is how far the dispatch side said that it holds them, None where it said nothing; `key` is what has
    signed them as the store says, None where nobody has; `kind` is that of the record that does not fit. `after`
    and `notes` are as in `KeptEpoch`.
    """

    epoch: int
    records: int
    first_at: str | None
    last_at: str | None
    key: str | None
    acked: int | None
    walked: Walked
    kind: str | None = None
    after: Start | None = None
    notes: tuple[str, ...] = ()


def add_arguments(parser: ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "store", type=Path, nargs="?", help="a vehicle's store ([store] path of its configuration), or a copy"
    )
    parser.add_argument("--config", type=Path, metavar="DISPATCH", help="instead: the dispatch side's TOML")
    parser.add_argument("--vehicle", help="with --config: whose records")
    parser.add_argument("--key", help="the key that must have signed every record (ed25519:…), got elsewhere")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")


def run(args: Namespace) -> int:
    """Verify as the options say; 0 when every record fits, 1 when one does not."""
    asked, source = _asked(args.key), str(args.store or args.config)
    kept = kept_of(args)
    found = verify(kept, key=asked, source=source)
    fits = all(each.walked.misfit is None for each in found)
    if args.json:
        sys.stdout.write(json.dumps(as_json(kept, found), indent=2, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write("\n".join(as_text(kept, found, source=source, key=asked)) + "\n")
    return 0 if fits else 1


def kept_of(args: Namespace) -> KeptChain:
    """The chain that the options name."""
    if args.store is not None and args.config is None and args.vehicle is None:
        return kept_chain(args.store)
    if args.store is None and args.config is not None and args.vehicle is not None:
        return _kept_at_dispatch(args.config, args.vehicle)
    do = "name a vehicle's store, or the dispatch side's --config together with --vehicle"
    raise ConfigError([Problem("verify", "the options do not go together", "", do)])


def _kept_at_dispatch(config: Path, vehicle: str) -> KeptChain:
    # The vehicle's installation has not what the dispatch side's modules are made of.
    chains: Any = importlib.import_module("agent.dispatch.chains")
    stores: Any = importlib.import_module("agent.dispatch.store")
    parse: Any = importlib.import_module("agent.dispatch.settings").parse_dispatch
    database = parse(read_text(config), file=str(config)).server.database
    if "://" not in database:
        database = config.parent / database
        if not database.is_file():  # opening it would make one
            do = "check the path; roadtally dispatch makes the database when it first runs"
            raise ConfigError([Problem(str(config), "[dispatch] database", str(database), do, "no such file")])
    store = stores.open_store(database)
    try:
        kept: KeptChain = chains.kept_chain(store, vehicle)
    finally:
        store.close()
    if not kept.epochs:
        do = "check the vehicle's id; the board lists those that were heard"
        raise ConfigError([Problem(str(config), "--vehicle", vehicle, do, "nothing was ever heard from it")])
    return kept


def verify(kept: KeptChain, *, key: str | None, source: str) -> tuple[Verified, ...]:
    """Walk every epoch, each by `key` or else by its own. Raises ConfigError where a key is needed and none known."""
    return tuple(_verified(each, kept, key=key, source=source) for each in kept.epochs)


def as_text(
    kept: KeptChain, found: Sequence[Verified], *, source: str, key: str | None
) -> list[str]:
    """What was found, as lines for whoever has to act."""
    lines = [f"Records of {kept.vehicle or 'a vehicle that never signed'}, as {source} holds them."]
    lines += _wrapped(
        "Held against the key given by --key."
        if key is not None
        else "The keys are those that the store itself names; hold it against one got elsewhere by --key.",
        "",
    )
    before: str | None = None
    for each in found:
        lines += ["", *_lines_of(each)]
        for note in each.notes:
            lines += _wrapped(note)
        if before is not None and each.key not in (None, before):
            lines += _wrapped("This is another key than the epoch before was signed by; a notice in it says why.")
        before = each.key or before
    misfits = sum(each.walked.misfit is not None for each in found)
    lines += ["", "Every record fits." if not misfits else "NOT EVERY RECORD FITS; see above."]
    return lines


def as_json(kept: KeptChain, found: Sequence[Verified]) -> dict[str, Any]:
    """The same for programs."""
    return {
        "vehicle": kept.vehicle or None,
        "fits": all(each.walked.misfit is None for each in found),
        "epochs": [
            {
                "epoch": each.epoch,
                "records": each.records,
                "from": each.first_at,
                "to": each.last_at,
                "key": each.key,
                "unsigned": each.walked.unsigned,
                "erased": each.walked.erased,
                "deleted": 0 if each.after is None else each.after.count,
                "deleted_up_to": None if each.after is None else each.after.seq,
                "deleted_until": None if each.after is None else each.after.until,
                "acknowledged": each.acked,
                "fits_up_to": each.walked.seq,
                "notes": each.notes,
                "misfit": None
                if each.walked.misfit is None
                else {
                    "seq": each.walked.misfit.seq,
                    "kind": each.kind,
                    "fault": each.walked.misfit.fault,
                    "text": each.walked.misfit.text,
                },
            }
            for each in found
        ],
    }


def _verified(each: KeptEpoch, kept: KeptChain, *, key: str | None, source: str) -> Verified:
    named = each.key or kept.key
    by = key or (kept.key if kept.pinned else None) or named
    is_signed = any(record.sig is not None for record in each.records)
    is_signed = is_signed or (each.after is not None and each.after.sealed)
    if by is None:
        if is_signed:
            do = "give the van's key, as its messages or the dispatch side name it"
            raise ConfigError([Problem(source, "--key", "", do, f"epoch {each.epoch} names no key, but is signed")])
        begin = 0 if each.after is None else each.after.seq
        walked = Walked(each.epoch, begin + len(each.records), "", len(each.records))
    else:
        walked = _walked(each, kept.vehicle, by)
        if walked.misfit is not None and named not in (None, by):
            walked = _told_apart(walked, _walked(each, kept.vehicle, str(named)))
    misfit = walked.misfit
    at = next((record for record in each.records if misfit is not None and record.seq == misfit.seq), None)
    times = sorted(time for time in map(_time_of, each.records) if time is not None)
    return Verified(
        epoch=each.epoch,
        records=len(each.records),
        first_at=times[0] if times else None,
        last_at=times[-1] if times else None,
        key=(named or by) if is_signed else None,
        acked=None if each.head is None else each.head[0],
        walked=walked,
        kind=None if at is None else at.kind,
        after=each.after,
        notes=each.notes,
    )


def _walked(each: KeptEpoch, vehicle: str, key: str) -> Walked:
    by = parse_key(key)
    return walk(each.records, vehicle=vehicle, epoch=each.epoch, key=by, head=each.head, after=each.after)


def _told_apart(asked: Walked, named: Walked) -> Walked:
    """Where the key that the store names does fit, it is the key that is wrong, and nothing was changed."""
    misfit = asked.misfit
    if misfit is None or (named.misfit is not None and named.misfit.seq <= misfit.seq):
        return asked
    text = f"record {misfit.seq} of epoch {misfit.epoch} is whole, but another key signed it"
    return replace(asked, misfit=Misfit(misfit.epoch, misfit.seq, "wrong key", text))


def _lines_of(each: Verified) -> list[str]:
    walked = each.walked
    when = "" if each.first_at is None else f", {each.first_at} to {each.last_at}"
    lines = [f"Epoch {each.epoch}: {each.records:,} records{when}."]
    lines += [f"  Signed by {each.key}." if each.key is not None else "  Not signed: nothing can be proved."]
    if walked.unsigned and each.key is not None:
        lines += _wrapped(f"The first {walked.unsigned:,} are from before records were signed.")
    if walked.erased:
        lines += _wrapped(f"The bodies of {walked.erased:,} are erased; their places are proved.")
    begin = 0 if each.after is None else each.after.seq
    if each.after is not None:
        until = "" if each.after.until is None else f", what had come in until {each.after.until}"
        lines += _wrapped(
            f"{each.after.count:,} records were deleted for their age, up to number {begin:,}{until};"
            " those after them are walked from there."
        )
    beyond = begin + each.records - (each.acked or 0)
    if each.key is not None and beyond > 0:
        lines += _wrapped(
            f"Of the last {beyond:,} nobody else is known to hold a copy: whether others followed cannot be told."
        )
    if walked.misfit is None:
        return lines
    kind = "" if each.kind is None else f" ({each.kind})"
    text = walked.misfit.text[0].upper() + walked.misfit.text[1:]
    lines += _wrapped(f"DOES NOT FIT{kind}, {walked.misfit.fault}: {text}. {_MEANING[walked.misfit.fault]}")
    lines += _wrapped(f"The {max(walked.seq - begin, 0):,} before it fit; what comes after it was not looked at.")
    return lines


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent, break_long_words=False)


class _Told(Struct):
    eventTime: str | None = None  # noqa: N815 - the standard's name
    issued: str | None = None
    at: str | None = None


_TOLD = msgspec.json.Decoder(_Told)


def _time_of(record: Sealed) -> str | None:
    """When a record says that it happened or was made; None for one that does not say, or has no body any more."""
    try:
        told = _TOLD.decode(record.body or b"{}")
    except (msgspec.DecodeError, UnicodeDecodeError):
        return None
    return told.eventTime or told.issued or told.at


def _asked(key: str | None) -> str | None:
    if key is None:
        return None
    try:
        parse_key(key)
    except ValueError:
        do = "give it as the van's messages and the dispatch side name it: ed25519: and 44 characters"
        raise ConfigError([Problem("--key", "the key cannot be read", key[:60], do)]) from None
    return key
