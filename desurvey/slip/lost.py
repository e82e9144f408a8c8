"""Where the pieces of a displaced marker should be in each hole: why it wasn't met, and where its other piece is.

The faults that have moved something cut the ground into blocks: each point lies above or below each of them. Moved back
to where it was, every pick lies on one surface; so does every point of a hole where it should meet the marker. Slips
are drawn from what is known of them, the surface is fitted under each, and what the draws disagree about is part of σ::

    r(d) = height of the hole at depth d, moved back, over the surface        the marker is where r passes zero

In each stretch of a hole inside one block r is close to a straight line, so the depth at which it passes zero, and its
σ, follow from r and its slope; the chance of a window is that of the depth lying inside the stretch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm

from desurvey.lineup.crossings import reach_of
from desurvey.lineup.piercing import Z95
from desurvey.lineup.shape import outline_of
from desurvey.lineup.sheet import Sheet, fitted
from desurvey.problems import DataProblem
from desurvey.ragged import numbered
from desurvey.slip.answer import Slip
from desurvey.slip.evidence import DEPTH_M, Marker, wavy_marker
from desurvey.slip.network import SURE_ODDS, FaultNetwork, MarkerPicks
from desurvey.slip.tables import said_line

if TYPE_CHECKING:
    from desurvey.lineup import Fault
    from desurvey.traces import Traces

__all__ = ["LOST_COLUMNS", "lost_pieces", "lost_words"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LOST_COLUMNS = [
    "marker", "hole_id", "block", "expected_depth", "sigma", "depth_from", "depth_to", "chance", "status",
    "logged_depth",
]  # fmt: skip

DRAWS = 24
"""Slips drawn from their covariance: enough for a variance to a third."""

STEP_M = 4.0
"""Metres between the points of a hole that are looked at."""

BEYOND_M = 100.0
"""Metres beyond the end of a hole that are looked at, as for windows of faults."""

FEWEST = 3
"""Places that fix a plane."""

LEAST_CHANCE = 0.025
"""Windows with less chance aren't given."""


def lost_pieces(
    network: FaultNetwork,
    slips: Sequence[Slip],
    found: MarkerPicks,
    holes: Traces,
    drilled: Bools,
    *,
    reach: float = 1.5,
) -> pd.DataFrame:
    """Return where each hole should meet a marker, in each block that it passes: columns :data:`LOST_COLUMNS`.

    Parameters
    ----------
    network : FaultNetwork
    slips : sequence of Slip
        One a fault. Those that haven't surely moved anything cut nothing.
    found : MarkerPicks
        The marker.
    holes : Traces
    drilled : (H,) bool array
        The others are planned.
    reach : float
        The marker is taken to go on beyond its picks for this multiple of their usual distance (as ``[lineup]``).

    Returns
    -------
    pandas.DataFrame
        Status is ``logged``, ``not_logged``, ``not_drilled`` or ``planned``. ``block`` says on which side of each
        fault: ``above F1, below F2``; blank where no fault has moved anything.

    Raises
    ------
    DataProblem
        When what is unknown of a slip would move this marker.
    """
    moved = [(fault, slip) for fault, slip in zip(network.faults, slips, strict=True) if _moves(slip)]
    faults = [fault for fault, _ in moved]
    above = _above(network, faults, found.picks.position)
    known = ~np.isnan(above).any(axis=1)
    picks, above = found.picks[np.flatnonzero(known)], above[known]
    if len(picks) < FEWEST:
        raise DataProblem(
            f"{len(picks)} places of the marker lie beside faults as far as these are known, too few for a surface",
            column="--marker",
            value=found.name,
        )
    count = np.floor((holes.end + BEYOND_M) / STEP_M).astype(np.int64) + 1
    hole, number = numbered(count)
    depth: Floats = np.asarray(number * STEP_M, dtype=np.float64)
    points = holes.at(hole, depth)
    where = _above(network, faults, points.position)
    span = float(np.linalg.norm(np.ptp(picks.position, axis=0))) + 1.0
    first = _restored(picks.position, above, [slip.optima[0].slip for _, slip in moved])
    lead = above[:, 0] > 0.0 if faults else np.zeros(len(picks), dtype=bool)
    wavy = wavy_marker(Marker(found.name, replace(picks, position=first), lead), span)
    _refuse_unknown(found.name, [slip for _, slip in moved], wavy.normal)
    sheets, heights = [], []
    for drawn in _drawn([slip for _, slip in moved]):  # each is another ground
        at = replace(picks, position=_restored(picks.position, above, drawn))
        sheet = fitted(at, np.ones((len(picks), 2), dtype=bool), wavy.habits[0], wavy.normal, turns=0)
        sheets.append(sheet)
        heights.append(_height(sheet, _restored(points.position, where, drawn)))
    height, variance = (np.array(part) for part in zip(*heights, strict=True))
    total: Floats = np.asarray(variance.mean(axis=0) + height.var(axis=0) + DEPTH_M**2)
    inside = _within(sheets[0], reach, _restored(points.position, where, [slip.optima[0].slip for _, slip in moved]))
    frame = _windows(holes, hole, depth, where, np.asarray(height.mean(axis=0)), total, inside)
    frame["block"] = [_block(faults, row) for row in frame.pop("flags")]
    return _with_status(frame.assign(marker=found.name), holes, found, drilled)


