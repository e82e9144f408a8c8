"""Suspects of a project as a table that a geologist reads, edits and hands back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from threadpoolctl import threadpool_limits

from desurvey import blunders
from desurvey.orient import Oriented
from desurvey.progress import Progress, silent
from desurvey.project import Project, options
from desurvey.project.loading import TO_ORIENT
from desurvey.spikes import find_spikes
from desurvey.spread import sigmas_from
from desurvey.suspects.alike import HOLE
from desurvey.suspects.finding import READING_BLUNDERS, Found, find
from desurvey.suspects.judged import Weighed, runs_table, said
from desurvey.suspects.places import GROUP_COLUMNS, keys
from desurvey.suspects.readings import Errors, Readings, Runs
from desurvey.suspects.weighing import BLUNDERS, Expectation, density
from desurvey.traces import Traces

__all__ = ["COLUMNS", "suspects", "weighed"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

COLUMNS = (
    "scope",
    "hole_id",
    "depth_from",
    "depth_to",
    "structure_id",
    "blunder",
    "roll_deg",
    "roll_sigma",
    "evidence",
    "members",
    "message",
    "key",
    "probability",
)


@dataclass(frozen=True, slots=True)
class Settings:
    """``[suspects]`` of project.toml: nothing can be set there yet, so every key in it is refused."""


def suspects(project: Project, traces: Traces, oriented: Oriented, *, progress: Progress | None = None) -> pd.DataFrame:
    """Return what is better explained by a named blunder than as logged, strongest evidence first.

    The table of :func:`weighed`, which says of every run whether it could be judged at all.

    Parameters
    ----------
    project : Project
    traces : Traces
        Of the project.
    oriented : desurvey.orient.Oriented
        Its structures.
    progress : callable, optional
        Told the share of the work that is done, 0 to 1 (:mod:`desurvey.progress`).

    Returns
    -------
    pandas.DataFrame
        Columns ``COLUMNS``:

        * scope: ``hole``, ``group`` (all runs of a tool, a crew, a logger or a shift; which, says the key), ``run`` or
          ``reading``;
        * hole_id, depth_from, depth_to, structure_id (readings only): where;
        * blunder: its name;
        * roll_deg, roll_sigma: degrees clockwise, looking down the hole, that the run's line sits from where it
          should (true beta = logged beta + roll_deg), and its standard deviation. For ``north_reference`` the degrees
          to add to the hole's azimuths. Blank elsewhere;
        * evidence: log likelihood ratio of the blunder to "as logged";
        * members: number of readings weighed;
        * message: a sentence;
        * key: a name that stays while rows are added to the tables or re-ordered (:func:`desurvey.suspects.keys`);
        * probability: that this blunder is what happened, against everything else.

        Rows may be deleted and the rest handed to :func:`desurvey.suspects.accept`.

    Raises
    ------
    DataProblem
        When structures or runs are named and can't be used, or project.toml has an unknown key or a wrong value.
    """
    return weighed(project, traces, oriented, progress=progress).suspects


def weighed(project: Project, traces: Traces, oriented: Oriented, *, progress: Progress | None = None) -> Weighed:
    """Return the suspects, what is known of every run, and what could be judged; arguments as of :func:`suspects`."""
    project.require(*TO_ORIENT)
    options("suspects", project.section("suspects"), Settings)
    tell = progress or silent
    rows, readings = _readings(project, traces, oriented)
    runs, run_row, readings = _runs(project, traces, readings, rows)
    sigmas = Errors.of(sigmas_from(project.section("spread")))
    origin = traces.position.mean(axis=0) if len(traces.position) else np.zeros(3)
    collar = traces.position[traces.offsets[:-1]] - origin
    table, found = [_spikes(traces, oriented)], None
    if len(rows):
        with threadpool_limits(1):  # thousands of small products: on two cores a second thread costs half as much again
            found = find(readings, runs, collar, _north_offset(project), sigmas, tell)
        table += [
            _hole_rows(found, readings, traces),
            _alike_rows(found, traces),
            _run_rows(found, project.runs.iloc[run_row], project.structures["line"].iloc[rows]),
            _reading_rows(found, readings, project.structures.iloc[rows]),
        ]
    whole = pd.concat([part for part in table if len(part)] or [_frame({})], ignore_index=True)
    whole = whole.sort_values("evidence", ascending=False, kind="stable", ignore_index=True)
    whole["key"] = keys(whole)
    whole.loc[whole["scope"] == "group", "hole_id"] = ""
    every = runs_table(project.runs, found, run_row)
    tell(1.0)
    return Weighed(whole[list(COLUMNS)], every, said(every, found))


# ------------------------------------------------------------------------------------------------------ to arrays


def _readings(project: Project, traces: Traces, oriented: Oriented) -> tuple[Ints, Readings]:
    """Return rows of the structures that have an orientation, and these as readings (of no run yet)."""
    usable = oriented.usable & np.isfinite(oriented.position).all(axis=1) & (oriented.hole >= 0)
    rows = np.flatnonzero(usable)
    table = project.structures.iloc[rows]
    logged = ~oriented.surveyed[rows] & np.isfinite(oriented.reference[rows]).all(axis=1)
    origin = traces.position.mean(axis=0) if len(traces.position) else np.zeros(3)
    _, kind = np.unique(table["kind"].to_numpy(dtype=np.str_), return_inverse=True)
    return rows, Readings(
        oriented.position[rows] - origin,
        np.array(oriented.tangent[rows]),
        np.array(oriented.reference[rows]),
        np.where(logged, table["alpha"].to_numpy(dtype=float), np.nan),
        np.where(logged, table["beta"].to_numpy(dtype=float), np.nan),
        np.array(oriented.normal[rows]),
        kind.astype(np.int64),
        np.array(oriented.hole[rows]),
        np.full(len(rows), -1, dtype=np.int64),
        table["depth"].to_numpy(dtype=float).copy(),
        (table["line"] != "north").to_numpy(),
    )


def _runs(project: Project, traces: Traces, readings: Readings, rows: Ints) -> tuple[Runs, Ints, Readings]:
    """Return runs in order down the holes, their rows in the project's table, and the readings told their runs."""
    table = project.runs
    hole = traces.index(table["hole_id"].to_numpy(dtype=np.str_))
    top = table["depth_from"].to_numpy(dtype=float)
    order = np.lexsort([top, hole])
    order = order[(hole[order] >= 0) & np.isfinite(top[order])]
    place = np.full(len(table) + 1, -1)
    place[order] = np.arange(len(order))
    bottom, offset = (table[name].to_numpy(dtype=float)[order] for name in ("depth_to", "line_offset"))
    parts = {name: getattr(readings, name) for name in readings.__slots__}
    parts["run"] = place[project.structure_run[rows]].astype(np.int64)
    labels = {name: table[name].to_numpy(dtype=np.str_)[order] for name in (HOLE, *GROUP_COLUMNS)}
    return Runs(hole[order], top[order], bottom, offset, labels), order, Readings(**parts)


