"""Blunders of whole holes: a hole's poles against what all *other* holes make of the ground it runs through.

Along one hole the field of axes is unsure of itself in a way that changes slowly, so the readings of a hole must not be
counted as so many independent witnesses. The hole is cut into ``PARTS`` stretches; the field learnt without the hole
gives each an axis and all of them a joint covariance C. What is unknown, the shift f of the true axes from the
expected ones, has the prior N(0, C) and is taken at its likeliest with the curvature there (Laplace's approximation)::

    log p(readings) ≈ Σ log mixture(reading − f) − ½ fᵀ C⁻¹ f − ½ log det(I + C Λ)

Λ is what the readings themselves know of f. The mixture has a broad part for stray readings and for runs that are
wrong on their own, so one bad run does not condemn a hole.

A blunder of the survey moves the hole as well: each hypothesis has its own places, and so its own expectation::

    as_logged, beta_reversed, alpha_complement, line_side     the trace as it stands
    north_reference      turned about the vertical through the collar by a free angle, or by the project's own
                         difference of north, once or backwards (converted twice)
    azimuth_reversed     turned by 180°
    dip_sign             mirrored in the level of the collar

*Doubt*: C is multiplied by one number for the whole project, at which the holes left out in turn are likeliest. It is
1 when the field says rightly how well it knows other holes, larger where the fold is not as smooth as the field supposes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey import orient
from desurvey.suspects import expectation
from desurvey.suspects.learning import Lesson, Sigmas, lessons_of, relearn
from desurvey.suspects.readings import Readings
from desurvey.suspects.weighing import log_area_ratio

__all__ = [
    "HOLE_BLUNDERS",
    "HoleFindings",
    "HoleVerdict",
    "Hypothesis",
    "find_holes",
    "hypotheses",
    "restated",
    "weigh_holes",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

HOLE_BLUNDERS = ("line_side", "beta_reversed", "alpha_complement", "azimuth_reversed", "dip_sign", "north_reference")

PARTS = 12
"""Stretches of a hole; shorter than any fold that could be followed from hole to hole."""

SYSTEMATIC = np.deg2rad(1.5)
"""Honest error that all readings of a hole share: of its survey and of the line (common practice, no source)."""

SPOILT = 0.06
"""Share of readings in runs that are wrong on their own, added to the kind's strays."""

SHIFT_TURNS = 8


class Hypothesis(NamedTuple):
    """One way in which a hole may be wrong.

    Attributes
    ----------
    blunder : str
        Empty for "as logged".
    matrix : (3, 3) array
        What it does to the trace about the collar, to put it right.
    turn_deg : float
        Turn of the azimuth that puts it right.
    weight : float
        Share of the blunder's prior.
    """

    blunder: str
    matrix: Floats
    turn_deg: float = 0.0
    weight: float = 1.0


def hypotheses(north_offset_deg: float = 0.0) -> tuple[Hypothesis, ...]:
    """Return all that is tried on a hole, "as logged" first.

    Parameters
    ----------
    north_offset_deg : float
        Grid minus magnetic north as this project converts it; 0 when it does not say.
    """
    same = np.eye(3)
    known = [s * north_offset_deg for s in (1, -1) if abs(north_offset_deg) >= LEAST_TURN]
    free = np.concatenate([np.arange(-MOST_TURN, -LEAST_TURN + 1, TURN_STEP), np.arange(LEAST_TURN, MOST_TURN + 1, TURN_STEP)])
    share_free = 0.5 if known else 1.0
    turns = [Hypothesis("north_reference", _turn(a), float(a), share_free / len(free)) for a in free]
    turns += [Hypothesis("north_reference", _turn(a), float(a), 0.5 / len(known)) for a in known]
    return (
        Hypothesis("", same),
        Hypothesis("line_side", same),
        Hypothesis("beta_reversed", same),
        Hypothesis("alpha_complement", same),
        Hypothesis("azimuth_reversed", _turn(180.0), 180.0),
        Hypothesis("dip_sign", np.diag([1.0, 1.0, -1.0])),
        *turns,
    )


LEAST_TURN, MOST_TURN, TURN_STEP = 6.0, 42.0, 3.0
"""Degrees; free turns of north that are tried: declinations over most of the inhabited Earth, and twice that."""


def _turn(angle_deg: float) -> Floats:
    """Return the matrix that adds an angle to azimuths."""
    cosine, sine = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return np.array([[cosine, sine, 0.0], [-sine, cosine, 0.0], [0.0, 0.0, 1.0]])


