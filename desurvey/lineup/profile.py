"""A fault seen edge-on: how far each of its picks lies from it along strike, and how well it is known there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from desurvey.lineup.answers import LineUp
from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["EdgeOn", "edge_on"]

Floats = npt.NDArray[np.float64]

STEPS = 41
"""Places along strike at which the band is given."""

LEVEL = 1e-9
"""Horizontal part of a normal below which a fault has no strike."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class EdgeOn:
    """A fault edge-on; lengths in metres.

    Attributes
    ----------
    rows : (n,) int array
        Its picks, as rows of the line-up's picks.
    along : (n,) array
        Distance of each pick from the fault's centre along strike.
    off : (n,) array
        Distance of each pick from where the picks of the other holes put the fault, across it and positive upwards.
    sigma : (n,) array
        Standard deviation of that distance: of the pick and of the others together.
    band_along, band_sigma : (k,) arrays
        Places along strike, half-way down the picks, and the standard deviation of the fault there.
    strike_deg : float
        Direction of ``along``, degrees clockwise from grid north, the fault dipping to its right; 0 for a flat one.
    """

    rows: npt.NDArray[np.int64]
    along: Floats
    off: Floats
    sigma: Floats
    band_along: Floats
    band_sigma: Floats
    strike_deg: float


def edge_on(lineup: LineUp, fault_id: str) -> EdgeOn:
    """Return how the picks of a fault lie when it is looked at along its plane.

    Parameters
    ----------
    lineup : LineUp
        What was found.
    fault_id : str
        Name of the fault.

    Raises
    ------
    DataProblem
        When there is no such fault.
    """
    fault = next((one for one in lineup.faults if one.fault_id == fault_id), None)
    if fault is None:
        raise DataProblem("there is no such fault", value=fault_id)
    picks, up = lineup.picks[fault.rows], fault.sheet.axes[2]
    flat = np.hypot(up[0], up[1])
    strike = np.array([-up[1], up[0], 0.0]) / flat if flat > LEVEL else np.array([0.0, 1.0, 0.0])
    seen, guess = fault.sheet.guess(picks)
    along = (picks.position - fault.centre) @ strike
    down = np.cross(strike, up)
    middle = float(np.median((picks.position - fault.centre) @ down))
    band = np.linspace(along.min(initial=0.0), along.max(initial=0.0), STEPS)
    places = fault.centre + band[:, None] * strike + middle * down
    inside = (places - fault.sheet.centre) @ fault.sheet.axes.T
    _, covariance = fault.sheet.surface(inside[:, :2])
    return EdgeOn(
        rows=np.asarray(fault.rows, dtype=np.int64),
        along=along,
        off=seen.value[:, 0] - guess.mean[:, 0],
        sigma=np.sqrt(guess.covariance[:, 0, 0]),
        band_along=band,
        band_sigma=np.sqrt(covariance[:, 0, 0]),
        strike_deg=float(np.rad2deg(np.arctan2(strike[0], strike[1])) % 360.0),
    )
