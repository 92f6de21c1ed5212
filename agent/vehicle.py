"""The vehicle file (TOML) → typed settings, or everything that is wrong with it; floor 1.

Takes the text, opens no file. Every section but `[vehicle]` may be left out; its defaults work. All problems are told
at once, each with file, section and key, what stands there, what is allowed, and for a misspelt name the nearest known
one. Also says whether the reader may transmit (`transmit_allowed`); holding it to that is for those who run it.
"""

from __future__ import annotations

import datetime as dt
import itertools
import re
from collections.abc import Mapping
from typing import Any, Literal

from msgspec import Struct, field

from agent.errors import ConfigError
from agent.gps import EPH_SIGMAS
from agent.keys import (
    Key,
    Refused,
    check_section,
    date,
    distinct_ports,
    flag,
    matching,
    minute_of_day,
    one_of,
    parse_document,
    real,
    refuse,
    shown,
    text,
    time_zone,
    unknown,
    whole,
)
from agent.radio_rules import HIGHEST_MHZ, LOWEST_MHZ, RULES, Region
from agent.readingplan import ReadingSettings
from agent.records import Problem
from agent.vehicle_radio import radio_problems
from agent.vehicle_sections import READING_KEYS, SIGNAL_KEYS, STORE_KEYS, Signal, StoreSettings, reading_of

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Inputs(Struct, frozen=True):
    """Reader input ports, None where not wired."""

    doors: int | None = None  # on = rear doors open
    ignition: int | None = None  # on = ignition on
    radio_off: int | None = None  # on = the reader must be silent
    low_voltage: int | None = None  # on = the battery's voltage is low


class RfAssessment(Struct, frozen=True):
    """What a competent person found about radio exposure in this vehicle."""

    by: str
    date: dt.date
    power_dbm: float
    people_inside: Literal["pause", "allowed"]


class ReaderSettings(Struct, frozen=True):
    """The RFID reader; `host` None means there is none. `power_dbm` None means as assessed.

    Without `region`, or `eirp_limit_dbm`, nobody holds the radiated power to a limit; `check` says so.
    """

    host: str | None = None
    port: int = 5084  # LLRP, registered with IANA
    tls: bool = False
    ca_file: str | None = None  # with tls: the reader's own certificate, or that of whoever signed it
    simulated: bool = False  # on this computer only; exempt from the interlock
    antennas: tuple[int, ...] = (1, 2)
    power_dbm: float | None = None
    region: Region | None = None
    eirp_limit_dbm: float | None = None
    cable_loss_db: float = 0.0  # the worst case: nothing is lost
    antenna_gain_dbi: float | None = None
    frequency_mhz: float | None = None

    @property
    def lowest_mhz(self) -> float:
        """The frequency with the strictest exposure limit: as given, else the region's lowest, else the lowest used."""
        if self.frequency_mhz is not None:
            return self.frequency_mhz
        rule = RULES.get(self.region or "")
        return LOWEST_MHZ if rule is None else rule.band_mhz[0]


class GpsSettings(Struct, frozen=True):
    """Where gpsd listens, and what the receiver's maker says its error figure `eph` means."""

    host: str = "127.0.0.1"
    port: int = 2947  # gpsd, registered with IANA
    eph: str = "r95"

    @property
    def eph_sigmas(self) -> float:
        """How many standard deviations of one axis `eph` is."""
        return EPH_SIGMAS[self.eph]


class MqttSettings(Struct, frozen=True):
    """The broker; `host` None means that nothing is published. Files are paths, read by whoever connects.

    `pack_aboard`: the list of what is aboard goes as zlib, a fifth as large; for those who read no other than ours.
    """

    host: str | None = None
    port: int = 1883  # 8883 with tls; both registered with IANA
    username: str | None = None
    password_file: str | None = None
    tls: bool = False
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    pack_aboard: bool = False


class WorkingHours(Struct, frozen=True):
    """When the vehicle is at work: minutes of the local day; `to_min` before `from_min` runs past midnight."""

    days: tuple[Day, ...]
    from_min: int
    to_min: int
    timezone: str


class Privacy(Struct, frozen=True):
    """What is kept of people. Without `working_hours` nothing is withheld; the thinned reads go after these days."""

    working_hours: WorkingHours | None = None
    keep_reads_days: int = 7


class Vehicle(Struct, frozen=True):
    """One vehicle's settings. `presence` overrides named model parameters; whoever owns the model checks the names."""

    id: str
    epc: str
    home: str | None = None
    inputs: Inputs = Inputs()
    rf_assessment: RfAssessment | None = None
    reader: ReaderSettings = ReaderSettings()
    gps: GpsSettings = GpsSettings()
    mqtt: MqttSettings = MqttSettings()
    store: StoreSettings = StoreSettings()
    presence: Mapping[str, float] = field(default_factory=dict)
    privacy: Privacy = Privacy()
    reading: ReadingSettings = ReadingSettings()
    signal: Signal = Signal()


class Permission(Struct, frozen=True):
    """Whether the reader may transmit, in one sentence why, and at most how strongly (None: no limit of ours)."""

    allowed: bool
    reason: str
    power_dbm: float | None = None