def restated(readings: Readings, collar: Floats, hypothesis: Hypothesis) -> Readings:
    """Return the readings as they would be were the hypothesis true and put right.

    Parameters
    ----------
    collar : (n, 3) array
        Of each reading's hole.
    """
    matrix = hypothesis.matrix
    alpha, beta = np.array(readings.alpha_deg), np.array(readings.beta_deg)
    if hypothesis.blunder == "line_side":
        beta = (beta + 180.0) % 360.0
    elif hypothesis.blunder == "beta_reversed":
        beta = (-beta) % 360.0
    elif hypothesis.blunder == "alpha_complement":
        alpha = 90.0 - alpha
    # A mirror turns the high side of a hole into the low side of its image: a gravity line goes to the other side.
    flip = np.where(readings.gravity & (np.linalg.det(matrix) < 0), -1.0, 1.0)[:, None]
    parts = {name: getattr(readings, name) for name in ("kind", "hole", "run", "depth", "gravity")}
    moved = Readings.of(
        position=collar + (readings.position - collar) @ matrix.T,
        tangent=readings.tangent @ matrix.T,
        reference=flip * (readings.reference @ matrix.T),
        alpha_deg=alpha,
        beta_deg=beta,
        **parts,
        surveyed=readings.normal,
    )
    return moved


@dataclass(frozen=True, slots=True, eq=False)
class HoleVerdict:
    """What the other holes say of each hole.

    Attributes
    ----------
    blunders : tuple of str
        In the order of the columns below.
    evidence : (h, b) array
        Log likelihood ratio of each blunder to "as logged", the free turn paid for.
    probability : (h, b + 1) array
        Of "as logged" and of each blunder.
    turn_deg, turn_sigma : (h,) arrays
        Turn of north, degrees to add to the azimuths, and its standard deviation, were it that.
    best : (h,) int array
        Index of the likeliest of the hypotheses.
    doubt : float
        Factor on the covariance of the expectation.
    """

    blunders: tuple[str, ...]
    evidence: Floats
    probability: Floats
    turn_deg: Floats
    turn_sigma: Floats
    best: Ints
    doubt: float


PRIOR_RATE = 0.02
"""Share of holes with a blunder before the data are seen (common practice, no source)."""

DOUBTS = (1.0, 1.5, 2.5, 4.0, 7.0)


def weigh_holes(
    readings: Readings,
    lessons: list[Lesson],
    collar: Floats,
    tried: tuple[Hypothesis, ...],
    sigmas: Sigmas,
    doubt: float,
) -> HoleVerdict:
    """Return the verdict on every hole.

    Parameters
    ----------
    readings : Readings
        As logged; the lessons may have been learnt from other values of the same rows.
    lessons : list of Lesson
        Only what they say *without* a hole is used for that hole.
    collar : (h, 3) array
        Of every hole, in the order of the codes ``readings.hole``.
    doubt : float
        The factor on the covariance of the expectation to weigh with; the verdict has the one to use next.
    """
    stretches = [_Stretches.of(readings, lesson, len(collar), sigmas) for lesson in lessons if lesson.tells()]
    logs = np.zeros((len(collar), len(tried)))
    for number, hypothesis in enumerate(tried):
        moved = restated(readings, collar[readings.hole], hypothesis)
        for part in stretches:
            logs[:, number] += part.log_likelihood(moved, doubt)
            logs[:, number] += part.summed(log_area_ratio(readings.alpha_deg, moved.alpha_deg))
    plain = np.zeros((len(collar), len(DOUBTS)))
    for number, trial in enumerate(DOUBTS):
        for part in stretches:
            plain[:, number] += part.log_likelihood(readings, trial)
    return _judge(logs, tried, _likeliest_doubt(plain, logs))


def _likeliest_doubt(plain: Floats, logs: Floats) -> float:
    """Return the doubt at which the holes as logged are likeliest, holes with a better explanation apart."""
    other = logs[:, 1:].max(axis=1) + np.log(PRIOR_RATE)
    return DOUBTS[int(np.argmax(np.logaddexp(plain, other[:, None]).sum(axis=0)))]


