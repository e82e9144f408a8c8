"""What a hole would win: how much better each fault would be known, and from which pad most is met squarely.

A pick where a hole meets a fault is one more reading of its surface. The surface's covariance says what it would teach
before it is drilled: with c the covariance of the surface at a place with that at the meeting, s² its variance there
and r² the pick's own::

    variance' = variance − c² / (s² + r²)

which needs no value of the reading. It is what to expect *if* the fault is there.

References
----------
Rasmussen, Williams (2006), Gaussian processes for machine learning, equation 2.26: the posterior doesn't depend on the
values that are read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.aim import RigLimits, ahead, meetings, points_all_over
from desurvey.problems import DataProblem
from desurvey.traces import Traces, chained

if TYPE_CHECKING:
    from desurvey.lineup import Fault, LineUp

__all__ = ["PAD_COLUMNS", "SQUARE_DEG", "narrowed", "rank_pads"]

Floats = npt.NDArray[np.float64]

SQUARE_DEG = 45.0
"""Angle to a fault from which a hole meets it squarely (common practice, no source)."""

AZIMUTH_STEP, DIP_STEP = 15.0, 7.5
"""Degrees between the directions that are tried from a pad."""

PLACES = 150
"""Places of a fault over which its σ is averaged."""

STATION_M = 30.0
"""Metres between the stations of a hole that is tried."""

PAD_COLUMNS = [
    "rank", "collar", "easting", "northing", "elevation", "azimuth", "dip", "length", "squarely", "met", "sigma_won",
]  # fmt: skip


def narrowed(lineup: LineUp, met: pd.DataFrame) -> pd.DataFrame:
    """Return how well each fault is known on average over its extent, now and with one meeting logged.

    Parameters
    ----------
    lineup : LineUp
        The faults.
    met : pandas.DataFrame
        Meetings (:func:`desurvey.aim.meetings`), each taken by itself.

    Returns
    -------
    pandas.DataFrame
        The meetings with ``sigma_before`` and ``sigma_after``: 1 σ across the fault, metres.
    """
    out = met.assign(sigma_before=np.nan, sigma_after=np.nan)
    for fault in lineup.faults:
        mine = (out["fault_id"] == fault.fault_id).to_numpy()
        if mine.any():
            out.loc[mine, ["sigma_before", "sigma_after"]] = _narrowed(fault, out[mine])
    return out


def _narrowed(fault: Fault, met: pd.DataFrame) -> Floats:
    sheet, everywhere = fault.sheet, _places(fault)
    points = met[["easting", "northing", "elevation"]].to_numpy(dtype=float)
    at = ((points - sheet.centre) @ sheet.axes.T)[:, :2]
    # the window's σ along the hole is that across the fault over the sine of the angle: surface and pick together
    across = met["sigma"].to_numpy(dtype=float) * np.sin(np.deg2rad(met["pierce_angle"].to_numpy(dtype=float)))
    variance = sheet.surface(everywhere)[1][:, 0, 0]
    left = variance[:, None] - sheet.shared(everywhere, at) ** 2 / across**2
    return np.column_stack([np.full(len(met), np.sqrt(variance).mean()), np.sqrt(np.maximum(left, 0.0)).mean(axis=0)])


def _places(fault: Fault) -> Floats:
    points = points_all_over(fault)
    points = points[:: max(len(points) // PLACES, 1)] if len(points) else fault.centre[None]
    return np.asarray(((points - fault.sheet.centre) @ fault.sheet.axes.T)[:, :2])


def rank_pads(lineup: LineUp, pads: pd.DataFrame, limits: RigLimits, file: str = "pads.csv") -> pd.DataFrame:
    """Return the best hole of each of some pads, the best pad first.

    Ranked by how many faults are met squarely (45° and more) within their extent, then by σ won over all of them, then
    by length: a hole ends where the last window of those ends.

    Parameters
    ----------
    lineup : LineUp
        The faults.
    pads : pandas.DataFrame
        ``collar`` or ``hole_id`` (a name), easting, northing, elevation.
    limits : RigLimits
        What the rig can do: sector, steepest and flattest dip, longest hole.
    file : str
        Of the pads, for messages.

    Returns
    -------
    pandas.DataFrame
        rank, collar, easting, northing, elevation, azimuth, dip (at the collar), length, squarely (how many), met
        (which, with depth and angle), sigma_won (metres, added up over the faults).

    Raises
    ------
    DataProblem
        When the table lacks a column or a coordinate.
    """
    names, place = _pads(pads, file)
    holes, tried = _tried(place, limits)
    known = ahead(holes, lineup.spread)
    met = meetings(lineup, known.traces, known)
    met = met[(met["depth_to"] <= limits.longest) & met["within_extent"] & (met["pierce_angle"] >= SQUARE_DEG)]
    met = narrowed(lineup, met).assign(won=lambda rows: rows["sigma_before"] - rows["sigma_after"])
    met["number"] = met["hole_id"].astype(int)
    met = met.sort_values(["number", "depth"])
    met["said"] = [
        f"{row['fault_id']} at {row['depth']:.0f} m ({row['pierce_angle']:.0f}°)" for row in met.to_dict("records")
    ]
    groups = met.groupby("number")
    tried = tried.assign(
        squarely=groups.size().reindex(tried.index, fill_value=0),
        sigma_won=groups["won"].sum().reindex(tried.index, fill_value=0.0),
        length=groups["depth_to"].max().reindex(tried.index),
        met=groups["said"].agg(", ".join).reindex(tried.index, fill_value=""),
    )
    order = tried.sort_values(["squarely", "sigma_won", "length"], ascending=[False, False, True], kind="stable")
    best = order.drop_duplicates("pad").reset_index(drop=True)
    best["rank"] = np.arange(1, len(best) + 1)
    best["collar"] = names[best["pad"].to_numpy()]
    best[["easting", "northing", "elevation"]] = place[best["pad"].to_numpy()]
    return best[PAD_COLUMNS]


def _pads(pads: pd.DataFrame, file: str) -> tuple[npt.NDArray[np.str_], Floats]:
    name = next((column for column in ("collar", "hole_id", "pad") if column in pads), None)
    lacking = [column for column in ("easting", "northing", "elevation") if column not in pads]
    if name is None or lacking:
        wanted = ", ".join(["collar"] * (name is None) + lacking)
        raise DataProblem("pads need collar, easting, northing, elevation", file=file, value=f"no {wanted}")
    place = np.column_stack(
        [pd.to_numeric(pads[c], errors="coerce").to_numpy(dtype=float) for c in ("easting", "northing", "elevation")]
    )
    wrong = np.flatnonzero(~np.isfinite(place).all(axis=1))
    if len(wrong) or not len(place):
        row = int(wrong[0]) + 2 if len(wrong) else None
        raise DataProblem("each pad needs three coordinates", file=file, row=row)
    return pads[name].astype(str).to_numpy(dtype=np.str_), place


def _tried(place: Floats, limits: RigLimits) -> tuple[Traces, pd.DataFrame]:
    """Return straight holes in all directions that the rig can drill from each pad, and what each is."""
    sector = (limits.azimuth_to - limits.azimuth_from) % 360.0 or 360.0
    azimuth = limits.azimuth_from + np.arange(0.0, sector, AZIMUTH_STEP)
    dip = np.unique(np.append(np.arange(limits.dip_from, limits.dip_to, DIP_STEP), limits.dip_to))
    grid = np.stack(np.meshgrid(np.arange(len(place)), azimuth % 360.0, dip, indexing="ij"), axis=-1).reshape(-1, 3)
    tried = pd.DataFrame(grid, columns=["pad", "azimuth", "dip"]).astype({"pad": int})
    depth = np.append(np.arange(0.0, limits.longest, STATION_M), limits.longest)
    count = len(tried)
    holes = chained(
        [str(number) for number in range(count)],
        place[tried["pad"].to_numpy()],
        np.full(count, limits.longest),
        np.arange(count + 1) * len(depth),
        np.tile(depth, count),
        np.repeat(tried["azimuth"].to_numpy(), len(depth)),
        np.repeat(tried["dip"].to_numpy(), len(depth)),
    )
    return holes, tried
