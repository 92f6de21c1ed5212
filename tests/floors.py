"""The floors of the house, and the walker that finds what does not keep to them. Knows nothing of pytest.

Data flows one way and imports point downward only (DEVELOPERS.md draws it):

    0  records, errors, units
    1  pure knowledge       no sockets, files, SQLite, MQTT, threads, today's clock; chance only as an argument
    2  pipeline, the simulated world                                             the same
    3  the outside          store, reader, receiver, publisher, board: none knows another
    4  wiring               command line, run, replay, demo
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping

# Every module stands here by itself or under its longest prefix (`agent.llrp` also places `agent.llrp.codec`; a key
# ending in `*` takes any name that begins so). Two modules of floor 3 under one key are one part of the house.
FLOORS: dict[str, int] = {
    "agent.errors": 0,
    "agent.records": 0,
    "agent.units": 0,
    "agent.antennas": 1,
    "agent.axis": 1,
    "agent.battery": 1,
    "agent.bodies": 1,
    "agent.blocks": 1,
    "agent.canonical": 1,
    "agent.chain": 1,
    "agent.custody": 1,
    "agent.dispatch.badges": 1,
    "agent.dispatch.fleet_order": 1,
    "agent.dispatch.loading": 1,
    "agent.dispatch.told_picture": 1,
    "agent.dispatch.typed": 1,
    "agent.dispatch.openapi": 1,
    "agent.dispatch.permits": 1,
    "agent.dispatch.places": 1,
    "agent.dispatch.site_form": 1,
    "agent.dispatch.site_hints": 1,
    "agent.dispatch.site_warnings": 1,
    "agent.dispatch.sitebook": 1,
    "agent.dispatch.day": 1,
    "agent.dispatch.day_rows": 1,
    "agent.dispatch.differences": 1,
    "agent.dispatch.spans": 1,
    "agent.dispatch.strip": 1,
    "agent.dispatch.strip_upright": 1,
    "agent.dispatch.views": 1,
    "agent.dispatch.views_day": 1,
    "agent.dispatch.views_found": 1,
    "agent.dispatch.settings": 1,
    "agent.dispatch.wire": 1,
    "agent.dispatch.links": 1,
    "agent.dispatch.words": 1,
    "agent.doorway": 1,
    "agent.epc": 1,
    "agent.epcis": 1,
    "agent.eventhash": 1,
    "agent.evidence*": 1,
    "agent.geo": 1,
    "agent.geofences": 1,
    "agent.gps": 1,
    "agent.gps_faults": 1,
    "agent.gpsd_devices": 1,
    "agent.itinerary": 1,
    "agent.keys": 1,
    "agent.ledger": 1,
    "agent.llrp": 1,
    "agent.messages": 1,
    "agent.motion*": 1,
    "agent.pace": 1,
    "agent.picture*": 1,
    "agent.places": 1,
    "agent.plan": 1,
    "agent.planned": 1,
    "agent.presence": 1,
    "agent.antenna_loss": 1,
    "agent.proof": 1,
    "agent.privacy": 1,
    "agent.readingplan": 1,
    "agent.findings": 1,
    "agent.radio_rules": 1,
    "agent.recording": 1,
    "agent.register": 1,
    "agent.sites": 1,
    "agent.statements": 1,
    "agent.tables": 1,
    "agent.timeline": 1,
    "agent.vehicle": 1,
    "agent.vehicle_sections": 1,
    "agent.asleep": 2,
    "agent.vehicle_radio": 1,
    "agent.checkpoint": 2,
    "agent.circumstances": 2,
    "agent.hearing": 2,
    "agent.hindsight": 2,
    "agent.holding": 2,
    "agent.notices": 2,
    "agent.occasions": 2,
    "agent.pipeline": 2,
    "agent.planning": 2,
    "agent.reading": 2,
    "agent.silence": 2,
    "agent.signal": 2,
    "agent.snapshot": 2,
    "agent.state": 2,
    "agent.tally": 2,
    "agent.window": 2,
    "agent.worth": 2,
    "agent.wrong_vehicle": 2,
    "agent.world": 2,
    "agent.kept_evidence": 2,
    "agent.subject": 2,
    "agent.broker*": 3,
    "agent.clock": 3,
    "agent.dispatch.accounts": 3,
    "agent.dispatch.answers": 3,
    "agent.dispatch.api": 3,
    "agent.dispatch.audit": 3,
    "agent.dispatch.board": 3,
    "agent.dispatch.finding": 3,
    "agent.dispatch.fleet": 3,
    "agent.dispatch.guard": 3,
    "agent.dispatch.forms": 3,
    "agent.dispatch.hosts": 3,
    "agent.dispatch.item_evidence": 3,
    "agent.dispatch.names": 3,
    "agent.dispatch.pages_items": 3,
    "agent.dispatch.pages_vans": 3,
    "agent.dispatch.listing": 3,
    "agent.dispatch.pages_accounts": 3,
    "agent.dispatch.pages_people": 3,
    "agent.dispatch.passwords": 3,
    "agent.dispatch.people": 3,
    "agent.dispatch.schema_accounts": 3,
    "agent.dispatch.acks": 3,
    "agent.dispatch.bulk": 3,
    "agent.dispatch.cargo": 3,
    "agent.dispatch.chains": 3,
    "agent.dispatch.connection": 3,
    "agent.dispatch.discrepancies": 3,
    "agent.dispatch.documents": 3,
    "agent.dispatch.ingest": 3,
    "agent.dispatch.intake": 3,
    "agent.dispatch.live": 3,
    "agent.dispatch.queries": 3,
    "agent.dispatch.pages_site*": 3,
    "agent.dispatch.schema": 3,
    "agent.dispatch.site_desk": 3,
    "agent.dispatch.site_store": 3,
    "agent.dispatch.drawn": 3,
    "agent.dispatch.forget": 3,
    "agent.dispatch.migrations*": 3,
    "agent.dispatch.store": 3,
    "agent.dispatch.track": 3,
    "agent.dispatch.queries_day": 3,
    "agent.dispatch.pages_day": 3,
    "agent.dispatch.turns": 3,
    "agent.identity": 3,
    "agent.logs": 3,
    "agent.notify": 3,
    "agent.probe*": 3,
    "agent.publisher*": 3,
    "agent.reader*": 3,
    "agent.receiver*": 3,
    "agent.recorder": 3,
    "agent.relay": 3,
    "agent.simgpsd": 3,
    "agent.simreader*": 3,
    "agent.store*": 3,
    "agent.store_folder": 3,
    "agent.__main__": 4,
    "agent.check*": 4,
    "agent.cli": 4,
    "agent.demo*": 4,
    "agent.dispatch.account_command": 4,
    "agent.dispatch.loaded": 4,
    "agent.dispatch.main": 4,
    "agent.dispatch.store_evidence": 4,
    "agent.explain": 4,
    "agent.exposure": 4,
    "agent.replay": 4,
    "agent.run": 4,
    "agent.setup": 4,
    "agent.terminal": 4,
    "agent.vehicle_agent": 4,
    "agent.vehicle_keeping": 4,
    "agent.vehicle_shown": 4,
    "agent.verify": 4,
    "agent.walk": 4,
}
# A package that holds parts of several floors has nothing in its own `__init__` but words and constants.
NAMESPACES = frozenset({"agent", "agent.dispatch"})

# Floor 3's parts don't know each other, except for these pairs (who imports, what), each with a reason.
PAIRS: dict[tuple[str, str], str] = {
    ("*", "agent.clock"): "all of the outside asks one clock, so that the demo can scale it",
    ("agent.probe*", "agent.publisher*"): "`check` asks the broker by the very link that the agent uses",
    ("agent.identity", "agent.store_folder"): "a key must be as certain to be there as the store beside it",
    ("agent.store*", "agent.store_folder"): "names that a power cut does not take",
    ("agent.recorder", "agent.store*"): "what a full disk looks like is the same for both",
    ("agent.probe*", "agent.store*"): "`check` opens the store as the agent would, to look",
    ("agent.dispatch.store", "agent.dispatch.schema"): "the tables it reads and writes",
    ("agent.dispatch.store", "agent.dispatch.intake"): "what a batch means, inside the store's transaction",
    ("agent.dispatch.store", "agent.dispatch.drawn"): "the names that a van tells of its cargo",
    ("agent.dispatch.store", "agent.dispatch.forget"): "what is too old, inside the store's transaction",
    ("agent.dispatch.store", "agent.dispatch.migrations*"): "the tables as this release has them, at every opening",
    ("agent.dispatch.store", "agent.dispatch.track"): "where the van was, inside the store's transaction",
    ("agent.dispatch.track", "agent.dispatch.schema"): "the table it writes",
    ("agent.dispatch.queries_day", "agent.dispatch.schema"): "the tables it reads",
    ("agent.dispatch.queries_day", "agent.dispatch.queries"): "the connection and the names of the one query layer",
    ("agent.dispatch.queries_day", "agent.dispatch.documents"): "a stored document as a view",
    ("agent.dispatch.pages_day", "agent.dispatch.queries_day"): "what its pages show",
    ("agent.dispatch.board", "agent.dispatch.queries_day"): "what the day's pages are given",
    ("agent.dispatch.board", "agent.dispatch.pages_day"): "a van's day and its manifests are among its routes",
    ("agent.dispatch.store", "agent.dispatch.turns"): "whose turn it is to write",
    ("agent.dispatch.intake", "agent.dispatch.bulk"): "the way that many rows go in",
    ("agent.dispatch.drawn", "agent.dispatch.bulk"): "the way that many rows go in",
    ("agent.dispatch.intake", "agent.dispatch.schema"): "the tables it writes",
    ("agent.dispatch.intake", "agent.dispatch.drawn"): "what its records mean, in the same transaction",
    ("agent.dispatch.drawn", "agent.dispatch.schema"): "the tables it writes",
    ("agent.dispatch.forget", "agent.dispatch.schema"): "the tables it takes from",
    ("agent.dispatch.migrations*", "agent.dispatch.schema"): "the schema that it leads to",
    ("agent.dispatch.chains", "agent.dispatch.schema"): "the tables it reads",
    ("agent.dispatch.chains", "agent.dispatch.store"): "the connection that it reads through",
    ("agent.dispatch.discrepancies", "agent.dispatch.schema"): "the tables it reads",
    ("agent.dispatch.cargo", "agent.dispatch.schema"): "the tables it reads",
    ("agent.dispatch.cargo", "agent.dispatch.documents"): "what items are called",
    ("agent.dispatch.queries", "agent.dispatch.cargo"): "the lines of a list, filled in",
    ("agent.dispatch.queries", "agent.dispatch.discrepancies"): "what is open about a van's record",
    ("agent.dispatch.queries", "agent.dispatch.fleet"): "the vans' lines",
    ("agent.dispatch.queries", "agent.dispatch.names"): "what items are called",
    ("agent.dispatch.fleet", "agent.dispatch.discrepancies"): "what is open about a van's record",
    ("agent.dispatch.fleet", "agent.dispatch.schema"): "the tables it reads",
    ("agent.dispatch.names", "agent.dispatch.documents"): "the names that views are made with",
    ("agent.dispatch.names", "agent.dispatch.schema"): "the table it reads",
    ("agent.dispatch.finding", "agent.dispatch.schema"): "the table it searches",
    ("agent.dispatch.finding", "agent.dispatch.store"): "the connection that it reads through",
    ("agent.dispatch.item_evidence", "agent.dispatch.schema"): "the tables it reads",
    ("agent.dispatch.item_evidence", "agent.dispatch.store"): "the connection that it reads through",
    ("agent.dispatch.pages_items", "agent.dispatch.finding"): "the search that its page shows",
    ("agent.dispatch.pages_items", "agent.dispatch.item_evidence"): "the evidence that its page shows",
    ("agent.dispatch.pages_items", "agent.dispatch.queries"): "the item that its page shows",
    ("agent.dispatch.pages_vans", "agent.dispatch.queries"): "the lines that its page shows",
    ("agent.dispatch.board", "agent.dispatch.finding"): "what it hands to the items' pages",
    ("agent.dispatch.board", "agent.dispatch.item_evidence"): "what it hands to the items' pages",
    ("agent.dispatch.board", "agent.dispatch.pages_items"): "the items' routes",
    ("agent.dispatch.board", "agent.dispatch.pages_vans"): "the vans' routes",
    ("agent.dispatch.ingest", "agent.dispatch.connection"): "the client that it hears through",
    ("agent.dispatch.queries", "agent.dispatch.schema"): "the tables it reads",
    ("agent.dispatch.queries", "agent.dispatch.store"): "the connection that it reads through",
    ("agent.dispatch.queries", "agent.dispatch.intake"): "the form in which a cursor's ranges are kept",
    ("agent.dispatch.queries", "agent.dispatch.documents"): "a stored document as a view",
    ("agent.dispatch.board", "agent.dispatch.ingest"): "the page's head says how the link to the broker is",
    ("agent.dispatch.board", "agent.dispatch.live"): "the event stream is one of its routes",
    ("agent.dispatch.ingest", "agent.dispatch.acks"): "what it answers",
    ("agent.dispatch.acks", "agent.dispatch.store"): "what is committed",
    ("agent.dispatch.ingest", "agent.dispatch.store"): "ingest's one way in to the database",
    ("agent.dispatch.board", "agent.dispatch.queries"): "the board's one way to the database",
    ("agent.dispatch.site_store", "agent.dispatch.schema"): "the tables it reads and writes",
    ("agent.dispatch.site_store", "agent.dispatch.store"): "the connection that it reads and writes through",
    ("agent.dispatch.site_store", "agent.dispatch.audit"): "a version is told there in the same transaction",
    ("agent.dispatch.site_desk", "agent.dispatch.audit"): "who does it",
    ("agent.dispatch.site_desk", "agent.dispatch.store"): "what it opens a site store of",
    ("agent.dispatch.pages_site*", "agent.dispatch.accounts"): "who does it, for the audit log",
    ("agent.dispatch.pages_site*", "agent.dispatch.audit"): "the same",
    ("agent.dispatch.pages_site*", "agent.dispatch.guard"): "who is being served",
    ("agent.dispatch.site_desk", "agent.dispatch.site_store"): "the versions that it works on",
    ("agent.dispatch.pages_site*", "agent.dispatch.site_desk"): "the pages' one way to the sites",
    ("agent.dispatch.pages_site*", "agent.dispatch.site_store"): "the error for two who save at once",
    ("agent.dispatch.board", "agent.dispatch.pages_site*"): "the sites' routes",
    ("agent.dispatch.board", "agent.dispatch.site_desk"): "what it hands to the sites' pages",
    ("agent.dispatch.accounts", "agent.dispatch.audit"): "what is changed is told there in the same transaction",
    ("agent.dispatch.accounts", "agent.dispatch.passwords"): "a password is kept as its hash",
    ("agent.dispatch.accounts", "agent.dispatch.schema_accounts"): "the tables it reads and writes",
    ("agent.dispatch.accounts", "agent.dispatch.store"): "the transaction that it changes them in",
    ("agent.dispatch.audit", "agent.dispatch.schema_accounts"): "the table it writes",
    ("agent.dispatch.audit", "agent.dispatch.store"): "the connection that it reads through",
    ("agent.dispatch.api", "agent.dispatch.answers"): "how an answer is written",
    ("agent.dispatch.api", "agent.dispatch.audit"): "the log is one of its lists",
    ("agent.dispatch.api", "agent.dispatch.guard"): "who is being served",
    ("agent.dispatch.api", "agent.dispatch.listing"): "its lists",
    ("agent.dispatch.api", "agent.dispatch.queries"): "the same facts as the pages",
    ("agent.dispatch.api", "agent.dispatch.store"): "what it hands to lists and log",
    ("agent.dispatch.board", "agent.dispatch.accounts"): "who may use it",
    ("agent.dispatch.board", "agent.dispatch.answers"): "how an answer is written",
    ("agent.dispatch.board", "agent.dispatch.api"): "its routes",
    ("agent.dispatch.board", "agent.dispatch.guard"): "stands before every route",
    ("agent.dispatch.board", "agent.dispatch.hosts"): "the names that it answers to",
    ("agent.dispatch.guard", "agent.dispatch.forms"): "how a form's octets come in",
    ("agent.dispatch.pages_site*", "agent.dispatch.forms"): "the same, for long ones",
    ("agent.dispatch.board", "agent.dispatch.pages_accounts"): "its routes",
    ("agent.dispatch.board", "agent.dispatch.pages_people"): "its routes",
    ("agent.dispatch.board", "agent.dispatch.people"): "who is assigned to a van",
    ("agent.dispatch.board", "agent.dispatch.store"): "what it hands to the pages of people",
    ("agent.dispatch.drawn", "agent.dispatch.schema_accounts"): "the table of legs by badge, drawn from manifests",
    ("agent.dispatch.forget", "agent.dispatch.schema_accounts"): "what it deletes",
    ("agent.dispatch.guard", "agent.dispatch.accounts"): "who a session or a token belongs to",
    ("agent.dispatch.listing", "agent.dispatch.schema"): "the tables it reads",
    ("agent.dispatch.listing", "agent.dispatch.store"): "the connection that it reads through",
    ("agent.dispatch.migrations*", "agent.dispatch.schema_accounts"): "the tables of a new database",
    ("agent.dispatch.pages_accounts", "agent.dispatch.accounts"): "what they show and change",
    ("agent.dispatch.pages_accounts", "agent.dispatch.guard"): "who is being served, and the cookies",
    ("agent.dispatch.pages_people", "agent.dispatch.accounts"): "tokens, and who does it",
    ("agent.dispatch.pages_people", "agent.dispatch.audit"): "the log that they show",
    ("agent.dispatch.pages_people", "agent.dispatch.guard"): "who is being served",
    ("agent.dispatch.pages_people", "agent.dispatch.pages_accounts"): "how a form is read and left",
    ("agent.dispatch.pages_people", "agent.dispatch.people"): "the records that they show",
    ("agent.dispatch.pages_people", "agent.dispatch.store"): "what it hands to the log",
    ("agent.dispatch.people", "agent.dispatch.audit"): "what is noted is told there in the same transaction",
    ("agent.dispatch.people", "agent.dispatch.documents"): "a stored manifest as a view",
    ("agent.dispatch.people", "agent.dispatch.schema"): "the tables it reads",
    ("agent.dispatch.people", "agent.dispatch.schema_accounts"): "the tables it reads and writes",
    ("agent.dispatch.people", "agent.dispatch.store"): "the transaction that it changes them in",
    ("agent.dispatch.schema_accounts", "agent.dispatch.schema"): "one schema holds all tables",
}

# The rest of the standard library reaches a file, a socket, a thread, a clock or chance, or has not been asked for yet.
# zoneinfo reads the zone tables: a published constant, the same for everybody, not today's anything.
_PURE = """
    __future__ abc array base64 binascii bisect codecs collections contextlib copy csv dataclasses datetime decimal
    difflib enum fractions functools hashlib heapq html io itertools json math operator random re reprlib statistics
    string struct textwrap tomllib types typing unicodedata urllib.parse xml.sax.saxutils zlib zoneinfo
    cryptography msgspec numpy shapely
