"""Orientation lines of successive runs, chained through the ends of core that were fitted together.

``line_offset`` of a run says how far its line sits clockwise, looking down the hole, of the line of the run above, when
the two ends are fitted. Offsets add up down a chain of fitted runs, so each run has an angle from the first of its
chain. What can be told from them without any structure:

* a run whose line agrees with both neighbours is *locked*, with one of them *held*, with none *in doubt*; a run with
  no fitted neighbour is *loose*: nothing speaks for or against it;
* a *fitted* stretch is an unbroken chain of fitted ends, a *locked* stretch one in which every offset is small too. In
  a locked stretch one line can stand for all.

References
----------
B. Davis (2012), Drill core orientation – an inconvenient truth, part 3: accept an orientation mark only if it lines up
with one, better with two, adjacent marks when the core is put together again.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.shown import shown

__all__ = ["GRADES", "Chain", "chain", "hole_table", "runs_chain", "run_table", "stretch_table"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TOUCH_M = 0.05
"""Metres between the ends of two runs that can still have been fitted: depths are logged to some centimetres
(common practice, no source)."""

GRADES = ("locked", "held", "in doubt", "loose")


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Runs by hole and depth, with what their fitted ends say. Arrays have one entry a run.

    Attributes
    ----------
    row : int array
        Place of the run in the arrays it was made from.
    hole : int array
        As given; runs of one hole stand together.
    top, bottom : float arrays
        Depths in metres.
    offset : float array
        Degrees from the line of the run above, −180 to 180; NaN where the ends were not fitted.
    fitted : bool array
        Whether the run is fitted to the one above.
    agrees : bool array
        Whether it is, and the offset is no more than the limit.
    fitted_stretch, locked_stretch : int arrays
        Number of the stretch that the run belongs to, counted from 0 over all holes.
    turned : float array
        Sum of the offsets from the first run of the fitted stretch, degrees, not reduced to one turn.
    grade : int array
        Place in :data:`GRADES`.
    """

    row: Ints
    hole: Ints
    top: Floats
    bottom: Floats
    offset: Floats
    fitted: Bools
    agrees: Bools
    fitted_stretch: Ints
    locked_stretch: Ints
    turned: Floats
    grade: Ints

    def __post_init__(self) -> None:
        """Make the arrays read-only."""
        for item in fields(self):
            getattr(self, item.name).setflags(write=False)


def chain(
    hole: npt.ArrayLike,
    top: npt.ArrayLike,
    bottom: npt.ArrayLike,
    offset_deg: npt.ArrayLike,
    lock_deg: float,
) -> Chain:
    """Chain runs through their fitted ends.

    Parameters
    ----------
    hole : (n,) int array
        The same number for runs of one hole; −1 and runs without depths are left out.
    top, bottom : (n,) arrays
        Depths in metres, in any order of rows.
    offset_deg : (n,) array
        Clockwise from the line of the run above, looking down the hole; NaN where the ends were not fitted.
    lock_deg : float
        Largest offset at which two lines agree: ``line_offset_deg`` of the project's limits
        (:class:`desurvey.checks.Limits`).

    Examples
    --------
    Four runs; the third is turned by 60°, and the fourth back again:

    >>> lines = chain([0, 0, 0, 0], [0, 3, 6, 9], [3, 6, 9, 12], [np.nan, 4, 60, -57], 10.0)
    >>> [GRADES[grade] for grade in lines.grade]
    ['held', 'held', 'in doubt', 'in doubt']
    >>> lines.turned
    array([ 0.,  4., 64.,  7.])
    """
    hole, top, bottom = np.asarray(hole, np.int64), np.asarray(top, float), np.asarray(bottom, float)
    used = np.flatnonzero((hole >= 0) & np.isfinite(top) & np.isfinite(bottom) & (bottom > top))
    row = used[np.lexsort([top[used], hole[used]])]
    hole, top, bottom = hole[row], top[row], bottom[row]
    offset = (np.asarray(offset_deg, float)[row] + 180.0) % 360.0 - 180.0
    fitted = np.isfinite(offset)
    fitted[:1] = False
    fitted[1:] &= (hole[1:] == hole[:-1]) & (np.abs(top[1:] - bottom[:-1]) <= TOUCH_M)
    offset = np.where(fitted, offset, np.nan)
    agrees = fitted & (np.abs(np.where(fitted, offset, 0.0)) <= lock_deg)
    return Chain(
        row,
        hole,
        top,
        bottom,
        offset,
        fitted,
        agrees,
        np.cumsum(~fitted) - 1,
        np.cumsum(~agrees) - 1,
        _turned(offset, fitted),
        _grade(fitted, agrees),
    )


def runs_chain(runs: pd.DataFrame, lock_deg: float) -> Chain:
    """Chain the runs of a project's table by the project's limit; holes are numbered as they first appear in it."""
    hole, names = pd.factorize(runs["hole_id"])
    blank = np.array([name == "" for name in names], dtype=bool)
    hole = np.where(blank[hole], -1, hole) if len(names) else hole
    return chain(hole, runs["depth_from"], runs["depth_to"], runs["line_offset"], lock_deg)


def _turned(offset: Floats, fitted: Bools) -> Floats:
    """Return running sums of offsets that start anew where runs aren't fitted."""
    total = np.cumsum(np.where(fitted, offset, 0.0))
    start = np.maximum.accumulate(np.where(fitted, 0, np.arange(len(fitted))))
    return total - total[start] if len(total) else total


