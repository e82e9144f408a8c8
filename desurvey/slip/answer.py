"""The slip of one fault, from markers on its two sides and its slip lines.

The plane of the fault is searched on a grid, with places blurred to its step so that no narrow ridge is missed; the
optima are made exact, and about each the markers' likelihood is taken as Gaussian (Laplace). Its product with the
slip lines' likelihood and the prior is then summed on a fine grid along its axes, so that heavy tails, and lines that
cross a ridge, count as they are. The prior density of a slip is that of the two-dimensional Cauchy distribution.

What is measured may leave a direction open: one planar marker says nothing of slip along its cut-off line. Where the
likelihood alone leaves more than ``unknown_m`` in a direction, that is said, and no number is given for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats
from scipy.ndimage import maximum_filter
from scipy.special import logsumexp
from threadpoolctl import threadpool_limits

from desurvey.shown import shown
from desurvey.slip.evidence import RAKES_DEG, Marker, SlipLines, SlipSettings, WavyMarker, line_evidence, wavy_marker
from desurvey.slip.movement import fault_axes
from desurvey.surface.picks import spread_out

__all__ = ["Optimum", "Slip", "slip_of"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """One slip that fits.

    Attributes
    ----------
    slip : (3,) array
        Movement of the hanging wall against the foot wall, (E, N, U), metres. Where a direction is unknown, the
        smallest slip that fits.
    covariance : (3, 3) array
        Square metres; without the unknown direction.
    unknown : (3,) array
        Unit vector, pointing down, of the direction that what is measured leaves open; NaN for none.
    weight : float
        Its probability beside the others.
    """

    slip: Floats
    covariance: Floats
    unknown: Floats
    weight: float

    @property
    def complete(self) -> bool:
        """Whether no direction is unknown."""
        return bool(np.isnan(self.unknown[0]))


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Slip:
    """What is known of a fault's slip.

    Attributes
    ----------
    fault_id : str
    normal : (3,) array
        Upward unit normal of the fault's plane.
    markers : tuple of str
        Those that lie on both sides.
    picks : int
        Picks of theirs and slip lines that took part.
    lines : int
        Slip lines among them.
    optima : tuple of Optimum
        The likeliest first; empty without markers.
    line : (3,) array
        The direction that slip lines show, by itself: of the hanging wall where senses are logged, else pointing down;
        NaN without slip lines.
    told : bool
        Whether senses are logged.
    p_value : float
        Probability of a worse fit of the markers; NaN where nothing is left to check.
    odds : float
        Of this slip against none: how many times better a slip explains markers and lines; NaN without markers.
    """

    fault_id: str
    normal: Floats
    markers: tuple[str, ...]
    picks: int
    lines: int
    optima: tuple[Optimum, ...]
    line: Floats
    told: bool
    p_value: float
    odds: float


MOST_A_SIDE = 50
"""Picks of a marker on one side that take part, those nearest the fault: what lies farther says little of its slip."""

SEARCHED_A_SIDE = 12
"""Picks a side in the search."""

STEPS, SEARCHED_M = 10, 10.0
"""Steps of the search's grid to each side, and each one's metres; an optimum made exact may lie beyond."""

STARTS, WITHIN = 4, 12.0
"""Optima that are made exact: at most so many, within this log likelihood of the best."""

LEAST_SHARE = 0.05
"""Optima below this probability are dropped."""


def slip_of(
    fault_id: str,
    normal: Floats,
    markers: Sequence[Marker],
    lines: SlipLines,
    settings: SlipSettings | None = None,
    *,
    normal_sigma_deg: float = 0.0,
    offsets: Sequence[Floats] | None = None,
) -> Slip:
    """Return the slip of a fault.

    Parameters
    ----------
    fault_id : str
    normal : (3,) array
        Upward unit normal of its plane.
    markers : sequence of Marker
        Those that don't tell (:attr:`Marker.tells`) are left aside.
    lines : SlipLines
    settings : SlipSettings, optional
    normal_sigma_deg : float
        1-σ of the normal: the slip's part square to the plane follows from it.
    offsets : sequence of (n,) arrays, optional
        Distance of each marker's picks from the fault, metres, so that the nearest are taken where there are many.
    """
    settings = settings or SlipSettings()
    axes = fault_axes(normal)
    said = line_evidence(lines, axes, settings)
    gone = [np.zeros(len(one.hanging)) for one in markers] if offsets is None else offsets
    used = [_nearest(one, far) for one, far in zip(markers, gone, strict=True) if one.tells]
    line, told = _shown_by(lines, said, axes)
    if not used:
        return Slip(fault_id, normal, (), len(lines), len(lines), (), line, told, np.nan, np.nan)
    with threadpool_limits(1):  # hundreds of small products: more threads only wait for each other
        ground = _Ground(used, axes, said, settings)
        optima, odds = ground.answered()
        fits = [marker.misfit(optima[0].slip) for marker in ground.surfaces]
    tilt = np.deg2rad(normal_sigma_deg) ** 2 * np.outer(normal, normal)
    optima = tuple(
        Optimum(one.slip, one.covariance + float(one.slip @ one.slip) * tilt, one.unknown, one.weight) for one in optima
    )
    best = optima[0]
    free = sum(numbers - 3 for _, numbers in fits) - (2 if best.complete else 1)
    p_value = float(stats.chi2.sf(sum(chi2 for chi2, _ in fits), free)) if free > 0 else np.nan
    count = sum(len(one.hanging) for one in used)
    names = tuple(one.name for one in used)
    return Slip(fault_id, normal, names, count + len(lines), len(lines), optima, line, told, p_value, odds)


def _nearest(marker: Marker, offset: Floats) -> Marker:
    """Return a marker with no more picks than are needed."""
    far = np.abs(offset)
    keep = [rows[np.argsort(far[rows], kind="stable")[:MOST_A_SIDE]] for rows in _sides(marker)]
    rows = np.sort(np.concatenate(keep))
    return Marker(marker.name, marker.picks[rows], marker.hanging[rows])


def _sides(marker: Marker) -> list[Ints]:
    return [np.flatnonzero(marker.hanging), np.flatnonzero(~marker.hanging)]


def _thinned(surface: WavyMarker) -> WavyMarker:
    marker = surface.marker
    keep = [rows[spread_out(marker.picks.position[rows], SEARCHED_A_SIDE)] for rows in _sides(marker)]
    rows = np.sort(np.concatenate(keep))
    fewer = Marker(marker.name, marker.picks[rows], marker.hanging[rows])
    return WavyMarker(fewer, surface.normal, surface.habits, surface.weights)


def _shown_by(lines: SlipLines, said: Floats, axes: Floats) -> tuple[Floats, bool]:
    """Return the direction that the slip lines show, and whether senses say which way along it."""
    if not len(lines):
        return np.full(3, np.nan), False
    rake = np.deg2rad(RAKES_DEG[int(np.argmax(said))])
    vector = np.cos(rake) * axes[0] - np.sin(rake) * axes[1]
    told = bool(np.any(lines.sense != ""))
    return (-vector if not told and vector[2] > 0.0 else vector), told


class _Peak:
    """An optimum of markers, lines and prior, with the markers' likelihood about it."""

    def __init__(self, place: Floats, level: float, gradient: Floats, curvature: Floats, loosest_m: float) -> None:
        value, vectors = np.linalg.eigh(curvature)  # the loose direction first
        flat = value < loosest_m**-2
        slope = np.where(flat, 0.0, vectors.T @ gradient)
        value = np.where(flat, 0.0, value)
        self.place, self.level, self.value, self.vectors, self.slope = place, level, value, vectors, slope

    def logarithm(self, parts: Floats) -> Floats:
        """Return the markers' log likelihood at offsets along the axes, (k, 2)."""
        return np.asarray(self.level + parts @ self.slope - 0.5 * (parts**2 @ self.value))

    def grid(self, largest_m: float) -> tuple[Floats, float]:
        """Return offsets along the axes that cover what may be, (k, 2), and the area of each."""
        known = self.value > 0.0
        middle = np.where(known, self.slope / np.where(known, self.value, 1.0), -(self.place @ self.vectors))
        half = np.where(known, SIGMAS / np.sqrt(np.where(known, self.value, 1.0)), largest_m)
        half = np.minimum(half, largest_m)
        first, second = (middle[k] + half[k] * np.linspace(-1.0, 1.0, count) for k, count in enumerate(GRID))
        parts = np.stack(np.meshgrid(first, second, indexing="ij"), axis=-1).reshape(-1, 2)
        return parts, float((first[1] - first[0]) * (second[1] - second[0]))


