"""Small exact worlds made by hand: straight holes, true planes, no noise unless asked for."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from desurvey import lineup, spread, traces

__all__ = ["at_plane", "holes", "lined_up", "picks"]

Floats = npt.NDArray[np.float64]


def holes(collars: npt.ArrayLike, azimuth: npt.ArrayLike, dip: npt.ArrayLike, end: npt.ArrayLike) -> traces.Traces:
    """Return straight holes H0, H1, … with stations every 50 m."""
    collars = np.asarray(collars, dtype=float)
    azimuth, dip, end = (np.broadcast_to(np.asarray(a, dtype=float), len(collars)) for a in (azimuth, dip, end))
    depth = np.arange(0.0, 401.0, 50.0)
    names = [f"H{i}" for i in range(len(collars))]
    offsets = np.arange(len(collars) + 1) * len(depth)
    stations = [np.tile(depth, len(collars)), np.repeat(azimuth, len(depth)), np.repeat(dip, len(depth))]
    return traces.chained(names, collars, end, offsets, *stations)


def at_plane(trace: traces.Traces, normal: Floats, point: Floats) -> Floats:
    """Return the depth at which each straight hole meets a plane."""
    first = trace.offsets[:-1]
    along = trace.tangent[first] @ normal
    return ((point - trace.position[first]) @ normal) / along


def picks(
    trace: traces.Traces,
    hole: npt.ArrayLike,
    depth: npt.ArrayLike,
    normal: Floats,
    *,
    known: npt.NDArray[np.str_] | None = None,
    distrust: npt.ArrayLike = 0.0,
) -> lineup.Picks:
    """Return picks with the given planes; ``known`` says "plane", "alpha" or "none" for each."""
    hole, depth = np.asarray(hole), np.asarray(depth, dtype=float)
    count = len(hole)
    known = np.full(count, "plane") if known is None else known
    normal = np.broadcast_to(normal, (count, 3)).astype(float)
    points = trace.at(hole, depth)
    alpha = np.arcsin(np.abs(np.einsum("ni,ni->n", normal, points.tangent)))
    error = spread.hole_spread(trace).at(hole, depth)
    pole = spread.pole_covariance(points.tangent, normal, error.direction)
    seen = np.where((known == "plane")[:, None], np.where(normal[:, 2:] < 0, -normal, normal), np.nan)
    return lineup.Picks(
        hole,
        depth,
        points.position,
        error.position,
        points.tangent,
        seen,
        pole,
        np.where(known == "none", np.nan, alpha),
        np.full(count, np.deg2rad(2.0)),
        np.broadcast_to(np.asarray(distrust, dtype=float), count),
    )


def lined_up(
    trace: traces.Traces,
    chosen: lineup.Picks,
    settings: lineup.LineupSettings | None = None,
    drilled: npt.NDArray[np.bool_] | None = None,
) -> lineup.LineUp:
    """Return the line-up of picks, which are named P0, P1 and so on."""
    names = np.array([f"P{i}" for i in range(len(chosen))])
    drilled = np.ones(len(trace.hole_ids), dtype=bool) if drilled is None else drilled
    return lineup.lined_up(chosen, names, trace, spread.hole_spread(trace), drilled, settings)
