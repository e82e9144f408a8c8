"""Surfaces of many thousand picks, pieced together from overlapping patches that are each solved on their own.

Seen along the pole of their mean plane, the picks' square is quartered again and again until the disc around each
square holds few picks. Each disc (a column of rock, all picks above and below it included) gets its own field, under
one model for all, and the fields are blended with weights that fall smoothly to zero at the discs' edges and add up
to one: a partition of unity. Cost and memory grow in proportion to the number of picks. Columns rather than balls
take a fifth of the patches, for picks lie on a surface.

Conformable surfaces share the field, and their levels must be the same in all patches: they are estimated first, from
picks spread over each surface, and are known when the patches are solved, which then see one field with given values.
Each patch keeps its surface on its side of the drilled rock inside its disc; so does the blend, for it is a mean with
positive weights.

References
----------
Wendland (2005), Scattered Data Approximation, section 15.4 (local approximation orders carry over to the blend);
Ohtake et al. (2003), ACM Transactions on Graphics 22, 463–470 (the same with an octree of balls).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from desurvey.shown import shown
from desurvey.surface.field import Estimate, Field, solved
from desurvey.surface.model import CovarianceModel
from desurvey.surface.picks import Picks, Sides, spread_out, taken
from desurvey.surface.sides import clearance_of, respected, sides_taken

__all__ = ["Patched", "patched"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST = 160
"""Most picks in a disc: a system of 640 numbers, solved in some 20 ms."""

LEAST = 100
"""Fewest picks a patch is solved with; the nearest ones are added to a disc that holds fewer."""

LEAST_ORIENTED = 6
"""Fewest orientations among them: without one a patch can't know its trend."""

ROOM = 1.6
"""Side of the square that the patches fill beside the longer side of the picks' own."""

SPREAD = 1000
"""Picks from which the levels of several surfaces are estimated."""

OVERLAP = 1.2
"""Radius of a disc beside the half diagonal of its square (above 1, so that every point lies well inside some disc)."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Patched:
    """A field pieced together from patches; it has the methods of :class:`desurvey.surface.field.Field`.

    Attributes
    ----------
    picks : Picks
        All picks, normals made to agree, near-duplicates merged.
    model : Model
        The covariance model, the same for every patch.
    centres, radii : (B, 2) and (B,) arrays
        The discs, in metres along the model's first two axes from its centre.
    members : tuple of arrays
        Rows of the picks that each patch is solved with.
    estimates : tuple of Estimate
        The patches' fields.
    conditions : (B,) array
        Estimated condition numbers of the patches' systems.
    levels : (K,) array
        Level of the potential on each surface, metres, the first 0.
    """

    picks: Picks
    model: CovarianceModel
    centres: Floats
    radii: Floats
    members: tuple[Ints, ...]
    estimates: tuple[Estimate, ...]
    conditions: Floats
    levels: Floats

    @property
    def axes(self) -> Floats:
        """Unit vectors u, v, w in rows: w is the pole of the mean plane."""
        return self.model.axes

    @property
    def condition(self) -> float:
        """The largest condition number of any patch."""
        return float(self.conditions.max())

    def value(self, points: Floats, surface: int = 0) -> Floats:
        """Return the field at points, metres, (n,); NaN outside all patches."""
        blend = self._blended(points, lambda disc, inside: self.estimates[disc].value(inside))
        return np.asarray(blend - self.levels[surface])

    def value_and_gradient(self, points: Floats, surface: int = 0) -> tuple[Floats, Floats]:
        """Return the field, metres (n,), and its gradient in (E, N, U), (n, 3); NaN outside all patches."""
        flat = self._flat(points)
        total, weight = np.zeros(len(points)), np.zeros(len(points))
        slope, weight_slope = np.zeros((len(points), 3)), np.zeros((len(points), 3))
        for disc, rows in self._inside(flat):
            away = flat[rows] - self.centres[disc]
            w, dw_flat = _weight(away, self.radii[disc])
            dw = dw_flat @ self.model.axes[:2]
            value, gradient = self.estimates[disc].value_and_gradient(points[rows])
            total[rows] += w * value
            weight[rows] += w
            slope[rows] += w[:, None] * gradient + dw * value[:, None]
            weight_slope[rows] += dw
        with np.errstate(invalid="ignore", divide="ignore"):
            value = total / weight
            return value - self.levels[surface], (slope - value[:, None] * weight_slope) / weight[:, None]

    def deviation(self, points: Floats, surface: int = 0) -> Floats:
        """Return the field's kriging standard deviation, metres, (n,); NaN outside all patches.

        Patches know fewer picks than there are, and their variances are averaged as if their errors were one: both
        err on the safe side. Levels count as known. Each patch is solved again here, for keeping every factor would
        fill the memory.
        """

        def variance(disc: int, inside: Floats) -> Floats:
            return _patch(self.picks, self.model, self.members[disc], self.levels).deviation(inside) ** 2

        return np.sqrt(self._blended(points, variance))

    def _blended(self, points: Floats, local: Callable[[int, Floats], Floats]) -> Floats:
        """Return the weighted mean of what the patches say."""
        flat = self._flat(points)
        total, weight = np.zeros(len(points)), np.zeros(len(points))
        for disc, rows in self._inside(flat):
            w, _ = _weight(flat[rows] - self.centres[disc], self.radii[disc])
            total[rows] += w * local(disc, points[rows])
            weight[rows] += w
        with np.errstate(invalid="ignore"):  # 0 / 0 outside all patches
            return np.asarray(total / weight)

    def _flat(self, points: Floats) -> Floats:
        return (points - self.model.centre) @ self.model.axes[:2].T

    def _inside(self, flat: Floats) -> list[tuple[int, Ints]]:
        """Return the discs that hold any points, and which."""
        if not len(flat):
            return []
        found = cKDTree(flat).query_ball_point(self.centres, self.radii)
        return [(disc, np.asarray(rows, dtype=np.int64)) for disc, rows in enumerate(found) if rows]


def _weight(away: Floats, radius: float) -> tuple[Floats, Floats]:
    """Return Wendland's C² function (1 − r)⁴(4 r + 1) of r = |away| / radius, and its gradient."""
    r = np.linalg.norm(away, axis=1) / radius
    rest = np.maximum(1.0 - r, 0.0)
    return rest**4 * (4.0 * r + 1.0), (-20.0 / radius**2) * (rest**3)[:, None] * away


