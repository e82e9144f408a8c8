"""Putting right what a person has accepted, in the loaded tables; the files stay as they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import expit

from desurvey.problems import DataProblem, nearest
from desurvey.project import Project
from desurvey.project.loading import TO_ORIENT, run_of
from desurvey.suspects.finding import corrected
from desurvey.suspects.holes import HOLE_BLUNDERS
from desurvey.suspects.weighing import BLUNDERS

__all__ = ["accept", "distrusted"]

NEEDED = ("scope", "hole_id", "depth_from", "depth_to", "structure_id", "blunder", "roll_deg")
KNOWN = {
    "hole": (*HOLE_BLUNDERS, "survey_spike"),
    "run": BLUNDERS,
    "reading": tuple(b for b in BLUNDERS if b != "run_rolled"),
}
DEPTH_TOLERANCE = 1e-4
"""Metres; depths that went through a file and back."""


def accept(project: Project, accepted: pd.DataFrame, file: str = "suspects.csv") -> Project:
    """Return the project with the accepted suspects put right.

    Parameters
    ----------
    project : Project
    accepted : pandas.DataFrame
        Rows of :func:`desurvey.suspects.suspects` that a person has left in.
    file : str
        Name of their file, for messages.

    Returns
    -------
    Project
        Its ``structures`` have one more column, ``accepted``: the blunder that was put right, blank elsewhere (two,
        joined by " + ", where both hole and run were accused). Core angles, or the survey, are changed accordingly;
        build traces and orientations from it as from any other.

    Raises
    ------
    DataProblem
        When a row names an unknown scope, blunder, hole, run or reading, or structures or runs can't be used.
    """
    _check(project, accepted, file)
    accepted = accepted.reset_index(drop=True)
    surveys, collars = _surveys(project, accepted), _turned(project.collars, accepted)
    structures = project.structures.copy()
    marks = np.full(len(structures), "", dtype=object)
    for scope in ("hole", "run", "reading"):  # a hole's blunder was put right before its runs were weighed
        rows = accepted[accepted["scope"] == scope]
        which = _which(scope, rows, structures, file)
        blunder = np.append(rows["blunder"].to_numpy(dtype=object), "")[which].astype(np.str_)
        roll = np.append(rows["roll_deg"].to_numpy(dtype=float), 0.0)[which]
        alpha, beta = (structures[name].to_numpy(dtype=float) for name in ("alpha", "beta"))
        alpha, beta = corrected(alpha, beta, blunder, roll)
        structures["alpha"] = np.where(blunder != "", alpha, structures["alpha"])
        structures["beta"] = np.where(blunder != "", beta, structures["beta"])
        both = (marks != "") & (blunder != "")
        marks = marks + np.where(both, " + ", "").astype(object) + blunder.astype(object)
    structures["accepted"] = marks
    return replace(project, surveys=surveys, collars=collars, structures=structures)


def distrusted(project: Project, table: pd.DataFrame, file: str = "suspects.csv") -> dict[str, float]:
    """Return how likely the orientation of each accused structure is wrong, by its name.

    What ``line_up(..., distrust=...)`` takes: 1 / (1 + exp(−evidence)) of the suspect that a structure belongs to, the
    largest where it belongs to several. Parameters and errors as in :func:`accept`.
    """
    _check(project, table, file)
    table = table.reset_index(drop=True)
    doubt = np.zeros(len(project.structures))
    for scope in ("hole", "run", "reading"):
        rows = table[table["scope"] == scope]
        wrong = expit(np.append(rows["evidence"].to_numpy(dtype=float), -np.inf))
        doubt = np.maximum(doubt, wrong[_which(scope, rows, project.structures, file)])
    names = project.structures["structure_id"].to_numpy(dtype=object)
    return {str(name): float(value) for name, value in zip(names[doubt > 0], doubt[doubt > 0], strict=True)}


def _which(scope: str, rows: pd.DataFrame, structures: pd.DataFrame, file: str) -> npt.NDArray[np.intp]:
    """Return the position in ``rows`` of the suspect that each structure belongs to, −1 for none."""
    if scope == "reading":
        at = pd.Index(rows["structure_id"].astype(str)).get_indexer(pd.Index(structures["structure_id"].astype(str)))
        return np.asarray(at)
    if scope == "run":
        found: npt.NDArray[np.intp] = run_of(structures, rows)
        return found
    whole = rows["blunder"] != "survey_spike"
    place = np.append(np.flatnonzero(whole), -1)
    found_hole = pd.Index(rows.loc[whole, "hole_id"]).get_indexer(pd.Index(structures["hole_id"]))
    return np.asarray(place[found_hole])


def _surveys(project: Project, accepted: pd.DataFrame) -> pd.DataFrame:
    surveys = _turned(project.surveys, accepted)
    spikes = accepted[accepted["blunder"] == "survey_spike"]
    if spikes.empty:
        return surveys
    same = surveys["hole_id"].to_numpy()[:, None] == spikes["hole_id"].to_numpy()
    near = np.abs(surveys["depth"].to_numpy(dtype=float)[:, None] - spikes["depth_from"].to_numpy(dtype=float))
    kept = ~(same & (near < DEPTH_TOLERANCE)).any(axis=1)
    left: pd.DataFrame = surveys.loc[kept].reset_index(drop=True)
    return left


def _turned(table: pd.DataFrame, accepted: pd.DataFrame) -> pd.DataFrame:
    """Return surveys or collars with the azimuths and dips of accused holes put right."""
    holes = accepted[accepted["scope"] == "hole"]
    turn = np.select(
        [holes["blunder"] == "azimuth_reversed", holes["blunder"] == "north_reference"],
        [np.full(len(holes), 180.0), holes["roll_deg"].to_numpy(dtype=float)],
        0.0,
    )
    by_hole = pd.Series(turn, index=holes["hole_id"]).groupby(level=0).sum()
    flipped = holes.loc[holes["blunder"] == "dip_sign", "hole_id"]
    azimuth = table["azimuth"] + table["hole_id"].map(by_hole).fillna(0.0).astype(float)
    sign = np.where(table["hole_id"].isin(flipped), -1.0, 1.0)
    return table.assign(azimuth=azimuth % 360.0, dip=table["dip"] * sign)


# ---------------------------------------------------------------------------------------------------------- checks


def _check(project: Project, accepted: pd.DataFrame, file: str) -> None:
    project.require(*TO_ORIENT)
    missing = [name for name in NEEDED if name not in accepted.columns]
    if missing:
        raise DataProblem(
            f"a table of suspects needs the column '{missing[0]}'",
            file=file,
            hint="hand back the table that 'lowside suspects' wrote, with rows deleted but no columns",
        )
    _first_wrong(~accepted["scope"].isin(list(KNOWN)), accepted, "scope", "scope must be hole, run or reading", file)
    for scope, names in KNOWN.items():
        wrong = (accepted["scope"] == scope) & ~accepted["blunder"].isin(list(names))
        _first_wrong(wrong, accepted, "blunder", f"a {scope} can be accused of {', '.join(names)}", file)
    unknown = ~accepted["hole_id"].isin(project.collars["hole_id"])
    _first_wrong(unknown, accepted, "hole_id", "hole_id must be a hole of the project", file)
    needs_roll = accepted["blunder"].isin(["run_rolled", "north_reference"])
    lost = needs_roll & ~np.isfinite(pd.to_numeric(accepted["roll_deg"], errors="coerce"))
    _first_wrong(lost, accepted, "roll_deg", "run_rolled and north_reference need roll_deg", file)
    strange = (accepted["scope"] == "reading") & ~accepted["structure_id"].isin(project.structures["structure_id"])
    _first_wrong(strange, accepted, "structure_id", "structure_id must be a structure of the project", file)
    _first_wrong(_no_run(project, accepted), accepted, "depth_from", "depths must be those of a run", file)


def _no_run(project: Project, accepted: pd.DataFrame) -> pd.Series:
    runs = project.runs[["hole_id", "depth_from", "depth_to"]].round(4)
    rows = accepted[["hole_id", "depth_from", "depth_to"]].astype({"depth_from": float, "depth_to": float}).round(4)
    known = pd.MultiIndex.from_frame(rows).isin(pd.MultiIndex.from_frame(runs))
    return (accepted["scope"] == "run") & ~known


def _first_wrong(wrong: pd.Series, accepted: pd.DataFrame, column: str, rule: str, file: str) -> None:
    places = np.flatnonzero(wrong.to_numpy(dtype=bool))
    if len(places):
        value = accepted[column].iloc[places[0]]
        known = [name for names in KNOWN.values() for name in names]
        hint = nearest(str(value), known) if column == "blunder" else ""
        raise DataProblem(rule, file=file, row=int(places[0]) + 2, column=column, value=value, hint=hint)
