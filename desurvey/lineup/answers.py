"""The line-up of a project: from its picks to the tables of the contract and a summary in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from threadpoolctl import threadpool_limits

from desurvey.lineup.crossings import Course, course_of
from desurvey.lineup.grouping import Grouping, Problem, gains, grouped
from desurvey.lineup.picks import LineupSettings, Picks, Pins
from desurvey.lineup.piercing import Z95, pierced
from desurvey.lineup.shape import Fault, faults_of
from desurvey.orient import Oriented, oriented
from desurvey.problems import DataProblem, nearest
from desurvey.progress import followed, part, silent
from desurvey.project import options
from desurvey.shown import shown
from desurvey.spread import HoleSpread, StructureSpread, project_spread, structure_spread

if TYPE_CHECKING:
    from collections.abc import Mapping

    from desurvey.progress import Progress
    from desurvey.project import Project
    from desurvey.traces import Traces

__all__ = [
    "LineUp",
    "LeftOut",
    "faults_table",
    "left_out",
    "line_up",
    "lined_up",
    "picks_of",
    "picks_table",
    "pins_of",
    "summary",
    "windows_table",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BEYOND = 100.0
"""Metres beyond the end of a hole that are looked at: a fault just below a hole is worth knowing of."""

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
        Of each pick belonging to each fault, and last to none.
    trusted : (m,) bool array
        Whose orientation is believed.
    settings : LineupSettings
        What was taken for granted.
    traces, spread
        The holes, and how well they are known.
    drilled : (H,) bool array
        Holes that are drilled; the others are planned.
    """

    picks: Picks
    names: npt.NDArray[np.str_]
    faults: tuple[Fault, ...]
    group: Ints
    probability: Floats
    trusted: Bools
    settings: LineupSettings
    traces: Traces
    spread: HoleSpread
    drilled: Bools

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
    distrust: Mapping[str, float] | None = None,
    progress: Progress | None = None,
) -> LineUp:
    """Return which structures of a kind are the same fault.

    Parameters
    ----------
    project : Project
        With its ``[lineup]`` settings and pins.
    traces : Traces
        Its holes.
    kind : str
        The kind of structure, as in the structures table.
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
    spread = project_spread(project, traces)
    kinds = structures.table["kind"].astype(str)
    rows = np.flatnonzero((kinds.str.casefold() == kind.casefold()).to_numpy() & (structures.hole >= 0))
    if not len(rows):
        known = sorted(kinds.unique())
        hint = nearest(kind, known) or f"the kinds there are: {', '.join(known)}"
        raise DataProblem(f"there are no structures of kind '{kind}' on a hole", column="kind", hint=hint)
    picks = picks_of(structures, structure_spread(structures, spread), rows, spread, distrust or {})
    names = structures.table["structure_id"].to_numpy(dtype=np.str_)[rows]
    return lined_up(picks, names, traces, spread, ~project.planned(traces.hole_ids), settings, progress=progress)


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
    progress: Progress | None = None,
) -> LineUp:
    """Return which picks are the same fault: :func:`line_up` on arrays."""
    settings, tell = settings or LineupSettings(), progress or silent
    with threadpool_limits(1):  # thousands of small products: more threads only wait for each other
        course, pins = course_of(traces, drilled), pins_of(settings, names)
        problem, state = grouped(picks, course, settings, pins, part(tell, 0.0, 0.98))
    faults = faults_of(problem, state)
    group = np.full(len(picks), -1)
    for number, fault in enumerate(faults):
        group[fault.rows] = number
    probability = _probabilities(problem, state, faults, group)
    tell(1.0)
    return LineUp(picks, names, faults, group, probability, state.trusted, settings, traces, spread, drilled)


def pins_of(settings: LineupSettings, names: npt.NDArray[np.str_]) -> Pins:
    """Return the pins of the settings as rows.

    Raises
    ------
    DataProblem
        For a structure that isn't among the picks, or pins that contradict each other.
    """
    row = {name: number for number, name in enumerate(names.tolist())}
    for name in (name for pins in (*settings.same, *settings.different) for name in pins):
        if name not in row:
            hint = nearest(name, row)
            raise DataProblem(
                "[lineup] same and different must name structures of the kind that is lined up", value=name, hint=hint
            )
    same = _joined([{row[name] for name in pins} for pins in settings.same])
    different = [np.array(sorted({row[name] for name in pins})) for pins in settings.different]
    for together in same:
        for apart in different:
            if np.isin(together, apart).sum() > 1:
                value = ", ".join(names[together[np.isin(together, apart)]])
                raise DataProblem("[lineup] pins the same structures both together and apart", value=value)
    return Pins(tuple(same), tuple(different))


def _joined(sets: list[set[int]]) -> list[Ints]:
    """Return sets with those that share a member made one; a single pick is no pin."""
    done: list[set[int]] = []
    for one in sets:
        touching = [other for other in done if other & one]
        done = [other for other in done if not other & one] + [one.union(*touching)]
    return [np.array(sorted(one)) for one in done if len(one) > 1]


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
    nothing = np.zeros(len(picks), dtype=bool)
    depth = picks.depth.copy()
    for _ in range(STEPS):
        points = lineup.traces.at(picks.hole, depth)
        moved = Picks(
            picks.hole, depth, points.position, picks.position_covariance, points.tangent, picks.normal,
            picks.pole_covariance, picks.alpha, picks.alpha_sigma,
        )  # fmt: skip
        seen, guess = fault.sheet.guess(moved, trusted=nothing)
        along = points.tangent @ fault.sheet.axes[2]
        along = np.where(np.abs(along) < 0.05, np.copysign(0.05, along), along)
        depth = np.maximum(depth - (seen.value[:, 0] - guess.mean[:, 0]) / along, 0.0)
    return depth, np.sqrt(guess.covariance[:, 0, 0]) / np.maximum(seen.pierce, 0.05)


# --- tables -------------------------------------------------------------------------------------------------------


def faults_table(lineup: LineUp) -> pd.DataFrame:
    """Return ``faults.csv``: one row a fault, the largest first."""
    rows = [
        {
            "fault_id": f.fault_id,
            "picks": len(f.rows),
            "holes": len(np.unique(lineup.picks.hole[f.rows])),
            "dip": f.dip,
            "dip_direction": f.dip_direction,
            "dip_sigma": f.dip_sigma,
            "easting": f.centre[0],
            "northing": f.centre[1],
            "elevation": f.centre[2],
            "rms_m": f.rms_m,
            "rms_deg": f.rms_deg,
            "chi2": f.surface.chi2,
            "dof": f.surface.dof,
            "p_value": f.surface.p_value,
            "shape": f.shape,
        }
        for f in lineup.faults
    ]
    return pd.DataFrame(rows, columns=FAULT_COLUMNS)


FAULT_COLUMNS = [
    "fault_id", "picks", "holes", "dip", "dip_direction", "dip_sigma", "easting", "northing", "elevation", "rms_m",
    "rms_deg", "chi2", "dof", "p_value", "shape",
]  # fmt: skip


def picks_table(lineup: LineUp) -> pd.DataFrame:
    """Return ``picks.csv``: one row a pick, in the order of the structures table."""
    labels = np.array([*(fault.fault_id for fault in lineup.faults), ""])
    chosen = np.where(lineup.group >= 0, lineup.group, len(lineup.faults))
    everyone = np.arange(len(lineup.picks))
    others = lineup.probability.copy()
    others[everyone, chosen] = -1.0
    second = np.argmax(others, axis=1) if len(everyone) else np.zeros(0, dtype=np.int64)
    runner_up = np.where(labels[second] == "", "none", labels[second])
    alone = others.max(axis=1, initial=-1.0) < WORTH_NAMING
    out = left_out(lineup)
    return pd.DataFrame(
        {
            "structure_id": lineup.names,
            "hole_id": lineup.hole_ids,
            "depth": lineup.picks.depth,
            "fault_id": labels[chosen],
            "probability": lineup.probability[everyone, chosen],
            "left_out_depth": out.depth,
            "left_out_sigma": out.sigma,
            "misfit_m": out.misfit_m,
            "misfit_deg": out.misfit_deg,
            "runner_up": np.where(alone, "", runner_up),
        }
    )


WORTH_NAMING = 1e-3
"""Probability below which a runner-up is left blank."""


def windows_table(lineup: LineUp, *, progress: Progress | None = None) -> pd.DataFrame:
    """Return ``windows.csv``: every fault against every hole.

    A hole that never comes within 100 m of its end to the fault has no depth and the status ``outside``. ``progress``
    is told the share of the faults that are done.
    """
    tell = progress or silent
    everywhere = course_of(lineup.traces, np.ones(len(lineup.drilled), dtype=bool), BEYOND)
    tables = [_windows(lineup, fault, everywhere) for fault in followed(lineup.faults, tell)]
    tell(1.0)
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=WINDOW_COLUMNS)


def line_up_with_windows(
    project: Project,
    traces: Traces,
    kind: str = "fault",
    *,
    distrust: Mapping[str, float] | None = None,
    progress: Progress | None = None,
) -> tuple[LineUp, pd.DataFrame]:
    """Return :func:`line_up` and its :func:`windows_table`, with one progress for both."""
    tell = progress or silent
    found = line_up(project, traces, kind, distrust=distrust, progress=part(tell, 0.0, LINING_UP))
    return found, windows_table(found, progress=part(tell, LINING_UP, 1.0))


LINING_UP = 0.8
"""Share of the line-up itself in the work; the rest goes into the windows."""


def _windows(lineup: LineUp, fault: Fault, course: Course) -> pd.DataFrame:
    traces = lineup.traces
    cut = pierced(fault.sheet, course, traces, lineup.spread)
    holes = np.arange(len(traces.hole_ids))
    logged = np.isin(holes, lineup.picks.hole[fault.rows])
    inside = np.zeros(len(holes), dtype=bool)
    inside[cut.hole] = fault.contains(cut.place)
    frame = pd.DataFrame({"fault_id": fault.fault_id, "hole_id": traces.hole_ids}, index=holes)
    values = {"expected_depth": cut.depth, "sigma": cut.sigma}
    values |= {"depth_from": np.maximum(cut.depth - Z95 * cut.sigma, 0.0), "depth_to": cut.depth + Z95 * cut.sigma}
    values |= {"pierce_angle": cut.angle}
    for name, value in values.items():
        frame[name] = np.nan
        frame.loc[cut.hole, name] = value
    short = (frame["depth_from"] > traces.end).to_numpy()
    choices = [logged, ~inside, ~lineup.drilled, short]
    frame["status"] = np.select(choices, ["logged", "outside", "planned", "not_drilled"], "not_logged")
    return frame[WINDOW_COLUMNS]


WINDOW_COLUMNS = [
    "fault_id", "hole_id", "expected_depth", "sigma", "depth_from", "depth_to", "pierce_angle", "status",
]  # fmt: skip


# --- words --------------------------------------------------------------------------------------------------------


def summary(lineup: LineUp, picks: pd.DataFrame | None = None, windows: pd.DataFrame | None = None) -> str:
    """Return the line-up in words: which faults, worst misfits, near-ties, windows to look at.

    Parameters
    ----------
    lineup : LineUp
    picks, windows : pandas.DataFrame, optional
        Their tables, where they are at hand already.
    """
    picks = picks_table(lineup) if picks is None else picks
    windows = windows_table(lineup) if windows is None else windows
    count, loose = len(picks), int((lineup.group < 0).sum())
    if not lineup.faults:
        return f"{count} picks: none of them line up as a fault of {lineup.settings.least_holes} or more holes."
    lines = [f"{count} picks: {len(lineup.faults)} fault(s), {loose} unrelated."]
    for fault in lineup.faults:
        lines.append(_sentence(lineup, fault, picks[lineup.group == int(fault.fault_id[1:]) - 1]))
    lines += _ties(lineup, picks)
    lines += _relog(windows)
    return "\n".join(lines)


def _sentence(lineup: LineUp, fault: Fault, picks: pd.DataFrame) -> str:
    holes = len(np.unique(lineup.picks.hole[fault.rows]))
    p_value = fault.surface.p_value
    verdict = "lines up" if not p_value < 0.05 else "does NOT line up as one smooth fault"
    attitude = f"{fault.dip:.0f}/{fault.dip_direction:03.0f} ± {fault.dip_sigma:.1f}°"
    worst = picks.iloc[int(np.nanargmax(picks["misfit_m"].abs().to_numpy()))]
    size = f"{len(fault.rows)} picks in {holes} holes"
    miss = (
        f"worst {worst['hole_id']!s} at {worst['depth']:.1f} m, {worst['misfit_m']:+.1f} m from where the others put it"
    )
    return f"{fault.fault_id}: {size}, {fault.shape}, {attitude}, {verdict} (p {p_value:.2f}); {miss}."


def _ties(lineup: LineUp, picks: pd.DataFrame) -> list[str]:
    close = picks[(picks["probability"] < lineup.settings.tie) & (picks["runner_up"] != "")]
    return [
        f"Two answers: {row['structure_id']!s} ({row['hole_id']!s}, {row['depth']:.1f} m) is "
        f"{row['fault_id'] or 'unrelated'!s} (probability {row['probability']:.2f}), or else "
        f"{'unrelated' if row['runner_up'] == 'none' else row['runner_up']!s}."
        for row in close.to_dict("records")
    ]


def _relog(windows: pd.DataFrame) -> list[str]:
    open_windows = windows[windows["status"] == "not_logged"].sort_values("sigma")
    return [
        f"Look again: {row['hole_id']!s} {row['depth_from']:.1f}–{row['depth_to']:.1f} m for {row['fault_id']!s}; "
        "nothing is logged there."
        for row in open_windows.to_dict("records")
    ]
