"""What is said of a fault once its picks are known: best plane, curvature if they ask for it, fit, extent.

The plane is fitted by generalised least squares with the full covariance of the readings (positions, planes, alphas and
waviness), so its own covariance is honest; chi² and p say whether the picks line up as well as their errors and
ordinary waviness allow. A quadratic surface is taken instead when the Bayesian information criterion prefers it.

References
----------
Schwarz (1978), Annals of Statistics 6:461: the criterion. Generalised least squares: any textbook of statistics.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import stats

from desurvey.lineup.crossings import reach_of
from desurvey.lineup.grouping import Grouping, Problem
from desurvey.lineup.picks import Picks
from desurvey.lineup.sheet import FEWEST_FOR_CURVATURE, Readings, Sheet, design_of, fitted, joint_covariance
from desurvey.orient import dip_of_plane
from desurvey.shown import shown

__all__ = ["Fault", "Fit", "fault_of", "faults_of", "outline_of", "plane_fit"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

CORNERS = 24
"""Corners of the circle of reach about each pick."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A plane or quadratic surface fitted to readings.

    Attributes
    ----------
    unknowns : (3,) or (6,) array
        Offset (m) and slopes of the plane in the frame, then second derivatives uu, uv, vv (1/m).
    covariance : (p, p) array
        Of the unknowns.
    chi2 : float
        Weighted sum of squared residuals.
    dof : int
        Readings less unknowns.
    """

    unknowns: Floats
    covariance: Floats
    chi2: float
    dof: int

    @property
    def criterion(self) -> float:
        """Bayesian information criterion, up to a constant of the data."""
        return float(self.chi2 + len(self.unknowns) * np.log(max(self.dof + len(self.unknowns), 1)))

    @property
    def p_value(self) -> float:
        """Probability of a worse fit if the picks are one fault; NaN without degrees of freedom."""
        return float(stats.chi2.sf(self.chi2, self.dof)) if self.dof > 0 else float("nan")


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Fault:
    """A fault and what is known of it.

    Attributes
    ----------
    fault_id : str
        F1, F2, … by the number of holes and picks, or the name that it had before (:mod:`.naming`).
    rows : (n,) int array
        Its picks, those too that a person put there (:class:`.LineUp`, ``forced``).
    sheet : Sheet
        The surface with its uncertainty; ``sheet.centre`` and ``sheet.axes`` are the frame of the fits.
    fit : Fit
        The plane (also where the fault is curved).
    surface : Fit
        What chi² and p are of: the plane, or the quadratic surface.
    normal : (3,) array
        Upward unit normal of the plane.
    centre : (3,) array
        Centroid of the picks, moved on to the plane.
    axes : (3, 3) array
        Rows: along strike, down dip, upward normal.
    dip, dip_direction, dip_sigma : float
        Degrees.
    rms_m, rms_deg : float
        Root-mean-square distance of the picks from the surface, and angle of their planes with it.
    curvature : (3,) array
        Second derivatives uu, uv, vv of the surface in the sheet's frame, 1/m; zeros for a plane.
    hull : (k, 3) array
        Convex outline in the frame as lines a·u + b·v + c ≤ 0, (a, b) of unit length.
    outline : (q, 3) array
        Corners of the extent, on the surface, easting, northing, elevation.
    reach : float
        How far the extent goes beyond the outermost picks, metres.
    colour : int
        Place of its colour in the palette, which it keeps like its name (:mod:`.naming`).
    """

    fault_id: str
    rows: Ints
    sheet: Sheet
    fit: Fit
    surface: Fit
    normal: Floats
    centre: Floats
    axes: Floats
    dip: float
    dip_direction: float
    dip_sigma: float
    rms_m: float
    rms_deg: float
    curvature: Floats
    hull: Floats
    outline: Floats
    reach: float
    colour: int = 0

    @property
    def shape(self) -> str:
        """``plane`` or ``curved``."""
        return "curved" if self.sheet.curved else "plane"

    def contains(self, place: Floats) -> Bools:
        """Return whether places (u, v) in the sheet's frame lie within the extent, shape (m,)."""
        return np.asarray((place @ self.hull[:, :2].T + self.hull[:, 2] <= 1e-9).all(axis=1))


def plane_fit(seen: Readings, covariance: Floats, *, curved: bool = False) -> Fit:
    """Return the generalised least-squares plane (or quadratic surface) through readings.

    Parameters
    ----------
    seen : Readings
        n of them.
    covariance : (3n, 3n) array
        Of waviness and noise.
    curved : bool
        Add three second derivatives to the plane's three unknowns.
    """
    design = design_of(seen, curved=curved)
    there = np.any(seen.rows != 0.0, axis=2).ravel()
    design, value, covariance = design[there], seen.value.ravel()[there], covariance[np.ix_(there, there)]
    lower = np.linalg.cholesky(covariance)
    design, value = np.linalg.solve(lower, design), np.linalg.solve(lower, value)
    unknowns, _, rank, _ = np.linalg.lstsq(design, value, rcond=None)
    miss = value - design @ unknowns
    covariance = np.asarray(np.linalg.pinv(design.T @ design), dtype=float)
    return Fit(np.asarray(unknowns, dtype=float), covariance, float(miss @ miss), len(value) - int(rank))


