"""What is exported of a project: holes as lines, structures as discs, surfaces as triangles, and their tables."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.exchange.writing import TableFacts, well_known
from desurvey.orient import Oriented
from desurvey.project import Project
from desurvey.ragged import groups, offsets_of
from desurvey.shown import shown
from desurvey.spread import HoleSpread, StructureSpread, orientation_table, trace_table
from desurvey.surface.mesh import Mesh
from desurvey.tables import INTERVALS, TABLES
from desurvey.traces import Traces, trace_frame

__all__ = ["Discs", "Holes", "Layer", "Model", "Unoriented", "disc_corners", "fan", "layers_of", "model_of"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CANONICAL = {column.name for columns in (*TABLES.values(), INTERVALS) for column in columns}
"""Columns whose type is settled: a hole_id stays text even where it looks like a number."""

STEP = 5.0
"""Metres between the points of exported holes: on an arc of 10° per 30 m the chord is then 2 cm off (own choice)."""
RADIUS = 4.0
"""Metres; the size of a disc shows where a plane lies, not how far it reaches (own choice)."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Holes:
    """Holes as lines.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a hole: hole_id, depth, status and what else the collars say.
    offsets : (H + 1,) int array
        Points of hole *i* are ``offsets[i]:offsets[i + 1]``.
    points : pandas.DataFrame
        depth, easting, northing, elevation, azimuth, dip, dogleg_30m, extrapolated.
    """

    table: pd.DataFrame
    offsets: Ints
    points: pd.DataFrame

    @property
    def position(self) -> Floats:
        """Easting, northing, elevation of the points, (S, 3)."""
        return self.points[["easting", "northing", "elevation"]].to_numpy(dtype=float)

    @property
    def segments(self) -> Ints:
        """Rows of the two ends of each piece of each hole, (m, 2)."""
        last = np.zeros(len(self.points), dtype=bool)
        last[self.offsets[1:] - 1] = True
        first = np.flatnonzero(~last)
        return np.stack([first, first + 1], axis=1)

    @property
    def hole_of_point(self) -> Ints:
        """Row of the hole that each point belongs to, (S,)."""
        return groups(self.offsets)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Discs:
    """Structures that have an orientation, as discs.

    Attributes
    ----------
    table : pandas.DataFrame
        The ``orient`` command's rows of them.
    centre, normal : (n, 3) arrays
        Easting, northing, elevation in metres; upward unit normals.
    radius : float
        Metres, for show.
    """

    table: pd.DataFrame
    centre: Floats
    normal: Floats
    radius: float = RADIUS


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Unoriented:
    """Structures that lie on a hole and have no orientation: alpha only, a run without a line, nothing measured.

    Attributes
    ----------
    table : pandas.DataFrame
        The ``orient`` command's rows of them; ``why_not`` says the reason.
    position : (n, 3) array
        Easting, northing, elevation in metres.
    """

    table: pd.DataFrame
    position: Floats


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """All that is exported.

    Attributes
    ----------
    name, crs : str
        Of the project; the CRS is blank where none is stated.
    holes : Holes
    discs : Discs
    points : Unoriented
    meshes : mapping of str to Mesh
        Faults and surfaces by name.
    tables : mapping of str to pandas.DataFrame
        Tables by name: collars, traces, structures, runs, the intervals, and what else was given.
    basis : str
        Whether data are as logged or as decided.
    about : pandas.DataFrame
        What a reader must know to trust or repeat it, two columns: what, value (:mod:`desurvey.exchange.facts`).
    colours : mapping of str to str
        Colour of each kind of structure, ``#RRGGBB``; grey where none is given.
    """

    name: str
    crs: str
    holes: Holes
    discs: Discs
    points: Unoriented
    meshes: Mapping[str, Mesh]
    tables: Mapping[str, pd.DataFrame]
    basis: str = ""
    about: pd.DataFrame = field(default_factory=lambda: pd.DataFrame({"what": [], "value": []}))
    colours: Mapping[str, str] = field(default_factory=dict)

    @property
    def placed(self) -> tuple[pd.DataFrame, Floats]:
        """All structures that have a place, those with an orientation first: their rows, and their positions."""
        table = pd.concat([one.table for one in (self.discs, self.points) if len(one.table)] or [self.discs.table])
        return table.reset_index(drop=True), np.concatenate([self.discs.centre, self.points.position])

    def facts(self, table: str) -> TableFacts:
        """Return what a file of one of the tables can say of it; structures and collars have shapes."""
        shape, blobs = "", None
        if table == "structures":
            rows, position = self.placed
            place = dict(zip(rows["structure_id"], position, strict=True))
            shape, blobs = "Point Z", [well_known(place.get(name)) for name in self.tables[table]["structure_id"]]
        elif table == "collars":
            ends = self.holes.offsets.tolist()
            lines = [self.holes.position[first:last] for first, last in itertools.pairwise(ends)]
            place = dict(zip(self.holes.table["hole_id"], lines, strict=True))
            shape, blobs = "LineString Z", [well_known(place.get(name)) for name in self.tables[table]["hole_id"]]
        return TableFacts(self.name, self.crs, self.basis, shape, blobs)


