"""Core angles ↔ true orientations: the kernels and the table of oriented structures.

Frame (E, N, U). ``tangent`` points down the hole; ``reference`` is the unit vector, square to the hole, at which the
orientation line lies (the low side −h, the high side h, or grid north made square to the hole). Angles are degrees:

* *alpha*, 0 to 90: acute angle between the core axis and a plane;
* *beta*, 0 to 360: clockwise, looking down the hole, from the line to the **down-hole** apex of the ellipse that the
  plane cuts on the core;
* *gamma*, 0 to 360: in the plane, clockwise, looking down the hole along its normal, from that apex to a line.

With r(β) = cos β · reference + sin β · (tangent × reference)::

    long axis  e = cos α · tangent + sin α · r
    normal     n = sin α · tangent − cos α · r          (down-hole side)
    line         = cos γ · e + sin γ · (tangent × r)

References
----------
Marjoribanks (2010), Geological Methods in Mineral Exploration and Mining, 2nd ed., appendix D: the same construction on
a stereographic net (the pole lies 90° − α from the core axis, away from the apex of the ellipse).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import curvature
from desurvey.directions import (
    HORIZONTAL,
    apparent_dip,
    dip_of_plane,
    trend_and_plunge,
    upward,
    vector_of_line,
    vector_of_plane,
)
from desurvey.problems import DataProblem
from desurvey.project import Project
from desurvey.project.loading import TO_ORIENT
from desurvey.shown import shown
from desurvey.traces import BLOCK, Traces

__all__ = [
    "STEEP_LIMIT_DEG",
    "Oriented",
    "apparent_dip",
    "core_angles",
    "dip_of_core_angles",
    "dip_of_plane",
    "gamma_of_line",
    "line_in_plane",
    "long_axis",
    "oriented",
    "oriented_frame",
    "plane_normal",
    "reference_line",
    "trend_and_plunge",
    "upward",
    "vector_of_line",
    "vector_of_plane",
]

Floats = npt.NDArray[np.float64]

STEEP_LIMIT_DEG = 2.0
"""A gravity line within this angle of vertical gives no orientation (DESIGN.md section 3: a finding, not a number)."""


def reference_line(tangent: Floats, line: npt.ArrayLike) -> Floats:
    """Return the unit vector at which the orientation line lies on the core, shape (n, 3).

    Parameters
    ----------
    tangent : (n, 3) array
        Unit tangent down the hole.
    line : (n,) array of {"low", "high", "north"}
        What the line marks: the low side, the high side, or the side towards grid north (steep holes).

    Returns
    -------
    (n, 3) array
        NaN where the line is undefined: a gravity line on a vertical hole, a north line on a flat hole that runs due
        north or south.

    Notes
    -----
    This is geometry only. That a gravity line means nothing already within 2° of vertical is judged by
    :func:`oriented`.
    """
    line = np.broadcast_to(np.asarray(line, dtype=np.str_), tangent.shape[:-1])
    high = curvature.high_side(tangent)
    north = np.array([0.0, 1.0, 0.0]) - tangent[..., 1:2] * tangent
    size = np.linalg.norm(north, axis=-1, keepdims=True)
    north = np.where(size > curvature.VERTICAL, north / np.where(size > 0, size, 1.0), np.nan)
    side = np.where(line == "low", -1.0, 1.0)[..., None]
    return np.where((line == "north")[..., None], north, side * high)


def _apex(tangent: Floats, reference: Floats, beta_deg: npt.ArrayLike) -> Floats:
    """Return r(β), the radial direction of the down-hole apex of the ellipse."""
    beta = np.deg2rad(_finite("beta", beta_deg))[..., None]
    return np.cos(beta) * reference + np.sin(beta) * _cross(tangent, reference)


def _acute(alpha_deg: npt.ArrayLike) -> Floats:
    """Return alpha in degrees; NaN, not logged, stays. Anything but 0 to 90 is no angle to the core's axis."""
    alpha = np.asarray(alpha_deg, dtype=float)
    outside = (alpha < 0.0) | (alpha > 90.0)
    if outside.any():
        raise DataProblem("alpha must lie within 0 to 90", value=alpha[outside].flat[0], hint=ALPHA_HINT)
    return alpha


ALPHA_HINT = "alpha is the acute angle in degrees between plane and core axis; NaN where none is logged"


