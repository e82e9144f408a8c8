"""Worlds of faults with a known truth, drilled and logged with realistic errors.

The true holes are integrated metre by metre from smooth azimuths and dips, and cut with the true surfaces by
bracketing: nothing here uses the engine, so what the engine finds is judged from outside. A world gives the tables a
geologist would have (collars, surveys, structures), the true fault of each pick (−1: an unrelated minor structure) and
the picks that were withheld.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["ENDING", "HARD", "NULL", "USUAL", "WEAK", "Recipe", "World", "drilled"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Recipe:
    """What a world is made of; lengths in metres, angles in degrees, ranges as (least, most)."""

    holes: tuple[int, int] = (12, 30)
    faults: tuple[int, int] = (3, 5)
    picks: tuple[int, int] = (4, 18)
    relief: tuple[float, float] = (1.0, 3.0)
    wavelength: tuple[float, float] = (200.0, 600.0)
    scatter: float = 4.0
    alpha: float = 3.0
    beta: float = 6.0
    line: float = 3.0
    unrelated: float = 1 / 3
    alike: float = 0.0
    """Share of the unrelated picks that lie like a fault."""
    withheld: float = 0.1
    without_beta: float = 0.1
    parallel: tuple[float, float] | None = None
    """Distance between the first two faults, which are then parallel."""
    survey: float = 1.0
    """Factor on the survey errors: azimuth 0.5° and dip 0.2° random, azimuth 0.5° systematic."""
    spacing: tuple[float, float] = (40.0, 90.0)
    radius: tuple[float, float] = (100.0, 250.0)
    ends: float = 0.4
    """Share of the faults that end, at a radius from their centre."""
    logged: float | None = None
    """Share of the cuts that are logged; None: as many as ``picks`` says."""
    zone: tuple[float, float] | None = None
    """Mean number of further picks at each cut, and the zone's thickness: picks lie anywhere within it."""


USUAL = Recipe()
HARD = Recipe(relief=(2.0, 4.0), unrelated=0.5, alike=0.5, parallel=(15.0, 25.0))
NULL = Recipe(faults=(0, 0), unrelated=1.0, withheld=0.0)
WEAK = Recipe(faults=(0, 2), picks=(3, 6), unrelated=0.7)
ENDING = Recipe(faults=(2, 3), picks=(6, 30), radius=(60.0, 160.0), ends=1.0, logged=0.8, withheld=0.0)


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """Tables of a world and its truth; ``truth`` has one entry a row of ``structures``."""

    collars: pd.DataFrame
    surveys: pd.DataFrame
    structures: pd.DataFrame
    truth: Ints
    withheld: pd.DataFrame
    normals: Floats
    """Upward normals of the mean planes of the faults, shape (F, 3)."""
    cuts: pd.DataFrame | None = None
    """Every place where a hole cuts a fault, logged or not: hole_id, depth, fault."""
    offsets: tuple[Callable[[Floats], Floats], ...] = ()
    """Of each fault, the distance of positions from its surface along the normal of its mean plane, metres."""


@dataclass(frozen=True, slots=True, eq=False)
class _Hole:
    depth: Floats
    position: Floats
    tangent: Floats
    azimuth: Floats
    dip: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Fault:
    centre: Floats
    axes: Floats  # rows: two axes in the plane, upward normal
    amplitude: Floats
    wave: Floats  # (k, 2) wave vectors
    phase: Floats
    radius: float

    def offset(self, position: Floats) -> Floats:
        """Return the distance of positions from the surface, along the normal of the mean plane."""
        u, v, w = self.axes @ (position - self.centre).T
        angle = np.outer(u, self.wave[:, 0]) + np.outer(v, self.wave[:, 1]) + self.phase
        return w - np.sin(angle) @ self.amplitude

    def normal(self, position: Floats) -> Floats:
        """Return unit normals of the surface at positions."""
        u, v, _ = self.axes @ (position - self.centre).T
        angle = np.outer(u, self.wave[:, 0]) + np.outer(v, self.wave[:, 1]) + self.phase
        slope = (np.cos(angle) * self.amplitude) @ self.wave
        normal = np.column_stack([-slope, np.ones(len(slope))]) @ self.axes
        return normal / np.linalg.norm(normal, axis=1, keepdims=True)