"""
PURE = frozenset(_PURE.split())
# Calls that reach outside by way of something pure: the last two parts of the dotted name, or one part alone.
FORBIDDEN_CALLS = {
    **dict.fromkeys(["open", "input", "print", "exec", "eval", "__import__", "breakpoint"], "reaches outside"),
    **dict.fromkeys(["io.open", "codecs.open", "io.FileIO"], "opens a file"),
    **dict.fromkeys(["datetime.now", "datetime.utcnow", "datetime.today", "date.today"], "asks today's clock"),
    **dict.fromkeys(["np.load", "np.save", "np.savez", "np.loadtxt", "np.savetxt", "np.memmap"], "uses a file"),
    **dict.fromkeys(["np.fromfile", "np.genfromtxt", "numpy.load", "numpy.save"], "uses a file"),
}
FORBIDDEN_METHODS = frozenset({"read_text", "read_bytes", "write_text", "write_bytes", "tofile"})
LAST_PURE_FLOOR = 2
OUTSIDE = 3


def key_of(module: str) -> str | None:
    """The key of FLOORS that places `module`; None where nobody has listed it."""
    fits = [
        key
        for key in FLOORS
        if module == key or module.startswith(f"{key}.") or (key.endswith("*") and module.startswith(key[:-1]))
    ]
    return max(fits, key=len, default=None)


def imports_of(tree: ast.Module, *, module: str, is_package: bool) -> Iterator[tuple[int, str, str]]:
    """Every import anywhere in `tree`, inside functions too: (line, module, name in it or "")."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name, ""
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = module.split(".")
                kept = parts[: len(parts) - node.level + is_package]
                base = ".".join([*kept, base] if base else kept)
            for alias in node.names:
                yield node.lineno, base, alias.name


