"""A scene: engine results turned into meshes, labels and a legend, with no window and no state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyvista as pv

from desurvey import orient
from desurvey.orient import Oriented
from desurvey.project import Project
from desurvey.ragged import numbered
from desurvey.study import Study
from desurvey.traces import Traces
from viewer import theme
from viewer.scene import values
from viewer.scene.colouring import Block, Coloured, Entry, coloured, rgb
from viewer.scene.discs import disc_mesh
from viewer.scene.floor import Labels
from viewer.scene.frame import LocalFrame, framed
from viewer.scene.holes import Pieces, dashes, lines, pieces, segments

__all__ = ["DrawnDiscs", "DrawnSheet", "Scene", "Sleeve", "Wanted", "build", "build_wanted"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NO_LABELS = Labels(np.empty((0, 3)), ())

LARGE_KINDS = frozenset({"fault", "dyke"})
"""Kinds whose discs are drawn larger: there are few of them and one looks for them first."""


@dataclass(frozen=True, slots=True, eq=False)
class DrawnDiscs:
    """The structures that have an orientation.

    Attributes
    ----------
    index : (n,) int array
        Row of each disc in the structures table, counted from 0.
    centre : (n, 3) array
        Local coordinates.
    normal : (n, 3) array
        Upward unit normals.
    radius : (n,) array
        Metres; a disc's size is drawn, not measured.
    table : DataFrame
        What the discs' cards say: file and row, the row as logged, and the true dip and dip direction.
    mesh : PolyData
        Cell *i* is disc *i*; cell arrays ``rgb``, ``index`` and ``row`` (row number in the file).
    """

    index: Ints
    centre: Floats
    normal: Floats
    radius: Floats
    table: pd.DataFrame
    mesh: pv.PolyData


SHEET_ALPHA = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class DrawnSheet:
    """Something with an area that can be seen through.

    Attributes
    ----------
    name : str
    mesh : PolyData
        Triangles in local coordinates.
    colour : str
    alpha : float
        0 can't be seen, 1 hides what is behind.
    what : {"fault", "ground", "doubt"}
    """

    name: str
    mesh: pv.PolyData
    colour: str
    alpha: float = SHEET_ALPHA
    what: Literal["fault", "ground", "doubt"] = "fault"


@dataclass(frozen=True, slots=True, eq=False)
class Sleeve:
    """Lengths of holes in which a fault should be and nothing is logged."""

    name: str
    mesh: pv.PolyData
    colour: str


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Everything that is drawn, in local coordinates.

    Attributes
    ----------
    title, subtitle : str
        Name of the project, and its coordinate system with the sizes of the grid.
    frame : LocalFrame
        Local origin and box.
    drilled, planned : PolyData
        Line segments of the holes, cell arrays ``hole``, ``depth_from``, ``depth_to`` and ``rgb``; planned ones as
        dashes.
    discs : DrawnDiscs
        Structures with an orientation.
    lineations : PolyData
        Lines on planes, as segments as long as the discs are wide.
    collars : Labels
        Where the holes start, with their names.
    depths : Labels
        Round depths along the holes, metres; empty unless wanted.
    legend : tuple of Block
        What colours mean.
    sheets, sleeves : tuples of DrawnSheet and Sleeve
        Faults, and lengths of hole where they should be; see :func:`viewer.scene.faults.with_faults`.
    misfits : PolyData or None
        Segments from picks to where the others put them.
    names : Labels
        Names of the faults, at their middles.
    members : mapping of str to int arrays
        Discs of each fault's picks.
    """

    title: str
    subtitle: str
    frame: LocalFrame
    drilled: pv.PolyData
    planned: pv.PolyData
    discs: DrawnDiscs
    lineations: pv.PolyData
    collars: Labels
    depths: Labels
    legend: tuple[Block, ...]
    sheets: tuple[DrawnSheet, ...] = ()
    sleeves: tuple[Sleeve, ...] = ()
    misfits: pv.PolyData | None = None
    names: Labels = NO_LABELS
    members: Mapping[str, Ints] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """What a scene is to show, and how.

    Attributes
    ----------
    holes_by : str
        Column that colours the holes, as ``table.column`` or the column alone; empty for the first text column of the
        intervals, ``"none"`` for plain holes.
    discs_by : str
        Column of the structures that colours the discs, or ``dip`` or ``dip_direction``.
    rows : (n,) bool array or None
        Structures to show, in the order of their table; None for all.
    holes : (H,) bool array or None
        Holes to show, in the order of the traces; None for all. The box stays that of all holes.
    disc_size : float
        Factor on the radius of the discs.
    by_width : bool
        Whether the logged width of a structure makes its disc larger.
    depths : bool
        Whether depths are written along the holes.
    """

    holes_by: str = ""
    discs_by: str = "kind"
    rows: npt.NDArray[np.bool_] | None = None
    holes: npt.NDArray[np.bool_] | None = None
    disc_size: float = 1.0
    by_width: bool = False
    depths: bool = False


