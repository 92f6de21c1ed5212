"""The link budget of every tag to every antenna of a steel box, and the standing waves that make it good or bad.

A tag's incident wave is the sum of a direct and a diffuse part. Direct: Friis, the antenna's pattern, polarisation
mismatch, what stands between. Diffuse: the box as a cavity with loaded quality Q, whose mean received power is
P_t λ³Q / (16π²V) (Hill, Electromagnetic Fields in Cavities, 2009; from memory). The diffuse part is a complex normal of
unit power that stays as it is while nothing moves, so that the strength is Rician about the direct part, frozen, and a
tag in a node stays there. The way back is the same way again: RSSI = 2 P_tag - P_tx - modulation loss.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tests.bench.steelbox.habits import Radio

Array = NDArray[np.float64]
Index = NDArray[np.int64]
AWAY, ABOARD, BEHIND, BESIDE, CAB = range(5)  # where a tag is, as seen from the van
LENGTH_M, WIDTH_M, HEIGHT_M = 4.2, 1.8, 1.9
VOLUME_M3 = LENGTH_M * WIDTH_M * HEIGHT_M
WAVE_M = 299.792458 / 866.5
TAG_GAIN_DBI = 2.0
MODULATION_DB = 6.0
MOUNTS = (
    # x from the bulkhead to the doors, y, z; and where it looks
    ((0.2, 0.0, 1.8), (1.0, 0.0, -0.5)),
    ((4.0, 0.0, 1.8), (-1.0, 0.0, -0.8)),
    ((2.1, 0.85, 1.5), (0.0, -1.0, -0.4)),
    ((2.1, -0.85, 1.5), (0.0, 1.0, -0.4)),
)


def friis_db(distance_m: Array) -> Array:
    """Free-space loss between isotropic antennas; nearer than a third of a wave it grows no less."""
    return 20 * np.log10(4 * math.pi * np.maximum(distance_m, 0.3) / WAVE_M)


def cavity_db(quality: float) -> float:
    """Mean loss between two points of the closed box as a cavity of this Q."""
    return -10 * math.log10(WAVE_M**3 * quality / (16 * math.pi**2 * VOLUME_M3))


class Box:
    """The radio state of every tag of the week; antennas by rows, tags by columns."""

    def __init__(self, radio: Radio, needs_dbm: Array, rng: np.random.Generator) -> None:
        count = len(needs_dbm)
        self.radio, self.needs_dbm, self.rng = radio, needs_dbm, rng
        self.zone = np.zeros(count, dtype=np.int64)
        self.at_m = np.zeros((count, 3))
        self.pocket_db = np.zeros(count)  # of direct and diffuse alike: what lies around the tag
        self.block_db = np.zeros((radio.antennas, count))  # of the direct part
        self.turn_db = np.zeros((radio.antennas, count))  # polarisation
        self.phase = np.ones((radio.antennas, count), dtype=np.complex128)
        self.wave = self._normals(count)
        self.direct = np.zeros((radio.antennas, count), dtype=np.complex128)
        self.diffuse = np.zeros((radio.antennas, count))
        self.doors_open = False
        self.full = 0.0
        self.loss_db = np.zeros(radio.antennas)
        self.active: Index = np.zeros(0, dtype=np.int64)
        mounts = MOUNTS[: radio.antennas]
        self.mount_m = np.asarray([m for m, _ in mounts])
        look = np.asarray([d for _, d in mounts])
        if radio.rear_looks_out:
            look[1] = (0.35, 0.0, -1.0)
        self.look = look / np.linalg.norm(look, axis=1, keepdims=True)

    def _normals(self, count: int) -> NDArray[np.complex128]:
        shape = (self.radio.antennas, count)
        normals: NDArray[np.complex128] = self.rng.standard_normal(shape) + 1j * self.rng.standard_normal(shape)
        return normals / math.sqrt(2)

    def place(self, tags: Index, zone: int, at_m: Array, depth: Array) -> None:
        """Puts tags somewhere; `depth` says how deep in a cage each lies, 0 to 1."""
        rng, shape = self.rng, (self.radio.antennas, len(tags))
        self.zone[tags], self.at_m[tags] = zone, at_m
        pressed = rng.random(len(tags)) < 0.06
        inside = depth * self.radio.cage_db
        self.pocket_db[tags] = inside + np.where(pressed, rng.uniform(3, 8, len(tags)), 0.0)
        self.block_db[:, tags] = depth * self.radio.cage_db * rng.uniform(0.3, 1.5, shape) + rng.gamma(1.5, 3.0, shape)
        self.turn_db[:, tags] = -20 * np.log10(np.maximum(np.abs(np.sin(rng.uniform(0, math.pi, shape))), 0.1))
        self.phase[:, tags] = np.exp(2j * math.pi * rng.random(shape))
        self.wave[:, tags] = self._normals(len(tags))
        self.active = np.flatnonzero(self.zone != AWAY)
        self.refresh(tags)

    def refresh(self, tags: Index) -> None:
        """Works the budgets out anew, after a move, the doors, or a change in how full the box is."""
        if not len(tags):
            return
        radio, zone, at_m = self.radio, self.zone[tags], self.at_m[tags]
        ray = at_m[None] - self.mount_m[:, None]
        far_m = np.linalg.norm(ray, axis=2)
        off = np.degrees(np.arccos(np.clip((ray * self.look[:, None]).sum(2) / np.maximum(far_m, 0.05), -1, 1)))
        pattern_db = radio.antenna_gain_dbi - np.minimum(12 * (off / 75.0) ** 2, 16.0)
        within = np.clip(
            (LENGTH_M - self.mount_m[:, :1]) / np.maximum(at_m[None, :, 0] - self.mount_m[:, :1], 0.05), 0, 1
        )
        clutter_db = 4.0 * self.full * far_m * np.where(at_m[:, 0] > LENGTH_M, within, 1.0)
        outside = zone != ABOARD
        wall_db = np.zeros(len(tags))
        aperture_db = 1.5 if self.doors_open else radio.door_wall_db
        wall_db[zone == BEHIND] = aperture_db
        wall_db[zone == BESIDE] = radio.side_wall_db
        wall_db[zone == CAB] = 4.0  # a bulkhead with a window
        direct_db = (
            -friis_db(far_m)
            + pattern_db
            + TAG_GAIN_DBI
            - 3.0
            - self.turn_db[:, tags]
            - self.block_db[:, tags]
            - self.pocket_db[tags]
            - clutter_db
            - wall_db
            - self.loss_db[:, None]
        )
        quality = 1 / (1 / radio.quality + self.full / 14.0 + (1 / 15.0 if self.doors_open else 0.0))
        inside_db = -cavity_db(quality) - 3.0
        beyond_m = np.maximum(np.where(zone == BEHIND, at_m[:, 0] - LENGTH_M, np.abs(at_m[:, 1]) - WIDTH_M / 2), 0.3)
        # What leaks out spreads over a half sphere from an opening of about 3 m².
        spread_db = np.where(outside, np.maximum(-10 * np.log10(3.0 / (2 * math.pi * beyond_m**2)), 0.0), 0.0)
        diffuse_db = inside_db - spread_db - wall_db - self.pocket_db[tags] - self.loss_db[:, None]
        self.direct[:, tags] = 10 ** (direct_db / 20) * self.phase[:, tags]
        self.diffuse[:, tags] = 10 ** (diffuse_db / 20)

    def set_doors(self, *, is_open: bool) -> None:
        """Opens or closes the rear doors: the box leaks, and what stands behind them is heard or not."""
        self.doors_open = is_open
        self.stir(0.6)
        self.refresh(self.active)

    def set_full(self, share: float) -> None:
        """How full the box is, 0 to 1: lossy cargo lowers Q and stands in the way."""
        if abs(share - self.full) > 0.02:
            self.full = share
            self.refresh(self.active)

    def set_losses(self, at_day: float) -> None:
        """What the antennas have lost by now; a dying one grows worse over two days."""
        loss_db = np.zeros(self.radio.antennas)
        for antenna, day, most_db, _ in self.radio.faults:
            if antenna <= self.radio.antennas and at_day >= day:
                loss_db[antenna - 1] = most_db if most_db > 50 else most_db * min((at_day - day) / 2, 1.0)
        if np.abs(loss_db - self.loss_db).max() > 0.25:
            self.loss_db = loss_db
            self.refresh(self.active)

    def stir(self, share: float) -> None:
        """Changes this share of the standing waves' power: somebody walked through, cargo was moved, the van shook."""
        tags = self.active
        if len(tags) and share > 0:
            share = min(share, 1.0)
            self.wave[:, tags] = math.sqrt(1 - share) * self.wave[:, tags] + math.sqrt(share) * self._normals(len(tags))

    def incident_dbm(self) -> Array:
        """Power at each active tag from each antenna now, (antennas, active)."""
        tags = self.active
        field = self.direct[:, tags] + self.diffuse[:, tags] * self.wave[:, tags]
        return self.radio.conducted_dbm - self.radio.cable_db + 20 * np.log10(np.abs(field) + 1e-9)

    def rssi_dbm(self, incident_dbm: Array) -> Array:
        """What comes back at the reader."""
        sent_dbm = self.radio.conducted_dbm - self.radio.cable_db
        return 2 * incident_dbm - sent_dbm - MODULATION_DB - self.radio.cable_db
