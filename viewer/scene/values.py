"""Which column colours the holes or the discs, and its value at each piece of hole or each disc."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import curvature, orient, traces
from desurvey.problems import DataProblem, nearest
from desurvey.project import Project
from desurvey.ragged import last_at_or_above
from desurvey.traces import Traces
from viewer import theme
from viewer.scene.holes import Pieces

__all__ = ["Choice", "chosen", "disc_choices", "disc_values", "hole_choices", "hole_cuts", "hole_values", "usual"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FROM_TRACES = ("azimuth", "dip", "dogleg_30m", "elevation", "depth")
"""Values along a hole that follow from its trace."""

FROM_PLANES = ("dip", "dip_direction")
"""Values of a disc that follow from its orientation."""

KEYS = frozenset({"hole_id", "depth_from", "depth_to", "depth", "row", "structure_id", "date"})
"""Columns that say where a row stands, not what was seen there."""


class Choice(NamedTuple):
    """A column that colours something, written ``table.column``."""

    table: str
    column: str

    def __str__(self) -> str:
        """Return the name as a person types it."""
        return f"{self.table}.{self.column}"

    @property
    def title(self) -> str:
        """Return the heading of its legend."""
        name = theme.heading(self.column)
        return name if self.table in ("surveys", "structures") else f"{self.table}: {name}"


def hole_choices(project: Project) -> list[Choice]:
    """Return what holes can be coloured by: values of intervals, of runs, and of surveys."""
    found = [Choice(table, str(name)) for table, frame in _interval_tables(project).items() for name in _telling(frame)]
    numbers = [name for name in _telling(project.surveys) if _numeric(project.surveys[name])]
    extra = [name for name in numbers if name not in FROM_TRACES]
    return found + [Choice("surveys", name) for name in (*FROM_TRACES, *extra)]


def disc_choices(project: Project) -> list[Choice]:
    """Return what discs can be coloured by: any column of the structures, and the dip and its direction."""
    names = [name for name in _telling(project.structures) if name not in FROM_PLANES]
    return [Choice("structures", name) for name in (*names, *FROM_PLANES)]


def chosen(name: str, choices: list[Choice]) -> Choice:
    """Return the choice that a person means by ``table.column`` or by the column alone.

    Raises
    ------
    DataProblem
        When there is no such column, or when more than one table has it.
    """
    full = {str(choice): choice for choice in choices}
    if name in full:
        return full[name]
    fitting = [choice for choice in choices if choice.column == name]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise DataProblem(
            "a column to colour by must be one column", value=name, hint=f"say which: {', '.join(map(str, fitting))}"
        )
    known = [*full, *(choice.column for choice in choices)]
    hint = nearest(name, known) or f"there are: {', '.join(full)}"
    raise DataProblem("a column to colour by must be in the project", value=name, hint=hint)


def usual(project: Project) -> Choice | None:
    """Return the first text column of the first interval table: what holes are coloured by when nobody says."""
    for table, frame in project.intervals.items():
        for name in _telling(frame):
            if not _numeric(frame[name]):
                return Choice(table, str(name))
    return None


def hole_cuts(project: Project, holes: Traces, choice: Choice | None) -> tuple[Ints, Floats]:
    """Return where holes have to be cut so that each piece has one value: hole index and depth, both (m,)."""
    if choice is None or choice.table not in _interval_tables(project):
        return np.empty(0, dtype=np.int64), np.empty(0)
    frame = _interval_tables(project)[choice.table]
    hole = holes.index(frame["hole_id"].to_numpy(dtype=str))
    return np.tile(hole, 2), frame[["depth_from", "depth_to"]].to_numpy(dtype=float).T.ravel()


def hole_values(project: Project, holes: Traces, choice: Choice, parts: Pieces) -> pd.Series:
    """Return the value of a column half-way along each piece; missing where the table says nothing."""
    intervals = _interval_tables(project)
    if choice.table in intervals:
        return _of_intervals(intervals[choice.table], choice.column, holes, parts)
    if choice.column in FROM_TRACES:
        return pd.Series(_of_traces(holes, choice.column, parts))
    return pd.Series(_of_stations(project.surveys, choice.column, holes, parts))


def disc_values(structures: pd.DataFrame, normal: Floats, choice: Choice) -> pd.Series:
    """Return the value of a column for each disc.

    Parameters
    ----------
    structures : DataFrame
        Rows of the discs.
    normal : (n, 3) array
        Their upward unit normals.
    """
    if choice.column in FROM_PLANES:
        dip, direction = orient.dip_of_plane(normal)
        return pd.Series(dip if choice.column == "dip" else direction)
    return structures[choice.column].reset_index(drop=True)


def _interval_tables(project: Project) -> dict[str, pd.DataFrame]:
    return {**project.intervals, "runs": project.runs}


def _telling(frame: pd.DataFrame) -> list[str]:
    """Return the columns that have something to show."""
    return [str(name) for name in frame.columns if name not in KEYS and _has_values(frame[name])]


def _has_values(column: pd.Series) -> bool:
    known = column.dropna()
    return bool(len(known) and (_numeric(known) or (known.astype(str).str.strip() != "").any()))


def _numeric(column: pd.Series) -> bool:
    return bool(pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column))


def _of_intervals(frame: pd.DataFrame, column: str, holes: Traces, parts: Pieces) -> pd.Series:
    """Return the value of the interval that holds the middle of each piece."""
    hole = holes.index(frame["hole_id"].to_numpy(dtype=str))
    start, stop = frame["depth_from"].to_numpy(dtype=float), frame["depth_to"].to_numpy(dtype=float)
    usable = np.flatnonzero((hole >= 0) & np.isfinite(start) & np.isfinite(stop))
    usable = usable[np.lexsort((start[usable], hole[usable]))]
    above = last_at_or_above(hole[usable], start[usable], parts.hole, parts.middle)
    row = np.append(usable, -1)[above]
    inside = (above >= 0) & (parts.middle < stop[row])
    return frame[column].iloc[row].reset_index(drop=True).where(inside)


def _of_traces(holes: Traces, column: str, parts: Pieces) -> Floats:
    if column == "depth":
        return parts.middle
    if column == "dogleg_30m":
        above = last_at_or_above(holes.station_hole, holes.depth, parts.hole, parts.middle)
        below = np.minimum(above + 1, holes.offsets[parts.hole + 1] - 1)
        return np.where(below > above, traces.dogleg_severity(holes)[below], 0.0)
    point = holes.at(parts.hole, parts.middle)
    if column == "elevation":
        return point.position[:, 2]
    azimuth, dip = curvature.angles(point.tangent)
    return np.rad2deg(azimuth if column == "azimuth" else dip)


def _of_stations(surveys: pd.DataFrame, column: str, holes: Traces, parts: Pieces) -> Floats:
    """Return values between the stations of each hole, by straight lines; NaN above the first and below the last."""
    frame = surveys[surveys[column].notna()]
    hole, depth = holes.index(frame["hole_id"].to_numpy(dtype=str)), frame["depth"].to_numpy(dtype=float)
    order = np.lexsort((depth, hole))
    order = order[hole[order] >= 0]
    hole, depth, value = hole[order], depth[order], frame[column].to_numpy(dtype=float)[order]
    above = last_at_or_above(hole, depth, parts.hole, parts.middle)
    below = np.minimum(above + 1, len(hole) - 1)
    between = (above >= 0) & (below > above) & (hole[below] == parts.hole)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (parts.middle - depth[above]) / (depth[below] - depth[above])
    return np.where(between, value[above] + share * (value[below] - value[above]), np.nan)
