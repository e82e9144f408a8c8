"""Write the demo project Tarn Hollow and the truth behind it.

Run ``python demo_project/generate.py`` from the repository. Everything is seeded: the same files come out, byte for
byte. ``tarn_hollow.py`` says how the rocks and the holes truly are, ``coring.py`` what the core held and how it was
logged; here the holes are surveyed and all is written. ``truth/README.md`` says what the files in ``truth/`` hold
and how a rolled line is counted.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd
import tarn_hollow as th
from coring import BETA_REVERSED, NOISE, Mistake, casing, cored_runs, drilled, log, met_structures, number, stream
from tarn_hollow import Floats, Hole, World

STATION_SPACING = 30.0
MAGNETIC = ("TH-13", "TH-14", "TH-15", "TH-16", "TH-17", "TH-19", "TH-20", "TH-21")
TRUE_NORTH = tuple(f"TH-{number:02d}" for number in range(7, 13))
NORTH_UNSAID = "TH-23"
MAGNETIC_AS_GRID, SPIKED = "TH-16", "TH-21"
SPIKE_STATION, SPIKE_DEG, SPIKE_NT = 240.0, 11.0, 2_150.0
"""One magnetic station beside the dyke: how far its azimuth and its field are off."""

PROJECT = """name = "Tarn Hollow"

[frame]
crs = "EPSG:32633"
north = "grid"              # what a survey row that does not say is measured from
dip_sign = "negative_down"  # no declination is given: the magnetic model's at place and date is used

[core]
line = "low"                # the orientation line marks the low side, unless a run says otherwise

[tables]
collars = "collars.csv"
surveys = "surveys.csv"
runs = "runs.csv"
structures = "structures.csv"

[tables.intervals]
lithology = "lithology.csv"
"""


def main() -> None:
    """Write the project beside this file, or into ``--out``."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, help="folder to write into")
    write_project(parser.parse_args().out)


def write_project(folder: Path) -> None:
    """Write all tables of the project and of its truth into a folder."""
    world = th.build()
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    runs, rolls = cored_runs(world)
    met = number(met_structures(world, runs))
    logged, complement = log(met, runs)
    mistakes = (*rolls, *hole_mistakes(world), complement)
    tables = {
        "collars.csv": collars(world),
        "surveys.csv": surveys(world),
        "runs.csv": runs.drop(columns=["line_error", "window", "poor"]),
        "structures.csv": logged,
        "lithology.csv": lithology(world),
        "truth/structures.csv": true_structures(met, mistakes),
        "truth/runs.csv": runs[["hole_id", "depth_from", "depth_to", "line_error"]],
        "truth/traces.csv": true_traces(world),
        "truth/faults.csv": true_faults(world),
        "truth/pierce.csv": pierce_points(world, met),
        "truth/mistakes.csv": pd.DataFrame([asdict(mistake) for mistake in mistakes]).drop(columns="fitted"),
    }
    for name, table in tables.items():
        printed(table, truth=name.startswith("truth/")).to_csv(folder / name, index=False, lineterminator="\n")
    texts = {"project.toml": PROJECT, "truth/settings.toml": settings()}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


# --- drilling and surveying -------------------------------------------------------------------------------------------


def collars(world: World) -> pd.DataFrame:
    """Return the collar table: positions as surveyed, angles as the rig was set up."""
    rng = stream("collars")
    rows = []
    for index, hole in enumerate(world.holes):
        place = hole.collar + rng.normal(0.0, NOISE.collar * (not hole.planned), 3)
        aim = np.array([hole.azimuth, hole.dip]) + rng.normal(0.0, 0.5 * (not hole.planned), 2)
        started = np.datetime64("2025-04-07") + 16 * index
        rows.append(
            {
                "hole_id": hole.hole_id,
                **dict(zip(("easting", "northing", "elevation"), place, strict=True)),
                "depth": hole.depth,
                "azimuth": round(aim[0]),
                "dip": max(round(aim[1]), -90),
                "core_size": "N" if index % 3 or hole.planned else "H",
                "status": "planned" if hole.planned else "drilled",
                "date": "" if hole.planned else str(started),
            }
        )
    return pd.DataFrame(rows)


def surveys(world: World) -> pd.DataFrame:
    """Return the survey table of all drilled holes."""
    return pd.concat([_survey(hole) for hole in drilled(world)], ignore_index=True)