def _north_offset(project: Project) -> float:
    """Return what turns a magnetic azimuth into a grid one in this project, degrees, 0 when it does not say."""
    frame, norths = project.settings.frame, project.norths
    declination, convergence = norths["declination"].median(), norths["convergence"].median()
    if np.isnan(declination):
        declination = 0.0 if frame.declination is None else frame.declination
    if np.isnan(convergence):
        convergence = 0.0 if frame.convergence is None else frame.convergence
    return float(declination - convergence)


# ----------------------------------------------------------------------------------------------------- to sentences


def _frame(columns: dict[str, npt.ArrayLike | list[str]]) -> pd.DataFrame:
    """Return a table with all columns of the contract; those not given are blank."""
    count = len(next(iter(columns.values()))) if columns else 0  # type: ignore[arg-type]
    text = {"scope", "hole_id", "structure_id", "blunder", "message", "key"}
    blank = {name: [""] * count if name in text else np.full(count, np.nan) for name in COLUMNS}
    frame = pd.DataFrame({**blank, **columns})
    return frame.astype({name: object if name in text else float for name in COLUMNS} | {"members": np.int64})


def _hole_rows(found: Found, readings: Readings, traces: Traces) -> pd.DataFrame:
    holes, hole = found.holes, found.holes.hole
    logged = np.isfinite(readings.alpha_deg + readings.beta_deg)
    count = np.bincount(readings.hole[logged], minlength=len(traces.hole_ids))[hole]
    blunder = [h.blunder for h in holes.hypothesis]
    north = np.array([b == "north_reference" for b in blunder], dtype=bool)
    turn = np.where(north, [h.turn_deg for h in holes.hypothesis], np.nan)
    names = traces.hole_ids[hole].tolist()
    messages = [
        f"Hole {name}: its {members} readings fit the neighbouring holes if {_said('hole', b, turn=t)}; "
        f"evidence {e:.1f}."
        for name, members, b, t, e in zip(names, count, blunder, turn, holes.evidence, strict=True)
    ]
    return _frame(
        {
            "scope": ["hole"] * len(hole),
            "hole_id": names,
            "depth_from": np.zeros(len(hole)),
            "depth_to": traces.end[hole],
            "blunder": blunder,
            "roll_deg": turn,
            "roll_sigma": np.where(north, holes.turn_sigma, np.nan),
            "evidence": holes.evidence,
            "probability": holes.probability,
            "members": count,
            "message": messages,
        }
    )


