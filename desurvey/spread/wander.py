"""How drill rods wander: what a hole that isn't surveyed will do, learnt from those that are.

Rods turn a hole little by little. Per metre of hole it *lifts* (upwards in its vertical plane) and *swings* (sideways,
positive to the right seen from above), each a small angle in space. Of either, in degrees::

    y(s) = set-out + (mean + hole's own) · s/30 + walk(s/30)        s metres from the collar

*mean* belongs to the project, *set-out* and *hole's own* are drawn once a hole, *walk* is a random walk. The drilled
holes' surveys less the directions planned at their collars are readings of y; where a hole has no plan, its set-out may
be anything and only its curvature counts. Broad priors about :class:`WanderSettings` stand for what little data leave
open; without a drilled hole they are all there is.

With constant lift and swing, dip grows evenly and azimuth by swing / cos(dip), so that is how a planned hole is
foreseen to run (:func:`foreseen`). About that course the position square to the hole has, in either direction, the
variance κ²s² + τ²s⁴/4 + w²s³/3 (set-out κ, rate τ, walk w; per metre, radians): a random walk integrated.

References
----------
Rasmussen & Williams (2006), Gaussian Processes for Machine Learning, section 2.7: the mean integrated out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey import curvature
from desurvey.ragged import offsets_of
from desurvey.shown import shown
from desurvey.traces import SEVERITY_LENGTH, Traces

__all__ = ["Wander", "WanderSettings", "course", "covariance", "foreseen", "learnt_wander", "set_out", "stated_wander"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

PRACTICE = "common practice, no source"


def _degrees(value: float) -> float:
    made: float = field(default=value, metadata={"low": 0.0, "high": 30.0, "source": PRACTICE})
    return made


@dataclass(frozen=True, slots=True)
class WanderSettings:
    """What is believed of the rods before the drilled holes are looked at; ``[spread.wander]`` in ``project.toml``.

    Attributes
    ----------
    mean_deg : float
        How far the project's mean lift and swing may lie from none, degrees per 30 m, 1 σ.
    set_out_deg : float
        How far off its plan a hole starts, degrees in either direction, 1 σ.
    rate_deg : float
        How far a hole's own lift and swing lie from the project's, degrees per 30 m, 1 σ.
    walk_deg : float
        Random walk, degrees over 30 m, 1 σ.
    learn : bool
        Whether the drilled holes correct these.
    """

    mean_deg: float = _degrees(0.5)
    set_out_deg: float = _degrees(0.7)
    rate_deg: float = _degrees(0.3)
    walk_deg: float = _degrees(0.6)
    learn: bool = True


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Wander:
    """How the rods of a project wander; pairs are of lift and swing.

    Attributes
    ----------
    mean : (2,) array
        Degrees per 30 m.
    mean_variance : (2,) array
        How well that is known, its square.
    set_out, rate, walk : (2,) arrays
        Variances, square degrees: of a hole's start off its plan, of its own rate per 30 m, of the walk over 30 m.
    holes, planned : int
        Drilled holes that this was learnt from, and those of them that have a plan.
    """

    mean: Floats
    mean_variance: Floats
    set_out: Floats
    rate: Floats
    walk: Floats
    holes: int = 0
    planned: int = 0

    @property
    def words(self) -> str:
        """The mean and where it comes from, in a sentence."""
        lift, swing = self.mean
        way = f"{'lift' if lift >= 0 else 'drop'} {abs(lift):.2f}° and swing {abs(swing):.2f}° {_side(swing)} per 30 m"
        if not self.holes:
            return "No drilled hole tells how the rods wander: usual values are taken ([spread.wander])."
        how = f"plan and survey of {self.planned} of " if self.planned else "the curvature of "
        return f"Rods {way} on average (from {how}{self.holes} drilled holes); windows allow for more and less."


def _side(swing: float) -> str:
    return "to the right" if swing >= 0 else "to the left"


def covariance(
    wander: Wander, tangent: Floats, length: Floats, planned: Bools, straight: Bools
) -> tuple[Floats, Floats]:
    """Return what wander adds to the covariances of positions (n, 3, 3), m², and directions (n, 3, 3), rad².

    Parameters
    ----------
    wander : Wander
    tangent : (n, 3) array
        Direction of the hole there.
    length : (n,) array
        Metres of it that aren't surveyed: from the collar of a planned hole, from the last station of a drilled one.
    planned : (n,) bool array
        Whether the hole may also start off its plan.
    straight : (n,) bool array
        Whether it is drawn straight on, so that the mean wander is an error too, or as foreseen.
    """
    frame = _frame(tangent)
    drift = wander.mean_variance + wander.rate + np.where(straight[:, None], wander.mean**2, 0.0)
    far = length[:, None]
    per = 1.0 / SEVERITY_LENGTH
    start = np.where(planned[:, None], wander.set_out, 0.0)
    direction = start + drift * (per * far) ** 2 + wander.walk * per * far
    position = start * far**2 + drift * per**2 * far**4 / 4 + wander.walk * per * far**3 / 3
    square = np.deg2rad(1.0) ** 2
    return tuple(np.einsum("nk,nki,nkj->nij", square * part, frame, frame) for part in (position, direction))


def _frame(tangent: Floats) -> Floats:
    """Return the unit vectors of lift and swing, (n, 2, 3)."""
    azimuth, dip = curvature.angles(tangent)
    right = np.stack([np.cos(azimuth), -np.sin(azimuth), np.zeros_like(azimuth)], axis=-1)
    up = np.stack([-np.sin(dip) * np.sin(azimuth), -np.sin(dip) * np.cos(azimuth), np.cos(dip)], axis=-1)
    return np.stack([up, right], axis=-2)


# --------------------------------------------------------------------------------------------- what a hole will do


STEEP = np.cos(np.deg2rad(88.0))
"""Horizontal part of a direction below which lift and swing mean nothing: within 2° of vertical (DESIGN section 3)."""


def course(azimuth: Floats, dip: Floats, wander: Wander, depth: Floats) -> tuple[Floats, Floats]:
    """Return azimuth and dip, radians, at depths along holes that set out so and wander as the mean.

    Parameters
    ----------
    azimuth, dip : arrays
        At the collar, radians.
    wander : Wander
    depth : array
        Metres; the three fit each other's shape.
    """
    lift, swing = np.deg2rad(wander.mean) / SEVERITY_LENGTH
    bends = np.cos(dip) > STEEP
    limit = np.arccos(STEEP)
    later = np.clip(dip + np.where(bends, lift, 0.0) * depth, np.minimum(dip, -limit), np.maximum(dip, limit))
    middle = 0.5 * (dip + later)
    widening = sum(w / np.maximum(np.cos(angle), STEEP) for w, angle in ((1, dip), (4, middle), (1, later))) / 6
    return azimuth + np.where(bends, swing, 0.0) * depth * widening, later


NO_BEND = 1e-6
"""Radians between two stations of a plan that is straight."""

STATIONS = 30.0
"""Metres between the points of a hole that is foreseen."""


def foreseen(traces: Traces, which: Bools, wander: Wander) -> Traces:
    """Return the traces with chosen holes bent as the rods are expected to bend them.

    A hole that is planned with a bend keeps it: whoever planned a curve has foreseen one.

    Parameters
    ----------
    traces : Traces
    which : (H,) bool array
        Holes that aren't drilled.
    wander : Wander
    """
    stations = np.diff(traces.offsets)
    if not which.any():
        return traces
    bend = np.maximum.reduceat(np.where(which[traces.station_hole], traces.arcs.dogleg, 0.0), traces.offsets[:-1])
    bent = which & (bend < NO_BEND) & (traces.end > 0.0)
    count = np.where(bent, np.ceil(traces.end / STATIONS).astype(np.int64) + 1, stations)
    offsets = offsets_of(count)
    hole = np.repeat(np.arange(len(count)), count)
    number = np.arange(len(hole)) - offsets[hole]
    made = bent[hole]
    source = traces.offsets[hole] + np.where(made, 0, number)
    depth = np.where(made, number * (traces.end / np.maximum(count - 1, 1))[hole], traces.depth[source])
    azimuth, dip = curvature.angles(traces.tangent[source])
    tangent = np.where(made[:, None], curvature.tangent(*course(azimuth, dip, wander, depth)), traces.tangent[source])
    position = traces.position[source].copy()
    position[made] += _run(tangent, depth, number, made)[made]
    return replace(traces, offsets=offsets, depth=depth, position=position, tangent=tangent)


def _run(tangent: Floats, depth: Floats, number: Ints, made: Bools) -> Floats:
    """Return the displacement from the collar at stations counted from 0 in each hole, (S, 3)."""
    step = np.zeros_like(tangent)
    inside = np.flatnonzero(made & (number > 0))
    step[inside] = curvature.chord(tangent[inside - 1], tangent[inside], depth[inside] - depth[inside - 1])
    total = np.cumsum(step, axis=0)
    first = np.maximum.accumulate(np.where(number == 0, np.arange(len(number)), 0))
    return np.asarray(total - total[first])


def set_out(away: Floats, wander: Wander | None) -> tuple[Floats, Floats, Floats]:
    """Return how holes have to set out to arrive at places, wandering as the mean.

    Parameters
    ----------
    away : (n, 3) array
        From the collar to each place, metres, none zero.
    wander : Wander or None
        None: straight holes.

    Returns
    -------
    begin, arrive : (n, 3) arrays
        Unit directions at the collar and at the place.
    length : (n,) array
        Along the hole, metres.
    """
    length = np.linalg.norm(away, axis=1)
    begin = away / length[:, None]
    if wander is None or not np.any(wander.mean):
        return begin, begin, length
    share, arrive = np.linspace(0.0, 1.0, PIECES + 1), begin
    for _ in range(TURNS):
        azimuth, dip = (angle[:, None] for angle in curvature.angles(begin))
        way = curvature.tangent(*course(azimuth, dip, wander, share * length[:, None]))
        piece = np.repeat(length / PIECES, PIECES)
        step = curvature.chord(way[:, :-1].reshape(-1, 3), way[:, 1:].reshape(-1, 3), piece)
        miss = away - step.reshape(len(away), PIECES, 3).sum(axis=1)
        arrive = way[:, -1]
        along = np.einsum("ni,ni->n", miss, arrive)
        begin = begin + (miss - along[:, None] * arrive) / length[:, None]
        begin /= np.linalg.norm(begin, axis=1, keepdims=True)
        length = np.maximum(length + along, 1.0)
    return begin, arrive, length


PIECES = 8
"""Arcs of which the course of a hole that is aimed is made."""

TURNS = 6
"""Corrections of the set-out; each shrinks what is missed by the angle that the hole bends, some tenfold."""


# --------------------------------------------------------------------------------------------- learnt from the drilled


class Courses(NamedTuple):
    """Directions of drilled holes as readings of lift and swing: H holes, at most K stations each."""

    reach: Floats  # metres from the collar in units of 30 m, (H, K)
    turn: Floats  # lift and swing since the plan (or the first station), degrees, (2, H, K)
    noise: Floats  # variance of a reading, square degrees, (2, H, K); without limit where there is none
    bias: Floats  # variance that all readings of a hole share, (2, H)


def learnt_wander(
    traces: Traces, planned_at: Floats, drilled: Bools, errors: Floats, settings: WanderSettings
) -> Wander:
    """Return how the rods wander, from the surveys of the drilled holes.

    Parameters
    ----------
    traces : Traces
    planned_at : (H, 2) array
        Planned azimuth and dip at each collar, radians; NaN where there is no plan.
    drilled : (H,) bool array
        Holes whose stations were surveyed.
    errors : (4, S) array
        Random azimuth and dip, systematic azimuth and dip error of each station, radians, 1 σ.
    settings : WanderSettings
    """
    seen, has_plan = _courses(traces, planned_at, drilled, errors)
    if not len(seen.reach):
        return stated_wander(settings)
    parts = [_posterior(seen, has_plan, kind, settings) for kind in range(2)]
    mean, mean_variance, start, rate, walk = np.array(parts).T
    return Wander(mean, mean_variance, start, rate, walk, len(has_plan), int(has_plan.sum()))


def stated_wander(settings: WanderSettings) -> Wander:
    """Return what is believed without data: no mean, and the means of the log-normal priors of the variances."""
    middle = np.array([settings.set_out_deg, settings.rate_deg, settings.walk_deg])
    variance = (middle**2 * np.exp(2 * PRIOR_WIDTH**2))[:, None] * np.ones(2)
    return Wander(np.zeros(2), np.full(2, settings.mean_deg**2), *variance)


PRIOR_WIDTH = 0.7
"""Standard deviation of the logarithm of each of the three, before data: a factor of 2 (common practice, no source)."""

KNOTS = 8
"""Stations of a hole that are used at most, evenly from the first to the last."""

MOST_HOLES = 40
"""Holes that are used at most, evenly from the first to the last of the table; more hardly change the answer."""

SHORTEST = 30.0
"""Metres of survey below which a hole tells nothing."""

OFF_PLAN_DEG = 6.0
"""Angle between plan and first station from which the plan is another hole's or of another north, and isn't used."""

SPIKE_DEG = 8.0
"""Dogleg per 30 m that no rods make: such a hole has a blunder in its survey, and isn't used."""


