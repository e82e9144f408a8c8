"""Where a suspect lies: the key that names it for good, and the structures that it concerns."""

from __future__ import annotations

from urllib.parse import unquote

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.problems import key_part
from desurvey.project import Project

__all__ = ["GROUP_COLUMNS", "group_of", "keys", "matches", "members", "pairs", "run_labels", "suspected"]

Ints = npt.NDArray[np.int64]

GROUP_COLUMNS = ("tool", "crew", "logger", "shift")
"""Columns of runs by which they are grouped."""

DEPTH_DIGITS = 4
"""Depths are compared to 0.1 mm: they may have gone through a file and back."""


def keys(table: pd.DataFrame) -> list[str]:
    """Return a name for each suspect that stays the same while rows are added or re-ordered.

    Parameters
    ----------
    table : pandas.DataFrame
        scope, hole_id, depth_from, depth_to, structure_id and blunder of each. The hole_id of a group is its column and
        value, ``tool=B``.

    Returns
    -------
    list of str
        ``hole TH-08 beta_reversed``, ``hole TH-21 120 survey_spike``, ``run TH-08 12-15 line_side``,
        ``reading TH-08 13.2 S0042 beta_reversed``, ``group tool=B run_rolled``: scope, place, blunder. Blanks and % in
        names are written as in a web address, so that no two suspects share a key. Of suspects that are the same in all
        of this (a row that stands twice) the second ends in ``#2``.
    """
    hole, structure = (table[name].map(key_part) for name in ("hole_id", "structure_id"))
    top, bottom = (table[name].astype(float).map(key_part) for name in ("depth_from", "depth_to"))
    station, reading = table["blunder"] == "survey_spike", table["scope"] == "reading"
    place = hole.where(~(station | reading), hole + " " + top)
    place = place.where(table["scope"] != "run", hole + " " + top + "-" + bottom)
    place = place.where(~reading, place + " " + structure)
    key = table["scope"] + " " + place + " " + table["blunder"]
    again = key.groupby(key).cumcount() + 1
    return key.where(again == 1, key + " #" + again.astype(str)).tolist()


def group_of(key: str) -> tuple[str, str]:
    """Return the column and the value of a group's key.

    >>> group_of("group crew=night%20shift beta_reversed")
    ('crew', 'night shift')
    """
    column, _, value = key.split(" ")[1].partition("=")
    return column, unquote(value)


def members(project: Project, table: pd.DataFrame) -> list[Ints]:
    """Return the rows of ``project.structures`` that each suspect concerns, in order.

    Of a survey station that sticks out, the structures between its two neighbours.
    """
    suspect, row = pairs(project, table)
    order = np.lexsort([row, suspect])
    return np.split(row[order], np.searchsorted(suspect[order], np.arange(1, len(table))))[: len(table)]


def suspected(project: Project, table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which rows of ``project.structures`` any suspect concerns, (n,)."""
    found = np.zeros(len(project.structures), dtype=bool)
    found[pairs(project, table)[1]] = True
    return found


def pairs(project: Project, table: pd.DataFrame) -> tuple[Ints, Ints]:
    """Return the place of a suspect in its table, and the row of a structure that it concerns, for all such pairs."""
    station = (table["blunder"] == "survey_spike").to_numpy(dtype=bool)
    scope = np.where(station, "station", table["scope"].to_numpy(dtype=object))
    found = [np.zeros((2, 0), dtype=np.int64)]
    for name, concerned in CONCERNED.items():
        places = np.flatnonzero(scope == name)
        if len(places):
            suspect, row = concerned(project, table.iloc[places])
            found.append(np.stack([places[suspect], row]))
    suspect, row = np.concatenate(found, axis=1)
    return suspect, row


Pairs = tuple[Ints, Ints]


def matches(left: pd.DataFrame, right: pd.DataFrame) -> Pairs:
    """Return the places of all pairs of rows of two tables that are the same in the columns of the first."""
    names = left.columns.tolist()
    kinds = {
        name: object for name in names if left[name].dtype != right[name].dtype
    }  # a blank column is read as numbers
    one = left.astype(kinds).assign(left=np.arange(len(left)))
    joined = one.merge(right[names].astype(kinds).assign(right=np.arange(len(right))), on=names)
    return joined["left"].to_numpy(dtype=np.int64), joined["right"].to_numpy(dtype=np.int64)


def run_labels(table: pd.DataFrame) -> pd.DataFrame:
    """Return what names a run: hole and depths, rounded as they are compared."""
    depths = table[["depth_from", "depth_to"]].astype(float).round(DEPTH_DIGITS)
    return depths.assign(hole_id=table["hole_id"].astype(object))


def _of_hole(project: Project, table: pd.DataFrame) -> Pairs:
    return matches(table[["hole_id"]], project.structures)


def _of_station(project: Project, table: pd.DataFrame) -> Pairs:
    at = table["depth_from"].to_numpy(dtype=float)
    suspect, station = matches(table[["hole_id"]], project.surveys)
    depth, off = project.surveys["depth"].to_numpy(dtype=float)[station], 0.5 * 10.0**-DEPTH_DIGITS
    above, below = np.full(len(at), -np.inf), np.full(len(at), np.inf)
    np.fmax.at(above, suspect, np.where(depth < at[suspect] - off, depth, np.nan))
    np.fmin.at(below, suspect, np.where(depth > at[suspect] + off, depth, np.nan))
    suspect, row = _of_hole(project, table)
    depth = project.structures["depth"].to_numpy(dtype=float)[row]
    between = (depth > above[suspect]) & (depth < below[suspect])
    return suspect[between], row[between]


def _of_run(project: Project, table: pd.DataFrame) -> Pairs:
    return _in_runs(project, *matches(run_labels(table), run_labels(project.runs)))


def _of_group(project: Project, table: pd.DataFrame) -> Pairs:
    groups = [group_of(key) for key in table["key"]]
    runs = [np.flatnonzero(project.runs[column] == value) for column, value in groups]
    return _in_runs(project, np.repeat(np.arange(len(runs)), [len(r) for r in runs]), np.concatenate(runs))


def _in_runs(project: Project, suspect: Ints, run: Ints) -> Pairs:
    each, row = matches(pd.DataFrame({"run": run}), pd.DataFrame({"run": project.structure_run}))
    return suspect[each], row


def _of_reading(project: Project, table: pd.DataFrame) -> Pairs:
    return matches(table[["structure_id"]].astype(str), project.structures[["structure_id"]].astype(str))


CONCERNED = {
    "hole": _of_hole,
    "station": _of_station,
    "group": _of_group,
    "run": _of_run,
    "reading": _of_reading,
}