def _finite(name: str, angle_deg: npt.ArrayLike) -> Floats:
    """Return an angle in degrees of any size, for it turns; NaN, not logged, stays."""
    angle = np.asarray(angle_deg, dtype=float)
    if np.isinf(angle).any():
        raise DataProblem(f"{name} must be a number", value=angle[np.isinf(angle)].flat[0])
    return angle


def _cross(first: Floats, second: Floats) -> Floats:
    """Return vector products, laid out component by component as our vectors are.

    ``np.cross`` lays them out row by row; not doing so saves a sixth of :func:`dip_of_core_angles`.
    """
    east, north, up = first[..., 0], first[..., 1], first[..., 2]
    e, n, u = second[..., 0], second[..., 1], second[..., 2]
    out = np.empty((3, *np.broadcast_shapes(east.shape, e.shape)))
    np.subtract(north * u, up * n, out=out[0])
    np.subtract(up * e, east * u, out=out[1])
    np.subtract(east * n, north * e, out=out[2])
    return np.moveaxis(out, 0, -1)


def plane_normal(tangent: Floats, reference: Floats, alpha_deg: npt.ArrayLike, beta_deg: npt.ArrayLike) -> Floats:
    """Return the unit normal of planes on the down-hole side, shape (n, 3).

    Parameters
    ----------
    tangent, reference : (n, 3) arrays
        Down-hole unit tangent and the direction of the orientation line.
    alpha_deg, beta_deg : (n,) arrays
        Core angles in degrees: alpha 0 to 90, beta any (it turns). NaN, not logged, gives NaN.

    Raises
    ------
    DataProblem
        When an alpha is not an acute angle, or a beta is infinite.

    Examples
    --------
    A hole that plunges 60° due north with a low-side line: alpha 30 at beta 180 is a plane dipping 30° north.

    >>> tangent = curvature.tangent(np.array([0.0]), np.deg2rad([-60.0]))
    >>> normal = plane_normal(tangent, reference_line(tangent, ["low"]), [30.0], [180.0])
    >>> [angle.round(6).item() for angle in dip_of_plane(normal)]
    [30.0, 0.0]
    """
    alpha, beta = np.deg2rad(_acute(alpha_deg)), np.deg2rad(_finite("beta", beta_deg))
    across = np.cos(alpha)
    to_line, to_side = (across * np.cos(beta))[..., None], (across * np.sin(beta))[..., None]
    normal = np.sin(alpha)[..., None] * tangent
    normal -= to_line * reference
    normal -= to_side * _cross(tangent, reference)
    return normal