SIGMAS = 6.0
GRID = (801, 61)
"""Points of the fine grid along the loose and the narrow axis, and how far it goes where that is known."""


class _Ground:
    """All that is asked while the slip of one fault is worked out, on slips (x along strike, y up dip)."""

    def __init__(self, markers: list[Marker], axes: Floats, said: Floats, settings: SlipSettings) -> None:
        place = np.vstack([one.picks.position for one in markers])
        span = float(np.linalg.norm(np.ptp(place, axis=0))) + settings.largest_m
        self.surfaces = [wavy_marker(one, span) for one in markers]
        self.frame = axes * np.array([[1.0], [-1.0]])
        self.said, self.settings = said, settings

    def beside(self, slips: Floats) -> Floats:
        """Return log likelihood of the lines plus log prior at slips (k, 2)."""
        rake = np.rad2deg(np.arctan2(slips[:, 1], slips[:, 0]))
        lines = np.interp(rake, RAKES_DEG, self.said, period=360.0)
        scale = self.settings.usual_m
        prior = np.log(scale / (2.0 * np.pi)) - 1.5 * np.log(scale**2 + (slips**2).sum(axis=1))
        return np.asarray(lines + prior)

    def markers(self, slip: Floats) -> float:
        return sum(one.evidence(slip @ self.frame) for one in self.surfaces)

    def answered(self) -> tuple[tuple[Optimum, ...], float]:
        """Return the optima, the likeliest first, and the odds against no slip."""
        peaks = self._peaks()
        found = [self._summed(peak) for peak in peaks]
        total = float(logsumexp([mass for _, mass in found]))
        # slip lines show that something moved, were it by a millimetre: they have no part in how far
        nothing = self.markers(np.zeros(2)) + float(logsumexp(self.said)) - np.log(len(self.said))
        odds = float(np.exp(min(total - nothing, LARGEST_LOG_ODDS)))
        share = np.exp([mass - total for _, mass in found])
        order = [k for k in np.argsort(-share, kind="stable") if share[k] >= LEAST_SHARE]
        whole = share[order].sum()
        return tuple(self._optimum(found[k][0], share[k] / whole) for k in order), odds

    def _peaks(self) -> list[_Peak]:
        """Return the optima of the plane, made exact, those only once that several starts lead to."""
        peaks: list[_Peak] = []
        for start in self._starts():
            corners = start + np.array([[0.0, 0.0], [CORNER_M, 0.0], [0.0, CORNER_M]])
            end = optimize.fmin(self._cost, start, xtol=0.05, ftol=0.02, maxfun=90, disp=False, initial_simplex=corners)
            peak = self._about(end)
            if not any(_same(peak, other) for other in peaks):
                peaks.append(peak)
        return peaks

    def _cost(self, slip: Floats) -> float:
        return -self.markers(slip) - float(self.beside(slip[None])[0])

    def _starts(self) -> list[Floats]:
        ticks = SEARCHED_M * np.arange(-STEPS, STEPS + 1)
        grid = np.stack(np.meshgrid(ticks, ticks, indexing="ij"), axis=-1)
        flat = grid.reshape(-1, 2)
        few = [_thinned(one) for one in self.surfaces]
        level = np.array([sum(one.evidence(s @ self.frame, blurred_m=SEARCHED_M / 2.0) for one in few) for s in flat])
        level = (level + self.beside(flat)).reshape(grid.shape[:2])
        tops = np.flatnonzero((level == maximum_filter(level, 3)).ravel())
        tops = tops[np.argsort(-level.ravel()[tops], kind="stable")]
        tops = tops[level.ravel()[tops] > level.max() - WITHIN]
        return [flat[top] for top in tops[:STARTS]]

    def _about(self, place: Floats) -> _Peak:
        """Return the markers' likelihood about a place as a Gaussian, by differences."""
        h = DIFFERENCE_M
        level = self.markers(place)
        unit = h * np.eye(2)
        up, down = np.array([[self.markers(place + sign * e) for e in unit] for sign in (1.0, -1.0)])
        both = self.markers(place + unit.sum(axis=0)) + self.markers(place - unit.sum(axis=0))
        curvature = np.diag(2.0 * level - up - down) / h**2
        curvature[0, 1] = curvature[1, 0] = -(both - up.sum() - down.sum() + 2.0 * level) / (2.0 * h**2)
        return _Peak(place, level, (up - down) / (2.0 * h), curvature, self.settings.largest_m)

    def _summed(self, peak: _Peak) -> tuple[tuple[Floats, Floats, Floats], float]:
        """Return mean, covariance and unknown direction (2,) in the plane, and the log of all probability."""
        parts, area = peak.grid(self.settings.largest_m)
        slips = peak.place + parts @ peak.vectors.T
        likelihood, rest = peak.logarithm(parts), self.beside(slips)
        rake = np.rad2deg(np.arctan2(slips[:, 1], slips[:, 0]))
        measured = likelihood + np.interp(rake, RAKES_DEG, self.said, period=360.0)
        mean, covariance = _moments(slips, likelihood + rest)
        _, alone = _moments(slips, measured)
        width, vectors = np.linalg.eigh(alone)
        unknown = np.full(2, np.nan)
        if width[1] > self.settings.unknown_m**2:
            unknown = vectors[:, 1]
            square = vectors[:, 0]
            mean = float(mean @ square) * square
            covariance = float(square @ covariance @ square) * np.outer(square, square)
        mass = float(logsumexp(likelihood + rest) + np.log(area))
        return (mean, covariance, unknown), mass

    def _optimum(self, summed: tuple[Floats, Floats, Floats], weight: float) -> Optimum:
        mean, covariance, unknown = summed
        vector = unknown @ self.frame
        vector = -vector if vector[2] > 0.0 else vector
        return Optimum(mean @ self.frame, self.frame.T @ covariance @ self.frame, vector, float(weight))


CORNER_M = 4.0
"""Size of the simplex from which an optimum is made exact, to far less than any slip is known."""

DIFFERENCE_M = 1.0
"""Step of the differences, metres: some σ of a well known slip, for the likelihood of a plane is a Gaussian exactly."""

LARGEST_LOG_ODDS = 200.0
"""Odds beyond this are all the same, and still a number."""


def _moments(slips: Floats, logarithm: Floats) -> tuple[Floats, Floats]:
    weight = np.exp(logarithm - logarithm.max())
    weight /= weight.sum()
    mean = weight @ slips
    away = slips - mean
    return mean, (away * weight[:, None]).T @ away


def _same(one: _Peak, other: _Peak) -> bool:
    """Return whether two optima are one: within three σ of the narrower of the two, in every direction."""
    gap = (one.place - other.place) @ other.vectors
    return bool((gap**2 @ np.maximum(other.value, 0.0)) < 9.0)
