"""What differs from week to week: the van, its reader, its receiver, the size of the load, how power is wired."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

Power = Literal["never", "at-off", "minutes", "cuts"]
Session = Literal["S0", "S1", "S2"]


@dataclass(frozen=True, slots=True)
class Size:
    """How much travels: the most tags aboard at once, units loaded in the morning, the share that are roll-cages."""

    name: str
    most: int
    units: tuple[int, int]
    caged: float
    members: tuple[int, int]
    parked_s: float  # between rounds while standing; a full van's reader is asked less often


SIZES = (
    Size("one", 4, (1, 3), 0.0, (0, 0), 2.0),
    Size("few", 16, (4, 10), 0.1, (2, 4), 2.0),
    Size("some", 60, (9, 22), 0.25, (3, 7), 3.0),
    Size("many", 140, (12, 24), 0.4, (5, 12), 6.0),
    Size("full", 300, (16, 30), 0.55, (8, 20), 10.0),
)
SIZE_BY_SEED = (1, 2, 0, 1, 3, 2, 1, 2, 0, 4)  # by the seed's last digit, so that few seeds in a row hold every size


@dataclass(frozen=True, slots=True)
class Radio:
    """Reader, antennas and box. Losses and gains in dB, powers in dBm."""

    antennas: int
    conducted_dbm: float
    cable_db: float
    antenna_gain_dbi: float
    quality: float  # Q of the empty box as a cavity, doors closed
    side_wall_db: float
    door_wall_db: float
    rear_looks_out: bool  # the antenna above the doors covers the sill, and what stands behind it
    cage_db: float
    session: Session
    dwell_s: float
    sensitivity_dbm: float  # of the reader's receiver
    faults: tuple[tuple[int, float, float, bool], ...]  # antenna, day from which, loss in dB, told by the reader
    drift_parked_s: float  # how long a standing wave lasts where nothing moves
    drift_moving_s: float
    rssi_step_db: float
    reports_of: int  # rounds in one report
    stall_per_h: float
    ghosts: float  # of 1,000 reads


@dataclass(frozen=True, slots=True)
class Sky:
    """The receiver. `lie` is stated error over true error."""

    every_s: float
    lag_s: float
    sigma_m: float
    lie: float
    says_speed: bool
    jumps_per_h: float
    dock: Literal["silent", "no-fix", "stale", "poor"]


@dataclass(frozen=True, slots=True)
class Habits:
    """One week's circumstances."""

    seed: int
    days: int
    size: Size
    radio: Radio
    sky: Sky
    power: Power
    doors_wired: bool
    ignition_wired: bool
    pause_when_open: bool
    has_fixture: bool
    clock: Literal["right", "1970", "years-off"]
    hold_s: float
    vehicle: str = "van-03"


def choose(seed: int, *, days: int) -> Habits:
    """The circumstances of a seed's week."""
    size = SIZES[SIZE_BY_SEED[seed % 10]]
    rng = np.random.default_rng([seed, 1])
    antennas = int(rng.integers(2, 5))
    if size.most > 100:
        antennas = max(antennas, 3)  # who sends out so much has more of them fitted
    faults: list[tuple[int, float, float, bool]] = []
    for antenna in range(1, antennas + 1):
        if antennas - len(faults) > (2 if size.most > 100 else 1) and rng.random() < 0.16:
            loss_db = 90.0 if rng.random() < 0.5 else float(rng.uniform(6.0, 16.0))
            faults.append((antenna, float(rng.uniform(0, days)), loss_db, bool(rng.random() < 0.4)))
    # A plastic or a steel body; doors with or without windows.
    side_wall_db = float(rng.uniform(1.5, 8.0) if rng.random() < 0.3 else rng.uniform(16.0, 36.0))
    door_wall_db = float(rng.uniform(3.0, 9.0) if rng.random() < 0.35 else rng.uniform(18.0, 36.0))
    radio = Radio(
        antennas=antennas,
        conducted_dbm=float(rng.choice([27.0, 28.5, 30.0])),
        cable_db=float(rng.uniform(0.8, 2.0)),
        antenna_gain_dbi=float(rng.choice([3.0, 5.5])),
        quality=float(rng.uniform(15.0, 27.0)),
        side_wall_db=side_wall_db,
        door_wall_db=door_wall_db,
        rear_looks_out=bool(rng.random() < 0.5),
        cage_db=float(rng.uniform(3.0, 8.0)),
        session=str(rng.choice(["S0", "S1", "S2"], p=[0.45, 0.35, 0.2])),  # type: ignore[arg-type]
        dwell_s=float(rng.choice([0.2, 0.3, 0.5])),
        sensitivity_dbm=float(rng.uniform(-76.0, -70.0)),
        faults=tuple(faults),
        drift_parked_s=float(rng.uniform(500.0, 2500.0)),
        drift_moving_s=float(rng.uniform(25.0, 120.0)),
        rssi_step_db=float(rng.choice([0.5, 1.0])),
        reports_of=int(rng.choice([1, 1, 1, 3])),
        stall_per_h=float(rng.choice([0.0, 0.0, 0.5])),
        ghosts=float(rng.choice([0.0, 0.02, 0.1])),
    )
    sky = Sky(
        every_s=float(rng.choice([1.0, 2.0, 2.0, 5.0])),
        lag_s=float(rng.choice([0.0, 0.0, 2.0, 5.0])),
        sigma_m=float(rng.uniform(2.0, 6.0)),
        lie=float(rng.choice([1.0, 1.0, 0.4, 2.0])),
        says_speed=bool(rng.random() < 0.8),
        jumps_per_h=float(rng.choice([0.0, 0.1, 0.4])),
        dock=str(rng.choice(["silent", "no-fix", "stale", "poor"])),  # type: ignore[arg-type]
    )
    doors_wired = bool(rng.random() < 0.5)
    power: Power = str(rng.choice(["never", "at-off", "minutes", "cuts"], p=[0.35, 0.2, 0.25, 0.2]))  # type: ignore[assignment]
    return Habits(
        seed=seed,
        days=days,
        size=size,
        radio=radio,
        sky=sky,
        power=power,
        doors_wired=doors_wired,
        ignition_wired=bool(rng.random() < 0.6),
        pause_when_open=doors_wired and bool(rng.random() < 0.2),
        has_fixture=bool(rng.random() < 0.7),
        clock=str(rng.choice(["right", "1970", "years-off"])),  # type: ignore[arg-type]
        hold_s=float(rng.uniform(300.0, 1500.0)),
    )