def faults_of(problem: Problem, state: Grouping) -> tuple[Fault, ...]:
    """Return the faults of a partition, the largest first."""
    picks = problem.picks
    members = [np.flatnonzero(state.group == number) for number in range(len(state.sheets))]
    size = [(len(np.unique(picks.hole[rows])), len(rows)) for rows in members]
    order = sorted(range(len(members)), key=lambda k: (-size[k][0], -size[k][1], members[k][0]))
    return tuple(
        replace(fault_of(f"F{place + 1}", problem, members[k], state.believed, state.sheets[k].axes[2]), colour=place)
        for place, k in enumerate(order)
    )


def fault_of(fault_id: str, problem: Problem, rows: Ints, believed: Bools, normal: Floats) -> Fault:
    """Return one fault from its picks."""
    picks = problem.picks[rows]
    sheet = fitted(picks, believed[rows], problem.habit, normal)
    fit, surface = _fits(sheet, len(np.unique(picks.hole)))
    if len(surface.unknowns) > 3:
        sheet = fitted(picks, believed[rows], problem.habit, sheet.axes[2], curved=True, turns=0)
    up = np.array([-fit.unknowns[1], -fit.unknowns[2], 1.0]) @ sheet.axes
    up = up / np.linalg.norm(up) * (1.0 if up[2] >= 0.0 else -1.0)
    axes, dip, direction, sigma = _attitude(sheet, fit, up)
    first = np.unique(picks.hole, return_index=True)[1]
    reach = max(reach_of(sheet.readings.place[first], problem.settings.reach), problem.settings.zone_m)
    hull, outline = outline_of(sheet, reach)
    curvature = surface.unknowns[3:] if len(surface.unknowns) > 3 else np.zeros(3)
    rms_m, rms_deg = _misfit(sheet, surface, picks)
    centre = sheet.centre + fit.unknowns[0] * sheet.axes[2]
    return Fault(
        fault_id, rows, sheet, fit, surface, up, centre, axes, dip, direction, sigma, rms_m, rms_deg, curvature, hull,
        outline, reach,
    )  # fmt: skip


def _fits(sheet: Sheet, holes: int) -> tuple[Fit, Fit]:
    """Return the plane, and whichever of plane and quadratic surface the criterion prefers."""
    covariance = joint_covariance(sheet.readings, sheet.hole, sheet.habit)
    plane = plane_fit(sheet.readings, covariance)
    if holes < FEWEST_FOR_CURVATURE:
        return plane, plane
    curved = plane_fit(sheet.readings, covariance, curved=True)
    return plane, curved if curved.criterion < plane.criterion else plane


def _attitude(sheet: Sheet, fit: Fit, up: Floats) -> tuple[Floats, float, float, float]:
    """Return axes along strike and down dip, dip, dip direction, and the standard deviation of the dip, degrees."""
    dip, direction = (float(part) for part in dip_of_plane(up))
    flat = np.hypot(up[0], up[1])
    strike = np.array([-up[1], up[0], 0.0]) / flat if flat > 1e-9 else np.array([1.0, 0.0, 0.0])
    down = np.cross(strike, up)
    down = -down if down[2] > 0.0 else down
    strike = np.cross(down, up)
    share = sheet.axes[:2] @ down  # the slope along the dip is this combination of the two slopes
    sigma = float(np.rad2deg(np.sqrt(share @ fit.covariance[1:3, 1:3] @ share)))
    return np.array([strike, down, up]), dip, direction, sigma


def _misfit(sheet: Sheet, surface: Fit, picks: Picks) -> tuple[float, float]:
    """Return the root-mean-square distance from the surface (m) and angle with it (degrees; NaN without planes)."""
    seen = sheet.readings
    miss = seen.value - (design_of(seen, curved=len(surface.unknowns) > 3) @ surface.unknowns).reshape(-1, 3)
    angle = np.rad2deg(np.hypot(miss[:, 1], miss[:, 2])[np.any(seen.rows[:, 2] != 0.0, axis=1)])
    distance = float(np.sqrt(np.mean(miss[:, 0] ** 2)))
    return distance, float(np.sqrt(np.mean(angle**2))) if len(angle) else float("nan")


def outline_of(sheet: Sheet, reach: float) -> tuple[Floats, Floats]:
    """Return the extent of a fault: the convex hull of circles of ``reach`` about its picks.

    Returns
    -------
    hull : (k, 3) array
        Lines a·u + b·v + c ≤ 0.
    outline : (q, 3) array
        Corners on the fitted surface, easting, northing, elevation.
    """
    from scipy.spatial import ConvexHull  # spatial is slow to import and only the line-up needs it

    turn = 2 * np.pi * np.arange(CORNERS) / CORNERS
    ring = reach / np.cos(np.pi / CORNERS) * np.column_stack([np.cos(turn), np.sin(turn)])
    corners = (sheet.readings.place[:, None] + ring).reshape(-1, 2)
    hull = ConvexHull(corners)
    place = corners[hull.vertices]
    local = np.column_stack([place, sheet.level(place)])
    return hull.equations, sheet.centre + local @ sheet.axes