def patched(picks: Picks, model: CovarianceModel, sides: Sides | None = None) -> Patched:
    """Return the field of prepared picks, in patches, its first surface on its side of drilled rock.

    Notes
    -----
    One patch after another is solved: a loop over patches, not over picks; their systems differ in size.

    Raises
    ------
    DataProblem
        When picks without uncertainty and drilled rock can't both be honoured.
    """
    flat = (picks.position - model.centre) @ model.axes[:2].T
    centres, radii = _discs(flat)
    members = _members(picks, flat, centres, radii)
    levels = _levels(picks, model)
    fields = (_patch(picks, model, rows, levels) for rows in members)  # one at a time: factors would fill the memory
    estimates, conditions = zip(*((field.estimate, field.condition) for field in fields), strict=True)
    free = Patched(picks, model, centres, radii, members, estimates, np.array(conditions), levels)
    return free if sides is None else _respected(free, sides)


def _patch(picks: Picks, model: CovarianceModel, rows: Ints, levels: Floats) -> Field:
    """Return the field of some of the picks, with the levels of their surfaces known."""
    some = _as_one(picks, rows)
    return solved(some, model.around(some.position), value=levels[picks.surface[rows]])


def _as_one(picks: Picks, rows: Ints) -> Picks:
    """Return some of the picks as if all lay on one surface."""
    return Picks(
        picks.position[rows],
        picks.normal[rows],
        covariance=picks.covariance[rows],
        pole_sigma_deg=picks.pole_sigma_deg[rows],
        surface=np.minimum(picks.surface[rows], 0),
        hole=picks.hole[rows],
        polar=picks.polar,
    )


def _levels(picks: Picks, model: CovarianceModel) -> Floats:
    """Return the levels of the surfaces less that of the first, from picks spread over each of them."""
    if picks.surfaces == 1:
        return np.zeros(1)
    count = SPREAD // (picks.surfaces + 1)
    each = [np.flatnonzero(picks.surface == surface) for surface in range(picks.surfaces)]
    each.append(np.flatnonzero(picks.oriented))
    chosen = np.unique(np.concatenate([rows[spread_out(picks.position[rows], count)] for rows in each]))
    levels = solved(taken(picks, chosen), model).levels
    return np.asarray(levels - levels[0])


def _respected(free: Patched, sides: Sides) -> Patched:
    """Return the patches, each with its surface on its side of the drilled rock in its disc."""
    side = sides_taken(free, sides)
    clearance = clearance_of(free.picks)
    estimates = list(free.estimates)
    for disc, rows in free._inside(free._flat(sides.position)):
        if np.all(side[rows] * estimates[disc].value(sides.position[rows]) >= clearance):
            continue
        members = free.members[disc]
        field = _patch(free.picks, free.model, members, free.levels)
        here = Sides(sides.position[rows], sides.interval[rows], side[rows])
        estimates[disc] = respected(field, here, clearance).estimate
    return replace(free, estimates=tuple(estimates))


def _discs(flat: Floats) -> tuple[Floats, Floats]:
    """Return centres and radii of discs around the squares of a quadtree that covers points in a plane."""
    low, high = flat.min(axis=0), flat.max(axis=0)
    centres, half = ((low + high) / 2)[None, :], ROOM * float((high - low).max()) / 2
    quarters = np.array([[-0.5, -0.5], [-0.5, 0.5], [0.5, -0.5], [0.5, 0.5]])
    tree = cKDTree(flat)
    leaves, sizes = [], []
    while len(centres):
        radius = OVERLAP * np.sqrt(2.0) * half
        full = tree.query_ball_point(centres, radius, return_length=True) > MOST
        leaves.append(centres[~full])
        sizes.append(np.full(len(leaves[-1]), radius))
        centres = (centres[full][:, None] + quarters * half).reshape(-1, 2)
        half /= 2.0
    return np.concatenate(leaves), np.concatenate(sizes)


def _members(picks: Picks, flat: Floats, centres: Floats, radii: Floats) -> tuple[Ints, ...]:
    """Return the rows of picks of each disc, with the nearest ones added where there are too few."""
    on, oriented = np.flatnonzero(picks.surface >= 0), np.flatnonzero(picks.oriented)
    inside = cKDTree(flat).query_ball_point(centres, radii)
    near = on[_nearest(flat[on], centres, LEAST)]
    turned = oriented[_nearest(flat[oriented], centres, LEAST_ORIENTED)] if len(oriented) else near[:, :0]
    return tuple(
        np.unique(np.concatenate([np.asarray(rows, dtype=np.int64), close, facing]))
        for rows, close, facing in zip(inside, near, turned, strict=True)
    )


def _nearest(flat: Floats, centres: Floats, count: int) -> Ints:
    count = min(count, len(flat))
    return np.asarray(cKDTree(flat).query(centres, k=np.arange(1, count + 1))[1], dtype=np.int64)
