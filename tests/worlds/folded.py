"""Worlds of folded rock in which the truth is known: holes, runs and logged core angles, some of them wrong on purpose.

Nothing here uses the engine. Poles come from a fold written down in closed form; core angles come from dot products
in a north, east, down frame (the construction of CHECK_VALUES section 2), and traces from fine steps along
the hole; so agreement between the world and the engine is evidence and not an echo.

A world is a set of tables with the project's column names plus a ``truth`` for runs, holes and readings.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

__all__ = ["RUN_BLUNDERS", "Settings", "World", "make_world", "write_project"]

RUN_BLUNDERS = ("line_side", "run_rolled", "beta_reversed", "alpha_complement")


@dataclass(frozen=True, slots=True)
class Settings:
    """What a world is made of. Angles in degrees, lengths in metres."""

    holes: int = 25
    hole_length: tuple[float, float] = (120.0, 260.0)
    spacing: tuple[float, float] = (40.0, 90.0)
    run_length: float = 3.0
    readings: tuple[int, int] = (2, 6)
    """Foliation readings in a run, from and to (both included)."""
    scatter: float | tuple[float, float] = (6.0, 12.0)
    """Natural scatter of the foliation about the fold, 1 σ along each direction."""
    alpha_noise: float = 3.0
    beta_noise: float = 6.0
    line_error: float = 2.0
    """1 σ of the honest error of each run's line."""
    wavelength: tuple[float, float] = (200.0, 500.0)
    limb: tuple[float, float] = (10.0, 35.0)
    """Largest turn of the foliation out of its mean attitude, on a limb of the fold."""
    style: str = "any"
    """``cylindrical``, ``dome`` or ``any`` (by chance)."""
    run_blunder_rate: float = 0.05
    hole_blunders: tuple[str, ...] = ()
    """Blunders of whole holes, one hole each."""
    north_offset: float = 14.0
    """Magnetic to grid, degrees: what an unconverted hole lacks."""
    joints: bool = True
    """Whether other kinds (three joint sets, veins anywhere) are logged too."""
    missing_beta: float = 0.03
    outliers: float = 0.01
    """Share of foliation readings that point anywhere."""
    offsets: bool = True
    """Whether line offsets from run to run are logged."""
    offset_noise: float = 4.0
    line: str = "low"


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """Tables as logged, and the truth about them."""

    settings: Settings
    scatter: float
    collars: pd.DataFrame
    surveys: pd.DataFrame
    runs: pd.DataFrame
    structures: pd.DataFrame
    arrays: dict[str, np.ndarray] = field(repr=False)
    """Per structure as *recorded*: position, tangent, reference, alpha, beta, kind, hole, run, depth, gravity."""


def make_world(seed: int, settings: Settings | None = None) -> World:
    """Return a world; the same seed gives the same world."""
    settings = settings or Settings()
    rng = np.random.default_rng(seed)
    scatter = _draw(rng, settings.scatter)
    rock = _Fold.draw(rng, settings)
    holes = _Holes.draw(rng, settings)
    blunder_of_hole = _hole_blunders(rng, settings, holes)
    runs = _runs(rng, settings, holes)
    logged = _log(rng, settings, scatter, rock, holes, runs)
    _spoil_holes(logged, blunder_of_hole)
    recorded = holes.recorded(blunder_of_hole, settings.north_offset)
    return _package(settings, scatter, holes, recorded, blunder_of_hole, runs, logged)


def _draw(rng: np.random.Generator, value: float | tuple[float, float]) -> float:
    return float(rng.uniform(*value)) if isinstance(value, tuple) else float(value)


