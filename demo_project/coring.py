"""The core of Tarn Hollow: how it was drilled in runs, what it holds, and how that was logged, mistakes included."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import tarn_hollow as th
from tarn_hollow import Floats, Hole, World

RUN_LENGTH = 3.0
HIGH_LINE, NORTH_LINE, TELEVIEWER = "TH-11", "TH-18", "TH-12"
BETA_REVERSED, COMPLEMENT = "TH-24", "TH-03"
NOT_LOGGED = (("F1", "TH-15"), ("F2", "TH-23"), ("F3", "TH-04"))
"""Where a fault is in the core and nobody logged it."""


@dataclass(frozen=True)
class Noise:
    """Standard deviations of everything that is measured; angles in degrees, lengths in metres."""

    alpha: float = 3.0
    beta: float = 6.0
    gamma: float = 6.0
    line: float = 3.0
    """Error of a run's orientation line, the same for all readings of the run."""
    line_tilt: float = 0.1
    """Tilt of the tool that marks a gravity line; it adds line_tilt / cos(dip of the hole) to the line's error."""
    line_fit: float = 1.0
    """Reading error of a line offset between fitted ends."""
    televiewer: float = 2.0
    """Pole of a plane surveyed in the open hole, about each of two axes."""
    depth: float = 0.03
    collar: float = 0.05
    gyro_azimuth_hole: float = 0.3
    gyro_azimuth_station: float = 0.2
    gyro_dip_hole: float = 0.05
    gyro_dip_station: float = 0.05
    magnetic_azimuth_hole: float = 0.5
    magnetic_azimuth_station: float = 0.5
    magnetic_dip_hole: float = 0.1
    magnetic_dip_station: float = 0.1
    foliation_scatter: float = 5.0
    """Natural scatter of single planes about their smooth surface or set, about each of two axes. It is part of the
    truth: ``truth/structures.csv`` holds the plane that was in the core."""
    contact_scatter: float = 2.0
    fault_scatter: float = 3.0
    joint_scatter: float = 8.0
    vein_scatter: float = 9.0


@dataclass(frozen=True)
class Mistake:
    """A planted mistake; ``fitted`` says whether the crew's line offsets show it."""

    scope: str
    hole_id: str
    blunder: str
    roll_deg: float = np.nan
    fitted: bool = False
    depth_from: float = np.nan
    depth_to: float = np.nan
    structure_id: str = ""


NOISE = Noise()
ROLLS = (
    Mistake("run", "TH-05", "line_side", 180.0, fitted=True),
    Mistake("run", "TH-10", "line_side", 180.0),
    Mistake("run", "TH-09", "run_rolled", 65.0, fitted=True),
    Mistake("run", "TH-17", "run_rolled", -48.0),
)


def stream(*names: str) -> np.random.Generator:
    """Return random numbers of their own for a subject, so that a change of one leaves the others as they were."""
    return np.random.default_rng([th.SEED, *"/".join(names).encode()])


def drilled(world: World) -> list[Hole]:
    """Return the holes that have been drilled."""
    return [hole for hole in world.holes if not hole.planned]


def casing(hole: Hole) -> float:
    """Return the depth to which a hole is cased through the overburden; no core comes from above."""
    return 3.0 + 3.0 * (int(hole.hole_id[-2:]) % 3 == 0)


# --- coring -----------------------------------------------------------------------------------------------------------


def cored_runs(world: World) -> tuple[pd.DataFrame, tuple[Mistake, ...]]:
    """Return all runs, with the true error of each line, and the planted rolls with their depths filled in."""
    tables, placed = [], []
    for hole in drilled(world):
        roll = next((mistake for mistake in ROLLS if mistake.hole_id == hole.hole_id), None)
        table = _runs_of(hole)
        hidden = None
        if roll is not None:
            hidden = _middle_of_window(hole, world, table)
            table.loc[hidden, "line_error"] += roll.roll_deg
            span = {name: float(table.loc[hidden, name]) for name in ("depth_from", "depth_to")}
            placed.append(replace(roll, **span))
        tables.append(_with_offsets(hole, table, roll, hidden))
    return pd.concat(tables, ignore_index=True), tuple(placed)