def transmit_allowed(vehicle: Vehicle) -> Permission:
    """Whether this vehicle's reader may transmit outside a supervised test.

    A real reader stays silent until `[rf_assessment]` is filled in. A simulated one has no antenna and is exempt.
    """
    if vehicle.reader.simulated:
        return Permission(
            allowed=True, reason="The reader is simulated and has no antenna.", power_dbm=vehicle.reader.power_dbm
        )
    found = vehicle.rf_assessment
    if found is None:
        return Permission(allowed=False, reason="The reader stays silent: the vehicle file has no [rf_assessment].")
    power_dbm = found.power_dbm if vehicle.reader.power_dbm is None else vehicle.reader.power_dbm
    reason = f"Assessed by {found.by} on {found.date.isoformat()} up to {found.power_dbm:g} dBm."
    return Permission(allowed=True, reason=reason, power_dbm=min(power_dbm, found.power_dbm))


def _days(value: object) -> tuple[Day, ...]:
    if not isinstance(value, list) or not value:
        raise Refused
    refuse(all(day in DAYS for day in value))
    return tuple(day for day in DAYS if day in value)


def _table(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise Refused
    return value


_ID = Key("1 to 40 of a-z, 0-9 and -", matching(r"[a-z0-9-]{1,40}"), required=True)
_PORT = Key("a port number, 1 to 65535", whole(1, 65_535))
_FLAG = Key("true or false", flag)
_TEXT = Key("a text", text)
_DBM = Key("dBm, 0 to 36", real(0.0, 36.0))
_INPUT = Key("a reader input port, 1 to 255; leave the line out if not wired", whole(1, 255))
_DAYS_KEPT = Key("whole days, 1 to 3650", whole(1, 3650))

SECTIONS: dict[str, dict[str, Key]] = {
    "vehicle": {
        "id": _ID,
        "epc": Key(
            "a pure identity URI such as urn:epc:id:giai:9521141.70007",
            matching(r"urn:epc:id:[a-z]+:\S+"),
            required=True,
        ),
        "home": Key(f"a site id, {_ID.allowed}", _ID.read),
    },
    "inputs": {"doors": _INPUT, "ignition": _INPUT, "radio_off": _INPUT, "low_voltage": _INPUT},
    "rf_assessment": {
        "by": Key("who assessed it", text, required=True),
        "date": Key("a date such as 2026-02-20, without quotation marks", date, required=True),
        "power_dbm": Key(_DBM.allowed, _DBM.read, required=True),
        "people_inside": Key('"pause" or "allowed"', one_of("pause", "allowed"), required=True),
    },
    "reader": {
        "host": _TEXT,
        "port": _PORT,
        "tls": _FLAG,
        "ca_file": _TEXT,
        "simulated": _FLAG,
        "antennas": Key("antenna ports, each once, such as [1, 2]", distinct_ports),
        "power_dbm": _DBM,
        "region": Key('"fcc", "etsi" or "other"', one_of("fcc", "etsi", "other")),
        "eirp_limit_dbm": Key("dBm EIRP, 0 to 40", real(0.0, 40.0)),
        "cable_loss_db": Key("dB lost in the cable, 0 to 30", real(0.0, 30.0)),
        "antenna_gain_dbi": Key("dBi, -20 to 20; a gain in dBd is 2.15 more in dBi", real(-20.0, 20.0)),
        "frequency_mhz": Key(
            f"MHz, {LOWEST_MHZ:g} to {HIGHEST_MHZ:g}: the lowest that is used", real(LOWEST_MHZ, HIGHEST_MHZ)
        ),
    },
    "gps": {
        "host": _TEXT,
        "port": _PORT,
        "eph": Key('"cep", "drms", "r95" or "2drms", as the receiver\'s maker says', one_of(*EPH_SIGMAS)),
    },
    "mqtt": {
        "host": _TEXT,
        "port": _PORT,
        "username": _TEXT,
        "password_file": _TEXT,
        "tls": _FLAG,
        "pack_aboard": _FLAG,
        "ca_file": _TEXT,
        "cert_file": _TEXT,
        "key_file": _TEXT,
    },
    "store": STORE_KEYS,
    "presence": {},
    "privacy": {
        "working_hours": Key(
            'a table such as {days = ["mon"], from = "06:00", to = "19:00", timezone = "Etc/UTC"}', _table
        ),
        "keep_reads_days": _DAYS_KEPT,
    },
    "reading": READING_KEYS,
    "signal": SIGNAL_KEYS,
}
_HOURS = {
    "days": Key('days such as ["mon", "tue", "wed", "thu", "fri"]', _days, required=True),
    "from": Key('a time of day such as "06:00"', minute_of_day, required=True),
    "to": Key('a time of day such as "19:00"', minute_of_day, required=True),
    "timezone": Key("an IANA time zone such as Atlantic/Azores", time_zone, required=True),
}


def parse_vehicle(source: str, *, file: str) -> Vehicle:
    """The vehicle file's text as settings; raises ConfigError with every problem of it."""
    document = parse_document(source, file=file)
    problems: list[Problem] = []
    values: dict[str, dict[str, Any]] = {}
    for name, table in document.items():
        if name not in SECTIONS:
            problems.append(unknown(name, SECTIONS, file=file, where=f"[{name}]", what="unknown section"))
        elif name == "presence":
            values[name] = _presence(table, file=file, problems=problems)
        else:
            values[name] = check_section(table, SECTIONS[name], file=file, section=name, problems=problems)
    if "vehicle" not in document:
        do = "write [vehicle] with id and epc"
        problems.append(Problem(file=file, where="[vehicle]", what="missing section", got="", do=do))
    _check_hours(values.get("privacy", {}), file=file, problems=problems)
    _check_together(values, file=file, problems=problems)
    reading = reading_of(values.get("reading", {}), file=file, problems=problems)
    if problems:
        raise ConfigError(problems)
    mqtt = values.get("mqtt", {})
    if mqtt.get("tls"):
        mqtt.setdefault("port", 8883)
    vehicle = Vehicle(
        **values["vehicle"],
        inputs=Inputs(**values.get("inputs", {})),
        rf_assessment=RfAssessment(**values["rf_assessment"]) if "rf_assessment" in values else None,
        reader=ReaderSettings(**values.get("reader", {})),
        gps=GpsSettings(**values.get("gps", {})),
        mqtt=MqttSettings(**mqtt),
        store=StoreSettings(**values.get("store", {})),
        presence=values.get("presence", {}),
        privacy=Privacy(**values.get("privacy", {})),
        reading=reading,
        signal=Signal(**values.get("signal", {})),
    )
    problems = radio_problems(vehicle, file=file)
    if problems:
        raise ConfigError(problems)
    return vehicle


def _presence(table: object, *, file: str, problems: list[Problem]) -> dict[str, float]:
    """Any names, each a number: the model's own parameters are checked where they are known."""
    keys = dict.fromkeys(table, Key("a number", real(-1e9, 1e9))) if isinstance(table, Mapping) else {}
    return check_section(table, keys, file=file, section="presence", problems=problems)


def _check_hours(privacy: dict[str, Any], *, file: str, problems: list[Problem]) -> None:
    """Put the working hours of `[privacy]` in their own record."""
    table = privacy.pop("working_hours", None)
    if table is None:
        return
    count = len(problems)
    found = check_section(table, _HOURS, file=file, section="privacy.working_hours", problems=problems)
    if len(problems) > count:
        return
    if found["from"] == found["to"]:
        where, do = "[privacy.working_hours]", 'give two different times; a whole day is from "00:00" to "24:00"'
        problems.append(Problem(file=file, where=where, what="from and to are the same", got="", do=do))
        return
    privacy["working_hours"] = WorkingHours(
        days=found["days"], from_min=found["from"], to_min=found["to"], timezone=found["timezone"]
    )


def _check_together(values: dict[str, dict[str, Any]], *, file: str, problems: list[Problem]) -> None:
    """What no key can say of itself."""

    def add(where: str, what: str, got: object, do: str) -> None:
        problems.append(Problem(file=file, where=where, what=what, got=shown(got), do=do))

    inputs, reader, mqtt = values.get("inputs", {}), values.get("reader", {}), values.get("mqtt", {})
    for one, other in itertools.combinations(inputs, 2):
        if inputs[one] == inputs[other]:
            what, do = f"{one} and {other} are the same port", "give each its own, or leave one out"
            add("[inputs]", what, inputs[one], do)
    host = reader.get("host")
    if reader.get("simulated") and host is not None and not _is_this_computer(host):
        # A real reader behind this word would transmit without anybody having assessed it.
        do = "give 127.0.0.1, or take simulated out and fill in [rf_assessment]"
        add("[reader] host", "a simulated reader runs on this computer", host, do)
    assessed_dbm = values.get("rf_assessment", {}).get("power_dbm")
    power_dbm = reader.get("power_dbm")
    if assessed_dbm is not None and power_dbm is not None and power_dbm > assessed_dbm and not reader.get("simulated"):
        add(
            "[reader] power_dbm", "more than was assessed", power_dbm, f"give at most {assessed_dbm:g}, or assess again"
        )
    if ("cert_file" in mqtt) != ("key_file" in mqtt):
        got = "cert_file" if "cert_file" in mqtt else "key_file"
        add("[mqtt]", "a certificate needs its key", f"{got} alone", "give cert_file and key_file, or neither")
    files = [name for name in ("ca_file", "cert_file", "key_file") if name in mqtt]
    if files and not mqtt.get("tls"):
        add("[mqtt] tls", f"{' and '.join(files)} without tls", mqtt.get("tls", False), "write tls = true")
    if "ca_file" in reader and not reader.get("tls"):
        add("[reader] tls", "ca_file without tls", reader.get("tls", False), "write tls = true")
    if "password_file" in mqtt and "username" not in mqtt:
        add("[mqtt]", "a password without a username", "password_file alone", "give username too")


def _is_this_computer(host: str) -> bool:
    return host in {"localhost", "::1"} or re.fullmatch(r"127(\.\d{1,3}){3}", host) is not None
