"""What `check` says of the files, the agent and the reader, in words for who installs it; floor 4, and asks nobody."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from agent.findings import Finding
from agent.holding import InUse
from agent.llrp.tables import CommunicationsStandard, name_of
from agent.probe_reader import Answer, ReaderAwayError
from agent.readingplan import costs
from agent.vehicle import Vehicle, transmit_allowed
from agent.vehicle_radio import power_in_use_dbm, radio_verdict

_STOP = "to test it stop the agent, systemctl stop roadtally, and start it again afterwards"
_STANDARDS = {"fcc": CommunicationsStandard.US_FCC_Part_15, "etsi": CommunicationsStandard.ETSI_302_208}


def file_findings(vehicle: Vehicle) -> Iterator[Finding]:
    """Vehicle, permission, radio rules and duty, from a file that was good."""
    home = vehicle.home or "not set: a trip is a local day"
    yield Finding("vehicle", "ok", f"{vehicle.id}, {vehicle.epc}, home {home}")
    yield _transmit(vehicle)
    yield _radio(vehicle)
    for cost in costs(vehicle.reading):
        yield Finding("on the air", "ok", cost.words)


def content_findings(
    vehicle: Vehicle, in_use: InUse, *, given: Collection[str], held: Mapping[str, str]
) -> Iterator[Finding]:
    """Sites, register and plan: from files, or as the dispatch side last sent; `held` says what is wrong with that."""
    for leaf in ("sites", "register", "plan"):
        wrong = None if leaf in given else held.get(leaf)
        source = "" if leaf in given else ", as the dispatch side last sent"
        if leaf not in given and leaf not in held:
            yield Finding(leaf, "not tested", "not given here, and nothing kept of what the dispatch side sent")
        elif wrong:
            found = f"what the dispatch side last sent cannot be used: {wrong}"
            yield Finding(leaf, "not ok", found, "correct it there and send it again")
        elif leaf == "sites":
            found = f"{len(in_use.sites)}: {', '.join(site.id for site in in_use.sites)}{source}"
            yield Finding(leaf, "ok", found)
        elif leaf == "register":
            yield _register(vehicle, in_use, source)
        else:
            version = max(in_use.plans, default=0)
            yield Finding(leaf, "ok", f"{len(in_use.plans.get(version, ()))} rows{source}")


def _transmit(vehicle: Vehicle) -> Finding:
    permission = transmit_allowed(vehicle)
    if permission.allowed:
        return Finding("transmit", "ok", f"allowed: {permission.reason}")
    found = f"not allowed: {permission.reason}"
    if vehicle.reader.host is None:
        return Finding("transmit", "ok", found)
    do = "nothing will be read until a competent person has assessed it and [rf_assessment] is filled in"
    return Finding("transmit", "not ok", found, do)


def _radio(vehicle: Vehicle) -> Finding:
    verdict = radio_verdict(vehicle)
    if verdict is not None:
        return Finding("radio rules", "ok", verdict.text)
    if vehicle.reader.host is None:
        return Finding("radio rules", "not tested", "there is no reader")
    reader = vehicle.reader
    missing = [
        name
        for name, is_there in (
            ("region", reader.region is not None or reader.eirp_limit_dbm is not None),
            ("antenna_gain_dbi", reader.antenna_gain_dbi is not None),
            ("power_dbm", power_in_use_dbm(vehicle) is not None),
        )
        if not is_there
    ]
    found = f"the sum of what is radiated can't be held to any limit: no {', no '.join(missing)} in [reader]"
    return Finding("radio rules", "not tested", found, "give them, and cable_loss_db, in the vehicle file")


def _register(vehicle: Vehicle, in_use: InUse, source: str) -> Finding:
    listings = in_use.register.listings
    kinds = [f"{sum(x.kind == kind for x in listings)} {kind}" for kind in ("item", "person", "fixture", "ignore")]
    has_fixture = any(x.kind == "fixture" and x.home == vehicle.id for x in listings)
    do = "" if has_fixture else f"fix a tag in the van and list it (kind fixture, home {vehicle.id}): it proves hearing"
    return Finding("register", "ok", ", ".join(kinds) + source, do)


def agent_finding(*, is_running: bool) -> Finding:
    """Whether this van's agent is at work on this computer."""
    if is_running:
        return Finding("agent", "ok", "it runs now on this computer")
    return Finding("agent", "not tested", "it does not run on this computer now")


def reader_away(vehicle: Vehicle, why: ReaderAwayError, *, is_running: bool) -> Iterator[Finding]:
    """A reader that cannot be talked to, and what hangs on it."""
    address = f"{vehicle.reader.host}:{vehicle.reader.port}"
    if why.is_held and is_running:
        found = f"{address} is there; THE RUNNING AGENT HOLDS ITS ONLY CONNECTION"
        yield Finding("reader", "not tested", found, _STOP)
    elif why.is_held:
        do = "end the other program or computer; after a crash the reader may take a minute, or a restart, to let go"
        found = f"{address} is there, but somebody else holds its only connection, and it is not this van's agent"
        yield Finding("reader", "not ok", found, do)
    elif why.is_there:
        do = "put [reader] right as it says; if that is no reader at all, correct host and port"
        yield Finding("reader", "not ok", f"{address} takes the connection, but: {why}", do)
    elif "certificate" in str(why).lower() or "SSL" in str(why):
        do = "hold [reader] tls and port to the reader's own settings, and its certificate to what this computer trusts"
        yield Finding("reader", "not ok", f"{address}: no TLS: {why}", do)
    else:
        do = "look at its power and network cable, at [reader] host and port; from power-on it takes about a minute"
        yield Finding("reader", "not ok", f"{address}: {why}", do)
    yield from untold(vehicle)