def _courses(traces: Traces, planned_at: Floats, drilled: Bools, errors: Floats) -> tuple[Courses, Bools]:
    """Return the courses of the drilled holes that can be used, and which of those have a plan."""
    first, stations = traces.offsets[:-1], np.diff(traces.offsets)
    length = np.maximum(np.diff(traces.depth, append=0.0), 1.0)
    sharp = np.rad2deg(traces.arcs.dogleg) * SEVERITY_LENGTH / length
    fine = drilled & (stations > 1) & (traces.surveyed >= SHORTEST)
    fine &= np.maximum.reduceat(sharp, first) < SPIKE_DEG
    holes = np.flatnonzero(fine)
    holes = holes[np.unique(np.linspace(0, len(holes) - 1, min(len(holes), MOST_HOLES)).round().astype(int))]
    share = np.linspace(0.0, 1.0, KNOTS) * (stations[holes] - 1)[:, None]
    row = first[holes][:, None] + share.round().astype(np.int64)
    plan = curvature.tangent(*planned_at[holes].T)
    start = traces.tangent[row[:, 0]]
    off = np.rad2deg(np.arccos(np.clip(np.einsum("hi,hi->h", plan, start), -1.0, 1.0)))
    has_plan = (off < OFF_PLAN_DEG) & (off > COPIED_DEG)
    begin = np.where(has_plan[:, None], plan, start)
    way = np.concatenate([begin[:, None], traces.tangent[row]], axis=1)
    step = np.diff(way, axis=1)
    frame = _frame(curvature.arcs(way[:, :-1].reshape(-1, 3), way[:, 1:].reshape(-1, 3)).middle)
    turn = np.einsum("nki,ni->kn", frame, step.reshape(-1, 3)).reshape(2, len(holes), KNOTS).cumsum(axis=2)
    flat = np.hypot(traces.tangent[row][..., 0], traces.tangent[row][..., 1])
    azimuth, dip, azimuth_bias, dip_bias = errors[:, row]
    noise = np.stack([dip, np.maximum(azimuth * flat, dip)]) ** 2
    bias = np.stack([dip_bias, np.maximum(azimuth_bias * flat, dip_bias)])[:, :, -1] ** 2
    noise[:, np.diff(row, axis=1, prepend=-1) == 0] = np.inf  # a hole of few stations has some of them twice
    seen = Courses(traces.depth[row] / SEVERITY_LENGTH, np.rad2deg(turn), noise * DEGREES, bias * DEGREES)
    return seen, has_plan