def drilled(seed: int, recipe: Recipe = USUAL) -> World:
    """Return a world; the seed also chooses its place on the globe, the pattern of its holes and the sort of relief."""
    rng = np.random.default_rng(seed)
    holes = _holes(rng, recipe)
    faults, cuts = _faults(rng, recipe, holes)
    rows = [(h, d, k) for k, cut in enumerate(cuts) for h, d in cut]
    rows, kept = _withholding(recipe, [rows[i] for i in rng.permutation(len(rows))])
    if recipe.zone is not None:
        zone = [row for h, d, k in rows[:kept] for row in _zone(rng, recipe.zone, holes[h], faults[k], (h, d, k))]
        rows, kept = zone + rows[kept:], len(zone)
    unrelated = _unrelated(rng, recipe, holes, kept)
    hole = np.array([r[0] for r in rows[:kept]] + [r[0] for r in unrelated], dtype=np.int64)
    depth = np.array([r[1] for r in rows[:kept]] + [r[1] for r in unrelated], dtype=float)
    truth = np.array([r[2] for r in rows[:kept]] + [-1] * len(unrelated), dtype=np.int64)
    tangent, position = _along(holes, hole, depth)
    normal = _normals(rng, recipe, faults, truth, position, tangent)
    structures = _logged(rng, recipe, hole, depth, tangent, normal)
    order = rng.permutation(len(hole))
    structures = structures.iloc[order].reset_index(drop=True)
    structures["structure_id"] = [f"S{i:04d}" for i in range(len(order))]
    withheld = pd.DataFrame([(f"H{h:02d}", d, k) for h, d, k in rows[kept:]], columns=["hole_id", "depth", "fault"])
    collars, surveys = _surveyed(rng, recipe, holes)
    normals = np.array([f.axes[2] for f in faults]).reshape(-1, 3)
    everywhere = [(f"H{h:02d}", d, k) for k, fault in enumerate(faults) for h, d in _cuts(fault, holes)]
    all_cuts = pd.DataFrame(everywhere, columns=["hole_id", "depth", "fault"])
    offsets = tuple(fault.offset for fault in faults)
    return World(collars, surveys, structures, truth[order], withheld, normals, all_cuts, offsets)


def _tangent(azimuth: Floats, dip: Floats) -> Floats:
    a, d = np.deg2rad(azimuth), np.deg2rad(dip)
    return np.column_stack([np.cos(d) * np.sin(a), np.cos(d) * np.cos(a), np.sin(d)])


def _holes(rng: np.random.Generator, recipe: Recipe) -> list[_Hole]:
    count = int(rng.integers(recipe.holes[0], recipe.holes[1] + 1))
    origin = np.array([rng.uniform(2e5, 8e5), rng.uniform(5e5, 9.5e6), rng.uniform(-100, 3000)])
    pattern = rng.choice(["fences", "scattered", "fan"])
    main = rng.uniform(0, 360)
    step = rng.uniform(*recipe.spacing)
    collars, azimuths, dips = _pattern(rng, pattern, count, step)
    turn = np.deg2rad(main)
    along = np.array([[np.sin(turn), np.cos(turn)], [np.cos(turn), -np.sin(turn)]])
    collars[:, :2] = collars[:, :2] @ along
    holes = []
    for collar, azimuth, dip in zip(collars, azimuths + main, dips, strict=True):
        length = rng.uniform(150, 450)
        depth = np.arange(0.0, np.floor(length) + 1.0)
        drift, lift = rng.normal(0, 2.0) / 100, rng.uniform(0, 3.0) / 100
        sway = rng.uniform(0, 1.0) * np.sin(depth / rng.uniform(40, 90) + rng.uniform(0, 6))
        a, d = azimuth + drift * depth + sway, dip + lift * depth + sway / 2
        tangent = _tangent(a, d)
        step_between = (tangent[1:] + tangent[:-1]) / 2
        position = origin + collar + np.vstack([np.zeros(3), np.cumsum(step_between, axis=0)])
        holes.append(_Hole(depth, position, tangent, a % 360, d))
    return holes


