"""The house keeps its floors; and the walker that says so can see what would break them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.floors import FLOORS, key_of, violations

ROOT = Path(__file__).resolve().parents[1]


def house() -> tuple[dict[str, str], frozenset[str]]:
    """Every module of the package with its source, and which of them are packages."""
    modules, packages = {}, set()
    for path in sorted((ROOT / "agent").rglob("*.py")):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        if path.name == "__init__.py":
            name = name.removesuffix(".__init__")
            packages.add(name)
        modules[name] = path.read_text()
    return modules, frozenset(packages)


def test_imports_go_downward_only() -> None:
    """Every module stands on a floor, imports from lower ones only, and floors 0 to 2 touch nothing outside."""
    modules, packages = house()
    assert len(modules) > 10
    assert not (found := violations(modules, packages=packages)), "\n" + "\n".join(found)


# module, its source, what the walker must say
PLANTED = {
    "a new module": ("agent.newcomer", "", "stands on no floor"),
    "upward": ("agent.epc", "from agent import pipeline", "floor 2 from floor 1"),
    "upward, relative": ("agent.llrp.codec", "from ..reader import connect", "floor 3 from floor 1"),
    "upward, in a function": ("agent.units", "def f():\n    import agent.geo", "floor 1 from floor 0"),
    "upward, for types alone": (
        "agent.pipeline",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from agent.store import Store",
        "floor 3 from floor 2",
    ),
    "outside to outside": ("agent.publisher", "from agent.store import Store", "do not know each other"),
    "dispatch to vehicle": ("agent.dispatch.ingest", "import agent.publisher", "do not know each other"),
    "a package's __init__": ("agent", "from agent.epc import decode_tag", "words and constants only"),
    "a socket": ("agent.gps", "import socket", "not for a pure floor"),
    "SQLite": ("agent.custody", "import sqlite3", "not for a pure floor"),
    "a thread": ("agent.world.day", "from threading import Thread", "not for a pure floor"),
    "MQTT": ("agent.messages", "import paho.mqtt.client as mqtt", "not for a pure floor"),
    "a library for numbers that nobody chose": ("agent.sites", "from scipy.special import owens_t", "not for a pure"),
    "the monotonic clock": ("agent.timeline", "from time import monotonic", "not for a pure floor"),
    "today": ("agent.itinerary", "import datetime\nx = datetime.datetime.now(datetime.UTC)", "asks today's clock"),
    "today's date": ("agent.itinerary", "from datetime import date\nx = date.today()", "asks today's clock"),
    "a file": ("agent.register", "def f(p):\n    with open(p) as g:\n        return g.read()", "reaches outside"),
    "a file by its path": ("agent.plan", "def f(p):\n    return p.read_text()", "uses a file"),
    "pathlib": ("agent.plan", "from pathlib import Path", "not for a pure floor"),
    "chance from nowhere": ("agent.world.radio", "import random\nx = random.random()", "takes chance from nowhere"),
    "an unseeded generator": ("agent.world.radio", "import random\nx = random.Random()", "takes chance from nowhere"),
    "numpy's global chance": ("agent.presence.chain", "import numpy as np\nx = np.random.rand(3)", "global chance"),
    "numpy unseeded": ("agent.world.radio", "import numpy as np\nx = np.random.default_rng()", "from nowhere"),
}


@pytest.mark.parametrize("planted", PLANTED.values(), ids=PLANTED.keys())
def test_the_walker_sees_a_planted_violation(planted: tuple[str, str, str]) -> None:
    """One wrong line in one module is found, and named."""
    module, source, said = planted
    others = dict.fromkeys(("agent.pipeline", "agent.reader", "agent.store", "agent.publisher", "agent.epc"), "")
    found = violations({**others, module: source}, packages=frozenset({"agent"}))
    assert len(found) == 1, found
    assert found[0].startswith(module)
    assert said in found[0]


def test_the_walker_lets_good_work_pass() -> None:
    """Downward imports, the shared clock, seeded chance and a part's own inner modules are no violation."""
    good = {
        "agent.pipeline": "import numpy as np\nfrom agent import epc\nfrom agent.records import Read",
        "agent.epc": "from agent.errors import ConfigError\nfrom collections.abc import Iterable",
        "agent.errors": "from __future__ import annotations",
        "agent.records": "from msgspec import Struct",
        "agent.world.radio": "import random\n\ndef f(seed):\n    return random.Random(seed).random()",
        "agent.llrp.session": "from .codec import decode",
        "agent.llrp.codec": "import struct",
        "agent.store": "import sqlite3, time\nfrom agent.clock import Clock\nfrom agent.store_schema import TABLES",
        "agent.store_schema": "TABLES = ()",
        "agent.clock": "from time import monotonic",
        "agent.run": "from agent import store, pipeline",
    }
    assert violations(good) == []


def test_the_longest_prefix_places_a_module() -> None:
    """`agent.dispatch.main` is wiring though the dispatch side's other modules are the outside."""
    assert FLOORS[key_of("agent.dispatch.main") or ""] > FLOORS[key_of("agent.dispatch.store") or ""]
    assert key_of("agent.storeroom") == "agent.store*"
    assert key_of("agent.epcs") is None