def _judge(logs: Floats, tried: tuple[Hypothesis, ...], doubt: float) -> HoleVerdict:
    names = np.array([h.blunder for h in tried])
    blunders = tuple(dict.fromkeys(names[1:].tolist()))
    weight = np.array([h.weight for h in tried])
    summed = np.stack([_log_sum(logs[:, names == b] + np.log(weight[names == b])) for b in ("", *blunders)], axis=1)
    prior = np.log(np.append(1 - PRIOR_RATE, np.full(len(blunders), PRIOR_RATE / len(blunders))))
    probability = np.exp(summed + prior - _log_sum(summed + prior)[:, None])
    best = 1 + np.argmax(logs[:, 1:] + np.log(weight[1:]), axis=1)
    turns = np.array([h.turn_deg for h in tried])
    north = names == "north_reference"
    chance = np.exp(logs[:, north] + np.log(weight[north]) - summed[:, 1 + blunders.index("north_reference")][:, None])
    turn = chance @ turns[north]
    sigma = np.sqrt(np.maximum(chance @ turns[north] ** 2 - turn**2, 0.0) + 1.0)
    return HoleVerdict(blunders, summed[:, 1:] - summed[:, :1], probability, turn, sigma, best, doubt)


def _log_sum(logs: Floats) -> Floats:
    top = logs.max(axis=1, keepdims=True)
    return np.asarray(np.log(np.exp(logs - top).sum(axis=1)) + top[:, 0])


