"""A loaded project and its results → what figures draw (:class:`viewer.figures.layers.Content`)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import orient
from desurvey.checks import limits_of
from desurvey.checks.ground import ground_points
from desurvey.orient import Oriented
from desurvey.problems import DataProblem, nearest
from desurvey.project import Project
from desurvey.runs import run_table, runs_chain
from desurvey.traces import Traces
from viewer.faults import Answers
from viewer.figures.holelog import HoleLog
from viewer.figures.layers import Bars, Content, Structures, Surface, Windows
from viewer.figures.sheet import Title

__all__ = [
    "Shown",
    "bars_of",
    "content_of",
    "convention",
    "log_of",
    "read_suspects",
    "structures_of",
    "topography_of",
]

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
    project: Project,
    traces: Traces,
    structures: Oriented,
    *,
    heading: str,
    bars: str | None = None,
    answers: Answers | None = None,
    shown: Shown | None = None,
) -> Content:
    """Return all that a figure of a project can draw, or a chosen part of it.

    Parameters
    ----------
    project, traces, structures
        As loaded, desurveyed and oriented.
    heading : str
        What the figure shows, for its title block.
    bars : str, optional
        Intervals to draw as coloured bars: ``TABLE`` or ``TABLE.COLUMN``.
    answers : Answers, optional
        What the line-up answers: faults and windows to draw.
    shown : Shown, optional
        The holes and structures to draw; everything without it.
    """
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
    content = Content(
        traces=traces,
        planned=project.planned(traces.hole_ids),
        title=Title(project.name, heading, project.settings.frame.crs, convention(project)),
        structures=structures_of(structures, usable, traces) if usable.any() else None,
        bars=bars_of(project, traces, bars) if bars else None,
        topography=topography_of(project),
        absent=tuple(absent),
    )
    return content if answers is None else _with_answers(content, answers)


def log_of(
    project: Project,
    traces: Traces,
    structures: Oriented,
    hole: str,
    *,
    bars: list[str] | None = None,
    suspects: pd.DataFrame | None = None,
) -> HoleLog:
    """Return the log of one hole.

    Parameters
    ----------
    project, traces, structures
        As loaded, desurveyed and oriented.
    hole : str
        Its name.
    bars : list of str, optional
        Intervals to show, as :func:`bars_of` takes them; the first column of every table when left out.
    suspects : pandas.DataFrame, optional
        The table that ``lowside suspects`` writes; None when it wasn't looked for.

    Raises
    ------
    DataProblem
        When there is no such hole, or no such intervals.
    """
    (index,) = traces.index([hole]).tolist()
    if index < 0:
        raise DataProblem("there is no such hole", value=hole, hint=nearest(hole, traces.hole_ids.tolist()))
    content = content_of(project, traces, structures, heading=f"Log of {hole}")
    own = project.runs[project.runs["hole_id"] == hole]
    return HoleLog(
        traces=traces,
        hole=index,
        title=content.title,
        runs=own,
        structures=content.structures,
        bars=tuple(bars_of(project, traces, name) for name in (bars or list(project.intervals))),
        lines=run_table(own, runs_chain(own, limits_of(project).line_offset_deg)) if len(own) else None,
        suspects=None if suspects is None else suspects[suspects["hole_id"] == hole],
    )


def read_suspects(path: Path) -> pd.DataFrame:
    """Read the table that ``lowside suspects`` has written."""
    return _read(path, ["hole_id", "depth_from", "depth_to", "message"], "suspects")


def _read(path: Path, columns: list[str], command: str) -> pd.DataFrame:
    """Read a table that another command has written and check that it has the columns that figures use."""
    try:
        frame = pd.read_csv(path, dtype={"fault_id": str, "hole_id": str, "structure_id": str})
    except (OSError, ValueError) as problem:
        hint = f"write it with lowside {command}"
        raise DataProblem("the table can't be read", file=str(path), hint=hint) from problem
    for column in columns:
        if column not in frame.columns:
            raise DataProblem(f"this isn't the table that lowside {command} writes", file=str(path), column=column)
    return frame


def topography_of(project: Project) -> Surface | None:
    """Return the ground as triangles between the points of the table that ``[checks]`` names; None without one."""
    file = limits_of(project).topography
    if not file:
        return None
    from scipy.spatial import Delaunay  # slow to import, and few projects have a table of the ground

    points = ground_points(project.folder, file)
    return Surface("ground", points, Delaunay(points[:, :2] - points[:, :2].mean(axis=0)).simplices.astype(np.int64))


def convention(project: Project) -> str:
    """Return the conventions under which a project was read, in a sentence for the reader of a figure."""
    frame, line = project.settings.frame, project.settings.core.line
    side = {"low": "the low side", "high": "the high side", "north": "grid north", None: "what each row says"}[line]
    return (
        f"Directions from grid north (surveys given from {frame.north} north unless a row says otherwise). "
        f"Orientation line marks {side}; beta clockwise from it, looking down the hole, to the down-hole end"
    )


def structures_of(structures: Oriented, use: Bools, traces: Traces) -> Structures:
    """Return the planes of chosen rows, all of them with an orientation and in one of the holes."""
    dip, direction = orient.dip_of_plane(structures.normal[use])
    depth = structures.table["depth"].to_numpy(dtype=float)[use]
    kind = structures.table["kind"].fillna("").to_numpy(dtype=np.str_)[use]
    hole = traces.index(structures.table["hole_id"].to_numpy(dtype=np.str_)[use])
    return Structures(hole, depth, structures.position[use], dip, direction, kind)


def bars_of(project: Project, traces: Traces, name: str) -> Bars:
    """Return the intervals of one column.

    Parameters
    ----------
    project, traces
        As loaded and desurveyed.
    name : str
        ``TABLE`` (its first column of text, or else of numbers) or ``TABLE.COLUMN``.

    Raises
    ------
    DataProblem
        When the project has no such table or column.
    """
    table, _, column = name.partition(".")
    if table not in project.intervals:
        known = sorted(project.intervals)
        hint = nearest(table, known) or (f"there are {', '.join(known)}" if known else "name one in project.toml")
        raise DataProblem("there is no such table of intervals", value=table, hint=hint)
    frame = project.intervals[table]
    own = [str(c) for c in frame.columns if c not in {"hole_id", "depth_from", "depth_to", "row"}]
    text = [c for c in own if _numbers(frame[c]) is None]
    column = column or next(iter(text or own), "")
    if column not in own:
        hint = nearest(column, own) or f"there are {', '.join(own) or 'none'}"
        raise DataProblem("the table of intervals has no such column", file=table, value=column, hint=hint)
    hole = traces.index(frame["hole_id"].to_numpy(dtype=np.str_))
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


def _with_answers(content: Content, answers: Answers) -> Content:
    """Return the content with the faults and windows of the line-up."""
    windows = answers.windows[answers.windows["status"].isin(["logged", "not_logged", "not_drilled", "planned"])]
    hole = content.traces.index(windows["hole_id"].to_numpy(dtype=np.str_))
    ends = [windows[name].to_numpy(dtype=float) for name in ("depth_from", "depth_to")]
    use = (hole >= 0) & np.isfinite(ends[0]) & np.isfinite(ends[1])
    fault = windows["fault_id"].to_numpy(dtype=np.str_)
    return replace(
        content,
        windows=Windows(fault[use], hole[use], ends[0][use], ends[1][use]),
        surfaces=tuple(Surface(name, mesh.vertices, mesh.triangles) for name, mesh in answers.meshes.items()),
    )