def dip_of_core_angles(
    tangent: Floats, reference: Floats, alpha_deg: npt.ArrayLike, beta_deg: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Return dip and dip direction in degrees of planes logged by their core angles, for very many rows.

    The same as :func:`dip_of_plane` of :func:`plane_normal`, block by block so that the normals never leave the
    processor's cache (1.6 times as fast at a million rows, and no vectors in memory).
    """
    alpha, beta = np.broadcast_arrays(np.asarray(alpha_deg, dtype=float), np.asarray(beta_deg, dtype=float))
    dip, direction = np.empty(len(alpha)), np.empty(len(alpha))
    for start in range(0, len(alpha), BLOCK):
        rows = slice(start, start + BLOCK)
        normal = plane_normal(tangent[rows], reference[rows], alpha[rows], beta[rows])
        dip[rows], direction[rows] = dip_of_plane(normal)
    return dip, direction


def long_axis(tangent: Floats, reference: Floats, alpha_deg: npt.ArrayLike, beta_deg: npt.ArrayLike) -> Floats:
    """Return the unit vector along the ellipse's long axis towards its down-hole apex, shape (n, 3)."""
    alpha = np.deg2rad(_acute(alpha_deg))[..., None]
    return np.cos(alpha) * tangent + np.sin(alpha) * _apex(tangent, reference, beta_deg)


def line_in_plane(
    tangent: Floats,
    reference: Floats,
    alpha_deg: npt.ArrayLike,
    beta_deg: npt.ArrayLike,
    gamma_deg: npt.ArrayLike,
) -> Floats:
    """Return the unit vector of lines logged by gamma on their planes, shape (n, 3)."""
    gamma = np.deg2rad(_finite("gamma", gamma_deg))[..., None]
    square = _cross(tangent, _apex(tangent, reference, beta_deg))
    return np.cos(gamma) * long_axis(tangent, reference, alpha_deg, beta_deg) + np.sin(gamma) * square


def core_angles(tangent: Floats, reference: Floats, normal: Floats) -> tuple[Floats, Floats]:
    """Return alpha and beta in degrees of planes with the given unit normals: the inverse of :func:`plane_normal`.

    Either sign of the normal gives the same answer. Where the plane is square to the core (alpha 90) beta has no
    meaning and is NaN; where it contains the core axis (alpha 0) beta and beta + 180 are the same plane, and the one
    that belongs to the normal as given is returned.
    """
    along = np.einsum("...i,...i->...", tangent, normal)
    down_hole = np.where((along < 0.0)[..., None], -normal, normal)
    side = _cross(tangent, reference)
    towards_line = -np.einsum("...i,...i->...", down_hole, reference)
    towards_side = -np.einsum("...i,...i->...", down_hole, side)
    across = np.hypot(towards_line, towards_side)
    alpha = np.rad2deg(np.arctan2(np.abs(along), across))
    beta = np.rad2deg(np.arctan2(towards_side, towards_line)) % 360.0
    beta = np.where(beta >= 360.0, 0.0, beta)
    return alpha, np.where(across > HORIZONTAL, beta, np.nan)


def gamma_of_line(
    tangent: Floats, reference: Floats, alpha_deg: npt.ArrayLike, beta_deg: npt.ArrayLike, line: Floats
) -> Floats:
    """Return gamma in degrees (0 to 360) of unit vectors lying in planes given by their core angles."""
    along = np.einsum("...i,...i->...", line, long_axis(tangent, reference, alpha_deg, beta_deg))
    square = np.einsum("...i,...i->...", line, _cross(tangent, _apex(tangent, reference, beta_deg)))
    gamma = np.rad2deg(np.arctan2(square, along)) % 360.0
    return np.where(gamma >= 360.0, 0.0, gamma)


# -------------------------------------------------------------------------------------------------- whole tables


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Oriented:
    """Structures with their true orientation, one row each, in the order of the project's table.

    Attributes
    ----------
    table : pandas.DataFrame
        The structures as loaded.
    hole : (n,) int array
        Index of the hole in the traces, −1 where it has none.
    position, tangent : (n, 3) arrays
        Where the structure lies, and the direction of the hole there; NaN without a trace.
    reference : (n, 3) array
        Direction of the orientation line on the core; NaN where it is undefined or not said.
    normal : (n, 3) array
        Upward unit normal of the plane; NaN where there is none.
    line : (n, 3) array
        Unit vector of the line logged by gamma; NaN where there is none.
    surveyed : (n,) bool array
        True where dip and dip direction were surveyed instead of logged by core angles.
    usable : (n,) bool array
        Whether the row has a true orientation.
    why_not : (n,) str array
        The reason where it has none, else "".
    """

    table: pd.DataFrame
    hole: npt.NDArray[np.int64]
    position: Floats
    tangent: Floats
    reference: Floats
    normal: Floats
    line: Floats
    surveyed: npt.NDArray[np.bool_]
    usable: npt.NDArray[np.bool_]
    why_not: npt.NDArray[np.str_]

    def __post_init__(self) -> None:
        """Check that every attribute has one row a structure, and freeze the arrays."""
        for item in fields(self):
            value = getattr(self, item.name)
            if len(value) != len(self.table):
                raise ValueError(f"{item.name} has {len(value)} rows, the table {len(self.table)}")
            if isinstance(value, np.ndarray):
                value.setflags(write=False)


def oriented(project: Project, traces: Traces) -> Oriented:
    """Return the true orientation of every structure of a project, or the reason why it has none.

    Raises
    ------
    DataProblem
        When the table of structures or that of runs is named and can't be used.
    """
    project.require(*TO_ORIENT)
    table = project.structures
    hole = traces.index(table["hole_id"].to_numpy(dtype=np.str_))
    points = traces.at(hole, table["depth"].to_numpy(dtype=float))
    reference = reference_line(points.tangent, table["line"].to_numpy(dtype=np.str_))
    alpha, beta, gamma, dip, direction = (
        table[name].to_numpy(dtype=float) for name in ("alpha", "beta", "gamma", "dip", "dip_direction")
    )
    surveyed = np.isfinite(dip) & (np.isfinite(direction) | (dip == 0.0))
    why_not = _why_not(project, hole, points.tangent, reference, surveyed)
    usable = why_not == ""

    sound = np.where(usable, 1.0, np.nan)  # the kernels refuse what a wrong row may hold
    alpha, beta, gamma, dip = sound * alpha, sound * beta, sound * gamma, sound * dip
    beta = np.where(alpha == SQUARE_DEG, np.nan_to_num(beta), beta)  # beta means nothing there: any value will do
    reference_or_any = np.where(np.isfinite(reference), reference, _any_square(points.tangent))
    logged = plane_normal(points.tangent, reference_or_any, alpha, beta)
    normal = np.where(surveyed[:, None], vector_of_plane(dip, direction), upward(logged))
    normal = np.where(usable[:, None], normal, np.nan)
    has_line = (usable & ~surveyed & (alpha != SQUARE_DEG))[:, None]
    line = np.where(has_line, line_in_plane(points.tangent, reference, alpha, beta, gamma), np.nan)
    return Oriented(table, hole, points.position, points.tangent, reference, normal, line, surveyed, usable, why_not)


SQUARE_DEG = 90.0
"""Alpha at which the plane is square to the core: no beta, and no apex for gamma to count from."""


def _any_square(tangent: Floats) -> Floats:
    """Return some unit vector square to the hole, for planes that need no particular one."""
    across = _cross(tangent, np.where(np.abs(tangent[:, :1]) < 0.9, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]))
    size: Floats = np.linalg.norm(across, axis=1, keepdims=True)
    return across / size