def _survey(hole: Hole) -> pd.DataFrame:
    rng = stream("survey", hole.hole_id)
    compass = hole.hole_id in MAGNETIC
    tool = "magnetic" if compass else "gyro"
    depth = np.arange(0.0, hole.depth, STATION_SPACING)
    if compass:
        depth[0] = 12.0  # below the casing
    azimuth, dip = (
        true
        + rng.normal(0.0, getattr(NOISE, f"{tool}_{angle}_hole"))
        + rng.normal(0.0, getattr(NOISE, f"{tool}_{angle}_station"), depth.size)
        for angle, true in zip(("azimuth", "dip"), hole.angles(depth), strict=True)
    )
    north = "magnetic" if compass else "true" if hole.hole_id in TRUE_NORTH else "grid"
    field = th.FIELD_NT + rng.normal(0.0, 60.0, depth.size)
    spiked = (depth == SPIKE_STATION) & (hole.hole_id == SPIKED)
    said = {MAGNETIC_AS_GRID: "grid", NORTH_UNSAID: ""}.get(hole.hole_id, north)
    digits = 1 if compass else 2
    return pd.DataFrame(
        {
            "hole_id": hole.hole_id,
            "depth": [f"{value:.0f}" for value in depth],
            "azimuth": [
                f"{value % 360:.{digits}f}" for value in from_grid(azimuth, north) + np.where(spiked, SPIKE_DEG, 0.0)
            ],
            "dip": [f"{max(value, -90.0):.{digits}f}" for value in dip],
            "north": said,
            "instrument": tool,
            "field_nt": np.round(field + np.where(spiked, SPIKE_NT, 0.0)) if compass else np.nan,
            "field_dip": th.FIELD_DIP_DEG + rng.normal(0.0, 0.15, depth.size) if compass else np.nan,
        }
    )


def from_grid(azimuth: Floats, north: str) -> Floats:
    """Return grid azimuths as read from another north.

    grid = true − convergence = magnetic + declination − convergence.
    """
    shift = {"grid": 0.0, "true": th.CONVERGENCE_DEG, "magnetic": th.CONVERGENCE_DEG - th.DECLINATION_DEG}
    return azimuth + shift[north]


def lithology(world: World) -> pd.DataFrame:
    """Return the rocks that the true paths pass through, logged to a decimetre."""
    rows = []
    for hole in drilled(world):
        depth, path = hole.fine()
        layer = np.searchsorted([top for top, _, _ in world.layers], world.fold.height(path))
        code = np.where(depth < casing(hole), -2, np.where(world.in_dyke(path), -1, layer))
        code[-1] = code[-2]
        ends = np.append(np.flatnonzero(np.diff(code)) + 1, depth.size - 1)
        for start, end in zip(np.append(0, ends[:-1]), ends, strict=True):
            special = {-2: ("overburden", 0.2), -1: ("dolerite", 24.0)}
            _, rock, susceptibility = world.layers[code[start]] if code[start] >= 0 else (0, *special[code[start]])
            rows.append((hole.hole_id, depth[start], depth[end], rock, susceptibility))
    table = pd.DataFrame(rows, columns=["hole_id", "depth_from", "depth_to", "rock", "susceptibility"])
    table["susceptibility"] *= np.exp(stream("susceptibility").normal(0.0, 0.25, len(table)))
    return table


# --- truth ------------------------------------------------------------------------------------------------------------


def hole_mistakes(world: World) -> tuple[Mistake, ...]:
    """Return the mistakes of whole holes, and the one bad survey station."""
    depth = {hole.hole_id: hole.depth for hole in world.holes}
    return (
        Mistake("hole", MAGNETIC_AS_GRID, "north_reference", depth_from=0.0, depth_to=depth[MAGNETIC_AS_GRID]),
        Mistake("hole", BETA_REVERSED, "beta_reversed", depth_from=0.0, depth_to=depth[BETA_REVERSED]),
        Mistake("reading", SPIKED, "survey_spike", depth_from=SPIKE_STATION, depth_to=SPIKE_STATION),
    )


