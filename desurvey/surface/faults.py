"""Faults of the line-up as surfaces: their picks, and the drilled rock that they did not cut."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from desurvey.lineup import Fault, LineUp
from desurvey.lineup.sheet import DISPLACED_M
from desurvey.problems import DataProblem, nearest
from desurvey.ragged import numbered
from desurvey.spread import pole_sigma_deg
from desurvey.surface.clip import Outside, beyond_older
from desurvey.surface.extract import Edge, Extracted, LevelOf, extracted
from desurvey.surface.fit import fit
from desurvey.surface.mesh import Mesh
from desurvey.surface.model import Options
from desurvey.surface.picks import Picks, Sides
from desurvey.traces import Traces

__all__ = ["fault_mesh", "fault_number", "fault_picks", "fault_sides", "fault_surface", "sides_along"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def fault_surface(
    found: LineUp,
    fault_id: str,
    options: Options,
    *,
    edge: Edge | None = None,
    older: str = "",
    limits: tuple[Outside, ...] = (),
    with_sides: bool = False,
) -> Extracted:
    """Return a fault of the line-up as a mesh, with its 1-σ in metres at each vertex.

    Parameters
    ----------
    found : LineUp
        The line-up.
    fault_id : str
        Which fault.
    options : Options
        How the surface is built.
    edge : Edge, optional
        Where it ends; left out, at the reach that the line-up states for it.
    older : str
        Name of an older fault at which this one ends.
    limits : tuple of callables
        Further limits, such as the ground.
    with_sides : bool
        Whether drilled rock without the fault keeps to its side of it: only where logging is known to be complete.

    Raises
    ------
    DataProblem
        When there is no such fault, its picks can't fix a surface, or nothing of it is left inside the limits.
    """
    number = fault_number(found, fault_id)
    picks = fault_picks(found, number)
    edge = edge or Edge("hull", found.faults[number].reach)
    field = fit(picks, options)
    if with_sides:
        field = fit(picks, options, fault_sides(found, number, edge.limit(picks.position, field.model)))
    if older:
        cut = fit(fault_picks(found, fault_number(found, older)), options)
        limits = (*limits, beyond_older(LevelOf(cut, 0), picks.position))
    return extracted(field, edge=edge, limits=limits)


RINGS = 6
"""Rings of points from the middle of a fault to its outline: enough for a gentle curve."""


def fault_mesh(fault: Fault) -> Mesh:
    """Return a fault's surface as triangles: rings of points that shrink from its outline to its middle."""
    sheet = fault.sheet
    outline = ((fault.outline - sheet.centre) @ sheet.axes.T)[:, :2]
    corners, middle = len(outline), outline.mean(axis=0)
    shares = np.arange(RINGS, 0, -1) / RINGS
    place = np.vstack([(middle + shares[:, None, None] * (outline - middle)).reshape(-1, 2), middle])
    height, covariance = sheet.surface(place)
    local = np.column_stack([place, height[:, 0]])
    sigma = np.sqrt(np.maximum(covariance[:, 0, 0], 0.0))
    return Mesh(sheet.centre + local @ sheet.axes, _rings(corners), sigma)


def _rings(corners: int) -> npt.NDArray[np.int64]:
    """Return the triangles between rings of ``corners`` points each, and of the innermost with the middle."""
    here = np.arange(corners)
    after = (here + 1) % corners
    triangles = []
    for ring in range(RINGS - 1):
        outer, inner = ring * corners, (ring + 1) * corners
        triangles.append(np.stack([outer + here, outer + after, inner + here], axis=1))
        triangles.append(np.stack([inner + here, outer + after, inner + after], axis=1))
    last = (RINGS - 1) * corners
    triangles.append(np.stack([last + here, last + after, np.full(corners, RINGS * corners)], axis=1))
    return np.concatenate(triangles)