def _why_not(
    project: Project, hole: npt.NDArray[np.int64], tangent: Floats, reference: Floats, surveyed: npt.NDArray[np.bool_]
) -> npt.NDArray[np.str_]:
    """Return why each structure has no orientation, the gravest reason first, "" where it has one."""
    table = project.structures
    wrong = np.full(len(table), "", dtype=object)
    for place, finding in project.wrong_rows("structures").items():
        wrong[place] = finding.message
    broken = {name: f"the hole has no trace: {finding.message}" for name, finding in project.broken_holes.items()}
    alpha, beta = table["alpha"].to_numpy(dtype=float), table["beta"].to_numpy(dtype=float)
    square = alpha == SQUARE_DEG
    north = (table["line"] == "north").to_numpy()
    steep = np.hypot(tangent[:, 0], tangent[:, 1]) < np.sin(np.deg2rad(STEEP_LIMIT_DEG))
    undefined = np.any(np.isnan(reference), axis=1)
    reasons: list[tuple[npt.NDArray[np.bool_], str | npt.NDArray[np.str_]]] = [
        (wrong != "", wrong.astype(np.str_)),
        (hole < 0, _texts(table["hole_id"], broken, "the hole has no collar")),
        (surveyed, ""),
        (np.isnan(alpha) & np.isnan(beta), "no angle is logged"),
        (np.isnan(alpha), "beta is logged but no alpha"),
        (square, ""),
        (np.isnan(beta), "only alpha is logged: the pole lies somewhere on a cone about the hole"),
        ((table["line"] == "").to_numpy(), "nothing says what its line marks"),
        (~north & steep, f"within {STEEP_LIMIT_DEG:g}° of vertical a gravity line has no direction"),
        (undefined, "on a flat hole along north a north line has no direction"),
    ]
    texts = [np.broadcast_to(np.asarray(text, dtype=np.str_), hole.shape) for _, text in reasons]
    return np.select([where for where, _ in reasons], texts, default="")


def _texts(keys: pd.Series, texts: Mapping[Any, str], otherwise: str) -> npt.NDArray[np.str_]:
    return keys.astype(object).map(texts).astype(object).fillna(otherwise).to_numpy(dtype=np.str_)


def oriented_frame(structures: Oriented) -> pd.DataFrame:
    """Return the structures with position and true orientation as a table: the ``orient`` command's columns.

    A column of the person's own that has the name of one of ours keeps its values under ``NAME_in_file``.
    """
    frame = structures.table.drop(columns="row").copy()
    dip, direction = dip_of_plane(structures.normal)
    trend, plunge = trend_and_plunge(structures.line)
    new = {
        "easting": structures.position[:, 0],
        "northing": structures.position[:, 1],
        "elevation": structures.position[:, 2],
        "dip": dip,
        "dip_direction": direction,
        "trend": trend,
        "plunge": plunge,
        "usable": np.where(structures.usable, "yes", "no"),
        "why_not": structures.why_not.astype(object),
    }
    own = {name: f"{name}_in_file" for name in new if name in frame.columns and name not in {"dip", "dip_direction"}}
    frame = frame.rename(columns=own).drop(columns=["dip", "dip_direction"])
    return pd.concat([frame, pd.DataFrame(new, index=frame.index)], axis=1)
