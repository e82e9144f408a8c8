"""The picture of each question: what it is about in colour, all else as quiet context.

Every picture has the same discs in the same order, so what is picked or selected in one is the same in all of them.
On each, one role has the palette: suspicion, faults, or what discs are coloured by (:mod:`viewer.theme`).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyvista as pv
from scipy.spatial import cKDTree

from viewer import theme
from viewer.scene.build import NO_LABELS, DrawnDiscs, Scene
from viewer.scene.colouring import Block, Entry, rgb
from viewer.scene.discs import disc_mesh
from viewer.scene.holes import segments

if TYPE_CHECKING:
    from desurvey.study import Answers

__all__ = ["ALONE", "PICTURES", "Accused", "misfits_of", "pictured"]

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

PICTURES = ("possible", "lines_up", "next_hole", "show")
"""The questions that have a picture of their own; ``show`` is everything."""

SMALL = 0.5
"""Size of discs that are context only, in parts of their own."""

LARGE = 1.8
"""Size of accused discs: a handful among thousands must be seen from far."""


@dataclass(frozen=True, slots=True, eq=False)
class Accused:
    """What suspects accuse.

    Attributes
    ----------
    suspect, right, aside : (n,) bool arrays
        Rows of the structures table that a suspect concerns: undecided and shown as logged, shown as explained, and
        set aside.
    hole : (m,) str array
        Of each undecided suspect, with the length that it concerns:
    depth_from, depth_to : (m,) arrays
        Metres along the hole.
    """

    suspect: Bools
    right: Bools
    aside: Bools
    hole: npt.NDArray[np.str_]
    depth_from: npt.NDArray[np.float64]
    depth_to: npt.NDArray[np.float64]

    @classmethod
    def of(
        cls, table: pd.DataFrame, members: list[Ints], depth: npt.NDArray[np.float64], right: Collection[str],
        aside: Collection[str],
    ) -> Accused:  # fmt: skip
        """Return what a table of suspects accuses.

        Parameters
        ----------
        table : DataFrame
            Suspects.
        members : list of int arrays
            Rows of the structures that each concerns.
        depth : (n,) array
            Of all structures.
        right, aside : collections of str
            Keys of suspects that are shown as explained, and that are set aside.
        """
        keys = table["key"].to_numpy(dtype=object)
        marks = np.zeros((3, len(depth)), dtype=bool)
        for key, rows in zip(keys, members, strict=True):
            marks[1 if key in right else 2 if key in aside else 0, rows] = True
        left = np.array([key not in right and key not in aside for key in keys], dtype=bool)
        first = table["depth_from"].to_numpy(dtype=float)
        last = table["depth_to"].to_numpy(dtype=float)
        own = [depth[rows] for rows in members]
        low = np.array([np.fmin(d.min(initial=np.inf), a) for d, a in zip(own, first, strict=True)])
        high = np.array([np.fmax(d.max(initial=-np.inf), b) for d, b in zip(own, last, strict=True)])
        hole = table["hole_id"].to_numpy(dtype=str)
        return cls(marks[0], marks[1], marks[2], hole[left], low[left], high[left])


def pictured(
    scene: Scene, name: str, look: theme.Look, hole_ids: npt.NDArray[np.str_], accused: Accused, answer: Answers | None
) -> Scene:
    """Return a scene as one question draws it.

    Parameters
    ----------
    scene : Scene
        Everything.
    name : str
        One of ``PICTURES``; any other is everything.
    look : Look
        For what is quiet against the background.
    hole_ids : (H,) str array
        Names of the holes, in the order of the traces.
    accused : Accused
    answer : Answers, optional
        What the line-up says.
    """
    if name == "possible":
        return _possible(scene, look, hole_ids, accused)
    if name == "lines_up" and answer is not None:
        return _lines_up(scene, look, answer)
    if name.startswith(ALONE) and answer is not None:
        return _alone(_lines_up(scene, look, answer), name.removeprefix(ALONE))
    if name == "next_hole":
        return _quiet(scene, look)
    return _everything(scene, look)


def _everything(scene: Scene, look: theme.Look) -> Scene:
    """Return everything; kinds have the palette, and so faults are grey sheets with their names."""
    grey = tuple(replace(one, colour=look.unrelated) if one.what == "fault" else one for one in scene.sheets)
    sleeves = tuple(replace(one, colour=look.unrelated) for one in scene.sleeves)
    legend = [replace(one, symbol="sheet", entries=tuple(replace(e, colour=look.unrelated) for e in one.entries))
              if one.title == FAULTS else one for one in scene.legend]  # fmt: skip
    return replace(scene, sheets=grey, sleeves=sleeves, legend=tuple(legend))


FAULTS = "faults lined up"
"""Title of the legend's part on faults (:mod:`viewer.scene.faults`)."""


