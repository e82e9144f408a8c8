"""The line-up of a project: which picks are the same fault, how sure that is, and where the others put each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from desurvey.lineup.crossings import Course, course_of
from desurvey.lineup.grouping import Grouping, Problem, gains, grouped, regrouped, with_fault
from desurvey.lineup.odds import Merger, Perhaps, mergers, perhaps
from desurvey.lineup.partition import chances
from desurvey.lineup.picks import LineupSettings, Picks
from desurvey.lineup.pins import Pinned, Pins, pinned, placed
from desurvey.lineup.shape import Fault, faults_of
from desurvey.lineup.sheet import PLACE, PLANE
from desurvey.orient import Oriented, oriented
from desurvey.progress import part, silent
from desurvey.project import options
from desurvey.shown import shown
from desurvey.spread import HoleSpread, StructureSpread, project_spread, structure_spread

if TYPE_CHECKING:
    from collections.abc import Mapping

    from desurvey.progress import Progress
    from desurvey.project import Project
    from desurvey.traces import Traces

__all__ = [
    "LeftOut",
    "LineUp",
    "left_out",
    "line_up",
    "lined_up",
    "picks_of",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

NAMED = 12
"""Faults that the short form of a line-up names."""

STEPS = 8
"""Steps towards a left-out crossing; each shrinks the error by the slope of the waviness, some hundredfold."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class LineUp:
    """Faults, and which picks belong to them.

    Attributes
    ----------
    picks : Picks
        Those looked at.
    names : (m,) str array
        Their structure ids.
    faults : tuple of Fault
        The largest first.
    group : (m,) int array
        Index of each pick's fault, −1 for none.
    probability : (m, F + 1) array
        Of each pick belonging to each fault, and last to none; what is left to 1 is that of being in ``perhaps``.
    trusted : (m,) bool array
        Whose orientation is believed.
    displaced : (m,) bool array
        Those of a fault that seem to be logged at a wrong depth, some metres off.
    forced : (m,) bool array
        Picks that a person put into their fault against the evidence: its members, with no say in its shape.
    aside : (m,) bool array
        Picks that a person put into no fault.
    chance : (F,) array
        Probability of each fault that its picks are one fault rather than unrelated.
    mergers : tuple of Merger
        Pairs of faults that may be one.
    perhaps : tuple of Perhaps
        Sets of unrelated picks that may be a fault.
    unheld : tuple of str
        Picks whose pins hold nothing: they are gone, or what they are pinned to is of no fault.
    kind : str
        Kind of the picks.
    settings : LineupSettings
        What was taken for granted.
    traces, spread
        The holes, planned ones as the rods are expected to bend them, and how well they are known.
    drilled : (H,) bool array
        Holes that are drilled; the others are planned.
    """

    picks: Picks
    names: npt.NDArray[np.str_]
    faults: tuple[Fault, ...]
    group: Ints
    probability: Floats
    trusted: Bools
    displaced: Bools
    forced: Bools
    aside: Bools
    chance: Floats
    mergers: tuple[Merger, ...]
    perhaps: tuple[Perhaps, ...]
    unheld: tuple[str, ...]
    kind: str
    settings: LineupSettings
    traces: Traces
    spread: HoleSpread
    drilled: Bools

    def __repr__(self) -> str:
        """Return the faults and their sizes, in one line."""
        sizes = [f"{fault.fault_id} ({len(fault.rows)})" for fault in self.faults[:NAMED]]
        more = [f"{len(self.faults) - NAMED} more"] if len(self.faults) > NAMED else []
        faults = ", ".join([*sizes, *more]) or "no fault"
        return f"LineUp({len(self.picks)} picks of kind {self.kind}: {faults}; {(self.group < 0).sum()} of none)"

    @property
    def hole_ids(self) -> npt.NDArray[np.str_]:
        """Hole of each pick, shape (m,)."""
        return self.traces.hole_ids[self.picks.hole]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """Where the picks of the other holes put each pick; NaN for picks of no fault.

    Attributes
    ----------
    depth, sigma : (m,) arrays
        Depth along the pick's own hole and its standard deviation, metres.
    misfit_m : (m,) array
        Logged depth less that depth: positive where the pick lies deeper.
    misfit_deg : (m,) array
        Angle between the logged plane and the expected one (for an alpha: their difference).
    position : (m, 3) array
        The expected place: with the pick's own it makes the segment to draw.
    """

    depth: Floats
    sigma: Floats
    misfit_m: Floats
    misfit_deg: Floats
    position: Floats