COPIED_DEG = 0.02
"""Angle between plan and first station below which one was copied from the other."""

DEGREES = np.rad2deg(1.0) ** 2

ANYWHERE = 400.0
"""Variance of the set-out of a hole without a plan, square degrees."""


def _posterior(seen: Courses, has_plan: Bools, kind: int, settings: WanderSettings) -> tuple[float, ...]:
    """Return mean, its variance, and the variances of set-out, rate and walk of lift (0) or swing (1).

    The three are taken at the peak of their posterior, widened by its curvature there (Laplace's approximation), so
    that few holes leave them nearly as wide as the prior, and none exactly so.
    """
    from scipy.optimize import minimize  # slow to import

    middle = np.array([settings.set_out_deg, settings.rate_deg, settings.walk_deg])

    def lost(z: Floats) -> float:
        variance = (middle * np.exp(PRIOR_WIDTH * z)) ** 2
        return 0.5 * float(z @ z) - _weighed(seen, has_plan, kind, variance, settings.mean_deg)[0]

    begin = np.vstack([np.zeros(3), 0.7 * np.eye(3)])
    best = minimize(
        lost, begin[0], method="Nelder-Mead", options={"initial_simplex": begin, "xatol": 0.05, "fatol": 0.01}
    ).x
    left = np.clip(1.0 / _bending(lost, best), 0.0, 1.0)
    variance = (middle * np.exp(PRIOR_WIDTH * best)) ** 2
    _, mean, spread = _weighed(seen, has_plan, kind, variance, settings.mean_deg)
    return (mean, spread, *(variance * np.exp(2 * PRIOR_WIDTH**2 * left)).tolist())