def _refuse_unknown(name: str, slips: Sequence[Slip], normal: Floats) -> None:
    for slip in slips:
        best = slip.optima[0]
        if not best.complete and abs(best.unknown @ normal) > ACROSS:
            raise DataProblem(
                f"how far {slip.fault_id} moved along {said_line(best.unknown)} is unknown, and that moves this marker",
                column="--marker",
                value=name,
                hint="name it in [slip] markers too, or log slip lines (gamma) on the fault's picks",
            )


ACROSS = 0.1
"""Sine of the angle between a marker and a slip below which the slip counts as along it: some 6°, what markers wave."""


def _moves(slip: Slip) -> bool:
    return bool(slip.optima) and slip.odds >= SURE_ODDS


def _above(network: FaultNetwork, faults: Sequence[Fault], position: Floats) -> Floats:
    """Return for each place and fault 1 above and 0 below it, NaN beyond where the fault is known, (n, F)."""
    offsets = [network.offset(fault, position)[0] for fault in faults]
    columns = [np.where(np.isnan(offset), np.nan, offset > 0.0) for offset in offsets]
    return np.stack(columns, axis=1) if columns else np.zeros((len(position), 0))


def _restored(position: Floats, above: Floats, slips: Sequence[Floats]) -> Floats:
    return position - above @ np.array(slips).reshape(-1, 3)


def _drawn(slips: Sequence[Slip]) -> list[list[Floats]]:
    """Return draws of all slips; the same ones each time."""
    if not slips:
        return [[]]
    rng = np.random.default_rng(0)
    each = [
        rng.multivariate_normal(one.optima[0].slip, one.optima[0].covariance, size=DRAWS, method="svd") for one in slips
    ]
    return [list(draw) for draw in zip(*each, strict=True)]


def _height(sheet: Sheet, position: Floats) -> tuple[Floats, Floats]:
    """Return the height of places over a surface and its variance; NaN where the place has no block."""
    local = (position - sheet.centre) @ sheet.axes.T
    height, variance = np.full(len(local), np.nan), np.full(len(local), np.nan)
    rows = np.flatnonzero(np.isfinite(local[:, 0]))
    level, covariance = sheet.surface(local[rows, :2])
    height[rows], variance[rows] = local[rows, 2] - level[:, 0], covariance[:, 0, 0]
    return height, variance


def _within(sheet: Sheet, reach: float, position: Floats) -> Bools:
    """Return which places lie beside the marker's picks, as far as it is taken to go on."""
    first = np.unique(sheet.hole, return_index=True)[1]
    hull, _ = outline_of(sheet, max(reach_of(sheet.readings.place[first], reach), STEP_M))
    place = ((position - sheet.centre) @ sheet.axes.T)[:, :2]
    return np.asarray((place @ hull[:, :2].T + hull[:, 2] <= 0.0).all(axis=1))  # False where NaN