def _said(scope: blunders.Scope, blunder: str, turn: float = 0.0, sigma: float = 0.0, side: str = "") -> str:
    """Return what is said of a blunder, after "if"."""
    way = "clockwise" if turn > 0 else "anticlockwise"
    sentence = blunders.BLUNDERS[blunder].seen[scope].sentence
    return sentence.format(turn=turn, off=abs(turn), sigma=sigma, way=way, side=side)


def _alike_rows(found: Found, traces: Traces) -> pd.DataFrame:
    """Return runs that are wrong alike: as a hole where they are those of a hole, else as a group."""
    groups, readings = found.groups, found.readings
    weighed = found.expected.informed()
    whole = np.array([group.column == HOLE for group in groups], dtype=bool)
    end = dict(zip(traces.hole_ids.tolist(), traces.end.tolist(), strict=True))
    messages = [
        f"{f'Hole {g.value}: its' if g.column == HOLE else 'The'} {len(g.runs)} runs"
        f"{'' if g.column == HOLE else f' of {g.column} {g.value}'} agree with the other {g.others} if "
        f"{_said(g.scope, g.blunder, g.turn_deg, g.turn_sigma)}; evidence {g.evidence:.1f}."
        for g in groups
    ]
    return _frame(
        {
            "scope": [group.scope for group in groups],
            "hole_id": [group.value if group.column == HOLE else f"{group.column}={group.value}" for group in groups],
            "depth_from": np.where(whole, 0.0, np.nan),
            "depth_to": np.array(
                [end.get(group.value, np.nan) if group.column == HOLE else np.nan for group in groups]
            ),
            "blunder": [group.blunder for group in groups],
            "roll_deg": np.array([np.nan if group.column == HOLE else group.turn_deg for group in groups]),
            "roll_sigma": np.array([np.nan if group.column == HOLE else group.turn_sigma for group in groups]),
            "evidence": np.array([group.evidence for group in groups]),
            "probability": np.array([group.probability for group in groups]),
            "members": np.array([(np.isin(readings.run, g.runs) & weighed).sum() for g in groups], dtype=np.int64),
            "message": messages,
        }
    )


def _run_rows(found: Found, runs: pd.DataFrame, line: pd.Series) -> pd.DataFrame:
    run, blunder = found.run, np.array(BLUNDERS)[found.run_blunder]
    verdict, readings = found.verdict, found.readings
    weighed = found.expected.informed() & (readings.run >= 0)
    members = np.bincount(readings.run[weighed], minlength=len(runs))[run]
    rows = [blunders.BLUNDERS[name] for name in blunder.tolist()]
    roll = np.where([row.free for row in rows], verdict.roll_deg[run], [row.turn for row in rows])
    sigma = np.where(np.isfinite(roll), verdict.roll_sigma[run], np.nan)
    agree = _agreeing(found, readings, weighed)
    evidence = verdict.evidence[run, found.run_blunder]
    side = pd.Series(line.to_numpy()[readings.run >= 0]).groupby(readings.run[readings.run >= 0]).first()
    other = side.map({"low": "on the high side", "high": "on the low side"}).reindex(run).fillna("towards the south")
    accused = runs.iloc[run]
    messages = [
        f"Hole {hole}, run {top:.1f}–{bottom:.1f}: {_of(a, m)} with {'its' if m == 1 else 'their'} neighbours if "
        f"{_said('run', b, r, s, o)}; evidence {e:.1f}.{also}"
        for hole, top, bottom, a, m, b, o, r, s, e, also in zip(
            accused["hole_id"], accused["depth_from"], accused["depth_to"], agree, members, blunder, other, roll, sigma,
            evidence, _runner_up(found), strict=True,
        )
    ]  # fmt: skip
    return _frame(
        {
            "scope": ["run"] * len(run),
            "hole_id": accused["hole_id"].tolist(),
            "depth_from": accused["depth_from"].to_numpy(),
            "depth_to": accused["depth_to"].to_numpy(),
            "blunder": blunder.tolist(),
            "roll_deg": roll,
            "roll_sigma": sigma,
            "evidence": evidence,
            "probability": verdict.probability[run, 1 + found.run_blunder],
            "members": members,
            "message": messages,
        }
    )


