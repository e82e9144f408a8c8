"""Putting right what a person has accepted, in the loaded tables; the files stay as they are.

Each suspect is undone by the row of its blunder (:mod:`desurvey.blunders`), as the search has undone it before it said
so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import blunders
from desurvey.problems import DataProblem, nearest
from desurvey.project import Project
from desurvey.project.loading import TO_ORIENT
from desurvey.suspects.places import GROUP_COLUMNS, group_of, keys, matches, pairs, run_labels

__all__ = ["accept", "checked", "distrusted"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NEEDED = ("scope", "hole_id", "depth_from", "depth_to", "structure_id", "blunder", "roll_deg")
SCOPES = ("hole", "group", "run", "reading")
"""In the order in which they are put right, which is that of the search: a hole before its runs are weighed."""

KNOWN = {scope: blunders.named(scope) for scope in SCOPES}  # type: ignore[arg-type]
KNOWN["hole"] += blunders.named("station")


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
        When a row names an unknown scope, blunder, hole, group, run or reading, or structures or runs can't be used.
    """
    _check(project, accepted, file)
    accepted = accepted.reset_index(drop=True)
    structures = project.structures.copy()
    marks = np.full(len(structures), "", dtype=object)
    for blunder, turn in _layers(*pairs(project, accepted), accepted, len(structures)):
        alpha, beta = blunders.corrected(structures["alpha"], structures["beta"], blunder, turn)
        structures["alpha"], structures["beta"] = alpha, beta
        both = (marks != "") & (blunder != "")
        marks = marks + np.where(both, " + ", "").astype(object) + blunder
    structures["accepted"] = marks
    surveys = _without_spikes(_redirected(project.surveys, accepted), accepted)
    return replace(project, surveys=surveys, collars=_redirected(project.collars, accepted), structures=structures)


def _layers(
    suspect: Ints, row: Ints, accepted: pd.DataFrame, count: int
) -> Iterator[tuple[npt.NDArray[np.object_], Floats]]:
    """Yield blunders and turns of all rows (count,), as often as a row is concerned; "" and 0 where it isn't (again).

    Scopes come in the order of ``SCOPES``; survey stations that are left out concern no row.
    """
    scope = accepted["scope"].to_numpy(dtype=object)[suspect]
    names, turns = accepted["blunder"].to_numpy(dtype=object), accepted["roll_deg"].to_numpy(dtype=float)
    for name in SCOPES:
        own = np.flatnonzero((scope == name) & ~np.isin(names[suspect], blunders.named("station")))
        while len(own):
            _, first = np.unique(row[own], return_index=True)
            now = own[first]
            blunder, turn = np.full(count, "", dtype=object), np.zeros(count)
            blunder[row[now]], turn[row[now]] = names[suspect[now]], turns[suspect[now]]
            yield blunder, turn
            own = np.delete(own, first)


def _redirected(table: pd.DataFrame, accepted: pd.DataFrame) -> pd.DataFrame:
    """Return surveys or collars with the azimuths and dips of accused holes put right."""
    holes = accepted[accepted["scope"] == "hole"].reset_index(drop=True)
    for blunder, turn in _layers(*matches(holes[["hole_id"]], table), holes, len(table)):
        azimuth, dip = blunders.redirected(table["azimuth"], table["dip"], blunder, turn)
        table = table.assign(azimuth=azimuth, dip=dip)
    return table


def _without_spikes(surveys: pd.DataFrame, accepted: pd.DataFrame) -> pd.DataFrame:
    spikes = accepted[accepted["blunder"].isin(blunders.named("station"))]
    spike, station = matches(spikes[["hole_id"]], surveys)
    apart = surveys["depth"].to_numpy(dtype=float)[station] - spikes["depth_from"].to_numpy(dtype=float)[spike]
    return surveys.drop(surveys.index[np.unique(station[np.abs(apart) < DEPTH_TOLERANCE])]).reset_index(drop=True)


DEPTH_TOLERANCE = 1e-4
"""Metres; depths that went through a file and back."""


