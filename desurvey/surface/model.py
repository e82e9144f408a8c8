"""The random field behind a surface: its frame, its form, its anisotropy and its amplitude, estimated from the picks.

The frame's third axis w is the pole of the mean plane; u and v lie in that plane, u along the direction in which the
orientations vary most (across a fold's axis), v along the other. Coordinates are centred and divided by one length. The field is a
function of all three (*implicit*), or, for one surface that nowhere turns far from its mean plane, w less a function of u and v
alone (*height*): the limit of an implicit field that is stretched without end along w. There each orientation gives the slope and
not just a direction, so nothing hangs on the arbitrary length of a gradient.

Distances along v (and w) are shortened by factors, for waves may be long one way (folds, corrugations). The factors, the
amplitude and (Matérn only) the range maximise the restricted likelihood of the picks, with weak priors that matter only for a
handful of them.

References
----------
Chilès & Delfiner (2012), Geostatistics, 2nd ed., sections 2.6.2 (restricted likelihood) and 4.5. Lajaunie, Courrioux &
Manuel (1997), Mathematical Geology 29, 571–584: the field as an arbitrary potential whose gradient has unit length at data only by
convention; ``stretch`` is the freedom that this convention leaves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.surface.kernels import Kernel, Sites, covariance
from desurvey.surface.picks import Picks
from desurvey.surface.system import Solution, solve

__all__ = ["Equations", "Held", "Model", "Options", "drift_at", "equations", "estimated", "frame_of", "taken"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Options:
    """How surfaces are built; ``[surface]`` in ``project.toml``.

    Attributes
    ----------
    kernel : {"cubic", "matern"}
        *cubic* (r³) knows no length scale and carries a trend on outward; *matern* (5/2) is smoother and falls back to
        the mean plane beyond its range.
    form : {"auto", "height", "implicit"}
        *auto* takes a height over the mean plane for a single surface whose orientations all lie within 70° of it, and an implicit
        field for anything else (overturned, or several surfaces).
    stretch : float
        Implicit form: 1-σ freedom of the field's gradient along a pick's normal, where the pick has an uncertainty: unit normals fix a direction
        and not the spacing of the level surfaces.
    waviness : float
        Expected height of waves as a share of the surface's half extent: the centre of the amplitude's weak prior (common
        practice, no source).
    merge : float
        Picks closer than this share of the extent are made one.
    direct_limit : int
        Picks up to which one system is solved; above it the surface is pieced together from overlapping patches.
    """

    kernel: Kernel = "cubic"
    form: Literal["auto", "height", "implicit"] = "auto"
    stretch: float = 0.1
    waviness: float = 0.05
    merge: float = 1e-4
    direct_limit: int = 3000


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """A covariance model in its frame: scaled coordinates are ``(x − centre) @ axes.T * scale``.

    Attributes
    ----------
    kernel : {"cubic", "matern"}
    centre : (3,) array
    axes : (3, 3) array
        Unit vectors u, v, w in rows.
    scale : (3,) array
        Reciprocal lengths along them, 1/m; 0 along w for the height form, whose scaled coordinates are u and v alone.
    amplitude : float
        Variance in m² that multiplies the kernel.
    stretch : float
        See :class:`Options`.
    """

    kernel: Kernel
    centre: Floats
    axes: Floats
    scale: Floats
    amplitude: float
    stretch: float

    def scaled(self, points: Floats) -> Floats:
        """Return scaled coordinates of points, (n, d): three, or two for the height form."""
        d = self.dimensions
        return (points - self.centre) @ self.axes[:d].T * self.scale[:d]

    def unscaled_gradient(self, gradient: Floats) -> Floats:
        """Return gradients per metre in (E, N, U) from gradients in scaled coordinates."""
        d = self.dimensions
        return (gradient * self.scale[:d]) @ self.axes[:d]

    def around(self, points: Floats) -> Model:
        """Return the same model in coordinates that suit some of the points: centred on them and, where the kernel has no
        length scale, of their size. It is the same field, better conditioned.
        """
        centre = points.mean(axis=0)
        size = float(np.abs((points - centre) @ self.axes.T * self.scale).max())
        factor = size if self.kernel == "cubic" and size > 0.0 else 1.0
        return replace(self, centre=centre, scale=self.scale / factor, amplitude=self.amplitude * factor**3)

    @property
    def dimensions(self) -> int:
        """Scaled coordinates that the field is a function of: 2 for the height form, else 3."""
        return 2 if self.scale[2] == 0.0 else 3

    @property
    def known_gradient(self) -> Floats:
        """The part of the field's gradient that is known beforehand, (3,): w for the height form, else nothing."""
        return self.axes[2] if self.dimensions == 2 else np.zeros(3)