@dataclass(frozen=True, slots=True, eq=False)
class _Stretches:
    """One lesson seen hole by hole: which readings stand in which stretch, and each field without each hole."""

    lesson: Lesson
    rows: Ints
    stretch: Ints
    holes: int
    variance: Floats
    without: tuple[tuple[Floats, Floats], ...]

    @classmethod
    def of(cls, readings: Readings, lesson: Lesson, holes: int, sigmas: Sigmas) -> _Stretches:
        logged = np.isfinite(readings.alpha_deg[lesson.members] + readings.beta_deg[lesson.members])
        rows = lesson.members[logged]
        hole, depth = readings.hole[rows], readings.depth[rows]
        top, bottom = np.full(holes, np.inf), np.full(holes, -np.inf)
        np.minimum.at(top, hole, depth)
        np.maximum.at(bottom, hole, depth)
        part = np.floor((depth - top[hole]) / (bottom - top + 1.0)[hole] * PARTS).astype(np.int64)
        node_hole = np.zeros(int(lesson.node.max()) + 1, dtype=np.int64)
        node_hole[lesson.node] = readings.hole[lesson.members]
        cosine = np.cos(np.deg2rad(readings.alpha_deg[rows]))
        shares = np.bincount(lesson.node)[lesson.node][logged]  # readings that share the honest error of one line
        reading = (sigmas[0] ** 2 + (sigmas[1] ** 2 + shares * LINE**2) * cosine**2) / 2
        without = tuple(field.dropping_groups(node_hole, holes) for field in lesson.fields)
        return cls(lesson, rows, hole * PARTS + part, holes, reading, without)

    def log_likelihood(self, readings: Readings, doubt: float) -> Floats:
        """Return the log likelihood of each hole's readings, (h,)."""
        place = self._places(readings.position[self.rows])
        normal = readings.normal[self.rows]
        sets = [
            _shifts(field, without, place, normal, self.stretch, doubt)
            for field, without in zip(self.lesson.fields, self.without, strict=True)
        ]
        return self._likeliest(sets)

    def summed(self, values: Floats) -> Floats:
        """Return the sum of a value over each hole's readings."""
        return np.asarray(np.bincount(self.stretch // PARTS, values[self.rows], self.holes))

    def _places(self, position: Floats) -> Floats:
        """Return a place for each stretch, (h, PARTS, 3): the mean of its readings, the hole's where it has none."""
        count = np.bincount(self.stretch, minlength=self.holes * PARTS)
        total = np.stack([np.bincount(self.stretch, c, len(count)) for c in position.T], axis=1)
        total, count = total.reshape(self.holes, PARTS, 3), count.reshape(self.holes, PARTS, 1)
        whole = total.sum(axis=1, keepdims=True) / np.maximum(count.sum(axis=1, keepdims=True), 1)
        return np.where(count > 0, total / np.maximum(count, 1), whole)

    def _likeliest(self, sets: list[tuple[Floats, Floats]]) -> Floats:
        """Return the evidence with the shifts at their likeliest (expectation–maximisation)."""
        lesson, size = self.lesson, self.holes * PARTS
        stray = min(lesson.stray + SPOILT, 0.9)
        shift = [np.zeros((size, 2)) for _ in sets]
        variance = lesson.scatter[:, None] ** 2 + self.variance
        height = (1 - stray) * lesson.share[:, None] / (2 * np.pi * variance)
        for turn in range(SHIFT_TURNS + 1):
            square = np.stack([((r - f[self.stretch]) ** 2).sum(axis=1) for (r, _), f in zip(sets, shift, strict=True)])
            normal = height * np.exp(-0.5 * square / variance)
            total = normal.sum(axis=0) + stray / (2 * np.pi)
            weight = normal / total / variance
            costs = np.zeros(self.holes)
            for member, (residual, covariance) in enumerate(sets):
                known = np.bincount(self.stretch, weight[member], size)
                moment = np.stack([np.bincount(self.stretch, weight[member] * c, size) for c in residual.T], axis=1)
                if turn < SHIFT_TURNS:
                    shift[member] = _likeliest_shift(covariance, known, moment)
                else:
                    costs += _cost(covariance, known, moment, shift[member])
        return np.bincount(self.stretch // PARTS, np.log(total), self.holes) - costs


LINE = np.deg2rad(3.0)
"""Honest error of one run's line, shared by its readings."""


def _shifts(
    field: expectation.Field,
    without: tuple[Floats, Floats],
    place: Floats,
    normal: Floats,
    stretch: Ints,
    doubt: float,
) -> tuple[Floats, Floats]:
    """Return residuals (n, 2) of poles from the axes of their stretches, and those axes' covariance (h, 2P, 2P)."""
    holes = len(place)
    features, lost = field.features_at(place.reshape(-1, 3))
    features, lost = features.reshape(holes, PARTS, -1), lost.reshape(holes, PARTS)
    weights, spread = without
    tensor = (features @ weights).reshape(-1, 5)
    covariance = features @ spread @ features.swapaxes(1, 2)
    covariance[:, np.arange(PARTS), np.arange(PARTS)] += lost
    axes = expectation.axes_of(tensor, np.zeros(len(tensor)))
    one, two = _square_to(axes.axis)
    shape = (holes, PARTS, 3)
    frame = np.stack([one.reshape(shape), two.reshape(shape)], axis=2).reshape(holes, 2 * PARTS, 3)
    axis = np.repeat(axes.axis.reshape(shape), 2, axis=1)
    gap = np.repeat(axes.gap.reshape(holes, PARTS), 2, axis=1)
    # How an error of the tensor, of one size in all components, turns two axes along two directions together.
    across = frame @ axis.swapaxes(1, 2)
    together = (frame @ frame.swapaxes(1, 2)) * (axis @ axis.swapaxes(1, 2)) + across * across.swapaxes(1, 2)
    joint = doubt * np.repeat(np.repeat(covariance, 2, axis=1), 2, axis=2) * together / 2
    joint /= gap[:, :, None] * gap[:, None, :]
    moment = np.cross(axis, frame)  # a small turn of everything about any line
    joint += SYSTEMATIC**2 * moment @ moment.swapaxes(1, 2)
    size = np.sqrt(np.maximum(joint[:, np.arange(2 * PARTS), np.arange(2 * PARTS)], 1e-12))
    held = np.minimum(1.0, FARTHEST / size)
    joint *= held[:, :, None] * held[:, None, :]
    return _residual(normal, axes.axis[stretch], one[stretch], two[stretch]), joint


FARTHEST = np.deg2rad(45.0)
"""Doubt about an axis beyond which it is not known at all."""


def _square_to(axis: Floats) -> tuple[Floats, Floats]:
    """Return two unit vectors square to each axis and to one another."""
    least = np.eye(3)[np.argmin(np.abs(axis), axis=1)]
    one = np.cross(axis, least)
    one /= np.linalg.norm(one, axis=1, keepdims=True)
    return one, np.cross(axis, one)


def _residual(normal: Floats, axis: Floats, one: Floats, two: Floats) -> Floats:
    """Return the angles from axes to poles along two directions, radians, (n, 2): the arc, laid flat."""
    cosine = np.einsum("ij,ij->i", normal, axis)
    flat = np.stack([np.einsum("ij,ij->i", normal, one), np.einsum("ij,ij->i", normal, two)], axis=1)
    sine = np.linalg.norm(flat, axis=1)
    stretch = np.where(cosine < 0, -1.0, 1.0) * np.arctan2(sine, np.abs(cosine)) / np.maximum(sine, 1e-12)
    return np.asarray(flat * stretch[:, None])


def _likeliest_shift(covariance: Floats, known: Floats, moment: Floats) -> Floats:
    """Return f = (C⁻¹ + Λ)⁻¹ m as C B⁻¹ m with B = I + Λ C, so that C need not be regular."""
    holes, size = covariance.shape[:2]
    both = np.repeat(known.reshape(holes, PARTS), 2, axis=1)
    system = np.eye(size) + both[:, :, None] * covariance
    return (covariance @ np.linalg.solve(system, moment.reshape(holes, size, 1))).reshape(-1, 2)


def _cost(covariance: Floats, known: Floats, moment: Floats, shift: Floats) -> Floats:
    """Return ½ fᵀ C⁻¹ f + ½ log det(I + C Λ) of each hole; at the likeliest f, C⁻¹ f = m − Λ f."""
    holes, size = covariance.shape[:2]
    both = np.repeat(known.reshape(holes, PARTS), 2, axis=1)
    flat = shift.reshape(holes, size)
    force = moment.reshape(holes, size) - both * flat
    _, volume = np.linalg.slogdet(np.eye(size) + both[:, :, None] * covariance)
    return np.asarray(0.5 * np.einsum("hi,hi->h", flat, force) + 0.5 * volume)


@dataclass(frozen=True, slots=True, eq=False)
class HoleFindings:
    """Holes found wrong.

    Attributes
    ----------
    hole : (k,) int array
    hypothesis : tuple of Hypothesis
        What puts each right.
    evidence, probability, turn_sigma : (k,) arrays
    readings : Readings
        All readings, those of the holes found wrong put right.
    lessons : list of Lesson
        Learnt from them.
    """

    hole: Ints
    hypothesis: tuple[Hypothesis, ...]
    evidence: Floats
    probability: Floats
    turn_sigma: Floats
    readings: Readings
    lessons: list[Lesson]


SURE = 0.99
"""Least probability of a blunder at which a hole is accused."""


def find_holes(readings: Readings, collar: Floats, north_offset_deg: float, sigmas: Sigmas) -> HoleFindings:
    """Return the holes that are wrong as a whole, the strongest case first.

    Notes
    -----
    A wrong hole also misleads what is expected of its neighbours. So only the strongest case is taken at a time; the
    hole is put right, the lessons are learnt anew and all holes weighed again, until no case is left. At the end every
    hole is weighed as logged once more against the final lessons; a case that no longer stands is dropped.
    """
    tried = hypotheses(north_offset_deg)
    lessons, right = lessons_of(readings, sigmas), readings
    doubt, found = FIRST_DOUBT, np.zeros(len(collar), dtype=np.int64)
    for _ in range(len(collar) // 2):  # beyond half the holes there is no majority to be measured against
        verdict = weigh_holes(right, lessons, collar, tried, sigmas, doubt)
        if verdict.doubt != doubt:
            doubt = verdict.doubt
            verdict = weigh_holes(right, lessons, collar, tried, sigmas, doubt)
        as_logged = np.where(found > 0, 1.0, verdict.probability[:, 0])
        worst = int(np.argmin(as_logged))
        if as_logged[worst] > 1 - SURE:
            break
        found[worst] = verdict.best[worst]
        right = _put_right(readings, collar, tried, found)
        lessons = relearn(right, lessons, sigmas)
    return _settle(readings, collar, tried, found, lessons, sigmas, doubt)


FIRST_DOUBT = 1.5


def _put_right(readings, collar, tried, found):
    right = readings
    for number in np.unique(found[found > 0]):
        chosen = found[readings.hole] == number
        right = right.where(chosen, restated(readings, collar[readings.hole], tried[number]))
    return right


def _settle(readings, collar, tried, found, lessons, sigmas, doubt):
    verdict = weigh_holes(readings, lessons, collar, tried, sigmas, doubt)
    stands = (found > 0) & (verdict.probability[:, 0] <= 1 - SURE)
    found = np.where(stands, verdict.best, 0)
    hole = np.flatnonzero(stands)
    return HoleFindings(
        hole, tuple(tried[n] for n in found[hole]), verdict.evidence[hole].max(axis=1, initial=-np.inf), 1 - verdict.probability[hole, 0],
        verdict.turn_sigma[hole], _put_right(readings, collar, tried, found), lessons,
    )