LEAST_MENTIONED = 0.1
"""Probability from which another blunder than the one accused is mentioned."""


def _runner_up(found: Found) -> list[str]:
    """Return a sentence for each accused run where another blunder is not ruled out."""
    chance = found.verdict.probability[found.run, 1:].copy()
    chance[np.arange(len(chance)), found.run_blunder] = 0.0
    return [
        f" Not ruled out ({100 * row.max():.0f} %): {blunders.BLUNDERS[BLUNDERS[int(row.argmax())]].short}."
        if row.max() >= LEAST_MENTIONED
        else ""
        for row in chance
    ]


def _of(agree: int, members: int) -> str:
    if members == 1:
        return "its one reading agrees"
    if agree == members:
        return "both readings agree" if members == 2 else f"all {members} readings agree"
    return f"{agree} of {members} readings agree{'s' if agree == 1 else ''}"


def _agreeing(found: Found, readings: Readings, weighed: npt.NDArray[np.bool_]) -> Ints:
    """Return, of each accused run, how many readings follow what is expected of them once put right."""
    place = np.full(len(found.verdict.roll_deg) + 1, -1)
    place[found.run] = np.arange(len(found.run))
    rows = np.flatnonzero(weighed & (place[readings.run] >= 0))
    accused = place[readings.run[rows]]
    blunder = np.array(BLUNDERS)[found.run_blunder[accused]]
    roll = found.verdict.roll_deg[found.run[accused]]
    alpha, beta = blunders.corrected(readings.alpha_deg[rows], readings.beta_deg[rows], blunder, roll)
    few: Expectation = found.expected.take(rows)
    total = density(few, np.deg2rad(alpha)[:, None], np.deg2rad(beta)[:, None])[:, 0]
    follows = few.stray / (2 * np.pi) < 0.5 * total
    return np.bincount(accused[follows], minlength=len(found.run))


def _reading_rows(found: Found, readings: Readings, structures: pd.DataFrame) -> pd.DataFrame:
    rows = found.reading
    table = structures.iloc[rows]
    blunder = np.array(READING_BLUNDERS)[found.reading_blunder].tolist()
    messages = [
        f"Hole {hole}, {kind} {name} at {depth:.2f}: agrees with its neighbours if {_said('reading', b)}; "
        f"evidence {e:.1f}."
        for hole, kind, name, depth, b, e in zip(
            table["hole_id"], table["kind"], table["structure_id"], table["depth"], blunder, found.reading_evidence,
            strict=True,
        )
    ]  # fmt: skip
    return _frame(
        {
            "scope": ["reading"] * len(rows),
            "hole_id": table["hole_id"].tolist(),
            "depth_from": readings.depth[rows],
            "depth_to": readings.depth[rows],
            "structure_id": table["structure_id"].tolist(),
            "blunder": blunder,
            "evidence": found.reading_evidence,
            "probability": found.reading_probability,
            "members": np.ones(len(rows), dtype=np.int64),
            "message": messages,
        }
    )


def _spikes(traces: Traces, oriented: Oriented) -> pd.DataFrame:
    hole = traces.station_hole
    spikes = find_spikes(hole, traces.depth, traces.tangent)
    depth = oriented.table["depth"].to_numpy(dtype=float)
    top, at, bottom = (traces.depth[row] for row in (spikes.above, spikes.station, spikes.below))
    between = (oriented.hole == hole[spikes.station][:, None]) & (depth > top[:, None]) & (depth < bottom[:, None])
    members = (between & oriented.usable).sum(axis=1)
    names = traces.hole_ids[hole[spikes.station]].tolist()
    messages = [
        f"Hole {name}: the survey station at {a:.1f} points {angle:.0f}° off its neighbours at {t:.1f} and {b:.1f}, "
        f"which agree; {m} readings lie between them; evidence {e:.1f}."
        for name, a, t, b, angle, m, e in zip(
            names, at, top, bottom, spikes.angle_deg, members, spikes.evidence, strict=True
        )
    ]
    return _frame(
        {
            "scope": ["hole"] * len(names),
            "hole_id": names,
            "depth_from": at,
            "depth_to": at,
            "blunder": ["survey_spike"] * len(names),
            "evidence": spikes.evidence,
            "probability": spikes.probability,
            "members": members,
            "message": messages,
        }
    )