def dotted(node: ast.expr) -> str:
    """`np.random.default_rng` from its syntax; parts that are no plain name stand as `?`."""
    if isinstance(node, ast.Name):
        return node.id
    return f"{dotted(node.value)}.{node.attr}" if isinstance(node, ast.Attribute) else "?"


def impure_calls(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Calls that the pure floors must not make: (line, what is wrong)."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = dotted(node.func)
        last_two = ".".join(name.split(".")[-2:])
        given = bool(node.args or node.keywords)
        if name in FORBIDDEN_CALLS or last_two in FORBIDDEN_CALLS:
            yield node.lineno, f"{name}() {FORBIDDEN_CALLS.get(name) or FORBIDDEN_CALLS[last_two]}"
        elif isinstance(node.func, ast.Attribute) and node.func.attr in FORBIDDEN_METHODS:
            yield node.lineno, f"{name}() uses a file"
        elif name.startswith("random.") or last_two in {"random.default_rng", "random.SeedSequence", "random.PCG64"}:
            if not (given and name.split(".")[-1] in {"Random", "default_rng", "SeedSequence", "PCG64"}):
                yield node.lineno, f"{name}() takes chance from nowhere; chance is an argument"
        elif name in {"Random", "default_rng"} and not given:
            yield node.lineno, f"{name}() takes chance from nowhere; chance is an argument"
        elif ".random." in f".{name}" and name.split(".")[0] in {"np", "numpy"} and name.split(".")[-1] != "Generator":
            yield node.lineno, f"{name}() uses numpy's global chance; chance is an argument"


def target(base: str, name: str, *, modules: Mapping[str, str]) -> str:
    """Which of the project's modules `from base import name` reaches."""
    return f"{base}.{name}" if name and f"{base}.{name}" in modules else base


def is_pure(module: str, name: str) -> bool:
    """True where floors 0 to 2 may import this from outside the project."""
    parts = module.split(".")
    prefixes = {".".join(parts[:length]) for length in range(1, len(parts) + 1)}
    return bool(prefixes & PURE) or (bool(name) and f"{module}.{name}" in PURE)


def downward(module: str, reached: str) -> str | None:
    """What is wrong with `module` importing `reached`, both of the project; None where it may."""
    key, reached_key = key_of(module), key_of(reached)
    if reached in NAMESPACES or key is None or reached_key is None or key == reached_key:
        return None
    floor, reached_floor = FLOORS[key], FLOORS[reached_key]
    if reached_floor > floor:
        return f"imports {reached} of floor {reached_floor} from floor {floor}: imports go downward"
    if floor == reached_floor == OUTSIDE and not {(key, reached_key), ("*", reached_key)} & PAIRS.keys():
        return f"imports {reached}: parts of floor 3 do not know each other; wire them on floor 4 (or list the pair)"
    return None


def violations(modules: Mapping[str, str], *, packages: frozenset[str] = frozenset()) -> list[str]:
    """What breaks the rules in `modules` (name → source), a sentence each; `packages` are those with an `__init__`."""
    found: list[str] = []
    for module, source in sorted(modules.items()):
        key = key_of(module)
        if key is None and module not in NAMESPACES:
            found.append(f"{module} stands on no floor: list it in FLOORS of tests/floors.py")
            continue
        tree = ast.parse(source)
        pure = key is None or FLOORS[key] <= LAST_PURE_FLOOR
        for line, base, name in imports_of(tree, module=module, is_package=module in packages):
            if base.split(".")[0] == "agent":
                wrong = downward(module, target(base, name, modules=modules))
                if key is None:
                    wrong = f"imports {base}: this package's own __init__ holds words and constants only"
            else:
                wrong = None if not pure or is_pure(base, name) else f"imports {base}: not for a pure floor"
            if wrong:
                found.append(f"{module}, line {line}: {wrong}")
        if pure:
            found += [f"{module}, line {line}: {wrong}" for line, wrong in impure_calls(tree)]
    return found