def _runs_of(hole: Hole) -> pd.DataFrame:
    """Return the runs of a hole; in ``window`` runs (three in a row, twice a hole) the foliation is read closely."""
    rng = stream("runs", hole.hole_id)
    ends = np.append(np.arange(casing(hole), hole.depth - 0.5, RUN_LENGTH), hole.depth)
    count = ends.size - 1
    poor = rng.random(count) < 0.07
    share = np.where(poor, rng.uniform(0.4, 0.85, count), np.minimum(rng.normal(0.985, 0.015, count), 1.0))
    tilt = NOISE.line_tilt / np.cos(np.deg2rad(hole.angles(ends[1:])[1]))
    window = np.zeros(count, dtype=bool)
    for first in rng.integers([4, count // 2 + 1], [count // 2 - 3, count - 4]):
        window[first : first + 3] = True
    side = {HIGH_LINE: "high", NORTH_LINE: "north"}.get(hole.hole_id, "low")
    unsaid = (rng.random(count) < 0.3) & (side == "low")
    return pd.DataFrame(
        {
            "hole_id": hole.hole_id,
            "depth_from": ends[:-1],
            "depth_to": ends[1:],
            "recovered": np.floor(share * np.diff(ends) * 100) / 100,
            "line": np.where(unsaid, "", side),
            "settle_s": 5 * rng.integers(5, 19, count),
            "poor": poor & ~window,
            "window": window,
            "line_error": rng.normal(0.0, NOISE.line, count) + rng.normal(0.0, tilt) * (side != "north"),
        }
    )


def _middle_of_window(hole: Hole, world: World, table: pd.DataFrame) -> int:
    """Return the row of the middle run of that window in which the foliation lies flattest to the core."""
    middles = np.flatnonzero(table["window"])[1::3]
    depth = table["depth_from"].to_numpy()[middles]
    alpha, _ = th.core_angles(hole.tangent(depth), _reference(hole, depth), world.fold.normal(hole.position(depth)))
    return int(middles[np.argmin(alpha)])


def _with_offsets(hole: Hole, table: pd.DataFrame, roll: Mistake | None, hidden: int | None) -> pd.DataFrame:
    """Add ``line_offset`` where the crew fitted the ends of two runs, and the grade that follows from it."""
    rng = stream("offsets", hole.hole_id)
    step = np.diff(table["line_error"], prepend=np.nan) + rng.normal(0.0, NOISE.line_fit, len(table))
    fitted = (rng.random(len(table)) > 0.28) & ~table["poor"].to_numpy()
    if roll is not None and hidden is not None:
        fitted[hidden : hidden + 2] = roll.fitted
    offset = np.where(fitted, np.round((step + 180.0) % 360.0 - 180.0), np.nan)
    table["line_offset"] = offset
    table["grade"] = np.where(np.abs(offset) <= 5, 1, np.where(np.abs(offset) <= 10, 2, 3))
    columns = ["hole_id", "depth_from", "depth_to", "recovered", "line", "line_offset", "grade", "settle_s"]
    return table[[*columns, "poor", "window", "line_error"]]


# --- what the core holds ----------------------------------------------------------------------------------------------


def met_structures(world: World, runs: pd.DataFrame) -> pd.DataFrame:
    """Return every structure of the core that somebody logged, as it truly is."""
    tables = []
    for hole in drilled(world):
        mine = runs[runs["hole_id"] == hole.hole_id]
        tables += [*_foliation(hole, world, mine), *_sheets(hole, world), *_contacts(hole, world), *_sets(hole, world)]
    met = pd.concat(tables, ignore_index=True)
    cased = met["hole_id"].map({hole.hole_id: casing(hole) for hole in world.holes})
    return met[met["true_depth"] > cased].sort_values(["hole_id", "true_depth"], ignore_index=True)


def _foliation(hole: Hole, world: World, runs: pd.DataFrame) -> Iterable[pd.DataFrame]:
    """Read the foliation once in some 27 metres, and three to five times in each run of a window."""
    rng = stream("foliation", hole.hole_id)
    depth = np.arange(casing(hole) + 6.0, hole.depth - 2.0, 27.0) + rng.uniform(-5.0, 5.0)
    for start, end in runs.loc[runs["window"], ["depth_from", "depth_to"]].to_numpy():
        depth = np.append(depth, rng.uniform(start + 0.15, end - 0.15, rng.integers(4, 6)))
    normal = world.fold.normal(hole.position(depth))
    table = _met(hole, depth, _scattered(rng, normal, NOISE.foliation_scatter), "foliation", "foliation")
    planes = table[["normal_e", "normal_n", "normal_u"]].to_numpy()
    stretch = th.unit(world.fold.axis - th.dot(planes, world.fold.axis)[:, None] * planes)
    lined = rng.random(depth.size) < 0.06
    table[["line_e", "line_n", "line_u"]] = np.where(lined[:, None], stretch, np.nan)
    yield table


def _sheets(hole: Hole, world: World) -> Iterable[pd.DataFrame]:
    """Log the three faults and the two walls of the dyke."""
    rng = stream("sheets", hole.hole_id)
    for sheet in (*world.faults, *world.dyke):
        depth = hole.meets(sheet)
        scatter = NOISE.contact_scatter if sheet in world.dyke else NOISE.fault_scatter
        normal = _scattered(rng, sheet.normal(hole.position(depth)), scatter)
        if sheet in world.dyke:
            yield _met(hole, depth, normal, "contact", "dyke_lower" if sheet is world.dyke[0] else "dyke_upper")
        elif (sheet.name, hole.hole_id) not in NOT_LOGGED:
            table = _met(hole, depth, normal, "fault", sheet.name)
            rake = np.deg2rad(rng.normal(70.0, 10.0, depth.size))[:, None]
            level = th.unit(np.cross(normal, [0.0, 0.0, 1.0]))
            slip = np.cos(rake) * level + np.sin(rake) * np.cross(normal, level)
            table[["line_e", "line_n", "line_u"]] = np.where(rng.random(depth.size)[:, None] < 0.35, slip, np.nan)
            yield table


def _contacts(hole: Hole, world: World) -> Iterable[pd.DataFrame]:
    """Log where the path passes from one layer into the next, unless the dyke has eaten the contact."""
    rng = stream("contacts", hole.hole_id)
    height = world.fold.height(hole.fine()[1])
    for index, (top, _, _) in enumerate(world.layers[:-1]):
        depth = hole.crossings(height - top)
        depth = depth[~world.in_dyke(hole.position(depth))]
        normal = _scattered(rng, world.fold.normal(hole.position(depth)), NOISE.contact_scatter)
        yield _met(hole, depth, normal, "contact", f"layer_{index + 1}")


def _sets(hole: Hole, world: World) -> Iterable[pd.DataFrame]:
    """Log joints, veins and minor faults: planes of a set are met more often the squarer they lie to the core."""
    rng = stream("sets", hole.hole_id)
    sets = [("joint", name, normal, 16.0, NOISE.joint_scatter) for name, normal in world.joints.items()]
    sets += [("vein", name, normal, 24.0, NOISE.vein_scatter) for name, normal in world.veins.items()]
    sets += [("joint", "random", np.zeros(3), 90.0, 90.0), ("fault", "minor", np.zeros(3), 350.0, 90.0)]
    for kind, name, mean, spacing, scatter in sets:
        depth = np.sort(rng.uniform(0.0, hole.depth, rng.poisson(hole.depth / spacing)))
        normal = np.broadcast_to(mean, (depth.size, 3))
        anywhere = th.unit(rng.normal(size=(depth.size, 3)))
        normal = _scattered(rng, normal, scatter) if mean.any() else anywhere
        seen = rng.random(depth.size) < np.abs(th.dot(hole.tangent(depth), normal))
        yield _met(hole, depth[seen], normal[seen], kind, name)


def _met(hole: Hole, depth: Floats, normal: Floats, kind: str, surface: str) -> pd.DataFrame:
    """Return structures as a table with their true places, planes and core angles."""
    tangent, reference = hole.tangent(depth), _reference(hole, depth)
    normal = np.where(normal[:, 2:] < 0, -normal, normal)
    alpha, beta = th.core_angles(tangent, reference, normal)
    table = pd.DataFrame({"hole_id": hole.hole_id, "true_depth": depth, "kind": kind, "surface": surface})
    table[["easting", "northing", "elevation"]] = hole.position(depth)
    table["true_dip"], table["true_dip_direction"] = th.dip_and_direction(normal)
    table[["normal_e", "normal_n", "normal_u"]] = normal
    table["true_alpha"], table["true_beta"] = alpha, beta
    table[["line_e", "line_n", "line_u"]] = np.nan
    table[["tangent_e", "tangent_n", "tangent_u"]] = tangent
    return table


def _scattered(rng: np.random.Generator, normal: Floats, sd_deg: float) -> Floats:
    """Return normals turned at random, with a standard deviation about each of two axes square to them."""
    push = rng.normal(0.0, np.deg2rad(sd_deg), normal.shape)
    push -= th.dot(push, normal)[:, None] * normal
    size = np.linalg.norm(push, axis=1, keepdims=True)
    return np.cos(size) * normal + np.sinc(size / np.pi) * push


def _reference(hole: Hole, depth: Floats) -> Floats:
    """Return the side of the core on which the orientation line should lie."""
    if hole.hole_id == NORTH_LINE:
        return th.north_side(hole.tangent(depth))
    low = th.low_side(*hole.angles(depth))
    return -low if hole.hole_id == HIGH_LINE else low


# --- logging ----------------------------------------------------------------------------------------------------------


def number(met: pd.DataFrame) -> pd.DataFrame:
    """Give every structure its number, and its true gamma where it carries a line."""
    tangent, normal, line = (
        met[[f"{name}_{axis}" for axis in "enu"]].to_numpy() for name in ("tangent", "normal", "line")
    )
    met = met.drop(columns=["tangent_e", "tangent_n", "tangent_u"])
    met["true_gamma"] = th.line_angle(tangent, normal, line)
    met.insert(0, "structure_id", [f"S{index:04d}" for index in range(1, len(met) + 1)])
    return met


def log(met: pd.DataFrame, runs: pd.DataFrame) -> tuple[pd.DataFrame, Mistake]:
    """Return the structures as logged, and the one reading whose alpha was written as its complement.

    The reading from the line is the true beta less the angle by which the run's line itself sits clockwise of its
    place. Noise that carries alpha below 0 or above 90 turns the ellipse end for end: alpha folds back, beta moves on
    by 180°.
    """
    rng = stream("logging")
    count = len(met)
    run = _run_of(met, runs)
    alpha = met["true_alpha"].to_numpy() + rng.normal(0.0, NOISE.alpha, count)
    beta = met["true_beta"].to_numpy() - run["line_error"].to_numpy() + rng.normal(0.0, NOISE.beta, count)
    turned = (alpha < 0.0) | (alpha > 90.0)
    alpha = np.where(alpha > 90.0, 180.0 - alpha, np.abs(alpha))
    beta = beta + np.where(turned, 180.0, 0.0)
    beta = np.where(met["hole_id"] == BETA_REVERSED, -beta, beta)
    gamma = met["true_gamma"].to_numpy() + rng.normal(0.0, NOISE.gamma, count)
    broken = rng.random(count) < np.where(run["poor"], 0.4, 0.035)
    logged = met[["structure_id", "hole_id"]].copy()
    logged["depth"] = np.clip(
        met["true_depth"] + rng.normal(0.0, NOISE.depth, count), run["depth_from"] + 0.01, run["depth_to"] - 0.01
    )
    logged["kind"] = met["kind"]
    logged["alpha"] = np.round(alpha)
    logged["beta"] = np.where(broken, np.nan, np.round(beta) % 360.0)
    logged["gamma"] = np.where(broken, np.nan, np.round(gamma) % 360.0)
    logged["width"] = _widths(rng, met["kind"])
    logged["note"] = np.where(broken, "broken core", _notes(rng, met))
    logged = _televiewer(rng, logged, met)
    return logged, _complement(logged, met)


def _run_of(met: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Return the run that each structure came up in, row by row."""
    left = met[["hole_id", "true_depth"]].assign(order=range(len(met))).sort_values("true_depth")
    right = runs.sort_values("depth_from")
    joined = pd.merge_asof(left, right, left_on="true_depth", right_on="depth_from", by="hole_id")
    return joined.sort_values("order", ignore_index=True)


def _widths(rng: np.random.Generator, kind: pd.Series) -> Floats:
    """Return logged widths in metres of faults and veins."""
    draw = np.exp(rng.normal(0.0, 0.8, len(kind)))
    return np.round(np.select([kind == "fault", kind == "vein"], [0.25 * draw, 0.012 * draw], np.nan), 3)


def _notes(rng: np.random.Generator, met: pd.DataFrame) -> npt.NDArray[np.str_]:
    """Return a logger's few words for some of the structures."""
    words = {
        "foliation": ("", "", "", "", "crenulated"),
        "joint": ("", "planar, rough", "planar, smooth", "stepped", "chlorite film"),
        "vein": ("quartz", "quartz-carbonate", "quartz, sulphide trace"),
        "fault": ("gouge", "breccia and gouge", "broken zone", "clay seam"),
        "contact": ("", "sharp", "gradational"),
    }
    pick = rng.random(len(met))
    note = [words[kind][int(share * len(words[kind]))] for kind, share in zip(met["kind"], pick, strict=True)]
    lined = met["true_gamma"].notna()
    return np.where(lined, np.where(met["kind"] == "fault", "slickenlines", "stretching lineation"), note)


def _televiewer(rng: np.random.Generator, logged: pd.DataFrame, met: pd.DataFrame) -> pd.DataFrame:
    """Replace core angles by surveyed dip and dip direction for every second plane in the steep top of one hole."""
    seen = np.flatnonzero((met["hole_id"] == TELEVIEWER) & (met["true_depth"] < 120.0))[::2]
    pole = met[["normal_e", "normal_n", "normal_u"]].to_numpy()[seen]
    dip, direction = th.dip_and_direction(_scattered(rng, pole, NOISE.televiewer))
    logged[["dip", "dip_direction"]] = np.nan
    logged.loc[seen, "dip"], logged.loc[seen, "dip_direction"] = np.round(dip), np.round(direction) % 360
    logged.loc[seen, ["alpha", "beta", "gamma"]] = np.nan
    logged.loc[seen, "note"] = "televiewer"
    order = [
        "structure_id",
        "hole_id",
        "depth",
        "kind",
        "alpha",
        "beta",
        "gamma",
        "dip",
        "dip_direction",
        "width",
        "note",
    ]
    return logged[order]


def _complement(logged: pd.DataFrame, met: pd.DataFrame) -> Mistake:
    """Write 90 − alpha for the flattest-lying foliation of one hole, in place."""
    mine = (logged["hole_id"] == COMPLEMENT) & (logged["kind"] == "foliation") & logged["beta"].notna()
    row = met.loc[mine, "true_alpha"].idxmin()
    logged.loc[row, "alpha"] = 90.0 - logged.loc[row, "alpha"]
    depth = float(np.round(logged.loc[row, "depth"], 2))
    where = {"depth_from": depth, "depth_to": depth, "structure_id": str(logged.loc[row, "structure_id"])}
    return Mistake("reading", COMPLEMENT, "alpha_complement", **where)