def build(study: Study, *, holes_by: str = "", discs_by: str = "kind") -> Scene:
    """Return the scene of a study; :func:`build_wanted` with the two choices that a still needs.

    Raises
    ------
    DataProblem
        When there is no such column.
    """
    return build_wanted(study.project, study.holes, study.structures, Wanted(holes_by, discs_by))


def build_wanted(project: Project, traces: Traces, oriented: Oriented, wanted: Wanted) -> Scene:
    """Return the scene of a project.

    Parameters
    ----------
    project, traces, oriented
        The tables, the desurveyed holes and the oriented structures.
    wanted : Wanted
        What to show, and how.

    Raises
    ------
    DataProblem
        When there is no such column.
    """
    frame = framed(_extent(traces))
    shown = np.ones(len(traces.hole_ids), dtype=bool) if wanted.holes is None else wanted.holes
    planned = project.planned(traces.hole_ids)
    choice = _hole_choice(project, wanted.holes_by)
    parts = pieces(traces, *values.hole_cuts(project, traces, choice))
    drilled, hole_block = _drilled(project, traces, frame, parts.where((shown & ~planned)[parts.hole]), choice)
    shown_discs, disc_block = _discs(project, oriented, frame, wanted)
    dash = dashes(traces, frame)
    legend = (disc_block, hole_block, *_planned_block(int((planned & shown).sum())))
    return Scene(
        title=project.name,
        subtitle=_subtitle(project, frame),
        frame=frame,
        drilled=drilled,
        planned=lines(traces, frame, dash.where((shown & planned)[dash.hole])),
        discs=shown_discs,
        lineations=_lineations(oriented, shown_discs),
        collars=_collars(traces, frame, shown),
        depths=_depths(traces, frame, shown if wanted.depths else np.zeros_like(shown)),
        legend=tuple(block for block in legend if block.entries or block.bar),
    )


def _extent(traces: Traces) -> Floats:
    """Return the points that the frame has to hold: stations and ends of the holes."""
    ends = traces.at(np.arange(len(traces.end)), traces.end).position
    return np.concatenate([traces.position, ends])


def _hole_choice(project: Project, holes_by: str) -> values.Choice | None:
    if holes_by == "none":
        return None
    return values.chosen(holes_by, values.hole_choices(project)) if holes_by else values.usual(project)


def _drilled(
    project: Project, traces: Traces, frame: LocalFrame, parts: Pieces, choice: values.Choice | None
) -> tuple[pv.PolyData, Block]:
    """Return the drilled holes with their colours, and the part of the legend that explains them."""
    mesh = lines(traces, frame, parts)
    if choice is None:
        holes = len(np.unique(parts.hole))
        plain = Block("holes", "tube", (Entry("drilled", theme.LIGHT.trace, holes),) if holes else ())
        colours = Coloured(np.tile(np.array(rgb(theme.LIGHT.trace), dtype=np.uint8), (len(parts.hole), 1)), plain)
    else:
        found = values.hole_values(project, traces, choice, parts)
        colours = _without_counts(coloured(found, choice.title, symbol="tube", column=choice.column, muted=True))
    if mesh.n_cells:
        mesh.cell_data["rgb"] = colours.rgb
    return mesh, colours.block


def _without_counts(colours: Coloured) -> Coloured:
    """Return colours whose legend doesn't count: how many pieces a rock was cut into tells nobody anything."""
    entries = tuple(Entry(entry.label, entry.colour) for entry in colours.block.entries)
    return Coloured(colours.rgb, Block(colours.block.title, colours.block.symbol, entries, colours.block.bar))


