"""A study → what figures draw (:class:`viewer.figures.layers.Content`)."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import orient
from desurvey.exchange.facts import convention
from desurvey.problems import DataProblem, nearest
from desurvey.runs import run_table
from viewer import theme
from viewer.figures.holelog import HoleLog
from viewer.figures.layers import Bars, Content, Structures, Surface, Windows
from viewer.figures.sheet import Title

if TYPE_CHECKING:
    from desurvey.study import Answers, Study
    from desurvey.traces import Traces

__all__ = ["Shown", "bars_of", "content_of", "ground_of", "log_of", "structures_of"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


class Shown(NamedTuple):
    """The part of a project that a figure is to draw.

    Attributes
    ----------
    rows : (n,) bool array
        Structures.
    holes : (H,) bool array
        Holes of the traces.
    said : str
        How they were chosen, for the title block; empty when nothing is left out.
    """

    rows: Bools
    holes: Bools
    said: str


def content_of(
    study: Study,
    *,
    heading: str,
    bars: str | None = None,
    answers: Answers | None = None,
    shown: Shown | None = None,
) -> Content:
    """Return all that a figure of a study can draw, or a chosen part of it.

    Parameters
    ----------
    study : Study
    heading : str
        What the figure shows, for its title block.
    bars : str, optional
        Intervals to draw as coloured bars: ``TABLE`` or ``TABLE.COLUMN``.
    answers : Answers, optional
        What the line-up answers: faults and windows to draw.
    shown : Shown, optional
        The holes and structures to draw; everything without it.
    """
    project, traces, structures = study.project, study.holes, study.structures
    without = len(project.collars) - len(traces.hole_ids)
    usable = structures.usable
    if shown is not None:
        usable = usable & shown.rows & shown.holes[structures.hole]
        heading = f"{heading}. {shown.said}" if shown.said else heading
        traces = traces.only(shown.holes)
    absent = []
    flat = int((~structures.usable & (True if shown is None else shown.rows)).sum())
    if flat:
        absent.append(f"{flat} structures have no orientation, not drawn")
    if without:
        absent.append(f"{without} holes can't be placed: see lowside check")
    basis = "; ".join(said for said in (study.basis, study.marks) if said)
    content = Content(
        traces=traces,
        planned=project.planned(traces.hole_ids),
        title=Title(project.name, heading, project.settings.frame.crs, convention(project), basis=basis),
        structures=structures_of(study, usable, traces.hole_ids) if usable.any() else None,
        bars=bars_of(study, bars, traces.hole_ids) if bars else None,
        topography=ground_of(study),
        absent=tuple(absent),
    )
    return content if answers is None else _with_answers(content, answers, study.foreseen.traces)


def log_of(study: Study, hole: str, *, bars: list[str] | None = None) -> HoleLog:
    """Return the log of one hole.

    Parameters
    ----------
    study : Study
    hole : str
        Its name.
    bars : list of str, optional
        Intervals to show, as :func:`bars_of` takes them; the first column of every table when left out.

    Raises
    ------
    DataProblem
        When there is no such hole, or no such intervals.
    """
    (index,) = study.holes.index([hole]).tolist()
    if index < 0:
        raise DataProblem("there is no such hole", value=hole, hint=nearest(hole, study.holes.hole_ids.tolist()))
    content, runs, suspects = content_of(study, heading=f"Log of {hole}"), study.project.runs, study.suspects()
    own = (runs["hole_id"] == hole).to_numpy()
    return HoleLog(
        traces=study.holes,
        hole=index,
        title=content.title,
        runs=runs[own],
        structures=content.structures,
        bars=tuple(bars_of(study, name) for name in (bars or list(study.project.intervals))),
        lines=run_table(runs, study.chain)[own] if own.any() else None,
        suspects=suspects[suspects["hole_id"] == hole],
    )


def ground_of(study: Study) -> Surface | None:
    """Return the ground as triangles between the points of the table that ``[checks]`` names; None without one."""
    points = study.topography
    if points is None:
        return None
    from scipy.spatial import Delaunay  # slow to import, and few projects have a table of the ground

    return Surface("ground", points, Delaunay(points[:, :2] - points[:, :2].mean(axis=0)).simplices.astype(np.int64))


def structures_of(study: Study, use: Bools, hole_ids: npt.NDArray[np.str_]) -> Structures:
    """Return the planes of chosen rows, all of them with an orientation and in one of the holes that are drawn."""
    structures = study.structures
    dip, direction = orient.dip_of_plane(structures.normal[use])
    depth = structures.table["depth"].to_numpy(dtype=float)[use]
    kind = structures.table["kind"].fillna("").to_numpy(dtype=np.str_)[use]
    hole = pd.Index(hole_ids).get_indexer(pd.Index(structures.table["hole_id"].to_numpy(dtype=np.str_)[use]))
    return Structures(hole, depth, structures.position[use], dip, direction, kind, study.suspected[use])


def bars_of(study: Study, name: str, hole_ids: npt.NDArray[np.str_] | None = None) -> Bars:
    """Return the intervals of one column.

    Parameters
    ----------
    study : Study
    name : str
        ``TABLE`` (its first column of text, or else of numbers) or ``TABLE.COLUMN``.
    hole_ids : (H,) str array, optional
        Holes that are drawn; all if left out.

    Raises
    ------
    DataProblem
        When the project has no such table or column.
    """
    table, column = study.interval_column(name)
    frame = study.project.intervals[table]
    drawn = pd.Index(study.holes.hole_ids if hole_ids is None else hole_ids)
    hole = drawn.get_indexer(pd.Index(frame["hole_id"].to_numpy(dtype=np.str_)))
    top, bottom = (frame[name].to_numpy(dtype=float) for name in ("depth_from", "depth_to"))
    use = (hole >= 0) & (bottom > top) & (top >= 0)
    numbers = _numbers(frame[column])
    values = frame[column].fillna("").astype(str).to_numpy(dtype=np.str_) if numbers is None else numbers
    return Bars(column, hole[use], top[use], bottom[use], values[use])


def _numbers(column: pd.Series) -> Floats | None:
    """Return a column as numbers, None when anything in it is not one."""
    given = column.where(column.notna() & (column.astype(str) != ""))
    numbers = pd.to_numeric(given, errors="coerce").to_numpy(dtype=float)
    return None if np.any(np.isnan(numbers) & given.notna().to_numpy()) or given.isna().all() else numbers


def _with_answers(content: Content, answers: Answers, ahead: Traces) -> Content:
    """Return the content with the faults and windows of the line-up, planned holes as they are expected to run."""
    windows = answers.windows[answers.windows["status"].isin(["logged", "not_logged", "not_drilled", "planned"])]
    hole = content.traces.index(windows["hole_id"].to_numpy(dtype=np.str_))
    ends = [windows[name].to_numpy(dtype=float) for name in ("depth_from", "depth_to")]
    use = (hole >= 0) & np.isfinite(ends[0]) & np.isfinite(ends[1])
    fault = windows["fault_id"].to_numpy(dtype=np.str_)
    colours = theme.fault_colours(answers.found.faults)
    return replace(
        content,
        traces=ahead.only(np.isin(ahead.hole_ids, content.traces.hole_ids)),
        windows=Windows(fault[use], hole[use], ends[0][use], ends[1][use]),
        surfaces=tuple(
            Surface(name, mesh.vertices, mesh.triangles, colours[name]) for name, mesh in answers.meshes.items()
        ),
    )