def line_up(
    project: Project,
    traces: Traces,
    kind: str = "fault",
    *,
    pins: Pins | None = None,
    distrust: Mapping[str, float] | None = None,
    progress: Progress | None = None,
) -> LineUp:
    """Return which structures of a kind are the same fault.

    Parameters
    ----------
    project : Project
        With its ``[lineup]`` settings, and ``[kinds]``.
    traces : Traces
        Its holes.
    kind : str
        The kind of structure (:meth:`desurvey.project.Project.of_kind`).
    pins : Pins, optional
        Picks that a person has put into a fault or into none.
    distrust : mapping of str to float, optional
        Structure id → probability that its orientation is wrong (from an analysis of suspects).
    progress : callable, optional
        Told the share of the work that is done, 0 to 1 (:mod:`desurvey.progress`).

    Raises
    ------
    DataProblem
        When there is no structure of that kind, or a setting or pin means nothing.
    """
    settings = options("lineup", project.section("lineup"), LineupSettings)
    structures = oriented(project, traces)
    spread = project_spread(project, traces, learnt=True)
    rows = np.flatnonzero(project.of_kind(kind) & (structures.hole >= 0))
    if not len(rows):
        raise project.without_kind(kind)
    picks = picks_of(structures, structure_spread(structures, spread), rows, spread, distrust or {})
    names = structures.table["structure_id"].to_numpy(dtype=np.str_)[rows]
    drilled, kind, ahead = ~project.planned(traces.hole_ids), project.kind_named(kind), spread.foreseen()
    return lined_up(picks, names, ahead.traces, ahead, drilled, settings, pins=pins, kind=kind, progress=progress)


def picks_of(
    structures: Oriented, known: StructureSpread, rows: Ints, spread: HoleSpread, distrust: Mapping[str, float]
) -> Picks:
    """Return some structures as picks."""
    table = structures.table.iloc[rows]
    alpha = np.deg2rad(table["alpha"].to_numpy(dtype=float))
    doubt = np.asarray(table["structure_id"].map(distrust).fillna(0.0), dtype=np.float64)
    return Picks(
        structures.hole[rows],
        table["depth"].to_numpy(dtype=float),
        structures.position[rows],
        known.position[rows],
        structures.tangent[rows],
        structures.normal[rows],
        known.pole[rows],
        alpha,
        np.asarray(np.full(len(rows), np.deg2rad(spread.sigmas.alpha_deg)), dtype=np.float64),
        doubt,
    )


def lined_up(
    picks: Picks,
    names: npt.NDArray[np.str_],
    traces: Traces,
    spread: HoleSpread,
    drilled: Bools,
    settings: LineupSettings | None = None,
    *,
    pins: Pins | None = None,
    kind: str = "fault",
    progress: Progress | None = None,
) -> LineUp:
    """Return which picks are the same fault: :func:`line_up` on arrays."""
    settings, tell = settings or LineupSettings(), progress or silent
    said = pinned(names, pins or Pins(), settings)
    with threadpool_limits(1):  # thousands of small products: more threads only wait for each other
        found = _searched(picks, course_of(traces, drilled), settings, said, part(tell, 0.0, 0.98))
        free, problem, state = found.free, found.problem, found.state
        faults = faults_of(problem, state)
        group, probability = np.full(len(picks), -1), np.zeros((len(picks), len(faults) + 1))
        for number, fault in enumerate(faults):
            group[free[fault.rows]] = number
        place = np.array([group[free][state.group == number][0] for number in range(len(faults))], dtype=np.int64)
        chance = np.zeros(len(faults))
        chance[place] = chances(problem, state)
        probability[free] = _probabilities(problem, state, faults, group[free])
        probability[:, :-1] *= chance
        probability[:, -1] = 1.0 - probability[:, :-1].sum(axis=1)
        pairs = tuple(Merger(int(place[a]), int(place[b]), odds) for a, b, odds in mergers(problem, state))
        maybe = tuple(replace(one, rows=free[one.rows]) for one in perhaps(problem, state))
    for one in maybe:
        probability[one.rows, -1] *= 1.0 - one.probability * one.member
    forced = found.put >= 0
    group[forced] = place[found.put[forced]]
    probability[forced] = np.arange(len(faults) + 1) == group[forced][:, None]
    faults = tuple(replace(fault, rows=np.flatnonzero(group == number)) for number, fault in enumerate(faults))
    trusted, displaced = np.ones(len(picks), dtype=bool), np.zeros(len(picks), dtype=bool)
    trusted[free], displaced[free] = state.believed[:, PLANE], ~state.believed[:, PLACE]
    unheld = (*said.lost, *(str(names[row]) for row in found.unheld))
    tell(1.0)
    return LineUp(
        picks, names, faults, group, probability, trusted, displaced, forced, said.aside, chance, pairs, maybe, unheld,
        kind, settings, traces, spread, drilled,
    )  # fmt: skip


class _Searched(NamedTuple):
    """What a search under pins has found."""

    free: Ints  # picks that took part
    problem: Problem  # theirs
    state: Grouping  # theirs
    put: Ints  # number of the fault that each pick was put into against the evidence, −1 for none, (m,)
    unheld: Ints  # picks that are pinned to where there is no fault