def _possible(scene: Scene, look: theme.Look, hole_ids: npt.NDArray[np.str_], accused: Accused) -> Scene:
    index = scene.discs.index
    groups = [
        ("suspect, as logged", theme.SUSPECT, accused.suspect[index], LARGE),
        ("put right", theme.PUT_RIGHT, accused.right[index], LARGE),
        ("set aside", look.unrelated, accused.aside[index], 1.0),
    ]
    discs, entries = _painted(scene.discs, look, groups)
    drilled = _plain(scene.drilled, look)
    if drilled.n_cells:
        colours = np.asarray(drilled.cell_data["rgb"]).copy()
        piece, low, high = (np.asarray(drilled.cell_data[key]) for key in ("hole", "depth_from", "depth_to"))
        number = {str(one): place for place, one in enumerate(hole_ids)}
        for hole, first, last in zip(accused.hole, accused.depth_from, accused.depth_to, strict=True):
            colours[(piece == number.get(str(hole), -1)) & (high > first) & (low < last)] = rgb(theme.SUSPECT_HOLE)
        drilled.cell_data["rgb"] = colours
    legend = (Block("readings", "disc", entries), *_holes(look, scene), *_planned(scene))
    sheets = tuple(one for one in scene.sheets if one.what != "fault")
    return replace(
        scene, discs=discs, drilled=drilled, legend=legend, sheets=sheets, sleeves=(), misfits=None, names=NO_LABELS,
        lineations=pv.PolyData(),
    )  # fmt: skip


def _lines_up(scene: Scene, look: theme.Look, answer: Answers) -> Scene:
    names = scene.discs.table["structure_id"].to_numpy(dtype=object)
    fault = pd.Series(answer.picks["fault_id"].to_numpy(dtype=object), index=answer.picks["structure_id"])
    own = fault[~fault.index.duplicated()].reindex(names).to_numpy(dtype=object)
    kind = ~pd.isna(own)
    colours = theme.fault_colours(answer.found.faults)
    counts = answer.picks["fault_id"].value_counts()
    groups = [
        (_fault_words(one), colours[one.fault_id], kind & (own == one.fault_id), 1.0) for one in answer.found.faults
    ]
    groups.append((f"{answer.kind}, belongs to none", look.unrelated, kind & (own == ""), 0.8))
    discs, entries = _painted(scene.discs, look, groups, quiet="other structures", always=True)
    said = [
        replace(entry, count=int(counts.get("" if place == len(colours) else one, 0)))
        for place, (entry, one) in enumerate(zip(entries, [*colours, ""], strict=False))
    ]
    flat = len(answer.picks) - int(kind.sum())
    lost = (Entry(f"{flat} of them without orientation: no disc", look.quiet_disc),) if flat and _whole(scene) else ()
    title = "fault picks" if answer.kind == "fault" else f"picks of kind {answer.kind}"
    again = (Entry("look again here, in the fault's colour", look.unrelated),) if scene.sleeves else ()
    apart = (Entry("from a pick to where the others put it", look.accent),) if scene.misfits is not None else ()
    picks = Block(title, "disc", (*said, *lost, *entries[len(said) :]))
    legend = (picks, Block("", "tube", (*again, *apart)), *_planned(scene))
    return replace(scene, discs=discs, drilled=_plain(scene.drilled, look), legend=legend, lineations=pv.PolyData())


ALONE = "fault:"
"""Beginning of the names of pictures that show one fault and its picks alone."""


def _alone(scene: Scene, fault: str) -> Scene:
    """Return one fault with its picks, windows and offsets; the other discs stay in their places with no size."""
    discs, own = scene.discs, np.zeros(len(scene.discs.index), dtype=bool)
    own[scene.members.get(fault, np.empty(0, dtype=np.int64))] = True
    radius = np.where(own, discs.radius, 0.0)
    mesh = disc_mesh(discs.centre, discs.normal, radius)
    if mesh.n_cells:
        mesh.cell_data["rgb"] = discs.mesh.cell_data["rgb"]
    near = _near(scene.drilled, discs.centre[own], NEAR * scene.frame.reach)
    return replace(
        scene,
        discs=replace(discs, radius=radius, mesh=mesh),
        drilled=near,
        planned=pv.PolyData(),
        sheets=tuple(one for one in scene.sheets if one.what != "fault" or one.name == fault),
        sleeves=tuple(one for one in scene.sleeves if one.name == fault),
        misfits=misfits_of(scene, fault),
    )