def _discs(project: Project, oriented: Oriented, frame: LocalFrame, wanted: Wanted) -> tuple[DrawnDiscs, Block]:
    rows = oriented.usable & np.isfinite(oriented.position).all(axis=1)
    index = np.flatnonzero(rows if wanted.rows is None else rows & wanted.rows)
    table = project.structures.iloc[index].reset_index(drop=True)
    normal, centre = oriented.normal[index], frame.local(oriented.position[index])
    radius = wanted.disc_size * _radii(table["kind"], frame)
    if wanted.by_width:
        radius = radius * _width_factor(table["width"].to_numpy(dtype=float))
    mesh = disc_mesh(centre, normal, radius)
    shown = DrawnDiscs(index, centre, normal, radius, _cards(project, table, oriented.position[index], normal), mesh)
    if not len(index):
        return shown, Block("", "disc")
    choice = values.chosen(wanted.discs_by, values.disc_choices(project))
    colours = coloured(values.disc_values(table, normal, choice), choice.title, symbol="disc", column=choice.column)
    mesh.cell_data["rgb"] = colours.rgb
    mesh.cell_data["index"] = index
    mesh.cell_data["row"] = table["row"].to_numpy(dtype=np.int64)
    return shown, colours.block


def _cards(project: Project, table: pd.DataFrame, position: Floats, normal: Floats) -> pd.DataFrame:
    """Return what is known of each disc: where it was logged, as it was logged, and where and how it truly lies."""
    dip, direction = orient.dip_of_plane(normal)
    logged = table.drop(columns=["row", "dip", "dip_direction"])
    return pd.DataFrame(
        {"source": project.files["structures"] + ", row " + table["row"].astype(str)}
        | {str(name): logged[name] for name in logged.columns}
        | {"dip": dip.round(1), "dip_direction": direction.round(1)}
        | dict(zip(("easting", "northing", "elevation"), position.round(2).T, strict=True))
    )


def _radii(kind: pd.Series, frame: LocalFrame) -> Floats:
    """Return radii that can be seen in a picture of the whole scene: larger where there are few discs."""
    crowd = np.clip((1500 / max(len(kind), 1)) ** (1 / 3), 1.0, 2.5)
    base = float(np.clip(frame.reach * 0.005 * crowd, 0.5, 15.0))
    large = kind.astype(str).str.lower().isin(LARGE_KINDS).to_numpy()
    return np.where(large, 3.2 * base, base)


def _width_factor(width: Floats) -> Floats:
    """Return how much larger discs are drawn for their logged width: 1 without a width, 4 for the widest."""
    most = np.nanmax(width, initial=0.0)
    return 1.0 + 3.0 * np.sqrt(np.nan_to_num(width) / most) if most > 0 else np.ones(len(width))


def _lineations(oriented: Oriented, shown: DrawnDiscs) -> pv.PolyData:
    line = oriented.line[shown.index]
    has = np.isfinite(line).all(axis=1)
    half = 1.05 * shown.radius[has, None] * line[has]
    return segments(np.stack([shown.centre[has] - half, shown.centre[has] + half], axis=1).reshape(-1, 3))


def _collars(traces: Traces, frame: LocalFrame, shown: npt.NDArray[np.bool_]) -> Labels:
    start = traces.offsets[:-1][shown]
    return Labels(frame.local(traces.position[start]), tuple(traces.hole_ids[shown].tolist()))


def _depths(traces: Traces, frame: LocalFrame, shown: npt.NDArray[np.bool_]) -> Labels:
    """Return round depths along some of the holes; the same step in all of them."""
    if not shown.any():
        return NO_LABELS
    step = theme.nice_step(float(traces.end[shown].max()), 6)
    counts = np.where(shown, np.floor(traces.end / step), 0).astype(np.int64)
    hole, number = numbered(counts)
    depth = step * (1 + number)
    return Labels(frame.local(traces.at(hole, depth).position), tuple(f"{value:g}" for value in depth))


def _planned_block(count: int) -> tuple[Block, ...]:
    return (
        (Block("", "dash", (Entry("planned hole" if count == 1 else "planned holes", theme.PLANNED, count),)),)
        if count
        else ()
    )


def _subtitle(project: Project, frame: LocalFrame) -> str:
    crs = project.settings.frame.crs or "no coordinate system stated"
    return f"{crs} · grid {frame.step:g} m in all directions · metres"
