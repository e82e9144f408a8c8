"""Collars against the ground: a table of its points where the project names one, else the collars around."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from desurvey.checks.context import Bools, Context, Floats
from desurvey.checks.neighbours import nearest
from desurvey.problems import DataProblem, Finding, Rule
from desurvey.tables.cleaning import heading_candidates
from desurvey.tables.columns import read_numbers
from desurvey.tables.reading import read_cells
from desurvey.tables.schema import TABLES

__all__ = ["GROUND_RULES", "check_ground", "ground_points"]

OFF_GROUND = Rule(
    "off_topography",
    "warning",
    "surface holes start on the ground",
    "Compare the elevation with the survey of the collars; let it be for a hole drilled from underground",
)
UNREADABLE_GROUND = Rule(
    "unreadable_topography",
    "warning",
    "[checks] names a table of the ground that can't be used",
    "Correct topography = … under [checks]: a table of easting, northing, elevation",
)

GROUND_RULES = (OFF_GROUND, UNREADABLE_GROUND)

NEIGHBOURS = 4
STEEPEST = 1.0
"""Slope (1 m up a metre aside, 45°) up to which two collars can stand on one ground (common practice, no source)."""


def check_ground(context: Context, place: Floats, left_out: Bools) -> list[Finding]:
    """Return collars that stand off the ground.

    Parameters
    ----------
    context : Context
    place : (n, 3) array
        Collars, metres.
    left_out : (n,) bool array
        Collars that are known to be somewhere else.
    """
    used = np.flatnonzero(np.isfinite(place).all(axis=1) & ~left_out)
    if not context.limits.topography:
        return _against_neighbours(context, place, used)
    try:
        ground = ground_points(context.project.folder, context.limits.topography)
    except DataProblem as problem:
        return [context.whole(UNREADABLE_GROUND, "collars", str(problem))]
    return _against(context, ground, place, used)


def ground_points(folder: Path, file: str) -> Floats:
    """Return the points of the ground in a table of a project, (n, 3).

    Raises
    ------
    DataProblem
        When it can't be read, lacks a column or has fewer than three points.
    """
    cells = read_cells(folder / file, file)
    wanted = {
        column.name: column for column in TABLES["collars"] if column.name in {"easting", "northing", "elevation"}
    }
    source: dict[str, pa.Array] = {}
    for name, column in wanted.items():
        headings = heading_candidates("collars", column, list(cells.columns))
        if len(headings) != 1:
            raise DataProblem(f"the table of the ground needs one column '{name}'", file=file)
        source[name] = cells.columns[headings[0]]
    read = read_numbers(source, wanted, {})
    points = np.column_stack([read[name].values.to_numpy(dtype=float) for name in wanted])
    points = np.asarray(points[np.isfinite(points).all(axis=1)])
    if len(points) < 3:
        raise DataProblem("the table of the ground has fewer than three points", file=file)
    return points


def _against(context: Context, ground: Floats, place: Floats, used: npt.NDArray[np.intp]) -> list[Finding]:
    from scipy.interpolate import LinearNDInterpolator
    from scipy.spatial import QhullError

    middle = ground[:, :2].mean(axis=0)
    try:
        height = LinearNDInterpolator(ground[:, :2] - middle, ground[:, 2])(place[used, :2] - middle)
    except QhullError:
        return [context.whole(UNREADABLE_GROUND, "collars", "the points of the ground lie on one line")]
    away = place[used, 2] - height
    off = np.abs(np.nan_to_num(away)) > context.limits.topography_m
    texts = [f"the collar is {abs(z):.1f} m {'above' if z > 0 else 'below'} the ground" for z in away[off]]
    return context.rows(OFF_GROUND, "collars", used[off], texts)


def _against_neighbours(context: Context, place: Floats, used: npt.NDArray[np.intp]) -> list[Finding]:
    """Return collars that none of the nearest ones can share a slope with, though these can with each other."""
    if len(used) <= NEIGHBOURS:
        return []
    near = place[used]
    distance, other = nearest(near[:, :2], NEIGHBOURS)
    step = near[:, None, 2] - near[other, 2]
    beyond = np.abs(step) - STEEPEST * distance
    off = beyond.min(axis=1) > context.limits.topography_m
    several = off[other].all(axis=1)  # none of them shares a slope with another: several grounds, as underground
    culprit = off & ~several
    usual = np.median(step[culprit], axis=1)
    texts = [f"the collar is {abs(z):.1f} m {'above' if z > 0 else 'below'} all collars around" for z in usual]
    return context.rows(OFF_GROUND, "collars", used[culprit], texts)