@dataclass(frozen=True, slots=True, eq=False)
class Equations:
    """The kriging system of picks under a model: functionals, drift, data, nuggets."""

    sites: Sites
    drift: Floats
    data: Floats
    value_nugget: Floats
    gradient_nugget: Floats

    def solved(self, model: Model) -> Solution:
        """Return the solution, in units of the model's amplitude."""
        return solve(self._assembler(model), self.drift, self.data)

    def _assembler(self, model: Model) -> Callable[[], Floats]:
        n, g = len(self.sites.values), len(self.sites.gradients)
        rows = np.arange(g)

        def assemble() -> Floats:
            matrix = covariance(model.kernel, self.sites)
            matrix[np.arange(n), np.arange(n)] += self.value_nugget / model.amplitude
            for j in range(self.sites.dimensions):
                for i in range(j, self.sites.dimensions):
                    matrix[n + i * g + rows, n + j * g + rows] += self.gradient_nugget[:, i, j] / model.amplitude
            return matrix

        return assemble


class Held(NamedTuple):
    """Points at which the field of the first surface is held to a value, in metres: (k, 3) and (k,)."""

    position: Floats
    value: Floats


def drift_at(points: Floats, surface: npt.NDArray[np.int64] | int, levels: int) -> Floats:
    """Return the drift's functions under values minus a surface's level: −1 for that level, then the coordinates, (n, m)."""
    out = np.zeros((len(points), levels + points.shape[1]))
    out[np.arange(len(points)), surface] = -1.0
    out[:, levels:] = points
    return out


def equations(picks: Picks, model: Model, held: Held | None = None) -> Equations:
    """Return the system of picks (aligned and merged) under a model, with values held elsewhere if there are any."""
    on, oriented = picks.surface >= 0, picks.oriented
    where, surface = picks.position[on], picks.surface[on]
    target, nugget = np.zeros(len(where)), _value_nugget(picks, model)[on]
    if held is not None:
        k = len(held.value)
        where, surface = np.vstack([where, held.position]), np.append(surface, np.zeros(k, dtype=np.int64))
        target, nugget = np.append(target, held.value), np.append(nugget, np.zeros(k))
    sites = Sites(model.scaled(where), model.scaled(picks.position[oriented]))
    drift = np.vstack([drift_at(sites.values, surface, picks.surfaces), _slope_drift(sites, picks.surfaces)])
    slope, spread = _gradients(picks, model)
    data = np.concatenate([target - (where - model.centre) @ model.known_gradient, slope[oriented].T.ravel()])
    return Equations(sites, drift, data, nugget, spread[oriented])


def _slope_drift(sites: Sites, levels: int) -> Floats:
    """Return the drift's functions under gradients: each coordinate's own component is 1."""
    g, d = sites.gradients.shape
    return np.hstack([np.zeros((d * g, levels)), np.repeat(np.eye(d), g, axis=0)])


def _gradient_of(picks: Picks, model: Model) -> Floats:
    """Return the gradient that the field should have at each pick, (E, N, U): the pole of the mean plane where none was measured.

    It is the unit normal, or in the height form the normal of which the part along w is 1.
    """
    normal = np.where(picks.oriented[:, None], picks.normal, model.axes[2])
    return normal if model.dimensions == 3 else normal / (normal @ model.axes[2])[:, None]


def _value_nugget(picks: Picks, model: Model) -> Floats:
    """Return the variance of the field's value at picks that comes from their positions, m²."""
    gradient = _gradient_of(picks, model)
    return np.einsum("ni,nij,nj->n", gradient, picks.covariance, gradient)