def _grade(fitted: Bools, agrees: Bools) -> Ints:
    """Return the grade of each run from its ends: with how many neighbours it is fitted, and agrees."""
    below = np.append(fitted[1:], False), np.append(agrees[1:], False)
    ends = fitted.astype(np.int64) + below[0]
    good = agrees.astype(np.int64) + below[1]
    return np.where(ends == 0, 3, np.where(good == 2, 0, np.where(good == 1, 1, 2)))


# ------------------------------------------------------------------------------------------------------------- tables


def run_table(runs: pd.DataFrame, lines: Chain) -> pd.DataFrame:
    """Return the runs by hole and depth with what their fitted ends say.

    Returns
    -------
    pandas.DataFrame
        row, hole_id, depth_from, depth_to, line_offset (−180 to 180), line_turned (degrees from the first run of its
        fitted stretch), agreement (:data:`GRADES`), locked_stretch.
    """
    return pd.DataFrame(
        {
            "row": runs["row"].to_numpy()[lines.row],
            "hole_id": runs["hole_id"].to_numpy(dtype=object)[lines.row],
            "depth_from": lines.top,
            "depth_to": lines.bottom,
            "line_offset": lines.offset,
            "line_turned": lines.turned,
            "agreement": np.array(GRADES, dtype=object)[lines.grade],
            "locked_stretch": lines.locked_stretch,
        }
    )


def stretch_table(runs: pd.DataFrame, lines: Chain) -> pd.DataFrame:
    """Return the locked stretches of all holes and why each begins where it does.

    Returns
    -------
    pandas.DataFrame
        hole_id, depth_from, depth_to, runs, metres (of core run), usual_offset and worst_offset (root mean square and
        largest size inside the stretch, degrees), drift (sum of its offsets), break_above (``top``, ``gap``,
        ``not fitted`` or ``offset``), break_offset (degrees, where the break is an offset).
    """
    first = np.flatnonzero(~lines.agrees)
    last = np.append(first[1:], len(lines.row)) - 1
    inside = np.where(lines.agrees, lines.offset, 0.0)
    return pd.DataFrame(
        {
            "hole_id": runs["hole_id"].to_numpy(dtype=object)[lines.row[first]],
            "depth_from": lines.top[first],
            "depth_to": lines.bottom[last] if len(first) else np.empty(0),
            "runs": last - first + 1 if len(first) else np.empty(0, dtype=np.int64),
            "metres": _sums(lines.bottom - lines.top, first),
            "usual_offset": np.sqrt(_sums(inside**2, first) / np.maximum(last - first, 1)),
            "worst_offset": np.maximum.reduceat(np.abs(inside), first) if len(first) else np.empty(0),
            "drift": _sums(inside, first),
            "break_above": _breaks(lines)[first],
            "break_offset": lines.offset[first],
        }
    )


def _sums(values: Floats, first: Ints) -> Floats:
    """Return the sums of values from each first place to the next."""
    return np.add.reduceat(values, first) if len(first) else np.empty(0)


def _breaks(lines: Chain) -> npt.NDArray[np.object_]:
    """Return what stands between each run and the one above it, blank where nothing does."""
    same = np.append(False, lines.hole[1:] == lines.hole[:-1])[: len(lines.hole)]
    gap = np.append(0.0, lines.top[1:] - lines.bottom[:-1])[: len(lines.hole)]
    choices = [lines.agrees, lines.fitted, ~same, np.abs(gap) > TOUCH_M]
    return np.select(choices, ["", "offset", "top", "gap"], "not fitted").astype(object)


def hole_table(runs: pd.DataFrame, lines: Chain) -> pd.DataFrame:
    """Return how much of each hole's core has a line that its neighbours bear out.

    Returns
    -------
    pandas.DataFrame
        hole_id, metres (of core run), fitted (metres in runs fitted to a neighbour), oriented (metres in runs that
        agree with a neighbour), share (oriented of all metres), longest (metres of the longest locked stretch), breaks
        (number of offsets beyond the limit).
    """
    first = np.flatnonzero(np.diff(lines.hole, prepend=-1))
    length = lines.bottom - lines.top
    metres = _sums(length, first)
    fitted = _sums(np.where(lines.grade != GRADES.index("loose"), length, 0.0), first)
    oriented = _sums(np.where(lines.grade <= GRADES.index("held"), length, 0.0), first)
    return pd.DataFrame(
        {
            "hole_id": runs["hole_id"].to_numpy(dtype=object)[lines.row[first]],
            "metres": metres,
            "fitted": fitted,
            "oriented": oriented,
            "share": oriented / metres,
            "longest": _longest(lines, len(first)),
            "breaks": _sums((lines.fitted & ~lines.agrees).astype(float), first).astype(np.int64),
        }
    )


def _longest(lines: Chain, holes: int) -> Floats:
    """Return the metres of the longest locked stretch of more than one run in each hole, 0 where there is none."""
    first = np.flatnonzero(~lines.agrees)
    metres = _sums(lines.bottom - lines.top, first)
    counts = np.diff(np.append(first, len(lines.row)))
    hole = (np.cumsum(np.diff(lines.hole, prepend=-1) != 0) - 1)[first]
    out = np.zeros(holes)
    np.maximum.at(out, hole, np.where(counts > 1, metres, 0.0))
    return out
