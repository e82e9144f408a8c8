"""Faults of the line-up as surfaces: their picks, and the drilled rock that they did not cut."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import numpy.typing as npt

from desurvey.lineup import Fault, LineUp
from desurvey.lineup.sheet import Sheet
from desurvey.problems import DataProblem, nearest
from desurvey.ragged import numbered
from desurvey.shown import shown
from desurvey.surface.clip import Outside, beyond_older
from desurvey.surface.extract import Edge, Extracted, LevelOf, extracted
from desurvey.surface.mesh import Mesh
from desurvey.surface.picks import Picks, Sides
from desurvey.surface.sides import clearance_of, respected
from desurvey.traces import Traces

__all__ = ["FaultField", "fault_mesh", "fault_number", "fault_sides", "fault_surface", "sides_along"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class FaultField:
    """A fault of the line-up as a field: metres above its sheet along the pole of its reference plane.

    There is one model of a fault: this is the sheet by which the line-up weighs picks and predicts windows.

    Attributes
    ----------
    sheet : Sheet
        The fault as the line-up has it.
    picks : Picks
        Its picks.
    held : (k, 2) array
        Places (u, v) in the sheet's frame at which the surface is held off rock that it did not cut.
    force : (k,) array
        By how much each holds it, 1/m.
    """

    sheet: Sheet
    picks: Picks
    held: Floats
    force: Floats

    @classmethod
    def of(cls, found: LineUp, fault_id: str) -> Self:
        """Return a fault of a line-up.

        Raises
        ------
        DataProblem
            When the line-up has no fault of that name.
        """
        number = fault_number(found, fault_id)
        rows = np.flatnonzero((found.group == number) & ~found.forced)
        picks = Picks(found.picks.position[rows], hole=found.hole_ids[rows])
        return cls(found.faults[number].sheet, picks, np.zeros((0, 2)), np.zeros(0))

    @property
    def axes(self) -> Floats:
        """Unit vectors u, v, w in rows: w is the pole of the reference plane."""
        return self.sheet.axes

    @property
    def amplitude(self) -> float:
        """Variance of its waves, m²."""
        return self.sheet.habit.amplitude**2

    def value(self, points: Floats, surface: int = 0) -> Floats:
        """Return metres above the fault at points (n, 3), (n,)."""
        return self._in_blocks(points, lambda local: local[:, 2] - self._surface(local[:, :2])[:, 0])

    def value_and_gradient(self, points: Floats, surface: int = 0) -> tuple[Floats, Floats]:
        """Return metres above the fault at points, (n,), and its gradient in (E, N, U), (n, 3)."""

        def both(local: Floats) -> Floats:
            surface = self._surface(local[:, :2])
            return np.column_stack([local[:, 2] - surface[:, 0], -surface[:, 1:], np.ones(len(local))])

        found = self._in_blocks(points, both)
        return found[:, 0], found[:, 1:] @ self.axes

    def deviation(self, points: Floats, surface: int = 0) -> Floats:
        """Return the fault's standard deviation along its pole at points, metres, (n,); what holds it left out."""

        def variance(local: Floats) -> Floats:
            return self.sheet.surface(local[:, :2])[1][:, 0, 0]

        return np.asarray(np.sqrt(np.maximum(self._in_blocks(points, variance), 0.0)))

    def covariance(self, points: Floats) -> Floats:
        """Return the covariance of the values at points with each other, m², (k, k)."""
        place = self._local(points)[:, :2]
        return self.sheet.shared(place, place)

    def holding(self, points: Floats, value: Floats) -> FaultField:
        """Return the fault with given values at points; its uncertainty stays that of the picks alone."""
        local = self._local(points)
        spread = self.sheet.shared(local[:, :2], local[:, :2])
        spread.flat[:: len(spread) + 1] += 1e-9 * np.trace(spread) / max(len(spread), 1)
        force = np.asarray(np.linalg.solve(spread, local[:, 2] - value - self.sheet.level(local[:, :2])), dtype=float)
        return replace(self, held=local[:, :2], force=force)

    def _surface(self, place: Floats) -> Floats:
        """Return height and slopes at places (u, v), (n, 3)."""
        free = self.sheet.level_and_slopes(place)
        return free + self.sheet.shared_with_slopes(place, self.held) @ self.force if len(self.force) else free

    def _local(self, points: Floats) -> Floats:
        return (points - self.sheet.centre) @ self.axes.T

    def _in_blocks(self, points: Floats, found: Callable[[Floats], Floats]) -> Floats:
        """Return what is found at points in the sheet's frame, for some thousand at a time."""
        parts = np.array_split(self._local(points), max(1, -(-len(points) // BLOCK)))
        return np.concatenate([found(part) for part in parts])


BLOCK = 4096
"""Points that are looked at in one piece: what they share with the picks fits into a processor's cache."""


def fault_surface(
    found: LineUp,
    fault_id: str,
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
        When there is no such fault, or nothing of it is left inside the limits.
    """
    field = FaultField.of(found, fault_id)
    number = fault_number(found, fault_id)
    picks = field.picks.position
    edge = edge or Edge("hull", found.faults[number].reach)
    if with_sides:
        field = respected(field, fault_sides(found, number, edge.limit(picks, field.axes)), clearance_of(field.picks))
    if older:
        limits = (*limits, beyond_older(LevelOf(FaultField.of(found, older), 0), picks))
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
