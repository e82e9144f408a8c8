"""What a surface is built from: picks on it, orientations of it, and rock that it did not cut.

A pick is a point of a surface, with or without the surface's orientation there. An orientation measured off the
surface (bedding between two contacts, say) takes part with ``surface`` −1. Vectors are (E, N, U), lengths metres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["Picks", "Sides", "aligned", "merged", "refuse_unfixed", "spread_out", "taken"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@shown
@dataclass(frozen=True, slots=True, eq=False, init=False)
class Picks:
    """Points on surfaces and orientations of them.

    Parameters
    ----------
    position : (n, 3) array
        Where the holes met the surface.
    normal : (n, 3) array, optional
        Unit normals; rows of NaN where there is none. Either sign, unless ``polar``.
    covariance : (n, 3, 3) array, optional
        Covariance of the positions, m². Left out, the surface passes through the picks exactly.
    pole_sigma_deg : (n,) array, optional
        1-σ of the poles about each axis of their tangent plane, degrees. Left out, the orientations are honoured
        exactly.
    surface : (n,) array of int, optional
        Which of several conformable surfaces the pick lies on, counted from 0; −1: an orientation off them all. Left
        out, all picks lie on one.
    hole : (n,) array, optional
        Anything that tells the holes apart.
    polar : bool
        Whether the sign of a normal means something (it points to the younger side). Otherwise normals are axes and
        are turned to agree with their principal direction.
    """

    position: Floats
    normal: Floats
    covariance: Floats
    pole_sigma_deg: Floats
    surface: Ints
    hole: npt.NDArray[np.generic]
    polar: bool

    def __init__(
        self,
        position: npt.ArrayLike,
        normal: npt.ArrayLike | None = None,
        *,
        covariance: npt.ArrayLike | None = None,
        pole_sigma_deg: npt.ArrayLike | None = None,
        surface: npt.ArrayLike | None = None,
        hole: npt.ArrayLike | None = None,
        polar: bool = False,
    ) -> None:
        where = np.array(position, dtype=float, ndmin=2)
        n = len(where)
        given: dict[str, npt.NDArray[np.generic]] = {
            "position": where,
            "normal": np.full((n, 3), np.nan) if normal is None else np.array(normal, dtype=float),
            "covariance": np.zeros((n, 3, 3)) if covariance is None else np.array(covariance, dtype=float),
            "pole_sigma_deg": np.zeros(n) if pole_sigma_deg is None else np.array(pole_sigma_deg, dtype=float),
            "surface": np.zeros(n, dtype=np.int64) if surface is None else np.array(surface, dtype=np.int64),
            "hole": np.arange(n) if hole is None else np.array(hole),
        }
        _check(given, n)
        for name, array in given.items():
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        object.__setattr__(self, "polar", polar)

    def __len__(self) -> int:
        """Return the number of picks."""
        return len(self.position)

    @property
    def oriented(self) -> npt.NDArray[np.bool_]:
        """Which picks have a normal, (n,)."""
        return np.isfinite(self.normal[:, 0])

    @property
    def surfaces(self) -> int:
        """Number of surfaces."""
        return int(self.surface.max()) + 1 if len(self) else 0


def _check(given: dict[str, npt.NDArray[np.generic]], n: int) -> None:
    shapes = {"position": (n, 3), "normal": (n, 3), "covariance": (n, 3, 3)}
    for name, array in given.items():
        expected = shapes.get(name, (n,))
        if array.shape != expected:
            raise DataProblem(f"{name} of {n} picks must have shape {expected}", column=name, value=array.shape)
    position, normal = np.asarray(given["position"], float), np.asarray(given["normal"], float)
    if not np.isfinite(position).all():
        row = int(np.flatnonzero(~np.isfinite(position).all(axis=1))[0])
        raise DataProblem(
            "a pick's position must be three finite numbers", row=row, column="position", value=position[row]
        )
    length = np.linalg.norm(normal, axis=1)
    wrong = np.flatnonzero(np.abs(length - 1.0) > UNIT)
    if wrong.size:
        raise DataProblem("a normal must have length 1", row=int(wrong[0]), column="normal", value=length[wrong[0]])
    for name in ("covariance", "pole_sigma_deg"):
        if not np.isfinite(np.asarray(given[name], float)).all():
            raise DataProblem(f"{name} must be finite numbers", column=name)


UNIT = 1e-6
"""How far the length of a normal may be from 1: well above rounding, well below anything but a mistake."""


@shown
@dataclass(frozen=True, slots=True, eq=False, init=False)
class Sides:
    """Points of drilled rock in which a surface was not met.

    Parameters
    ----------
    position : (k, 3) array
        Points along the intervals, close enough together that the surface can't slip between them.
    interval : (k,) array of int
        Which interval each point belongs to: all points of one interval lie on the same side.
    side : (k,) array of int, optional
        +1 on the side the normals point to, −1 on the other, 0 (the default): not known; the side on which most of the
        interval lies before it is asked is kept.
    """

    position: Floats
    interval: Ints
    side: Ints

    def __init__(self, position: npt.ArrayLike, interval: npt.ArrayLike, side: npt.ArrayLike | None = None) -> None:
        where = np.array(position, dtype=float, ndmin=2)
        which = np.array(interval, dtype=np.int64)
        sign = np.zeros(len(where), dtype=np.int64) if side is None else np.array(side, dtype=np.int64)
        if where.shape != (len(which), 3) or sign.shape != which.shape:
            raise DataProblem(
                "side points need a position, an interval and a side each", value=(where.shape, which.shape)
            )
        for name, array in (("position", where), ("interval", which), ("side", sign)):
            array.setflags(write=False)
            object.__setattr__(self, name, array)


def merged(picks: Picks, distance: float) -> Picks:
    """Return the picks with those of one surface that lie within a distance of each other made one.

    Positions and normals are averaged with equal weights and their covariances accordingly. Chains merge whole, so
    the distance should be small beside the spacing of holes. A pick keeps the hole of the first of its group.
    """
    pairs = cKDTree(picks.position).query_pairs(distance, output_type="ndarray")
    pairs = pairs[picks.surface[pairs[:, 0]] == picks.surface[pairs[:, 1]]]
    if not len(pairs):
        return picks
    n = len(picks)
    graph = coo_array((np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    count, group = connected_components(graph, directed=False)
    _, first = np.unique(group, return_index=True)
    members = np.bincount(group, minlength=count)
    normal = np.where(picks.oriented[:, None], picks.normal, 0.0)
    oriented = np.bincount(group, weights=picks.oriented, minlength=count)
    total = _sum(group, count, normal)
    length = np.linalg.norm(total, axis=1, keepdims=True)
    unit = np.divide(total, length, out=np.full_like(total, np.nan), where=length > 0.0)
    variance = np.where(picks.oriented, picks.pole_sigma_deg, 0.0) ** 2
    return Picks(
        _sum(group, count, picks.position) / members[:, None],
        unit,
        covariance=_sum(group, count, picks.covariance) / (members**2)[:, None, None],
        pole_sigma_deg=np.sqrt(_sum(group, count, variance)) / np.maximum(oriented, 1),
        surface=picks.surface[first],
        hole=picks.hole[first],
        polar=picks.polar,
    )


def _sum(group: npt.NDArray[np.integer], count: int, values: Floats) -> Floats:
    out = np.zeros((count, *values.shape[1:]))
    np.add.at(out, group, values)
    return out


def aligned(picks: Picks) -> Picks:
    """Return the picks with normals that agree: axes turned towards their principal direction, polar ones as given."""
    if picks.polar or not picks.oriented.any():
        return picks
    normal = picks.normal[picks.oriented]
    axis = np.linalg.eigh(normal.T @ normal)[1][:, -1]
    axis = axis if axis[2] >= 0.0 else -axis
    turned = np.where((picks.normal @ axis < 0.0)[:, None], -picks.normal, picks.normal)
    return Picks(
        picks.position,
        turned,
        covariance=picks.covariance,
        pole_sigma_deg=picks.pole_sigma_deg,
        surface=picks.surface,
        hole=picks.hole,
        polar=True,
    )


def refuse_unfixed(picks: Picks) -> None:
    """Say why picks without any orientation can't fix a surface, where they can't.

    Raises
    ------
    DataProblem
        Fewer than three points, points on one line, or points of one hole only; several surfaces at once, for nothing
        then says how far apart their levels are.
    """
    if picks.oriented.any():
        return
    if picks.surfaces > 1:
        raise DataProblem(
            "several conformable contacts need orientations, and there is none",
            hint="give the bedding's, or build the contacts one by one",
        )
    on = picks.surface >= 0
    where = picks.position[on]
    rest = "and none has an orientation"
    if len(where) < 3:
        raise DataProblem(f"a surface needs three picks or one orientation; there are {len(where)} picks {rest}")
    if len(np.unique(picks.hole[on])) < 2:
        raise DataProblem(f"all {len(where)} picks lie on one hole, {rest}: they can't say which way the surface runs")
    spread = np.linalg.svd(where - where.mean(axis=0), compute_uv=False)
    if spread[1] < COLLINEAR * spread[0]:
        raise DataProblem(f"the {len(where)} picks lie on one line, {rest}: any plane through that line would fit them")


COLLINEAR = 1e-3
"""Ratio of the picks' second to first singular value below which they count as lying on one line (one part in a
thousand: under a metre in a kilometre, which no survey tells from zero)."""


def spread_out(where: Floats, count: int) -> Ints:
    """Return the rows, in order, of some points: each next one the farthest from those before it, from the centre."""
    chosen = np.empty(min(count, len(where)), dtype=np.int64)
    chosen[0] = np.argmin(np.sum((where - where.mean(axis=0)) ** 2, axis=1))
    nearest = np.sum((where - where[chosen[0]]) ** 2, axis=1)
    for k in range(1, len(chosen)):  # each choice hangs on the ones before it
        chosen[k] = np.argmax(nearest)
        nearest = np.minimum(nearest, np.sum((where - where[chosen[k]]) ** 2, axis=1))
    return np.sort(chosen)


def taken(picks: Picks, rows: npt.NDArray[np.int64]) -> Picks:
    """Return some of the picks, with the surfaces that are left counted from 0."""
    surface = picks.surface[rows]
    on = surface >= 0
    surface[on] = np.unique(surface[on], return_inverse=True)[1]
    return Picks(
        picks.position[rows],
        picks.normal[rows],
        covariance=picks.covariance[rows],
        pole_sigma_deg=picks.pole_sigma_deg[rows],
        surface=surface,
        hole=picks.hole[rows],
        polar=picks.polar,
    )