def _gradients(picks: Picks, model: Model) -> tuple[Floats, Floats]:
    """Return gradient data and their covariance in scaled coordinates, (n, d) and (n, d, d).

    Implicit form: pole σ across the normal, the stretch along it. Height form: with g = n / (n·w), δg = (I − g wᵀ) δn / (n·w).
    """
    d = model.dimensions
    gradient = _gradient_of(picks, model) @ model.axes.T
    length = np.linalg.norm(gradient, axis=1)
    unit = gradient / length[:, None]
    variance = np.deg2rad(picks.pole_sigma_deg) ** 2
    outer = unit[:, :, None] * unit[:, None, :]
    spread = variance[:, None, None] * (np.eye(3) - outer)
    if d == 3:
        spread = spread + np.where(variance > 0.0, model.stretch**2, 0.0)[:, None, None] * outer
    else:
        turn = length[:, None, None] * (np.eye(3) - gradient[:, :, None] * np.array([0.0, 0.0, 1.0]))
        spread = turn @ spread @ np.swapaxes(turn, 1, 2)
    scale = model.scale[:d]
    return gradient[:, :d] / scale, spread[:, :d, :d] / (scale[:, None] * scale)


def frame_of(picks: Picks) -> tuple[Floats, Floats, float]:
    """Return centre, axes (u, v, w in rows) and half extent in metres of aligned picks."""
    on = picks.surface >= 0
    centre = picks.position[on].mean(axis=0)
    away = picks.position - centre
    extent = float(np.linalg.norm(away, axis=1).max())
    normal = picks.normal[picks.oriented]
    if len(normal):
        pole = normal.sum(axis=0)
        pole = pole if np.linalg.norm(pole) > OPPOSED * len(normal) else np.linalg.eigh(normal.T @ normal)[1][:, -1]
    else:
        pole = np.linalg.svd(away[on], full_matrices=False)[2][2]
        pole = pole if pole[2] >= 0.0 else -pole
    pole = pole / np.linalg.norm(pole)
    flat = np.linalg.svd(pole[None, :])[2][1:]  # any two directions square to the pole
    varying = normal @ flat.T
    if len(varying) < 3 or np.ptp(varying, axis=0).max() < PARALLEL:
        varying = away[on] @ flat.T
    first = np.linalg.eigh(np.atleast_2d(np.cov(varying.T, bias=True)))[1][:, -1] @ flat
    return centre, np.stack([first, np.cross(pole, first), pole]), extent if extent > 0.0 else 1.0


OPPOSED = 0.05
"""Mean length of normals below which they cancel (a tight fold): the principal axis then stands in for their sum."""

PARALLEL = 1e-6
"""Spread of normals (radians) below which they don't vary: the axes in the plane then follow the picks' positions."""


def estimated(picks: Picks, options: Options) -> Model:
    """Return the model that fits aligned and merged picks best.

    Notes
    -----
    At most ``SAMPLE`` picks, spread evenly, take part. The search steps on a fixed lattice of logarithms (factors of √2), so the
    answer does not hang on rounding and is the same for data that are turned, moved, scaled or listed in another order.
    """
    centre, axes, extent = frame_of(picks)
    sample = _spread_sample(picks, SAMPLE)
    flat = _is_height(picks, axes[2], options)

    def model(steps: tuple[int, ...]) -> Model:
        steepness, along, across, reach = np.exp(np.array(steps) * LATTICE)
        shrink = np.array([1.0, along, 0.0 if flat else across]) / (extent * reach)
        variance = (options.waviness * steepness * extent * reach) ** 2
        return Model(options.kernel, centre, axes, shrink, float(variance), options.stretch)

    def misfit(steps: tuple[int, ...]) -> float:
        return _deviance(sample, model(steps)) + float(np.sum((np.array(steps) * LATTICE / PRIOR_SPREAD) ** 2))

    low = (-30, -LIMIT, 0 if flat else -LIMIT, -4)
    high = (30, 0, 0, 12)
    free = (0, 1, *(() if flat else (2,)), *((3,) if options.kernel == "matern" else ()))
    return model(_compass(misfit, low, high, free))


def _is_height(picks: Picks, pole: Floats, options: Options) -> bool:
    """Return whether a height over the mean plane is the form to take; refuse it where orientations forbid it."""
    towards = picks.normal[picks.oriented] @ pole
    possible = bool(np.all(towards > STEEPEST)) and picks.surfaces == 1
    if options.form == "height" and not possible:
        raise DataProblem(
            "a height over the mean plane can't carry several surfaces, nor picks that stand within 20° of square to it",
            hint="use the implicit form",
        )
    return possible and options.form != "implicit"


STEEPEST = np.cos(np.deg2rad(70.0))
"""Beyond 70° from the mean plane slopes grow without bound (tan 70° = 2.7) and a few degrees of error with them."""

SAMPLE = 150
"""Picks that take part in estimating the model: 600 numbers for four, and a fraction of a second."""

LATTICE = 0.5 * np.log(2.0)
"""Step of the search in each logarithm."""