def true_structures(met: pd.DataFrame, mistakes: tuple[Mistake, ...]) -> pd.DataFrame:
    """Return the truth of every structure, with the planted mistake that reaches it.

    A bad station bends the path from the station above it and shifts all that lies below.
    """
    flag = np.full(len(met), "", dtype=object)
    depth, hole = met["true_depth"].to_numpy(), met["hole_id"].to_numpy()
    for mistake in mistakes:
        reached = (hole == mistake.hole_id) & (depth >= mistake.depth_from) & (depth < mistake.depth_to)
        if mistake.blunder == "survey_spike":
            reached = (hole == mistake.hole_id) & (depth > mistake.depth_from - STATION_SPACING)
        elif mistake.structure_id:
            reached = (met["structure_id"] == mistake.structure_id).to_numpy()
        flag[reached] = mistake.blunder
    return met.assign(mistake=flag)


def true_traces(world: World) -> pd.DataFrame:
    """Return the true path of every hole each five metres and at its end; planned holes as they are planned."""
    tables = []
    for hole in world.holes:
        depth = np.unique(np.append(np.arange(0.0, hole.depth, 5.0), hole.depth))
        azimuth, dip = hole.angles(depth)
        table = pd.DataFrame({"hole_id": hole.hole_id, "depth": depth})
        table[["easting", "northing", "elevation"]] = hole.position(depth)
        tables.append(table.assign(azimuth=azimuth % 360.0, dip=dip))
    return pd.concat(tables, ignore_index=True)


def true_faults(world: World) -> pd.DataFrame:
    """Return the plane about which each fault waves, its relief (lowest to highest) and the radius it reaches."""
    columns = ["fault_id", "easting", "northing", "elevation", "dip", "dip_direction", "relief", "extent"]
    rows = [
        (sheet.name, *sheet.centre, sheet.dip, sheet.dip_direction, sheet.relief, sheet.extent)
        for sheet in world.faults
    ]
    return pd.DataFrame(rows, columns=columns)


def pierce_points(world: World, met: pd.DataFrame) -> pd.DataFrame:
    """Return where every hole, planned ones too, meets each fault, at what angle, and the pick if there is one."""
    tables = []
    for sheet in world.faults:
        for hole in world.holes:
            depth = hole.meets(sheet)
            table = pd.DataFrame({"fault_id": sheet.name, "hole_id": hole.hole_id, "depth": depth})
            table[["easting", "northing", "elevation"]] = hole.position(depth)
            cosine = np.abs(th.dot(hole.tangent(depth), sheet.normal(hole.position(depth))))
            tables.append(table.assign(pierce_angle=np.rad2deg(np.arcsin(cosine)), planned=hole.planned))
    table = pd.concat(tables, ignore_index=True)
    picks = met[["surface", "hole_id", "true_depth", "structure_id"]]
    picks = picks.rename(columns={"surface": "fault_id", "true_depth": "depth"})
    table = table.merge(picks, how="left", on=["fault_id", "hole_id", "depth"])
    status = np.where(table["planned"], "planned", np.where(table["structure_id"].isna(), "not_logged", "logged"))
    return table.assign(status=status).drop(columns="planned")


# --- words and numbers on paper ---------------------------------------------------------------------------------------

DIGITS = {
    **dict.fromkeys(("alpha", "beta", "gamma", "line_offset", "field_nt", "azimuth", "dip", "dip_direction"), 0),
    **dict.fromkeys(("easting", "northing", "elevation", "depth", "depth_from", "depth_to", "recovered"), 2),
    **dict.fromkeys(("field_dip",), 1),
    **dict.fromkeys(("susceptibility",), 2),
    **dict.fromkeys(("width",), 3),
}
"""Digits to which the people on site write things down."""


def settings() -> str:
    """Return the seed, the constants of the place and the noise as a small TOML file."""
    place = {
        "seed": th.SEED,
        "declination_deg": th.DECLINATION_DEG,
        "convergence_deg": th.CONVERGENCE_DEG,
        "field_nt": th.FIELD_NT,
        "field_dip_deg": th.FIELD_DIP_DEG,
    }
    lines = [f"{name} = {value}" for name, value in place.items()]
    lines += [
        "",
        "[noise]  # standard deviations, degrees and metres",
        *(f"{k} = {v}" for k, v in asdict(NOISE).items()),
    ]
    return "\n".join(lines) + "\n"


def printed(table: pd.DataFrame, truth: bool) -> pd.DataFrame:
    """Return a table with its numbers as text: as logged on site, or to a millionth in the truth."""
    out = table.copy()
    for name in out.select_dtypes("float").columns:
        digits = 6 if truth else DIGITS[name]
        out[name] = [f"{value + 0.0:.{digits}f}" if np.isfinite(value) else "" for value in np.round(out[name], digits)]
    return out


if __name__ == "__main__":
    main()