@dataclass(frozen=True, slots=True, eq=False)
class _Fold:
    """Foliation turned about fold axes by angles that vary as sines in space (frame E, N, U)."""

    mean: np.ndarray
    axes: np.ndarray  # (k, 3) axes of rotation
    waves: np.ndarray  # (k, 3) wave vectors, radians a metre
    phase: np.ndarray
    turn: np.ndarray  # (k,) radians

    @classmethod
    def draw(cls, rng: np.random.Generator, settings: Settings) -> _Fold:
        dip, direction = np.deg2rad(rng.uniform(35, 80)), rng.uniform(0, 2 * np.pi)
        mean = np.array([np.sin(dip) * np.sin(direction), np.sin(dip) * np.cos(direction), np.cos(dip)])
        first = _unit(np.cross(mean, rng.normal(size=3)))
        second = np.cross(mean, first)
        style = settings.style
        if style == "any":
            style = str(rng.choice(["cylindrical", "dome"]))
        share = np.array([1.0, 0.35 if style == "cylindrical" else 0.8])
        wavelength = rng.uniform(*settings.wavelength, size=2) * np.array([1.0, 1.4])
        across = np.stack([second, first]) + 0.25 * rng.normal(size=(2, 3))
        return cls(
            mean,
            np.stack([first, second]),
            _unit(across) * (2 * np.pi / wavelength)[:, None],
            rng.uniform(0, 2 * np.pi, 2),
            np.deg2rad(rng.uniform(*settings.limb)) * share,
        )

    def pole(self, position: np.ndarray) -> np.ndarray:
        normal = np.broadcast_to(self.mean, position.shape)
        for axis, wave, phase, turn in zip(self.axes, self.waves, self.phase, self.turn, strict=True):
            normal = _rotate(normal, axis, turn * np.sin(position @ wave + phase))
        return normal


def _unit(vector: np.ndarray) -> np.ndarray:
    return vector / np.linalg.norm(vector, axis=-1, keepdims=True)


def _rotate(vector: np.ndarray, axis: np.ndarray, angle: np.ndarray) -> np.ndarray:
    """Rodrigues' rotation."""
    cosine, sine = np.cos(angle)[..., None], np.sin(angle)[..., None]
    along = (vector @ axis)[..., None] * axis
    return along + cosine * (vector - along) + sine * np.cross(np.broadcast_to(axis, vector.shape), vector)