def fault_number(found: LineUp, fault_id: str) -> int:
    """Return the index of a named fault.

    Raises
    ------
    DataProblem
        When the line-up has no fault of that name.
    """
    names = [fault.fault_id for fault in found.faults]
    if fault_id not in names:
        hint = nearest(fault_id, names) or f"the line-up found {', '.join(names) or 'no fault'}"
        raise DataProblem("there is no such fault in the line-up", column="fault_id", value=fault_id, hint=hint)
    return names.index(fault_id)


def fault_picks(found: LineUp, number: int) -> Picks:
    """Return the picks of a fault, with orientations only where the line-up believes them.

    Picks that a person put there against the evidence have no part in it; those that seem displaced along their holes
    have little, and each counts for as much as it is surely of this fault: by its probability. The poles' σ is that of
    the reading and of the fault's own small-scale scatter together: a surface is asked to follow the fault, not each
    of its ripples.
    """
    rows = np.flatnonzero((found.group == number) & ~found.forced)
    known = found.picks
    believed = found.trusted[rows] & np.isfinite(known.normal[rows, 0])
    scatter = np.rad2deg(found.faults[number].sheet.habit.scatter)
    off = DISPLACED_M**2 * found.displaced[rows]
    along = known.tangent[rows, :, None] * known.tangent[rows, None, :]
    sure = np.clip(found.probability[rows, number], LEAST_SURE, 1.0)
    sigma = np.hypot(np.nan_to_num(pole_sigma_deg(known.pole_covariance[rows])), scatter)
    return Picks(
        known.position[rows],
        np.where(believed[:, None], known.normal[rows], np.nan),
        covariance=(known.position_covariance[rows] + off[:, None, None] * along) / sure[:, None, None],
        pole_sigma_deg=np.where(believed, sigma, 0.0),
        hole=found.hole_ids[rows],
    )


LEAST_SURE = 0.05
"""Probability as whose a less probable pick counts, so that its covariance stays a number to reckon with."""


def fault_sides(found: LineUp, number: int, within: Outside, spacing: float = 10.0) -> Sides:
    """Return points of drilled rock that a fault did not cut, inside a limit.

    Parameters
    ----------
    found : LineUp
        The line-up.
    number : int
        Which fault.
    within : callable
        Metres beyond the fault's extent, negative inside (:mod:`desurvey.surface.clip`): farther out its absence says
        nothing.
    spacing : float
        Metres between points along a hole.

    Notes
    -----
    A fault may have been drilled through and not logged (the line-up's ``windows``), so these points are an
    assumption: ask for them where logging is known to be complete.
    """
    rows = np.flatnonzero(found.group == number)
    holes = np.flatnonzero(found.drilled)
    return sides_along(
        found.traces,
        holes,
        (found.picks.hole[rows], found.picks.depth[rows]),
        within=within,
        spacing=spacing,
        clear=found.settings.zone_m,
    )


def sides_along(
    traces: Traces,
    holes: Ints,
    met: tuple[Ints, Floats],
    *,
    within: Outside,
    spacing: float,
    clear: float,
) -> Sides:
    """Return points along holes, in intervals that end where a surface was met.

    Parameters
    ----------
    traces : Traces
        All holes.
    holes : (h,) array of int
        Which of them to look at.
    met : pair of (m,) arrays
        Hole and depth of each pick.
    within : callable
        Limit of the surface.
    spacing : float
        Metres between points.
    clear : float
        Metres next to a pick that are left out: the pick itself speaks there.
    """
    count = np.floor(traces.end[holes] / spacing).astype(np.int64) + 1
    place, number = numbered(count)
    hole, depth = holes[place], number * spacing
    far = 2.0 * float(max(traces.end.max(initial=0.0), np.max(met[1], initial=0.0))) + 1.0
    picks = np.sort(met[0] * far + met[1])
    here = hole * far + depth
    interval = np.searchsorted(picks, here) + hole * (len(picks) + 1)
    below, above = np.append(picks, np.inf), np.insert(picks, 0, -np.inf)
    place = np.searchsorted(picks, here)
    near = (below[place] - here < clear) | (here - above[place] < clear)
    position = traces.at(hole, depth).position
    keep = ~near & (within(position) < 0.0)
    return Sides(position[keep], interval[keep])
