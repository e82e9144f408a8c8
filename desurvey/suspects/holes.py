"""Blunders of whole holes: a hole's poles against what all *other* holes make of the ground it runs through.

How a hole's readings are weighed, its uncertainty along the hole included, is said in
:mod:`desurvey.suspects.stretches`. Here is what is tried on each hole, and how the wrong ones are told.

A blunder of the survey moves the hole as well: each hypothesis has its own places, and so its own expectation::

    as_logged, beta_reversed, alpha_complement, line_side     the trace as it stands
    north_reference      turned about the vertical through the collar by a free angle, or by the project's own
                         difference of north, once or backwards (converted twice)
    azimuth_reversed     turned by 180°
    dip_sign             mirrored in the level of the collar

A stretch that the others can't foretell (folds tighter than the holes are apart) is not asked, and a hole is accused
only if most of its stretches speak against it (:func:`_broad`).

*Doubt*: a hole may be harder to foretell than the field supposes (a fold tighter there, a fault between). The
covariance of what is expected of a hole is therefore multiplied by a factor of its own, one of ``DOUBTS``, over which
its likelihood is averaged; how common each factor is, is learnt from all holes. So a hole has to be much better
explained by a blunder, and not merely surprising.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp, softmax

from desurvey import blunders, curvature, orient
from desurvey.progress import Progress, part, silent
from desurvey.shown import shown
from desurvey.suspects.learning import Lesson, Sigmas, lessons_of, relearn
from desurvey.suspects.readings import Readings
from desurvey.suspects.stretches import PARTS, Stretches
from desurvey.suspects.weighing import log_area_ratio

__all__ = [
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


class Hypothesis(NamedTuple):
    """One way in which a hole may be wrong.

    Attributes
    ----------
    blunder : str
        Empty for "as logged".
    turn_deg : float
        Turn of the azimuth that puts it right.
    weight : float
        Share of the blunder's prior.
    """

    blunder: str
    turn_deg: float = 0.0
    weight: float = 1.0

    @property
    def stays(self) -> bool:
        """Whether the hole stays where it is."""
        return not self.blunder or blunders.BLUNDERS[self.blunder].survey is None


def hypotheses(north_offset_deg: float = 0.0) -> tuple[Hypothesis, ...]:
    """Return all that is tried on a hole, "as logged" first.

    Parameters
    ----------
    north_offset_deg : float
        Grid minus magnetic north as this project converts it; 0 when it does not say.
    """
    known = [s * north_offset_deg for s in (1, -1) if abs(north_offset_deg) >= LEAST_TURN]
    free = np.concatenate(
        [np.arange(-MOST_TURN, -LEAST_TURN + 1, TURN_STEP), np.arange(LEAST_TURN, MOST_TURN + 1, TURN_STEP)]
    )
    share_free = 1.0 - KNOWN_SHARE if known else 1.0
    turns = [*((float(a), share_free / len(free)) for a in free), *((a, KNOWN_SHARE / len(known)) for a in known)]
    tried = [Hypothesis("")]
    for name in blunders.named("hole"):
        tried += [Hypothesis(name, *turn) for turn in turns] if blunders.BLUNDERS[name].free else [Hypothesis(name)]
    return tuple(tried)


KNOWN_SHARE = 0.9
"""Where the project says how its norths differ, a wrong north is nearly always wrong by just that (common practice)."""

LEAST_TURN, MOST_TURN, TURN_STEP = 6.0, 42.0, 4.0
"""Degrees; free turns of north that are tried: declinations over most of the inhabited Earth, and twice that."""


def restated(readings: Readings, collar: Floats, hypothesis: Hypothesis) -> Readings:
    """Return the readings as they would be were the hypothesis true and put right.

    Parameters
    ----------
    collar : (n, 3) array
        Of each reading's hole.
    """
    alpha, beta = blunders.corrected(readings.alpha_deg, readings.beta_deg, hypothesis.blunder, hypothesis.turn_deg)
    if hypothesis.stays:
        return readings.relogged(alpha, beta)
    tangent = _moved(readings.tangent, hypothesis)
    parts = {name: getattr(readings, name) for name in ("kind", "hole", "run", "depth", "gravity")}
    return Readings.of(
        position=collar + _moved(readings.position - collar, hypothesis),
        tangent=tangent,
        reference=_line_on(tangent, readings),
        alpha_deg=alpha,
        beta_deg=beta,
        **parts,
        surveyed=readings.normal,
    )


def _moved(vector: Floats, hypothesis: Hypothesis) -> Floats:
    """Return vectors of the trace, of any length, in the directions that they should have had."""
    azimuth, dip = np.rad2deg(curvature.angles(vector))
    azimuth, dip = np.deg2rad(blunders.redirected(azimuth, dip, hypothesis.blunder, hypothesis.turn_deg))
    return np.asarray(np.linalg.norm(vector, axis=1, keepdims=True) * curvature.tangent(azimuth, dip))


def _line_on(tangent: Floats, readings: Readings) -> Floats:
    """Return where the line lies on holes that have been moved: on the side that it marks, or towards north."""
    high = np.einsum("ij,ij->i", readings.reference, curvature.high_side(readings.tangent)) > 0
    return orient.reference_line(tangent, np.where(readings.gravity, np.where(high, "high", "low"), "north"))


@shown
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
    broad : (h,) array
        Evidence for it without the few stretches of the hole that say most and least.
    foretold : (h,) bool array
        Whether the other holes tell what most of its readings should be, of one kind at least.
    """

    blunders: tuple[str, ...]
    evidence: Floats
    probability: Floats
    turn_deg: Floats
    turn_sigma: Floats
    best: Ints
    broad: Floats
    foretold: npt.NDArray[np.bool_]


