"""What tells of a fault's slip: markers on both of its sides, and slip lines on its picks.

Before the slip a marker was one surface, a plane with waviness (:mod:`desurvey.lineup.sheet`). So the likelihood of a
slip S is the evidence of all its picks with those of the hanging wall moved back by S, the surface integrated out. How
wavy the marker is, is learnt from each side by itself, which no slip can change, and summed over. Slip lines say only
which way S points, and the last movement need not be the whole one.

In the fault's plane S has two parts: x along strike ŝ, and y *up* dip (−d̂), so that the rake is atan2(y, x).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from desurvey.lineup import Picks
from desurvey.lineup.sheet import Habit, fitted
from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["RAKES_DEG", "Marker", "SlipLines", "SlipSettings", "WavyMarker", "line_evidence", "wavy_marker"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@shown
@dataclass(frozen=True, slots=True)
class SlipSettings:
    """What is taken for granted about slip; ``[slip]`` in ``project.toml`` changes it.

    None of the numbers has a published source: they are common practice.

    Attributes
    ----------
    markers : tuple of str
        What the faults displaced: a kind of structure (``vein_a``), a contact of an interval table
        (``lithology.rock:mica schist,marble``), or a thin body of one (``lithology.rock=dolerite``).
    usual_m : float
        Half of all slips are smaller than √3 times this, metres: the scale of the heavy-tailed prior.
    largest_m : float
        No direction is looked at farther than this from the best slip, metres.
    gamma_deg : float
        Error of a logged gamma, degrees.
    striae_deg : float
        Scatter of slip lines about the movement that made them, degrees.
    last_deg : float
        How far the movement that the slip lines show may point off the net slip, degrees.
    wrong : float
        Share of slip lines that mean nothing.
    unknown_m : float
        Where what is measured leaves more than this in a direction, slip in that direction is called unknown.
    """

    markers: tuple[str, ...] = ()
    usual_m: float = 20.0
    largest_m: float = 200.0
    gamma_deg: float = 6.0
    striae_deg: float = 8.0
    last_deg: float = 5.0
    wrong: float = 0.05
    unknown_m: float = 50.0

    def __post_init__(self) -> None:
        """Refuse values that mean nothing."""
        for name in ("usual_m", "largest_m", "gamma_deg", "striae_deg", "last_deg", "unknown_m"):
            if not getattr(self, name) > 0.0:
                raise DataProblem(f"[slip] {name} must be above 0", column=name, value=getattr(self, name))
        if not 0.0 < self.wrong < 1.0:
            raise DataProblem("[slip] wrong must lie between 0 and 1", column="wrong", value=self.wrong)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Marker:
    """Picks of one surface on the two sides of a fault.

    Attributes
    ----------
    name : str
    picks : Picks
        n of them, where they are now.
    hanging : (n,) bool array
        Those of the hanging wall.
    """

    name: str
    picks: Picks
    hanging: Bools

    @property
    def tells(self) -> bool:
        """Whether it can tell of a slip: something on both sides, and enough on one to fix its plane."""
        fixed = [self._numbers(side) >= UNKNOWNS for side in (self.hanging, ~self.hanging)]
        return bool(self.hanging.any() and (~self.hanging).any() and any(fixed))

    def _numbers(self, side: Bools) -> int:
        return int(side.sum() + 2 * (self.picks.oriented & side).sum())


UNKNOWNS = 3
"""Numbers that fix a plane."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class SlipLines:
    """Slip lines on the picks of a fault.

    Attributes
    ----------
    vector : (m, 3) array
        Unit vectors along the lines, either way.
    sigma_deg : (m,) array
        1-σ of their direction in the plane of the fault, degrees.
    sense : (m,) str array
        ``normal``, ``reverse``, ``dextral``, ``sinistral`` or "" for none: how the hanging wall moved.
    """

    vector: Floats
    sigma_deg: Floats
    sense: npt.NDArray[np.str_]

    def __len__(self) -> int:
        """Return the number of lines."""
        return len(self.vector)

    @classmethod
    def none(cls) -> SlipLines:
        """Return no lines."""
        return cls(np.zeros((0, 3)), np.zeros(0), np.zeros(0, dtype=np.str_))


RAKES_DEG = np.arange(-180.0, 180.0, 0.5)
"""Rakes at which slip lines are weighed."""


def line_evidence(lines: SlipLines, axes: Floats, settings: SlipSettings) -> Floats:
    """Return the log likelihood of slip lines at :data:`RAKES_DEG`, against lines of any direction.

    Parameters
    ----------
    lines : SlipLines
    axes : (2, 3) array
        Along strike and down dip (:func:`desurvey.slip.movement.fault_axes`).
    settings : SlipSettings
    """
    if not len(lines):
        return np.zeros_like(RAKES_DEG)
    along, up = lines.vector @ axes[0], -(lines.vector @ axes[1])
    ways = {"normal": -up, "reverse": up, "sinistral": along, "dextral": -along}
    told = np.isin(lines.sense, list(ways))
    turned = np.select([lines.sense == word for word in ways], [part < 0.0 for part in ways.values()], default=False)
    rake = np.rad2deg(np.arctan2(up, along)) + np.where(turned, 180.0, 0.0)
    gap = _wrapped(RAKES_DEG[:, None] - rake, 360.0)
    gap = np.where(told, gap, _wrapped(gap, 180.0))
    sigma = np.hypot(lines.sigma_deg, settings.striae_deg)
    period = np.where(told, 360.0, 180.0)
    peak = np.exp(-0.5 * (gap / sigma) ** 2) / (np.sqrt(2.0 * np.pi) * sigma) * period
    total = np.log((1.0 - settings.wrong) * peak + settings.wrong).sum(axis=1)
    # what all lines share comes last: it doesn't shrink however many there are
    spread = np.exp(-0.5 * (RAKES_DEG / settings.last_deg) ** 2)
    share = np.fft.ifft(np.fft.fft(np.exp(total - total.max())) * np.fft.fft(np.fft.ifftshift(spread / spread.sum())))
    return np.asarray(np.log(np.maximum(share.real, LEAST)) + total.max())