def untold(vehicle: Vehicle) -> Iterator[Finding]:
    """All that only a reader could have told."""
    parts = ("power", "antennas", "inputs") + ("signal",) * (vehicle.signal.output is not None)
    for part in parts:
        yield Finding(part, "not tested", "the reader has to answer first")


def reader_findings(vehicle: Vehicle, answer: Answer) -> Iterator[Finding]:
    """What a reader told of itself, held to the vehicle file."""
    yield _reader(vehicle, answer)
    yield _power(vehicle, answer)
    yield _antennas(answer)
    yield from _inputs(vehicle, answer)
    yield from _signal(vehicle, answer)


def _reader(vehicle: Vehicle, answer: Answer) -> Finding:
    maker = f"maker {answer.maker}, model {answer.model}, " if answer.maker else ""
    told = f"{vehicle.reader.host}:{vehicle.reader.port} answers: {maker}firmware {answer.firmware or 'not told'}"
    expected = _STANDARDS.get(vehicle.reader.region or "")
    if expected is not None and answer.standard not in {None, CommunicationsStandard.Unspecified, expected}:
        ours, theirs = expected.name, name_of(CommunicationsStandard, answer.standard or 0)
        do = "set the reader up for this region, by its maker's instructions, or put [reader] region right"
        return Finding("reader", "not ok", f"{told}; it is set up for {theirs}, the vehicle file for {ours}", do)
    return Finding("reader", "ok", told)


def _power(vehicle: Vehicle, answer: Answer) -> Finding:
    table = answer.powers_dbm
    least, most = min(table.values(), default=0.0), max(table.values(), default=0.0)
    told = f"the reader's table goes from {least:g} to {most:g} dBm in {len(table)} steps"
    asked_dbm = power_in_use_dbm(vehicle)
    if asked_dbm is None:
        return Finding("power", "not tested", f"no power is set; {told}", "give [reader] power_dbm or [rf_assessment]")
    used_dbm = table.get(answer.power_index)
    used = f"index {answer.power_index}" + ("" if used_dbm is None else f", {used_dbm:g} dBm")
    return Finding("power", "ok", f"{asked_dbm:g} dBm asked for, {used} is used; {told}")


def _antennas(answer: Answer) -> Finding:
    lost = sorted(answer.antennas_lost)
    if lost:
        do = "push its plug home, look for a crushed cable, swap it with another port's; or correct [reader] antennas"
        found = f"the reader says that nothing is connected at port {', '.join(map(str, lost))}"
        return Finding("antennas", "not ok", found, do)
    found = f"the reader reports none missing at port {', '.join(map(str, answer.antennas))}"
    return Finding("antennas", "ok", found, "hear for yourself: --walk-test --transmit-s 60")


def _inputs(vehicle: Vehicle, answer: Answer) -> Iterator[Finding]:
    inputs = vehicle.inputs
    wired = {
        "doors": (inputs.doors, "open", "closed"),
        "ignition": (inputs.ignition, "on", "off"),
        "radio_off": (inputs.radio_off, "on, the reader must be silent", "off"),
        "low_voltage": (inputs.low_voltage, "on, the battery is low", "off"),
    }
    for name, (port, on, off) in wired.items():
        if port is None and name in {"radio_off", "low_voltage"}:
            continue  # few vans have them
        if port is None:
            yield Finding("inputs", "not tested", f"{name}: not wired, by the vehicle file")
        elif port not in answer.inputs:
            there = f"the reader has {', '.join(map(str, answer.inputs)) or 'none'}"
            yield Finding("inputs", "not ok", f"{name}: there is no input {port}; {there}", f"correct [inputs] {name}")
        elif port not in answer.levels:
            do = "see the reader's own settings for that input"
            yield Finding("inputs", "not ok", f"{name}: the reader does not say how input {port} is", do)
        else:
            level = on if answer.levels[port] else off
            yield Finding("inputs", "ok", f"{name}: {level.upper()} (port {port}). True? Then it is wired right")


def _signal(vehicle: Vehicle, answer: Answer) -> Iterator[Finding]:
    port = vehicle.signal.output
    if port is None:
        return
    if answer.outputs is None:
        yield Finding("signal", "not tested", f"the reader does not say how many outputs it has; output {port} is set")
    elif port > answer.outputs:
        there = "none" if answer.outputs == 0 else f"1 to {answer.outputs}" if answer.outputs > 1 else "1 alone"
        found = f"the lamp: there is no output {port}; the reader has {there}"
        yield Finding("signal", "not ok", found, "correct [signal] output, or leave it out where no lamp is wired")
    else:
        found = f"the lamp: output {port} of the reader's {answer.outputs}; check switches nothing"
        yield Finding("signal", "ok", found)