LIMIT = 12
"""Most steps by which distances along v and w may be shortened: 2⁻⁶. Beyond it the likelihood is flat and the system stiff."""

PRIOR_SPREAD = np.array([2.0, 0.4, 0.4, 2.0])
"""1-σ of the priors in the logarithms of steepness, shortening along v and w, and range. The first and last are a factor of 7 either
way, next to nothing; the shortenings are a factor of 1.5, for a dozen noisy picks often look longer one way by chance and the band
stated then is too narrow (seen in trials on random worlds), while real folds outweigh it many times over."""


def _is_height(picks: Picks, pole: Floats, options: Options) -> bool:
    """Return whether a height over the mean plane is the form to take; refuse it where orientations forbid it."""
    towards = picks.normal[picks.oriented] @ pole
    possible = bool(np.all(towards > STEEPEST)) and picks.surfaces == 1
    if options.form == "height" and not possible:
        raise DataProblem(
            "a height over the mean plane can't carry several surfaces, nor picks that stand within 20° of square to it",
            hint="use the implicit form",
        )
    return possible and options.form != "implicit"


STEEPEST = np.cos(np.deg2rad(70.0))
"""Beyond 70° from the mean plane slopes grow without bound (tan 70° = 2.7) and a few degrees of error with them."""

SAMPLE = 150
"""Picks that take part in estimating the model: 600 numbers for four, and a fraction of a second."""

LATTICE = 0.5 * np.log(2.0)
"""Step of the search in each logarithm."""

LIMIT = 12
"""Most steps by which distances along v and w may be shortened: 2⁻⁶. Beyond it the likelihood is flat and the system stiff."""

BOUND = 1.0
PRIOR_SPREAD = 2.0
"""1-σ of the priors in each logarithm: a factor of 7 either way, so that six picks or so outweigh them."""


def _deviance(picks: Picks, model: Model) -> float:
    """Return −2 log restricted likelihood of the picks, in metres and (E, N, U) whatever the model's scale."""
    system = equations(picks, model)
    solution = system.solved(model)
    free = len(system.data) - system.drift.shape[1]
    d = model.dimensions  # the Jacobian of scaled gradients and of the scaled drift
    jacobian = 2.0 * (len(system.sites.gradients) - 1) * float(np.log(model.scale[:d]).sum())
    return solution.log_determinant + free * np.log(model.amplitude) + solution.energy / model.amplitude + jacobian


def _compass(
    misfit: Callable[[tuple[int, ...]], float], low: tuple[int, ...], high: tuple[int, ...], free: tuple[int, ...]
) -> tuple[int, ...]:
    """Return the lattice point from which no step of 1 lowers the misfit, starting from 0 with steps of 4."""
    best = tuple(0 for _ in low)
    known = {best: misfit(best)}
    moves = _moves(len(low), free)
    step = 4
    while step:
        moved = False
        for move in moves:
            trial = tuple(int(t) for t in np.clip(np.array(best) + step * move, low, high))
            if trial not in known:
                known[trial] = misfit(trial)
            if known[trial] < known[best] - 1e-9 * abs(known[best]):
                best, moved = trial, True
        step = step if moved else step // 2
    return best


def _moves(size: int, free: tuple[int, ...]) -> npt.NDArray[np.int64]:
    """Return the steps of the search: along each free axis and along the diagonals of each two, for ridges run across axes."""
    axes = np.eye(size, dtype=np.int64)[list(free)]
    pairs = [(a, b) for i, a in enumerate(axes) for b in axes[i + 1 :]]
    single = [sign * axis for axis in axes for sign in (-1, 1)]
    return np.array(single + [s * a + t * b for a, b in pairs for s in (-1, 1) for t in (-1, 1)])


def _spread_sample(picks: Picks, count: int) -> Picks:
    """Return at most some picks, each next one the farthest from those taken before it, from the centre outward."""
    if len(picks) <= count:
        return picks
    where = picks.position
    chosen = np.empty(count, dtype=np.int64)
    chosen[0] = np.argmin(np.sum((where - where.mean(axis=0)) ** 2, axis=1))
    nearest = np.sum((where - where[chosen[0]]) ** 2, axis=1)
    for k in range(1, count):  # each choice hangs on the ones before it
        chosen[k] = np.argmax(nearest)
        nearest = np.minimum(nearest, np.sum((where - where[chosen[k]]) ** 2, axis=1))
    return taken(picks, np.sort(chosen))


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