PRIOR_RATE = float(blunders.rates("hole").sum())
"""Share of holes with a blunder before the data are seen."""

DOUBTS = ((1.0, 1.0, 0.0), (3.0, 1.0, 0.0), (40.0, 1.0, 0.0), (2.0, 1.0, 0.15), (8.0, 1.0, 0.7), (1.0, 700.0, 0.0))
DOUBT_PRIOR = (3.0, 0.3, 0.05, 0.05, 0.05, 0.02)
"""Factors on the covariance of what is expected of a hole and on that of its honest error as a whole (the last lets it
stand in a block of ground turned by 40°), share of its stretches that stand apart, and holes of each kind assumed
beforehand."""


def weigh_holes(
    readings: Readings,
    lessons: list[Lesson],
    collar: Floats,
    tried: tuple[Hypothesis, ...],
    sigmas: Sigmas,
    progress: Progress = silent,
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
    progress : callable
        Told the share of the hypotheses that are weighed.
    """
    faithful = [lesson for lesson in lessons if lesson.tells() and lesson.stray < MOST_STRAY]
    stretches = [Stretches.of(readings, lesson, len(collar), sigmas) for lesson in faithful]
    here = [stretch.ground(readings.position) for stretch in stretches]  # of a hole that stays where it is
    parts = np.zeros((len(collar), len(tried), len(DOUBTS), PARTS))
    looks = []
    for number, hypothesis in enumerate(tried):
        moved = restated(readings, collar[readings.hole], hypothesis)
        grounds = here if hypothesis.stays else [stretch.ground(moved.position) for stretch in stretches]
        area = log_area_ratio(readings.alpha_deg, moved.alpha_deg)
        looks.append((moved, grounds, area))
        for stretch, ground in zip(stretches, grounds, strict=True):
            glance = stretch.log_likelihood(moved, ground, GLANCE, GLANCE_TURNS) + stretch.summed(area)
            parts[:, number] += glance.swapaxes(0, 1)  # the same for all doubts, until it is looked at closely
        progress(GLANCE_SHARE * (number + 1) / len(tried))
    first = parts[:, :, 0].sum(axis=2)
    close = first >= first.max(axis=1, keepdims=True) - FAR
    close[:, 0] = True
    for number, (moved, grounds, area) in enumerate(looks):
        holes = close[:, number]
        parts[holes, number] = 0.0
        for stretch, ground in zip(stretches, grounds, strict=True):
            few, below = stretch.only(holes), [g.only(holes) for g in ground]
            likely = few.log_likelihood(moved, below, np.array(DOUBTS)) + few.summed(area)
            parts[holes, number] += likely.swapaxes(0, 1)
        progress(GLANCE_SHARE + (1 - GLANCE_SHARE) * (number + 1) / len(tried))
    verdict = _judge(_over_doubts(parts.sum(axis=3)), tried)
    told = [stretch.told() for stretch in stretches]
    foretold = np.any(told, axis=0) if told else np.zeros(len(collar), dtype=bool)
    return replace(verdict, broad=_broad(parts, verdict.best), foretold=foretold)


GLANCE: Floats = np.array([[3.0, 1.0, 0.0]])
GLANCE_TURNS = 2
GLANCE_SHARE = 0.5
FAR = 15.0
"""Each hypothesis is first glanced at under one doubt; with log likelihoods so far below the best it is left at that. It
could only come near under a wide doubt, and there "as logged" does as well."""

MOST_STRAY = 0.1
"""Share of strays from which a kind is not asked about holes: a blunder may then fit the strays, say of short limbs."""


def _broad(parts: Floats, best: Ints) -> Floats:
    """Return the evidence for each hole's likeliest blunder, the ``FEW`` stretches that say most and least left out.

    A hole that is wrong is wrong in all its length. Where the rock is not as foretold in a stretch or two (a hinge, a
    fault met 10 m early), some blunder may fit those better by chance, and the sum would not show that they are all.
    """
    hole = np.arange(len(best))
    doubt = parts.sum(axis=3).argmax(axis=2)
    gain = parts[hole, best, doubt[hole, best]] - parts[hole, 0, doubt[:, 0]]
    return np.asarray(np.sort(gain, axis=1)[:, FEW:-FEW].sum(axis=1))


FEW = 2
LEAST_BROAD = 3.0
"""Of twelve stretches, and least log likelihood ratio of the rest."""


def _over_doubts(logs: Floats) -> Floats:
    """Return log likelihoods (h, q) averaged over the doubts, how common each is being learnt from the holes as logged.

    A hole that a blunder explains better has that much less to say about it.
    """
    plain, other = logs[:, 0], logs[:, 1:].max(axis=(1, 2)) + np.log(PRIOR_RATE)
    weight = np.array(DOUBT_PRIOR) / np.sum(DOUBT_PRIOR)
    for _ in range(10):
        total = np.logaddexp(logsumexp(plain + np.log(weight), axis=1), other)
        share = np.exp(plain + np.log(weight) - total[:, None]).sum(axis=0) + DOUBT_PRIOR
        weight = share / share.sum()
    levels = logs + np.log(weight)
    return np.asarray(logsumexp(levels, axis=2))


def _judge(logs: Floats, tried: tuple[Hypothesis, ...]) -> HoleVerdict:
    names = np.array([h.blunder for h in tried])
    tried_names = blunders.named("hole")
    weight = np.array([h.weight for h in tried])
    weighted = logs + np.log(weight)
    summed = np.stack([logsumexp(weighted[:, names == b], axis=1) for b in ("", *tried_names)], axis=1)
    prior = np.log(np.append(1 - PRIOR_RATE, blunders.rates("hole")))
    probability = softmax(summed + prior, axis=1)
    best = 1 + np.argmax(weighted[:, 1:], axis=1)
    turns = np.array([h.turn_deg for h in tried])
    north = names == "north_reference"
    chance = np.exp(weighted[:, north] - summed[:, 1 + tried_names.index("north_reference")][:, None])
    turn = chance @ turns[north]
    sigma = np.sqrt(np.maximum(chance @ turns[north] ** 2 - turn**2, 0.0) + 1.0)
    return HoleVerdict(
        tried_names,
        summed[:, 1:] - summed[:, :1],
        probability,
        turn,
        sigma,
        best,
        np.zeros(len(best)),
        np.zeros(len(best), dtype=bool),
    )


@shown
@dataclass(frozen=True, slots=True, eq=False)
class HoleFindings:
    """Holes found wrong.

    Attributes
    ----------
    hole : (k,) int array
    hypothesis : tuple of Hypothesis
        What puts each right.
    evidence, probability, turn_sigma : (k,) arrays
        Log likelihood ratio; probability of the blunder; standard deviation, degrees, of the turn of north, were it
        that.
    readings : Readings
        All readings, those of the holes found wrong put right.
    lessons : list of Lesson
        Learnt from them.
    foretold : (h,) bool array
        Of all holes: whether the others tell what most of its readings should be.
    """

    hole: Ints
    hypothesis: tuple[Hypothesis, ...]
    evidence: Floats
    probability: Floats
    turn_sigma: Floats
    readings: Readings
    lessons: list[Lesson]
    foretold: npt.NDArray[np.bool_]


SURE = 0.99
"""Least probability of a blunder at which a hole is accused."""


def find_holes(
    readings: Readings, collar: Floats, north_offset_deg: float, sigmas: Sigmas, progress: Progress = silent
) -> HoleFindings:
    """Return the holes that are wrong as a whole.

    Notes
    -----
    A wrong hole also misleads what is expected of its neighbours. So holes are weighed in turns: each teaches the
    next turn's field with its probability of being as logged. Wrong holes and at first some neighbours lose their say;
    the neighbours, judged by what is left, get it back. Where fewer than half of the holes keep it there is no majority
    to measure the others against, and none is accused.
    """
    tried = hypotheses(north_offset_deg)
    lessons, trust = lessons_of(readings, sigmas, part(progress, 0.0, LESSONS_SHARE)), np.ones(len(collar))
    begin = LESSONS_SHARE
    for _ in range(TURNS):
        end = (begin + 1.0) / 2  # how many turns there will be nobody knows: half of what is left
        step = part(progress, begin, end)
        verdict = weigh_holes(readings, lessons, collar, tried, sigmas, part(step, 0.0, WEIGHING_SHARE))
        begin = end
        change = float(np.max(np.abs(verdict.probability[:, 0] - trust), initial=0.0))
        trust = verdict.probability[:, 0]
        if change < SETTLED:
            break
        lessons = relearn(readings, lessons, trust[readings.hole], sigmas, part(step, WEIGHING_SHARE, 1.0))
    majority = np.count_nonzero(trust > 0.5) > len(trust) / 2
    hole = np.flatnonzero((trust <= 1 - SURE) & (verdict.broad >= LEAST_BROAD) & majority)
    right = _put_right(readings, collar, tried, np.where(np.isin(np.arange(len(trust)), hole), verdict.best, 0))
    named = np.array([verdict.blunders.index(tried[number].blunder) for number in verdict.best[hole]], dtype=np.int64)
    return HoleFindings(
        hole=hole,
        hypothesis=tuple(tried[number] for number in verdict.best[hole]),
        evidence=verdict.evidence[hole, named],
        probability=verdict.probability[hole, 1 + named],
        turn_sigma=verdict.turn_sigma[hole],
        readings=right,
        lessons=relearn(right, lessons, np.ones(len(right.depth)), sigmas, part(progress, begin, 1.0))
        if len(hole)
        else lessons,
        foretold=verdict.foretold,
    )


LESSONS_SHARE = 0.4
"""Share of the first lessons in the work on holes: 12 % where holes take three turns, about half where one."""

WEIGHING_SHARE = 0.85
"""Share of weighing holes in a turn; the rest is learning anew (demo project: 83 %)."""

TURNS = 6
SETTLED = 0.05
"""Most turns of weighing, and the change of probability of any hole below which they have settled."""


def _put_right(readings: Readings, collar: Floats, tried: tuple[Hypothesis, ...], found: Ints) -> Readings:
    """Return the readings with the holes found wrong (index of the hypothesis, 0 for none) put right."""
    right = readings
    for number in np.unique(found[found > 0]):
        chosen = found[readings.hole] == number
        right = right.where(chosen, restated(readings, collar[readings.hole], tried[number]))
    return right