def _searched(picks: Picks, course: Course, settings: LineupSettings, said: Pinned, progress: Progress) -> _Searched:
    """Return the partition of the picks on which pins and evidence agree, and where the other pinned ones are put.

    Picks that are put aside take no part. Where the evidence has a tied pick elsewhere, the picks are lined up again
    without it, so that it moves nothing but itself.
    """
    out = said.aside.copy()
    free, row_of = _numbered(out)
    apart = tuple(row_of[rows[~out[rows]]] for rows in said.different)
    problem, state = grouped(picks[free], course, settings, apart, progress)
    while True:
        group = np.full(len(picks), -1)
        group[free] = state.group
        put, unheld = np.full(len(picks), -1), []
        for tie, number in zip(said.ties, placed(said.ties, group), strict=True):
            members = tie.members[~out[tie.members]] if number < 0 else tie.members[~said.aside[tie.members]]
            put[members] = number
            if number < 0 and tie.alone and len(members) > 1:
                state = with_fault(problem, state, row_of[members])
            elif number < 0:
                unheld += members.tolist()
        against = (put >= 0) & (put != group) & ~out
        if not against.any():
            return _Searched(free, problem, state, np.where(out, put, -1), np.array(unheld, dtype=np.int64))
        problem, state = regrouped(problem, state, ~against[free])
        out |= against
        free, row_of = _numbered(out)


def _numbered(out: Bools) -> tuple[Ints, Ints]:
    """Return the rows that are not out, and the place of each row among them (−1: out)."""
    free = np.flatnonzero(~out)
    row_of = np.full(len(out), -1)
    row_of[free] = np.arange(len(free))
    return free, row_of


def _probabilities(problem: Problem, state: Grouping, faults: tuple[Fault, ...], group: Ints) -> Floats:
    """Return the probability of each pick belonging to each fault, and last to none, given all other picks.

    A fault crosses a hole once: the picks of a hole compete for it, except those of one zone.
    """
    picks = problem.picks
    odds = np.zeros((len(picks), len(faults) + 1))
    odds[:, -1] = 1.0
    for number, fault in enumerate(faults):
        which, gain = gains(problem, state, fault.sheet)
        odds[which, number] = np.exp(np.clip(gain, -50.0, 50.0))
    rivals = np.zeros_like(odds)
    _, hole = np.unique(picks.hole, return_inverse=True)
    for number in range(len(faults)):
        rivals[:, number] = np.bincount(hole, odds[:, number])[hole] - odds[:, number]
        member = group == number
        shared = np.bincount(hole, member)[hole] > 1  # a zone: its picks don't compete
        rivals[member & shared, number] = 0.0
    total = odds.sum(axis=1, keepdims=True) + rivals
    share = odds / total
    share[:, -1] = np.maximum(1.0 - share[:, :-1].sum(axis=1), 0.0)
    return np.asarray(share / share.sum(axis=1, keepdims=True))


def left_out(lineup: LineUp) -> LeftOut:
    """Return where the picks of the other holes put each pick of a fault, on the exact arcs of its hole."""
    count = len(lineup.picks)
    depth, sigma, degrees = np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan)
    for fault in lineup.faults:
        rows = fault.rows
        depth[rows], sigma[rows] = _left_out_depth(lineup, fault)
        picks = lineup.picks[rows]
        seen, guess = fault.sheet.guess(picks)
        miss = seen.value[:, 1:] - guess.mean[:, 1:]
        angle = np.rad2deg(np.hypot(miss[:, 0], miss[:, 1]))
        degrees[rows] = np.where(picks.oriented | picks.cone_only, angle, np.nan)
    position = lineup.traces.at(lineup.picks.hole, depth).position
    return LeftOut(depth, sigma, lineup.picks.depth - depth, degrees, position)


def _left_out_depth(lineup: LineUp, fault: Fault) -> tuple[Floats, Floats]:
    """Return where the others put the members of a fault: steps along the hole on to the left-out surface."""
    picks = lineup.picks[fault.rows]
    bare = np.tile([True, False], (len(picks), 1))
    depth = picks.depth.copy()
    for _ in range(STEPS):
        points = lineup.traces.at(picks.hole, depth)
        moved = Picks(
            picks.hole, depth, points.position, picks.position_covariance, points.tangent, picks.normal,
            picks.pole_covariance, picks.alpha, picks.alpha_sigma,
        )  # fmt: skip
        seen, guess = fault.sheet.guess(moved, believed=bare)
        along = points.tangent @ fault.sheet.axes[2]
        along = np.where(np.abs(along) < 0.05, np.copysign(0.05, along), along)
        depth = np.maximum(depth - (seen.value[:, 0] - guess.mean[:, 0]) / along, 0.0)
    return depth, np.sqrt(guess.covariance[:, 0, 0]) / np.maximum(seen.pierce, 0.05)