def _pattern(rng: np.random.Generator, pattern: str, count: int, step: float) -> tuple[Floats, Floats, Floats]:
    """Return collars (along the drilling direction, across it, up), azimuths from that direction, dips."""
    if pattern == "fences":
        rows = max(2, round(np.sqrt(count / 1.5)))
        across = (np.arange(count) % rows) * step * rng.uniform(0.8, 1.5)
        along = (np.arange(count) // rows) * step
        azimuth, dip = rng.normal(0, 4, count), rng.normal(rng.uniform(-75, -50), 4, count)
    elif pattern == "scattered":
        side = step * np.sqrt(count)
        along, across = rng.uniform(0, side, (2, count))
        azimuth = rng.choice([0.0, 180.0, 40.0], count) + rng.normal(0, 15, count)
        dip = rng.uniform(-80, -45, count)
    else:
        pads = max(3, count // 4)
        pad = np.arange(count) % pads
        along, across = (pad % 2) * step, pad * step
        azimuth = rng.normal(0, 8, count)
        dip = -45.0 - 12.0 * (np.arange(count) // pads) % 45 + rng.normal(0, 2, count)
    up = rng.normal(0, 4, count)
    return np.column_stack([along, across, up]), azimuth, np.clip(dip, -85, -40)


def _faults(rng: np.random.Generator, recipe: Recipe, holes: list[_Hole]) -> tuple[list[_Fault], list[list]]:
    """Return faults that enough holes cut, and the cuts that are picked: at random, or those about the centre."""
    count = int(rng.integers(recipe.faults[0], recipe.faults[1] + 1))
    faults: list[_Fault] = []
    cuts: list[list] = []
    tries, wanted = 0, int(rng.integers(recipe.picks[0], recipe.picks[1] + 1))
    while len(faults) < count:
        tries += 1
        fault = _fault(rng, recipe, holes)
        if recipe.parallel and len(faults) == 1:
            shift = rng.uniform(*recipe.parallel) * faults[0].axes[2]
            fault = replace(fault, centre=faults[0].centre + shift, axes=faults[0].axes, radius=faults[0].radius)
        cut = _cuts(fault, holes)
        if len(cut) < max(wanted - tries // 30, recipe.picks[0] + 1):
            if tries > 600:  # this parallel twin can't be had: start again
                faults, cuts, tries = [], [], 0
            continue
        if len(cut) > wanted and recipe.logged is None:
            away = [np.linalg.norm(holes[h].position[int(d)] - fault.centre) for h, d in cut]
            order = np.argsort(away) if rng.random() < 0.5 else rng.permutation(len(cut))
            cut = [cut[i] for i in np.sort(order[: max(wanted, recipe.picks[0])])]
        if recipe.logged is not None:
            cut = [one for one in cut if rng.random() < recipe.logged]
        faults.append(fault)
        cuts.append(cut)
        tries, wanted = 0, int(rng.integers(recipe.picks[0], recipe.picks[1] + 1))
    return faults, cuts


def _fault(rng: np.random.Generator, recipe: Recipe, holes: list[_Hole]) -> _Fault:
    dip, direction = np.deg2rad(rng.uniform(20, 88)), rng.uniform(0, 2 * np.pi)
    normal = np.array([np.sin(dip) * np.sin(direction), np.sin(dip) * np.cos(direction), np.cos(dip)])
    strike = np.array([np.cos(direction), -np.sin(direction), 0.0])
    axes = np.array([strike, np.cross(normal, strike), normal])
    hole = holes[rng.integers(len(holes))]
    centre = hole.position[int(rng.uniform(0.2, 0.9) * (len(hole.depth) - 1))]
    waves = int(rng.integers(1, 4))
    length, heading = rng.uniform(*recipe.wavelength, waves), rng.uniform(0, 2 * np.pi, waves)
    wave = (2 * np.pi / length)[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    amplitude = rng.uniform(0.3, 1.0, waves)
    amplitude *= rng.uniform(*recipe.relief) / amplitude.sum()
    radius = rng.uniform(*recipe.radius) if rng.random() < recipe.ends else np.inf
    return _Fault(centre, axes, amplitude, wave, rng.uniform(0, 2 * np.pi, waves), radius)


def _cuts(fault: _Fault, holes: list[_Hole]) -> list[tuple[int, float]]:
    """Return (hole, depth) where holes first cut a fault within its radius."""
    out = []
    for number, hole in enumerate(holes):
        offset = fault.offset(hole.position)
        found = np.flatnonzero(np.signbit(offset[1:]) != np.signbit(offset[:-1]))
        if not len(found):
            continue
        row = found[0]
        depth = hole.depth[row] + offset[row] / (offset[row] - offset[row + 1])
        near = np.linalg.norm(hole.position[row] - fault.centre) <= fault.radius
        if near and depth > 3:
            out.append((number, float(depth)))
    return out


def _zone(
    rng: np.random.Generator, zone: tuple[float, float], hole: _Hole, fault: _Fault, row: tuple[int, float, int]
) -> list[tuple[int, float, int]]:
    """Return the picks of a zone at a cut: one and a Poisson number more, anywhere within its thickness."""
    number, depth, k = row
    sine = abs(float(hole.tangent[int(depth)] @ fault.axes[2]))
    half = 0.5 * zone[1] / max(sine, 0.2)
    count = 1 + rng.poisson(zone[0])
    depths = np.clip(depth + rng.uniform(-half, half, count), 1.0, hole.depth[-1])
    return [(number, float(d), k) for d in depths]


def _withholding(recipe: Recipe, rows: list[tuple[int, float, int]]) -> tuple[list[tuple[int, float, int]], int]:
    """Return the true picks with the withheld ones last, and how many are kept: every fault keeps its least number."""
    last: list[tuple[int, float, int]] = []
    for row in list(rows):
        wanted = len(last) < round(recipe.withheld * (len(rows) + len(last)))
        if wanted and sum(r[2] == row[2] for r in rows) > recipe.picks[0]:
            rows.remove(row)
            last.append(row)
    return rows + last, len(rows)


def _unrelated(rng: np.random.Generator, recipe: Recipe, holes: list[_Hole], kept: int) -> list[tuple[int, float]]:
    count = round(kept * recipe.unrelated / (1 - recipe.unrelated)) if kept else int(rng.integers(40, 121))
    length = np.array([h.depth[-1] for h in holes])
    place = rng.uniform(0, length.sum(), count)
    hole = np.searchsorted(np.cumsum(length), place)
    depth = place - (np.cumsum(length) - length)[hole]
    return [(int(h), float(d)) for h, d in zip(hole, depth, strict=True)]


def _along(holes: list[_Hole], hole: Ints, depth: Floats) -> tuple[Floats, Floats]:
    tangent, position = np.empty((len(hole), 3)), np.empty((len(hole), 3))
    for number, item in enumerate(holes):
        rows = hole == number
        for axis in range(3):
            tangent[rows, axis] = np.interp(depth[rows], item.depth, item.tangent[:, axis])
            position[rows, axis] = np.interp(depth[rows], item.depth, item.position[:, axis])
    return tangent / np.linalg.norm(tangent, axis=1, keepdims=True), position


def _normals(
    rng: np.random.Generator, recipe: Recipe, faults: list[_Fault], truth: Ints, position: Floats, tangent: Floats
) -> Floats:
    """Return true normals of the picks: of the surface with scatter, or of a random plane, or like some fault."""
    normal = rng.normal(size=(len(truth), 3))
    if rng.random() < 0.3:  # in some worlds minor structures are logged as often flat as square to the core
        alpha = np.deg2rad(rng.uniform(2, 88, len(truth)))
        side = np.cross(tangent, normal)
        side /= np.linalg.norm(side, axis=1, keepdims=True)
        normal = np.sin(alpha)[:, None] * tangent + np.cos(alpha)[:, None] * side
    like = truth.copy()
    loose = np.flatnonzero(truth < 0)
    if faults:
        picked = loose[rng.random(len(loose)) < recipe.alike]
        like[picked] = rng.integers(len(faults), size=len(picked))
    for number, fault in enumerate(faults):
        rows = like == number
        normal[rows] = fault.normal(position[rows])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    scatter = np.deg2rad(recipe.scatter) * rng.normal(size=normal.shape)
    scatter -= np.sum(scatter * normal, axis=1, keepdims=True) * normal
    moved = np.where((like >= 0)[:, None], normal + scatter, normal)
    return moved / np.linalg.norm(moved, axis=1, keepdims=True)


def _logged(
    rng: np.random.Generator, recipe: Recipe, hole: Ints, depth: Floats, tangent: Floats, normal: Floats
) -> pd.DataFrame:
    """Return the structures table: alpha and beta from a low-side line, with reading and line errors."""
    flat = np.hypot(tangent[:, 0], tangent[:, 1])[:, None]
    low = np.column_stack([tangent[:, :2] * tangent[:, 2:] / flat, -flat])
    down = np.where(np.sum(normal * tangent, axis=1, keepdims=True) < 0, -normal, normal)
    apex = -(down - np.sum(down * tangent, axis=1, keepdims=True) * tangent)
    beta = np.arctan2(np.sum(apex * np.cross(tangent, low), axis=1), np.sum(apex * low, axis=1))
    alpha = np.arcsin(np.clip(np.sum(down * tangent, axis=1), -1, 1))
    count = len(hole)
    run_errors = rng.normal(0, recipe.line, (hole.max(initial=0) + 1, 400))
    line = run_errors[hole, (depth // 3).astype(int)] if count else np.zeros(0)
    alpha_read = np.abs(np.rad2deg(alpha) + rng.normal(0, recipe.alpha, count))
    over = alpha_read > 90
    alpha_read = np.where(over, 180 - alpha_read, alpha_read)
    beta_read = np.rad2deg(beta) + line + rng.normal(0, recipe.beta, count) + np.where(over, 180, 0)
    beta_read[rng.random(count) < recipe.without_beta] = np.nan
    return pd.DataFrame(
        {
            "hole_id": [f"H{h:02d}" for h in hole],
            "depth": np.round(depth, 2),
            "kind": "fault",
            "alpha": np.round(alpha_read),
            "beta": np.round(beta_read) % 360,
        }
    )


def _surveyed(rng: np.random.Generator, recipe: Recipe, holes: list[_Hole]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return collars and surveys as measured: stations every 15 or 30 m with random and systematic errors."""
    every = int(rng.choice([15, 30]))
    collars, surveys = [], []
    for number, hole in enumerate(holes):
        name = f"H{number:02d}"
        rows = np.arange(0, len(hole.depth), every)
        bias = recipe.survey * rng.normal(0, 0.5)
        azimuth = hole.azimuth[rows] + bias + recipe.survey * rng.normal(0, 0.5, len(rows))
        dip = hole.dip[rows] + recipe.survey * rng.normal(0, 0.2, len(rows))
        easting, northing, elevation = hole.position[0]
        collars.append((name, easting, northing, elevation, hole.depth[-1], azimuth[0] % 360, dip[0]))
        surveys += [(name, d, a % 360, p) for d, a, p in zip(hole.depth[rows], azimuth, dip, strict=True)]
    heads = ["hole_id", "easting", "northing", "elevation", "depth", "azimuth", "dip"]
    return (
        pd.DataFrame(collars, columns=heads),
        pd.DataFrame(surveys, columns=["hole_id", "depth", "azimuth", "dip"]),
    )