def distrusted(project: Project, table: pd.DataFrame, file: str = "suspects.csv") -> dict[str, float]:
    """Return how likely the orientation of each accused structure is wrong, by its name.

    What ``line_up(..., distrust=...)`` takes: the probability of the suspect that a structure belongs to, the largest
    where it belongs to several. Parameters and errors as in :func:`accept`.
    """
    _check(project, table, file, "probability")
    table = table[~table["blunder"].isin(blunders.named("station"))]
    suspect, row = pairs(project, table)
    doubt = np.zeros(len(project.structures))
    np.maximum.at(doubt, row, table["probability"].to_numpy(dtype=float)[suspect])
    names = project.structures["structure_id"].to_numpy(dtype=object)
    return {str(name): float(value) for name, value in zip(names[doubt > 0], doubt[doubt > 0], strict=True)}


# ---------------------------------------------------------------------------------------------------------- checks


def checked(project: Project, table: pd.DataFrame, file: str = "suspects.csv") -> pd.DataFrame:
    """Return suspects that came back from a file, with the key of each. Errors as in :func:`accept`."""
    _check(project, table, file)
    return table if "key" in table else table.assign(key=keys(table))


def _check(project: Project, accepted: pd.DataFrame, file: str, *more: str) -> None:
    project.require(*TO_ORIENT)
    group = (accepted["scope"] == "group") if "scope" in accepted else pd.Series(dtype=bool)
    needed = (*NEEDED, *more, *(("key",) if group.any() else ()))
    missing = [name for name in needed if name not in accepted.columns]
    if missing:
        raise DataProblem(
            f"a table of suspects needs the column '{missing[0]}'",
            file=file,
            hint="hand back the table that 'lowside suspects' wrote, with rows deleted but no columns",
        )

    def refuse(wrong: pd.Series, column: str, rule: str) -> None:
        _first_wrong(wrong, accepted, column, rule, file)

    refuse(~accepted["scope"].isin(SCOPES), "scope", f"scope must be {', '.join(SCOPES[:-1])} or {SCOPES[-1]}")
    for scope, names in KNOWN.items():
        wrong = (accepted["scope"] == scope) & ~accepted["blunder"].isin(names)
        refuse(wrong, "blunder", f"a {scope} can be accused of {', '.join(names)}")
    unknown = ~group & ~accepted["hole_id"].isin(project.collars["hole_id"])
    refuse(unknown, "hole_id", "hole_id must be a hole of the project")
    free = [name for name, row in blunders.BLUNDERS.items() if row.free]
    lost = accepted["blunder"].isin(free) & ~np.isfinite(pd.to_numeric(accepted["roll_deg"], errors="coerce"))
    refuse(lost, "roll_deg", f"{' and '.join(free)} need roll_deg")
    strange = (accepted["scope"] == "reading") & ~accepted["structure_id"].isin(project.structures["structure_id"])
    refuse(strange, "structure_id", "structure_id must be a structure of the project")
    place = np.isin(np.arange(len(accepted)), matches(run_labels(accepted), run_labels(project.runs))[0])
    refuse((accepted["scope"] == "run") & ~place, "depth_from", "depths must be those of a run")
    if group.any():
        refuse(
            group & ~accepted["key"].map(lambda key: _is_group(project, key)),
            "key",
            "the key must name runs of the project",
        )


def _is_group(project: Project, key: object) -> bool:
    if len(str(key).split(" ")) < 3:
        return False
    column, value = group_of(str(key))
    return column in GROUP_COLUMNS and bool((project.runs[column] == value).any())


def _first_wrong(wrong: pd.Series, accepted: pd.DataFrame, column: str, rule: str, file: str) -> None:
    places = np.flatnonzero(wrong.to_numpy(dtype=bool))
    if len(places):
        value = accepted[column].iloc[places[0]]
        known = [name for names in KNOWN.values() for name in names]
        hint = nearest(str(value), known) if column == "blunder" else ""
        raise DataProblem(rule, file=file, row=int(places[0]) + 2, column=column, value=value, hint=hint)
