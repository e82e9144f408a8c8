"""The line-up in the tables of the contract, and in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.lineup.answers import LineUp, left_out, line_up
from desurvey.lineup.crossings import Course, course_of
from desurvey.lineup.piercing import Z95, pierced
from desurvey.lineup.shape import Fault
from desurvey.progress import followed, part, silent

if TYPE_CHECKING:
    from collections.abc import Mapping

    from desurvey.lineup.pins import Pins
    from desurvey.progress import Progress
    from desurvey.project import Project
    from desurvey.traces import Traces

__all__ = ["faults_table", "line_up_with_windows", "picks_table", "summary", "windows_table"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

BEYOND = 100.0
"""Metres beyond the end of a hole that are looked at: a fault just below a hole is worth knowing of."""


def faults_table(lineup: LineUp) -> pd.DataFrame:
    """Return ``faults.csv``: one row a fault, the largest first."""
    second = _runners_up(lineup)
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
            "probability": lineup.chance[n],
            "runner_up": second[n],
        }
        for n, f in enumerate(lineup.faults)
    ]
    return pd.DataFrame(rows, columns=FAULT_COLUMNS)


FAULT_COLUMNS = [
    "fault_id", "picks", "holes", "dip", "dip_direction", "dip_sigma", "easting", "northing", "elevation", "rms_m",
    "rms_deg", "chi2", "dof", "p_value", "shape", "probability", "runner_up",
]  # fmt: skip


def _runners_up(lineup: LineUp) -> list[str]:
    """Return the other reading of each fault with its probability: one with another fault, or no fault at all."""
    out = []
    for number, chance in enumerate(lineup.chance.tolist()):
        readings = [(1.0 - chance, "unrelated picks")]
        for one in lineup.mergers:
            if number in (one.first, one.second):
                other = lineup.faults[one.second if number == one.first else one.first].fault_id
                readings.append((one.probability, f"one with {other}"))
        odds, name = max(readings)
        out.append(f"{name} ({odds:.2f})" if odds >= OTHER_READING else "")
    return out


OTHER_READING = 0.01
"""Probability below which another reading of a fault is left blank."""


def picks_table(lineup: LineUp) -> pd.DataFrame:
    """Return ``picks.csv``: one row a pick, in the order of the structures table."""
    labels = np.array([*(fault.fault_id for fault in lineup.faults), "", *(one.name for one in lineup.perhaps)])
    chosen = np.where(lineup.group >= 0, lineup.group, len(lineup.faults))
    everyone = np.arange(len(lineup.picks))
    maybe = np.zeros((len(everyone), len(lineup.perhaps)))
    for column, one in enumerate(lineup.perhaps):
        maybe[one.rows, column] = one.probability * one.member
    others = np.hstack([lineup.probability, maybe])
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
    numbers = range(len(lineup.faults))
    tables = [_windows(lineup, number, everywhere) for number in followed(numbers, tell)]
    tell(1.0)
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=WINDOW_COLUMNS)


def line_up_with_windows(
    project: Project,
    traces: Traces,
    kind: str = "fault",
    *,
    pins: Pins | None = None,
    distrust: Mapping[str, float] | None = None,
    progress: Progress | None = None,
) -> tuple[LineUp, pd.DataFrame]:
    """Return :func:`line_up` and its :func:`windows_table`, with one progress for both."""
    tell = progress or silent
    found = line_up(project, traces, kind, pins=pins, distrust=distrust, progress=part(tell, 0.0, LINING_UP))
    return found, windows_table(found, progress=part(tell, LINING_UP, 1.0))


LINING_UP = 0.8
"""Share of the line-up itself in the work; the rest goes into the windows."""


def _windows(lineup: LineUp, number: int, course: Course) -> pd.DataFrame:
    traces, fault = lineup.traces, lineup.faults[number]
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
    place = np.full((len(holes), 2), np.nan)
    place[cut.hole] = cut.place
    rate, bare = lineup.settings.logged, lineup.drilled & ~short & ~logged
    there = _presence(place, logged, logged | (bare & inside), fault.reach, rate)
    missed = (1.0 - rate) * there
    chance = np.select([logged, bare], [1.0, missed / (missed + 1.0 - there)], there)
    frame["chance"] = lineup.chance[number] * chance
    return frame[WINDOW_COLUMNS]


def _presence(place: Floats, logged: Bools, seen: Bools, reach: float, rate: float) -> Floats:
    """Return the probability of a fault being there at each hole's crossing, before that hole's log is looked at.

    Parameters
    ----------
    place : (H, 2) array
        Where holes cross the fault, in its plane; NaN where they don't.
    logged, seen : (H,) bool arrays
        Holes that have it logged, and those of which that is known either way.
    reach : float
        How far it is taken to go on beyond its picks, metres.
    rate : float
        Share of crossings that are logged where it is there.

    Notes
    -----
    A fault may end: away from its picks it is taken to go on with a probability that falls by 1/e over ``GOES_ON``
    reaches. Holes around that cross it then count for or against, the near ones most (a Gaussian of one reach), as so
    many further observations of the share that is logged.
    """
    gap = np.linalg.norm(place[:, None] - place, axis=2)
    np.fill_diagonal(gap, np.inf)
    gap = np.where(np.isfinite(gap), gap, np.inf)
    nearest = np.min(gap, axis=1, where=np.broadcast_to(logged, gap.shape), initial=np.inf)
    before = AT_A_PICK * np.exp(-nearest / (GOES_ON * reach))
    weight = np.exp(-0.5 * (gap / reach) ** 2)
    yes, no = weight @ logged, weight @ (seen & ~logged)
    there = (PRIOR_HOLES * rate * before + yes) / (PRIOR_HOLES + yes + no) / rate
    return np.where(np.isfinite(place[:, 0]), np.minimum(there, AT_A_PICK), np.nan)


AT_A_PICK = 0.93
"""Probability that a fault goes on right beside its picks; this and the next chosen on seeds 3000 to 3015 of
``faulted.ENDING``, in which every fault ends and a fifth of the cuts isn't logged."""