NEAR = 0.05
"""How far from the picks of a fault its holes are drawn when it stands alone, in parts of the box's diagonal."""


def _near(drilled: pv.PolyData, spots: npt.NDArray[np.float64], reach: float) -> pv.PolyData:
    """Return pieces of hole near some spots; the others stay in their places with no length."""
    mesh = drilled.copy()
    if mesh.n_cells and len(spots):
        ends = np.asarray(mesh.points).reshape(-1, 2, 3).astype(float)
        away, _ = cKDTree(spots).query(ends.mean(axis=1))
        ends[away > reach] = ends[away > reach].mean(axis=1, keepdims=True)
        mesh.points = ends.reshape(-1, 3).astype(np.float32)
    return mesh


def misfits_of(scene: Scene, fault: str) -> pv.PolyData:
    """Return the segments of one fault from its picks to where the others put them."""
    every = scene.misfits
    if every is None or not every.n_cells or fault not in scene.names.text:
        return pv.PolyData()
    own = np.asarray(every.cell_data["fault"]) == scene.names.text.index(fault)
    return segments(np.asarray(every.points).reshape(-1, 2, 3)[own].reshape(-1, 3))


def _quiet(scene: Scene, look: theme.Look) -> Scene:
    discs, _ = _painted(scene.discs, look, [])
    faults = tuple(one for one in scene.legend if one.title == FAULTS)
    legend = (*(replace(one, symbol="sheet") for one in faults), *_planned(scene))
    drilled = _plain(scene.drilled, look)
    return replace(
        scene, discs=discs, drilled=drilled, legend=legend, misfits=None, lineations=pv.PolyData()
    )  # fmt: skip


def _whole(scene: Scene) -> bool:
    return bool(len(scene.discs.index))


def _fault_words(fault: object) -> str:
    return f"{fault.fault_id} {fault.dip:.0f}°/{round(fault.dip_direction) % 360:03d}°"  # type: ignore[attr-defined]


def _painted(
    discs: DrawnDiscs,
    look: theme.Look,
    groups: list[tuple[str, str, Bools, float]],
    quiet: str = "other readings",
    *,
    always: bool = False,
) -> tuple[DrawnDiscs, tuple[Entry, ...]]:
    """Return discs with groups of them in colour and the others small and quiet, and what the legend says of them."""
    colours = np.tile(np.array(rgb(look.quiet_disc), dtype=np.uint8), (len(discs.index), 1))
    size, left = np.full(len(discs.index), SMALL), np.ones(len(discs.index), dtype=bool)
    entries = []
    middle = float(np.median(discs.radius)) if len(discs.radius) else 1.0
    for label, colour, rows, factor in groups:
        colours[rows], size[rows] = rgb(colour), factor
        if factor > 1.0:  # what is large anyway needn't be larger
            size[rows] = np.clip(factor * middle / discs.radius[rows], 0.5, factor)
        left &= ~rows
        if rows.any() or always:
            entries.append(Entry(label, colour, int(rows.sum())))
    if left.any():
        entries.append(Entry(quiet, look.quiet_disc, int(left.sum())))
    radius = discs.radius * size
    mesh = disc_mesh(discs.centre, discs.normal, radius)
    if mesh.n_cells:
        mesh.cell_data["rgb"] = colours
    return replace(discs, radius=radius, mesh=mesh), tuple(entries)


def _plain(drilled: pv.PolyData, look: theme.Look) -> pv.PolyData:
    """Return holes in one quiet colour."""
    mesh = drilled.copy()
    if mesh.n_cells:
        mesh.cell_data["rgb"] = np.tile(np.array(rgb(look.quiet_hole), dtype=np.uint8), (mesh.n_cells, 1))
    return mesh


def _holes(look: theme.Look, scene: Scene) -> tuple[Block, ...]:
    return (Block("", "tube", (Entry("length accused", theme.SUSPECT_HOLE),)),) if scene.drilled.n_cells else ()


def _planned(scene: Scene) -> tuple[Block, ...]:
    return tuple(block for block in scene.legend if block.symbol == "dash")
