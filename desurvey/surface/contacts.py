"""Contacts from interval tables: where a value changes along a hole, as picks of conformable surfaces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.orient import Oriented
from desurvey.problems import DataProblem, nearest
from desurvey.shown import shown
from desurvey.spread import HoleSpread, StructureSpread
from desurvey.surface.picks import Picks
from desurvey.traces import Traces

__all__ = ["Changes", "bedding_picks", "changes", "contact_picks"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

OVERLAP = 1e-6
"""Metres by which an interval may begin before the one above it ends: rounding in a table, no more."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """Where a value changes along holes.

    Attributes
    ----------
    hole_id, above, below : (n,) arrays of str
        The hole, the value on its up-hole side and on its down-hole side.
    depth : (n,) array
        Metres along the hole: half-way across a gap in the table, where there is one.
    sigma : (n,) array
        1-σ of that depth which comes from the gap: its width / √12.
    """

    hole_id: npt.NDArray[np.str_]
    above: npt.NDArray[np.str_]
    below: npt.NDArray[np.str_]
    depth: Floats
    sigma: Floats


def changes(intervals: pd.DataFrame, column: str) -> Changes:
    """Return where a value of an interval table changes.

    Parameters
    ----------
    intervals : DataFrame
        hole_id, depth_from, depth_to and the column, in any order of rows.
    column : str
        The column whose change is a contact. Intervals with no value are gaps.

    Raises
    ------
    DataProblem
        When there is no such column, or intervals of a hole overlap.

    Examples
    --------
    >>> table = pd.DataFrame({"hole_id": ["A", "A"], "depth_from": [0.0, 12], "depth_to": [12.0, 30]})
    >>> table["rock"] = ["x", "y"]
    >>> changes(table, "rock").depth
    array([12.])
    """
    if column not in intervals.columns:
        hint = nearest(column, map(str, intervals.columns))
        raise DataProblem("the interval table has no such column", column=column, hint=hint)
    value = intervals[column].astype("string").str.strip().fillna("")
    given = intervals.assign(_value=value)[value.ne("")].sort_values(["hole_id", "depth_from"], kind="stable")
    hole, said = given["hole_id"].to_numpy(dtype=np.str_), given["_value"].to_numpy(dtype=np.str_)
    top, bottom = given["depth_from"].to_numpy(dtype=float), given["depth_to"].to_numpy(dtype=float)
    same = hole[1:] == hole[:-1]
    gap = top[1:] - bottom[:-1]
    _refuse_overlap(given, np.flatnonzero(same & (gap < -OVERLAP)) + 1)
    at = np.flatnonzero(same & (said[1:] != said[:-1]))
    width = np.maximum(gap[at], 0.0)
    return Changes(hole[at], said[at], said[at + 1], bottom[at] + gap[at] / 2.0, width / np.sqrt(12.0))


def _refuse_overlap(given: pd.DataFrame, rows: Ints) -> None:
    if len(rows):
        row = given.iloc[rows[0]]
        raise DataProblem(
            f"an interval of hole {row['hole_id']} begins at {row['depth_from']:g} m, before the one above it ends",
            row=int(row["row"]) if "row" in given.columns else None,
            column="depth_from",
            value=row["depth_from"],
            hint="mend the table; a contact can't be placed in an overlap",
        )


def bedding_picks(structures: Oriented, known: StructureSpread, which: npt.NDArray[np.bool_]) -> Picks:
    """Return the orientations of one kind of structure, to take part off the contacts.

    Parameters
    ----------
    structures : Oriented
        The project's structures.
    known : StructureSpread
        How well they are known.
    which : (n,) bool array
        Structures that lie along the contacts (:meth:`desurvey.project.Project.of_kind`).

    Raises
    ------
    DataProblem
        When no structure of that kind has an orientation.
    """
    rows = np.flatnonzero(which & structures.usable)
    if not len(rows):
        raise DataProblem("no structure that lies along the contacts has an orientation")
    return Picks(
        structures.position[rows],
        structures.normal[rows],
        covariance=known.position[rows],
        pole_sigma_deg=known.pole_sigma_deg[rows],
        surface=np.full(len(rows), -1),
        hole=structures.table["hole_id"].to_numpy(dtype=np.str_)[rows],
    )


def contact_picks(
    found: Changes, pairs: Sequence[tuple[str, str]], traces: Traces, spread: HoleSpread, bedding: Picks | None = None
) -> Picks:
    """Return picks of contacts between pairs of values.

    Parameters
    ----------
    found : Changes
        From :func:`changes`.
    pairs : sequence of (str, str)
        Values on the two sides of each contact, whichever a hole meets first. Several pairs make several conformable
        surfaces of one field, in this order.
    traces, spread
        Holes, and how well they are known.
    bedding : Picks, optional
        Orientations of bedding anywhere nearby; they take part off the contacts.

    Raises
    ------
    DataProblem
        When no hole passes from one value of a pair to the other, or a hole has no trace.
    """
    surface = np.full(len(found.depth), -1)
    for number, (one, other) in enumerate(pairs):  # a handful of contacts
        is_this = ((found.above == one) & (found.below == other)) | ((found.above == other) & (found.below == one))
        if not is_this.any():
            known = sorted(set(found.above) | set(found.below))
            hint = nearest(one, known) if one not in known else nearest(other, known) if other not in known else ""
            raise DataProblem(f"no hole passes from '{one}' to '{other}' or back", value=f"{one} | {other}", hint=hint)
        surface[is_this] = number
    rows = np.flatnonzero(surface >= 0)
    hole, depth = traces.index(found.hole_id[rows]), found.depth[rows]
    if (hole < 0).any():
        raise DataProblem(
            "a hole of the interval table has no trace", column="hole_id", value=found.hole_id[rows[hole < 0][0]]
        )
    place = traces.at(hole, depth)
    along = found.sigma[rows, None, None] ** 2 * place.tangent[:, :, None] * place.tangent[:, None, :]
    contacts = Picks(
        place.position,
        covariance=spread.at(hole, depth).position + along,
        surface=surface[rows],
        hole=found.hole_id[rows],
    )
    return contacts if bedding is None else _with_bedding(contacts, bedding)


def _with_bedding(contacts: Picks, bedding: Picks) -> Picks:
    """Return contacts and orientations off them as one."""
    count = len(bedding)
    return Picks(
        np.vstack([contacts.position, bedding.position]),
        np.vstack([contacts.normal, bedding.normal]),
        covariance=np.concatenate([contacts.covariance, bedding.covariance]),
        pole_sigma_deg=np.append(contacts.pole_sigma_deg, bedding.pole_sigma_deg),
        surface=np.append(contacts.surface, np.full(count, -1)),
        hole=np.append(contacts.hole.astype(np.str_), bedding.hole.astype(np.str_)),
        polar=bedding.polar,
    )