def _windows(
    holes: Traces, hole: Ints, depth: Floats, where: Floats, height: Floats, variance: Floats, inside: Bools
) -> pd.DataFrame:
    """Return a window for each stretch of a hole in one block where the marker may be."""
    good = np.isfinite(height)
    start = np.ones(len(hole), dtype=bool)
    start[1:] = (hole[1:] != hole[:-1]) | (good[1:] != good[:-1]) | np.any(where[1:] != where[:-1], axis=1)
    start[1:] &= good[1:] | good[:-1]
    stretch = np.cumsum(start) - 1
    rows = pd.DataFrame({"stretch": stretch, "hole": hole, "depth": depth, "row": np.arange(len(hole))})[good]
    rows["nearness"] = np.abs(height[good]) / np.sqrt(variance[good])
    groups = rows.groupby("stretch")
    bounds = groups["depth"].agg(["min", "max", "size"])
    # the point of each stretch that is nearest to the marker, and the slope there
    best = rows.loc[groups["nearness"].idxmin(), "row"].to_numpy()
    bounds = bounds.assign(row=best)[bounds["size"].to_numpy() >= 2]
    row = bounds["row"].to_numpy()
    low, high = bounds["min"].to_numpy(), bounds["max"].to_numpy()
    other = np.where(depth[row] < high, row + 1, row - 1)
    slope = (height[other] - height[row]) / (depth[other] - depth[row])
    slope = np.where(np.abs(slope) < LEAST_SLOPE, np.copysign(LEAST_SLOPE, slope), slope)
    expected, sigma = depth[row] - height[row] / slope, np.sqrt(variance[row]) / np.abs(slope)
    chance = norm.cdf((high + STEP_M / 2.0 - expected) / sigma) - norm.cdf((low - STEP_M / 2.0 - expected) / sigma)
    frame = pd.DataFrame(
        {
            "hole_id": holes.hole_ids[hole[row]],
            "number": hole[row],
            "expected_depth": expected,
            "sigma": sigma,
            "depth_from": np.maximum(expected - Z95 * sigma, low),
            "depth_to": np.minimum(expected + Z95 * sigma, high),
            "chance": chance,
            "flags": list(where[row]),
        }
    )
    keep = np.flatnonzero(inside[row] & (chance >= LEAST_CHANCE))
    return frame.iloc[keep].reset_index(drop=True)


LEAST_SLOPE = 0.05
"""Sine of the angle between hole and marker below which no depth can be said; as for faults."""


def _block(faults: Sequence[Fault], flags: Floats) -> str:
    sides = zip(faults, flags, strict=True)
    return ", ".join(f"{'above' if side > 0.0 else 'below'} {fault.fault_id}" for fault, side in sides)


def _with_status(frame: pd.DataFrame, holes: Traces, found: MarkerPicks, drilled: Bools) -> pd.DataFrame:
    """Return the windows with what was logged there: the pick nearest to the expected depth, within four σ."""
    number, expected = frame["number"].to_numpy(), frame["expected_depth"].to_numpy()
    gap = np.abs(found.picks.depth - expected[:, None])
    gap = np.where(found.picks.hole == number[:, None], gap, np.inf)
    nearest = gap.argmin(axis=1)
    near = gap[np.arange(len(frame)), nearest] <= 4.0 * frame["sigma"].to_numpy()
    choices = [near, ~drilled[number], frame["depth_to"].to_numpy() > holes.end[number]]
    status = np.select(choices, ["logged", "planned", "not_drilled"], "not_logged")
    logged = np.where(near, found.picks.depth[nearest], np.nan)
    return pd.DataFrame(frame.assign(status=status, logged_depth=logged), columns=LOST_COLUMNS)


def lost_words(frame: pd.DataFrame, marker: str, slips: Sequence[Slip], holes: Sequence[str]) -> list[str]:
    """Return sentences on where a marker is, and why it wasn't met.

    Parameters
    ----------
    frame : pandas.DataFrame
        Of :func:`lost_pieces`.
    marker : str
        Its name.
    slips : sequence of Slip
    holes : sequence of str
        Holes to speak of.
    """
    movers = [slip for slip in slips if _moves(slip)]
    said = [f"No fault has surely moved {marker}; it is looked for as one surface."] if not movers else []
    return said + [sentence for hole in holes for sentence in _of_hole(frame[frame["hole_id"] == hole], hole, marker)]


def _of_hole(rows: pd.DataFrame, hole: str, marker: str) -> list[str]:
    if rows.empty:
        return [f"{hole} isn't expected to meet {marker}: it passes beside it, or where it isn't known."]
    words = {"not_logged": "isn't logged", "not_drilled": "isn't drilled yet", "planned": "is planned"}
    said = []
    for row in rows.sort_values("expected_depth").to_dict("records"):
        place = f" {row['block']}" if row["block"] else ""
        window = f"{row['depth_from']:.0f} to {row['depth_to']:.0f} m"
        if row["status"] == "logged":
            said.append(f"{hole}:{place} met at {row['logged_depth']:.1f} m, expected at {window}.")
        else:
            said.append(
                f"{hole}:{place} expected at {window} (chance {row['chance']:.0%}), which {words[row['status']]}."
            )
    return said