def model_of(
    project: Project,
    traces: Traces,
    structures: Oriented,
    known: tuple[HoleSpread, StructureSpread],
    *,
    basis: str = "",
    about: pd.DataFrame | None = None,
    meshes: Mapping[str, Mesh] | None = None,
    tables: Mapping[str, pd.DataFrame] | None = None,
) -> Model:
    """Return what is exported of a project.

    Parameters
    ----------
    project, traces, structures
        As loaded, desurveyed and oriented.
    known : HoleSpread and StructureSpread
        How well they are known.
    basis : str
        Whether data are as logged or as decided.
    about : pandas.DataFrame, optional
        What a reader must know to trust or repeat it.
    meshes : mapping, optional
        Faults and surfaces by name.
    tables : mapping, optional
        Further tables, such as those of the line-up.
    """
    oriented = _typed(orientation_table(structures, known[1]))
    own = {
        "collars": _typed(project.collars),
        "traces": trace_table(traces, known[0]),
        "structures": oriented,
        "runs": _typed(project.runs),
        **{name: _typed(frame) for name, frame in project.intervals.items()},
    }
    use = structures.usable
    bare = ~use & np.isfinite(structures.position).all(axis=1)
    return Model(
        name=project.name,
        crs=project.settings.frame.crs,
        holes=_holes(project, traces),
        discs=Discs(oriented[use].reset_index(drop=True), structures.position[use], structures.normal[use]),
        points=Unoriented(oriented[bare].reset_index(drop=True), structures.position[bare]),
        meshes=dict(meshes or {}),
        tables={**own, **(tables or {})},
        basis=basis,
        about=pd.DataFrame({"what": [], "value": []}) if about is None else about,
    )


def _holes(project: Project, traces: Traces) -> Holes:
    points = trace_frame(traces, STEP)
    hole = traces.index(points["hole_id"].to_numpy(dtype=np.str_))
    counts = np.bincount(hole, minlength=len(traces.hole_ids))
    collars = _typed(project.collars).drop_duplicates("hole_id").set_index("hole_id")
    table = collars.loc[traces.hole_ids.tolist()].reset_index()
    return Holes(table, offsets_of(counts), points.drop(columns="hole_id"))


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table without row numbers, with a person's own columns of numbers as numbers (they are read as text)."""
    out = frame.drop(columns="row", errors="ignore").copy()
    for name in [name for name in out.columns if name not in CANONICAL and out[name].dtype.kind not in "iufbM"]:
        given = out[name].where(out[name].notna() & (out[name].astype(str) != ""))
        number = pd.to_numeric(given, errors="coerce")
        if given.notna().any() and not (given.notna() & number.isna()).any():
            out[name] = number.astype(float)
    return out


@shown
class Layer(NamedTuple):
    """One layer of a picture in space.

    Attributes
    ----------
    name : str
    positions : (n, 3) array
    cells : (m, k) int array
        Rows of the positions: points (k = 1), pieces of lines (2) or triangles (3).
    colour : str
        ``#RRGGBB``.
    feature : (n,) int array or None
        Row of the structure (:attr:`Model.placed`) that each position belongs to.
    """

    name: str
    positions: Floats
    cells: Ints
    colour: str
    feature: Ints | None = None


HOLES, SURFACES, OTHERS = "#1A1E24", "#D55E00", "#999999"
"""Colours of holes, of surfaces (vermilion of Okabe and Ito), and of kinds that have none of their own."""


def layers_of(model: Model, sides: int) -> list[Layer]:
    """Return a model as layers: holes, the discs and the bare points of each kind, each surface; no empty ones."""
    layers = [Layer("holes", model.holes.position, model.holes.segments, HOLES)]
    corners, oriented = disc_corners(model.discs, sides), len(model.discs.table)
    for kind in sorted({*_kinds(model.discs.table), *_kinds(model.points.table)}):
        name, colour = kind or "no kind", model.colours.get(kind, OTHERS)
        rows = np.flatnonzero(_kinds(model.discs.table) == kind)
        feature = np.repeat(rows, sides)
        layers.append(Layer(f"{name} discs", corners[rows].reshape(-1, 3), fan(len(rows), sides), colour, feature))
        rows = np.flatnonzero(_kinds(model.points.table) == kind)
        cells = np.arange(len(rows))[:, None]
        layers.append(Layer(f"{name} not oriented", model.points.position[rows], cells, colour, oriented + rows))
    layers += [Layer(f"fault {name}", mesh.vertices, mesh.triangles, SURFACES) for name, mesh in model.meshes.items()]
    return [layer for layer in layers if len(layer.cells)]


def _kinds(table: pd.DataFrame) -> npt.NDArray[np.str_]:
    return table["kind"].fillna("").to_numpy(dtype=np.str_) if len(table) else np.zeros(0, dtype=np.str_)


def disc_corners(discs: Discs, sides: int = 16) -> Floats:
    """Return the corners of discs as regular polygons, anticlockwise seen from their normals, shape (n, sides, 3).

    Examples
    --------
    >>> flat = Discs(pd.DataFrame(), np.zeros((1, 3)), np.array([[0.0, 0.0, 1.0]]), radius=2.0)
    >>> np.linalg.norm(disc_corners(flat, 4), axis=2).round(9).tolist()
    [[2.0, 2.0, 2.0, 2.0]]
    """
    normal = discs.normal
    steep = np.abs(normal[:, 2:]) > 0.9
    across = np.cross(np.where(steep, [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]), normal)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    up = np.cross(normal, across)
    turn = 2 * np.pi * np.arange(sides) / sides
    spokes = np.cos(turn)[:, None] * across[:, None] + np.sin(turn)[:, None] * up[:, None]
    return np.asarray(discs.centre[:, None] + discs.radius * spokes)


def fan(count: int, sides: int) -> Ints:
    """Return triangles of ``count`` polygons of ``sides`` corners each, rows of the flattened corners, (t, 3)."""
    one = np.stack([np.zeros(sides - 2, int), np.arange(1, sides - 1), np.arange(2, sides)], axis=1)
    return np.asarray((one[None] + sides * np.arange(count)[:, None, None]).reshape(-1, 3))
