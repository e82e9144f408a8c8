"""Slips as the contract's table, with their covariances, and in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.directions import trend_and_plunge
from desurvey.slip.answer import Optimum, Slip
from desurvey.slip.movement import fault_axes, movement_of
from desurvey.slip.network import SURE_ODDS

__all__ = ["COVARIANCE_COLUMNS", "SLIP_COLUMNS", "covariance_table", "in_words", "said_line", "slip_table"]

Floats = npt.NDArray[np.float64]

AXES = ("e", "n", "u")

SLIP_COLUMNS = [
    "fault_id", "markers", "slip_e", "slip_n", "slip_u", "sigma_e", "sigma_n", "sigma_u", "net_slip", "net_slip_sigma",
    "dip_slip", "strike_slip", "rake", "throw", "heave", "unknown_trend", "unknown_plunge", "picks", "p_value", "odds",
]  # fmt: skip

COVARIANCE_COLUMNS = [
    "fault_id", "answer", "probability", "slip_e", "slip_n", "slip_u", "var_e", "cov_en", "cov_eu", "var_n", "cov_nu",
    "var_u", "unknown_trend", "unknown_plunge",
]  # fmt: skip

TOUCHED = 0.02
"""Part of a unit vector along the unknown direction from which a component is unknown: the sine of about a degree."""


def slip_table(slips: Sequence[Slip]) -> pd.DataFrame:
    """Return ``slip.csv``: one row a fault.

    Where a direction is unknown, ``slip_e``, ``slip_n``, ``slip_u`` are the smallest slip that fits, σ is infinite in
    each component that the unknown direction has a part in, and what depends on it is blank. Where only slip lines
    tell, the unknown direction is theirs: along it nothing says how far.
    """
    return pd.DataFrame([_row(slip) for slip in slips], columns=SLIP_COLUMNS)


def _row(slip: Slip) -> dict[str, object]:
    row: dict[str, object] = dict.fromkeys(SLIP_COLUMNS, np.nan)
    row |= {"fault_id": slip.fault_id, "markers": "; ".join(slip.markers), "picks": slip.picks}
    if not slip.optima:
        if slip.lines:
            row |= _open(slip.line if slip.line[2] <= 0.0 else -slip.line)
            row["rake"] = float(movement_of(slip.line, slip.normal).rake) if slip.told else np.nan
        return row
    best = slip.optima[0]
    row |= {f"slip_{axis}": value for axis, value in zip(AXES, best.slip, strict=True)}
    row |= {f"sigma_{axis}": value for axis, value in zip(AXES, _sigma(best, np.eye(3)), strict=True)}
    row |= {"p_value": slip.p_value, "odds": slip.odds} | _open(best.unknown)
    moved, (strike, down) = movement_of(best.slip, slip.normal), fault_axes(slip.normal)
    known = np.isfinite(_sigma(best, np.stack([down, strike, [0.0, 0.0, 1.0]])))
    row["dip_slip"], row["heave"] = (part if known[0] else np.nan for part in (moved.dip_slip, moved.heave))
    row["strike_slip"] = moved.strike_slip if known[1] else np.nan
    row["throw"] = moved.throw if known[2] else np.nan
    if best.complete:
        row |= {"net_slip": moved.net_slip, "net_slip_sigma": _sigma(best, _along(best.slip))[0]}
        row["rake"] = float(moved.rake)
    return row


def _along(slip: Floats) -> Floats:
    size = float(np.linalg.norm(slip))
    return slip[None] / size if size > 0.0 else np.eye(3)[:1]


def _sigma(best: Optimum, vectors: Floats) -> Floats:
    """Return the 1-σ of slips along unit vectors (k, 3); infinite where the unknown direction has a part in them."""
    sigma = np.sqrt(np.einsum("ki,ij,kj->k", vectors, best.covariance, vectors))
    return sigma if best.complete else np.where(np.abs(vectors @ best.unknown) > TOUCHED, np.inf, sigma)


def _open(vector: Floats) -> dict[str, float]:
    trend, plunge = trend_and_plunge(vector)
    return {"unknown_trend": float(trend), "unknown_plunge": float(plunge)}


def covariance_table(slips: Sequence[Slip]) -> pd.DataFrame:
    """Return every slip that fits with its covariance: rows for each fault, the likeliest answer first.

    Covariances are without the unknown direction, in which nothing is known.
    """
    upper = [(i, j) for i in range(3) for j in range(i, 3)]
    names = [f"var_{AXES[i]}" if i == j else f"cov_{AXES[i]}{AXES[j]}" for i, j in upper]
    rows = [
        {"fault_id": slip.fault_id, "answer": number + 1, "probability": one.weight}
        | {f"slip_{axis}": value for axis, value in zip(AXES, one.slip, strict=True)}
        | {name: one.covariance[i, j] for name, (i, j) in zip(names, upper, strict=True)}
        | _open(one.unknown)
        for slip in slips
        for number, one in enumerate(slip.optima)
    ]
    return pd.DataFrame(rows, columns=COVARIANCE_COLUMNS)


def in_words(slips: Sequence[Slip]) -> list[str]:
    """Return a sentence or a few on each fault."""
    return [" ".join(_said(slip)) for slip in slips]


def _said(slip: Slip) -> list[str]:
    name = slip.fault_id
    if not slip.optima:
        if not slip.lines:
            return [f"{name}: no marker lies on both sides and no slip line is logged; nothing is known of its slip."]
        count = f"{slip.lines} slip line{'' if slip.lines == 1 else 's'}"
        way = (
            f"the hanging wall moved towards {_way(slip.line)}"
            if slip.told
            else f"it moved along {said_line(slip.line)}"
        )
        return [f"{name}: {count} show that {way}; how far is unknown, for no marker lies on both sides."]
    best, things = slip.optima[0], " and ".join(slip.markers)
    if slip.odds < SURE_ODDS:
        said = [f"{name}: no displacement of {things} is shown (odds {slip.odds:.2g} : 1 for one)."]
        return said if best.complete else [*said, f"Slip along {said_line(best.unknown)} wouldn't show."]
    if not best.complete:
        size = float(np.linalg.norm(best.slip))
        sigma = _sigma(best, _along(best.slip))[0]
        said = [
            f"{name} moved {things} by {_amount(size, float(sigma))} towards {_way(best.slip)} at least;"
            f" slip along {said_line(best.unknown)} is unknown."
        ]
        if slip.lines:
            said.append("The slip lines run too near that direction to close it.")
        else:
            said.append("Slip lines or a second marker would tell.")
    else:
        said = [f"{name} moved the hanging wall's {things} {_parts(slip, best)}."]
        if slip.lines and len(slip.markers) == 1:
            said.append(f"That rests on {slip.lines} slip line{'' if slip.lines == 1 else 's'} too.")
    if len(slip.optima) > 1:
        shares = ", ".join(f"{_parts(slip, one)} ({one.weight:.0%})" for one in slip.optima[1:])
        said.append(f"That is {best.weight:.0%} sure; it may also be {shares}.")
    return said


def _parts(slip: Slip, one: Optimum) -> str:
    """Return a slip as so much up or down the dip and so much to a side."""
    axes, moved = fault_axes(slip.normal), movement_of(one.slip, slip.normal)
    along, down = _sigma(one, axes)
    updown = f"{_amount(float(moved.dip_slip), float(down))} {'down' if moved.dip_slip >= 0 else 'up'} the dip"
    side = f"{_amount(float(moved.strike_slip), float(along))} to the {'left' if moved.strike_slip >= 0 else 'right'}"
    return f"{updown} and {side}"


def _amount(size: float, sigma: float) -> str:
    digits = 0 if sigma >= COARSE_M else 1
    return f"{abs(size):.{digits}f} ± {sigma:.{digits}f} m"


COARSE_M = 2.0
"""σ from which whole metres are said."""


def said_line(vector: Floats) -> str:
    """Return trend and plunge of a line, either way."""
    trend, plunge = trend_and_plunge(vector)
    return f"{float(trend) % 360.0:03.0f}/{float(plunge):02.0f}"


def _way(vector: Floats) -> str:
    """Return azimuth and plunge of a direction, with a minus where it points up."""
    if vector[2] <= 0.0:
        return said_line(vector)
    trend, plunge = trend_and_plunge(vector)
    return f"{(float(trend) + 180.0) % 360.0:03.0f}/−{float(plunge):02.0f}"