GOES_ON = 4.0
"""Reaches over which that falls to a third."""

PRIOR_HOLES = 2.0
"""Holes that this expectation counts for."""


WINDOW_COLUMNS = [
    "fault_id", "hole_id", "expected_depth", "sigma", "depth_from", "depth_to", "pierce_angle", "status", "chance",
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
        none = f"{count} picks: none of them line up as a fault of {lineup.settings.least_holes} or more holes."
        return "\n".join([none, *_untold(lineup)])
    lines = [f"{count} picks: {len(lineup.faults)} fault(s), {loose} unrelated."]
    lines += [_sentence(lineup, fault, picks[lineup.group == n]) for n, fault in enumerate(lineup.faults)]
    lines += _pinned(lineup, picks)
    lines += [*_untold(lineup), *_ties(lineup, picks)]
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


def _pinned(lineup: LineUp, picks: pd.DataFrame) -> list[str]:
    """Return what pins do: members that the evidence speaks against, and pins that hold nothing."""
    against = picks[lineup.forced & (lineup.group >= 0)]
    said = [
        f"Pinned: {row['structure_id']!s} is in {row['fault_id']!s} by a person's word, {row['misfit_m']:+.1f} m from "
        "where the others put it; it has no say in the fault's shape."
        for row in against.to_dict("records")
    ]
    return [*said, *(f"Pinned: {name} holds nothing; what it is pinned to is of no fault." for name in lineup.unheld)]


def _untold(lineup: LineUp) -> list[str]:
    """Return which sets of unrelated picks may be a fault, the likeliest first."""
    return [
        f"It can't be told from these picks whether {len(one.rows)} of them are one more fault, {one.name}, "
        f"{one.dip:.0f}/{one.dip_direction:03.0f} (probability {one.probability:.2f}): "
        f"{', '.join(lineup.names[one.rows].tolist())}."
        for one in lineup.perhaps
        if one.probability >= UNTOLD
    ]


UNTOLD = 0.1
"""Probability from which the summary names a candidate."""


def _ties(lineup: LineUp, picks: pd.DataFrame) -> list[str]:
    close = picks[(picks["probability"] < lineup.settings.tie) & (picks["runner_up"] != "")]
    return [
        f"Two answers: {row['structure_id']!s} ({row['hole_id']!s}, {row['depth']:.1f} m) is "
        f"{row['fault_id'] or 'unrelated'!s} (probability {row['probability']:.2f}), or else "
        f"{'unrelated' if row['runner_up'] == 'none' else row['runner_up']!s}."
        for row in close.to_dict("records")
    ]


def _relog(windows: pd.DataFrame) -> list[str]:
    open_windows = windows[windows["status"] == "not_logged"].sort_values("chance", ascending=False, kind="stable")
    return [
        f"Look again: {row['hole_id']!s} {row['depth_from']:.1f}–{row['depth_to']:.1f} m for {row['fault_id']!s}; "
        f"nothing is logged there (it is there with probability {row['chance']:.2f})."
        for row in open_windows.to_dict("records")
    ]