@dataclass(frozen=True, slots=True, eq=False)
class _Holes:
    """Gently curving holes: angles at stations every 15 m (plunge positive down, degrees)."""

    name: list[str]
    collar: np.ndarray
    length: np.ndarray
    depth: list[np.ndarray]
    azimuth: list[np.ndarray]
    plunge: list[np.ndarray]

    @classmethod
    def draw(cls, rng: np.random.Generator, settings: Settings) -> _Holes:
        spacing = _draw(rng, settings.spacing)
        across = int(np.ceil(np.sqrt(settings.holes)))
        place = np.stack(np.divmod(np.arange(settings.holes), across), axis=1) * spacing
        place = place + rng.normal(0, spacing / 8, place.shape)
        collar = np.column_stack(
            [500_000 + place[:, 0], 6_000_000 + place[:, 1], 300 + rng.normal(0, 4, settings.holes)]
        )
        length = (
            np.round(rng.uniform(*settings.hole_length, settings.holes) / settings.run_length) * settings.run_length
        )
        fence = rng.uniform(0, 360)
        depth, azimuth, plunge = [], [], []
        for k in range(settings.holes):
            at = np.append(np.arange(0, length[k], 15.0), length[k])
            scissor = 180.0 if rng.random() < 0.2 else 0.0
            start = fence + scissor + rng.normal(0, 12)
            depth.append(at)
            azimuth.append((start + rng.normal(0, 0.02) * at + np.cumsum(rng.normal(0, 0.15, at.size))) % 360)
            plunge.append(rng.uniform(48, 76) + rng.normal(0, 0.02) * at + np.cumsum(rng.normal(0, 0.1, at.size)))
        return cls([f"WH-{k + 1:02d}" for k in range(settings.holes)], collar, length, depth, azimuth, plunge)

    def recorded(self, blunder: list[str], north_offset: float) -> _Holes:
        """Return the holes as the survey table will have them."""
        azimuth, plunge = list(self.azimuth), list(self.plunge)
        for k, name in enumerate(blunder):
            turn = {"north_reference": -north_offset, "north_twice": north_offset, "azimuth_reversed": 180.0}
            azimuth[k] = (azimuth[k] + turn.get(name, 0.0)) % 360
            plunge[k] = -plunge[k] if name == "dip_sign" else plunge[k]
        return replace(self, azimuth=azimuth, plunge=plunge)

    def at(self, hole: np.ndarray, depth: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return position (E, N, U), azimuth and plunge (radians) by steps of a quarter of a metre."""
        position, azimuth, plunge = np.empty((hole.size, 3)), np.empty(hole.size), np.empty(hole.size)
        for k in range(len(self.name)):
            fine = np.arange(0, self.length[k] + 0.25, 0.25)
            az = np.deg2rad(np.interp(fine, self.depth[k], np.rad2deg(np.unwrap(np.deg2rad(self.azimuth[k])))))
            pl = np.deg2rad(np.interp(fine, self.depth[k], self.plunge[k]))
            step = np.column_stack([np.cos(pl) * np.sin(az), np.cos(pl) * np.cos(az), -np.sin(pl)])
            path = np.vstack([np.zeros(3), np.cumsum((step[1:] + step[:-1]) / 2 * 0.25, axis=0)]) + self.collar[k]
            here = hole == k
            position[here] = np.column_stack([np.interp(depth[here], fine, path[:, c]) for c in range(3)])
            azimuth[here], plunge[here] = np.interp(depth[here], fine, az), np.interp(depth[here], fine, pl)
        return position, azimuth, plunge


def _hole_blunders(rng: np.random.Generator, settings: Settings, holes: _Holes) -> list[str]:
    chosen = rng.permutation(len(holes.name))[: len(settings.hole_blunders)]
    out = [""] * len(holes.name)
    for k, name in zip(chosen, settings.hole_blunders, strict=True):
        out[k] = name
    return out


def _runs(rng: np.random.Generator, settings: Settings, holes: _Holes) -> pd.DataFrame:
    count = np.round(holes.length / settings.run_length).astype(int)
    hole = np.repeat(np.arange(len(holes.name)), count)
    number = np.concatenate([np.arange(c) for c in count])
    blunder = np.where(
        rng.random(hole.size) < settings.run_blunder_rate, rng.choice(RUN_BLUNDERS, hole.size), ""
    ).astype(object)
    # A roll near 180° is a line on the wrong side, and a small one is an honest error: neither has a name to get wrong.
    roll = rng.uniform(15, 160, hole.size) * rng.choice([-1, 1], hole.size)
    roll = np.select([blunder == "run_rolled", blunder == "line_side"], [roll, 180.0], 0.0)
    error = rng.normal(0, settings.line_error, hole.size) if settings.line_error else np.zeros(hole.size)
    sits = roll + error
    step = np.where(number > 0, sits - np.roll(sits, 1), np.nan) + rng.normal(0, settings.offset_noise, hole.size)
    known = (rng.random(hole.size) < 0.9) & settings.offsets
    return pd.DataFrame(
        {
            "hole": hole,
            "depth_from": number * settings.run_length,
            "depth_to": (number + 1) * settings.run_length,
            "line_offset": np.where(known, (step + 180) % 360 - 180, np.nan),
            "blunder": blunder,
            "roll": roll,
            "sits": sits,
        }
    )


def _log(
    rng: np.random.Generator, settings: Settings, scatter: float, rock: _Fold, holes: _Holes, runs: pd.DataFrame
) -> pd.DataFrame:
    """Return structures with core angles as read on the core, run blunders included."""
    parts = [_place(rng, runs, rng.integers(settings.readings[0], settings.readings[1] + 1, len(runs)), "foliation")]
    if settings.joints:
        parts.append(_place(rng, runs, rng.poisson(1.0, len(runs)), "joint"))
        parts.append(_place(rng, runs, rng.poisson(0.3, len(runs)), "vein"))
    log = pd.concat(parts, ignore_index=True)
    position, azimuth, plunge = holes.at(log["hole"].to_numpy(), log["depth"].to_numpy())
    kind = log["kind"].to_numpy()
    expected = rock.pole(position)
    pole = _scattered(rng, expected, np.deg2rad(scatter))
    sets = _unit(rng.normal(size=(3, 3)))[rng.integers(0, 3, len(log))]
    pole = np.where((kind == "joint")[:, None], _scattered(rng, sets, np.deg2rad(9.0)), pole)
    anywhere = (kind == "vein") | (rng.random(len(log)) < settings.outliers)
    pole = np.where(anywhere[:, None], _unit(rng.normal(size=pole.shape)), pole)
    alpha, beta = _read(pole, azimuth, plunge, settings.line)
    log["true_alpha"], log["true_beta"] = _read(expected, azimuth, plunge, settings.line)
    alpha = alpha + rng.normal(0, settings.alpha_noise, len(log))
    # Past 0 the plane is the same with beta turned half round; past 90 likewise.
    beta = np.where((alpha < 0) | (alpha > 90), beta + 180, beta)
    alpha = np.abs(np.where(alpha > 90, 180 - alpha, alpha))
    beta = beta + rng.normal(0, settings.beta_noise, len(log)) - runs["sits"].to_numpy()[log["run"]]
    blunder = runs["blunder"].to_numpy()[log["run"]]
    log["beta"] = np.where(blunder == "beta_reversed", -beta, beta) % 360
    log["alpha"] = np.where(blunder == "alpha_complement", 90 - alpha, alpha)
    log.loc[rng.random(len(log)) < settings.missing_beta, "beta"] = np.nan
    return log.sort_values(["hole", "depth"], ignore_index=True)


def _place(rng: np.random.Generator, runs: pd.DataFrame, count: np.ndarray, kind: str) -> pd.DataFrame:
    run = np.repeat(np.arange(len(runs)), count)
    top, bottom = runs["depth_from"].to_numpy()[run], runs["depth_to"].to_numpy()[run]
    depth = np.round(top + (bottom - top) * rng.uniform(0.02, 0.98, run.size), 2)
    return pd.DataFrame({"hole": runs["hole"].to_numpy()[run], "run": run, "depth": depth, "kind": kind})


def _scattered(rng: np.random.Generator, pole: np.ndarray, sigma: float) -> np.ndarray:
    one = _unit(np.cross(pole, rng.normal(size=3)))
    two = np.cross(pole, one)
    step = rng.normal(0, sigma, (len(pole), 2, 1))
    angle = np.linalg.norm(step, axis=1)
    way = (step[:, 0] * one + step[:, 1] * two) / np.maximum(angle, 1e-12)
    return np.cos(angle) * pole + np.sin(angle) * way


def _read(pole: np.ndarray, azimuth: np.ndarray, plunge: np.ndarray, line: str) -> tuple[np.ndarray, np.ndarray]:
    """Read alpha and beta off a core: dot products in north, east, down (CHECK_VALUES section 2)."""
    normal = np.column_stack([pole[:, 1], pole[:, 0], -pole[:, 2]])
    zero = np.zeros_like(azimuth)
    core = np.column_stack([np.cos(plunge) * np.cos(azimuth), np.cos(plunge) * np.sin(azimuth), np.sin(plunge)])
    bottom = np.column_stack([-np.sin(plunge) * np.cos(azimuth), -np.sin(plunge) * np.sin(azimuth), np.cos(plunge)])
    mark = bottom if line == "low" else -bottom
    side = np.cross(core, mark)
    normal = normal * np.where((normal * core).sum(1) < 0, -1.0, 1.0)[:, None]
    alpha = np.arcsin(np.clip((normal * core).sum(1), -1, 1))
    beta = np.arctan2(-(normal * side).sum(1), -(normal * mark).sum(1)) + zero
    return np.rad2deg(alpha), np.rad2deg(beta) % 360


def _spoil_holes(log: pd.DataFrame, blunder_of_hole: list[str]) -> None:
    name = np.array(blunder_of_hole)[log["hole"]]
    log["beta"] = np.where(name == "beta_reversed", -log["beta"], log["beta"]) % 360
    log["beta"] = np.where(name == "line_side", log["beta"] + 180, log["beta"]) % 360
    log["alpha"] = np.where(name == "alpha_complement", 90 - log["alpha"], log["alpha"])


def _package(
    settings: Settings,
    scatter: float,
    holes: _Holes,
    recorded: _Holes,
    blunder_of_hole: list[str],
    runs: pd.DataFrame,
    log: pd.DataFrame,
) -> World:
    names = np.array(holes.name)
    hole, depth = log["hole"].to_numpy(), log["depth"].to_numpy()
    position, azimuth, plunge = recorded.at(hole, depth)
    tangent = np.column_stack([np.cos(plunge) * np.sin(azimuth), np.cos(plunge) * np.cos(azimuth), -np.sin(plunge)])
    low = np.column_stack([-np.sin(plunge) * np.sin(azimuth), -np.sin(plunge) * np.cos(azimuth), -np.cos(plunge)])
    arrays = {
        "position": position,
        "tangent": tangent,
        "reference": low if settings.line == "low" else -low,
        "alpha": log["alpha"].to_numpy(),
        "beta": log["beta"].to_numpy(),
        "kind": log["kind"].to_numpy().astype(str),
        "hole": hole,
        "run": log["run"].to_numpy(),
        "depth": depth,
        "true_alpha": log["true_alpha"].to_numpy(),
        "true_beta": log["true_beta"].to_numpy(),
        "collar": holes.collar,
    }
    collars = pd.DataFrame(
        {
            "hole_id": names,
            "easting": holes.collar[:, 0],
            "northing": holes.collar[:, 1],
            "elevation": holes.collar[:, 2],
            "depth": holes.length,
            "status": "drilled",
            "blunder": blunder_of_hole,
        }
    )
    surveys = pd.concat(
        [
            pd.DataFrame({"hole_id": n, "depth": d, "azimuth": a, "dip": -p, "north": "grid"})
            for n, d, a, p in zip(names, recorded.depth, recorded.azimuth, recorded.plunge, strict=True)
        ],
        ignore_index=True,
    )
    runs = runs.assign(hole_id=names[runs["hole"]], recovered=settings.run_length, line=settings.line)
    structures = log.assign(hole_id=names[hole], structure_id=[f"S{k + 1:05d}" for k in range(len(log))])
    return World(settings, scatter, collars, surveys, runs, structures, arrays)


def write_project(world: World, folder: Path) -> Path:
    """Write the world as a project folder, truth left out, and return the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    columns = {
        "collars": ["hole_id", "easting", "northing", "elevation", "depth", "status"],
        "surveys": ["hole_id", "depth", "azimuth", "dip", "north"],
        "runs": ["hole_id", "depth_from", "depth_to", "recovered", "line", "line_offset"],
        "structures": ["structure_id", "hole_id", "depth", "kind", "alpha", "beta"],
    }
    for table, names in columns.items():
        getattr(world, table)[names].to_csv(folder / f"{table}.csv", index=False)
    tables = "\n".join(f'{table} = "{table}.csv"' for table in columns)
    (folder / "project.toml").write_text(
        f'name = "Folded world"\n[frame]\nnorth = "grid"\ndeclination = {world.settings.north_offset}\n'
        f'dip_sign = "negative_down"\n[core]\nline = "{world.settings.line}"\n[tables]\n{tables}\n',
        encoding="utf-8",
    )
    return folder