def _bending(value: Callable[[Floats], float], at: Floats, step: float = 0.3) -> Floats:
    """Return the second derivatives of a function along each axis."""
    moved = step * np.eye(len(at))
    return np.array([value(at + one) + value(at - one) - 2 * value(at) for one in moved]) / step**2


def _weighed(
    seen: Courses, has_plan: Bools, kind: int, variance: Floats, mean_deg: float
) -> tuple[float, float, float]:
    """Return the log evidence of the readings, and mean rate and its variance given them, for one trial."""
    set_out, rate, walk = variance
    far = seen.reach
    known = np.isfinite(seen.noise[kind])
    start = np.where(has_plan, set_out + seen.bias[kind], ANYWHERE)[:, None, None]
    matrix = start + rate * far[:, :, None] * far[:, None, :] + walk * np.minimum(far[:, :, None], far[:, None, :])
    matrix = np.where(known[:, :, None] & known[:, None, :], matrix, 0.0)
    diagonal = np.arange(far.shape[1])
    matrix[:, diagonal, diagonal] += np.where(known, seen.noise[kind], 1.0)
    lower = np.linalg.cholesky(matrix)
    both = np.stack([seen.turn[kind], far], axis=-1) * known[:, :, None]
    turned = np.linalg.solve(lower, both)
    fit, cross, lever = (float((turned[..., a] * turned[..., b]).sum()) for a, b in ((0, 0), (0, 1), (1, 1)))
    spread = mean_deg**2 / (1.0 + lever * mean_deg**2)
    logarithm = float(np.log(lower[:, diagonal, diagonal]).sum())
    evidence = -0.5 * (fit - cross**2 * spread) - logarithm - 0.5 * float(np.log1p(lever * mean_deg**2))
    return evidence, cross * spread, spread