LEAST = 1e-14
"""Share of the peak below which the convolution is rounding."""


def _wrapped(angle: Floats, period: float) -> Floats:
    return np.asarray((angle + period / 2.0) % period - period / 2.0)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class WavyMarker:
    """A marker with the ways in which it may be wavy.

    Attributes
    ----------
    marker : Marker
    normal : (3,) array
        Of its mean plane.
    habits : tuple of Habit
        Likely ones, the likeliest first.
    weights : (h,) array
        Their log prior probabilities.
    """

    marker: Marker
    normal: Floats
    habits: tuple[Habit, ...]
    weights: Floats

    def evidence(self, slip: Floats, *, blurred_m: float = 0.0) -> float:
        """Return the log density of all picks with the hanging wall moved back by a slip (3,).

        With ``blurred_m`` places count as that much less well known and only the likeliest habit counts: what a search
        with wide steps asks.
        """
        moved = self.moved(slip)
        if blurred_m:
            habit = self.habits[0]
            return self._of(moved, replace(habit, depth=float(np.hypot(habit.depth, blurred_m))))
        return float(logsumexp([self._of(moved, habit) for habit in self.habits] + self.weights))

    def misfit(self, slip: Floats) -> tuple[float, int]:
        """Return chi² of the picks about the one surface under a slip, and how many numbers they are."""
        read = fitted(self.moved(slip), self._believed, self.habits[0], self.normal, turns=0)
        numbers = int(np.any(read.readings.rows != 0.0, axis=2).sum())
        return float(read.readings.value.ravel() @ read.weights), numbers

    def moved(self, slip: Floats) -> Picks:
        """Return the picks where they were before the slip."""
        picks = self.marker.picks
        return replace(picks, position=picks.position - np.where(self.marker.hanging[:, None], slip, 0.0))

    @property
    def _believed(self) -> Bools:
        return np.ones((len(self.marker.picks), 2), dtype=bool)

    def _of(self, picks: Picks, habit: Habit) -> float:
        return fitted(picks, self._believed, habit, self.normal, turns=0).evidence


AMPLITUDES_M = (0.3, 1.0, 3.0, 8.0, 20.0)
DISTANCES_M = (40.0, 80.0, 160.0, 320.0)
USUAL_AMPLITUDE_M, USUAL_DISTANCE_M = 1.5, 120.0
"""Waviness of markers that is looked at, and where its prior is centred (that of ``[lineup]``)."""

SPREAD_OF_AMPLITUDE, SPREAD_OF_DISTANCE = 1.2, 0.8
"""Standard deviations of the logarithms."""

SCATTER_DEG = (3.0, 10.0)
"""Small-scale scatter of a marker's orientation about its surface: a wall of a dyke, and folded bedding."""

DEPTH_M = 0.4
"""1-σ of the place of a logged marker, metres, as for faults."""

LIKELY, FEW_HABITS = 3.0, 3
"""Habits are kept within this log likelihood of the best, and so many at most."""


def wavy_marker(marker: Marker, span: float) -> WavyMarker:
    """Return a marker with its mean plane and the ways in which it may be wavy, from each side by itself.

    Parameters
    ----------
    marker : Marker
        With picks on either side or both.
    span : float
        Metres within which it lies anywhere.
    """
    sides = [marker.picks[side] for side in (marker.hanging, ~marker.hanging) if side.any()]
    habits = [
        Habit(amplitude, distance, float(np.deg2rad(scatter)), 1.0, span, DEPTH_M)
        for amplitude in AMPLITUDES_M
        for distance in DISTANCES_M
        for scatter in SCATTER_DEG
    ]
    normal = _mean_normal(sides, habits[0])
    prior = np.array(
        [
            -0.5 * (np.log(one.amplitude / USUAL_AMPLITUDE_M) / SPREAD_OF_AMPLITUDE) ** 2
            - 0.5 * (np.log(one.distance / USUAL_DISTANCE_M) / SPREAD_OF_DISTANCE) ** 2
            for one in habits
        ]
    )
    prior -= logsumexp(prior)
    each = np.array([sum(_alone(side, habit, normal) for side in sides) for habit in habits]) + prior
    order = np.argsort(-each, kind="stable")[:FEW_HABITS]
    order = order[each[order] > each.max() - LIKELY]
    return WavyMarker(marker, normal, tuple(habits[k] for k in order), prior[order])


def _alone(picks: Picks, habit: Habit, normal: Floats) -> float:
    return fitted(picks, np.ones((len(picks), 2), dtype=bool), habit, normal, turns=0).evidence


def _mean_normal(sides: list[Picks], habit: Habit) -> Floats:
    """Return the normal of the plane of the side that knows more of it, which no slip can turn."""
    richest = max(sides, key=lambda side: len(side) + 2 * int(side.oriented.sum()))
    poles = richest.normal[richest.oriented]
    if len(poles) >= UNKNOWNS:
        return _pole(np.linalg.eigh(poles.T @ poles)[1][:, -1])
    away = richest.position - richest.position.mean(axis=0)
    first = np.vstack([np.linalg.svd(away, full_matrices=False)[2][-1:], poles])[-1]
    return _pole(fitted(richest, np.ones((len(richest), 2), dtype=bool), habit, _pole(first)).axes[2])


def _pole(vector: Floats) -> Floats:
    return -vector if vector[2] < 0.0 else vector
