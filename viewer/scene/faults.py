"""Faults of a line-up as sheets, relog windows as sleeves round holes, and how far each pick lies from its fault."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyvista as pv

from desurvey.lineup import Fault, LineUp, left_out
from desurvey.surface import fault_mesh
from viewer import theme
from viewer.scene.build import DrawnSheet, Scene, Sleeve
from viewer.scene.colouring import Block, Entry
from viewer.scene.floor import Labels
from viewer.scene.frame import LocalFrame
from viewer.scene.holes import Pieces, lines, segments

__all__ = ["with_faults"]

Floats = npt.NDArray[np.float64]


def with_faults(scene: Scene, lineup: LineUp, windows: pd.DataFrame) -> Scene:
    """Return a scene with the faults of a line-up.

    Parameters
    ----------
    scene : Scene
        Of the same project.
    lineup : LineUp
        The faults.
    windows : DataFrame
        :func:`desurvey.lineup.windows_table` of them.
    """
    colours = theme.fault_colours(lineup.faults)
    sheets = tuple(DrawnSheet(f.fault_id, _surface(f, scene.frame), colours[f.fault_id]) for f in lineup.faults)
    sleeves = tuple(_sleeves(lineup, windows, scene.frame, colours))
    entries = tuple(
        Entry(
            f"{fault.fault_id}  {fault.dip:.0f}°/{fault.dip_direction:03.0f}°", colours[fault.fault_id], len(fault.rows)
        )
        for fault in lineup.faults
    )
    block = Block("faults lined up", "disc", entries)
    legend = (*scene.legend, block) if entries else scene.legend
    names = Labels(
        scene.frame.local(np.array([f.centre for f in lineup.faults]).reshape(-1, 3)),
        tuple(f.fault_id for f in lineup.faults),
    )
    misfits = _misfits(lineup, scene.frame)
    return replace(
        scene,
        sheets=sheets,
        sleeves=sleeves,
        misfits=misfits,
        legend=legend,
        names=names,
        members=_members(scene, lineup),
    )


def _surface(fault: Fault, frame: LocalFrame) -> pv.PolyData:
    """Return the fault as far as its extent, in local coordinates."""
    surface = fault_mesh(fault)
    mesh = pv.PolyData()
    mesh.points = frame.local(surface.vertices).astype(np.float32)
    mesh.faces = np.column_stack([np.full(len(surface.triangles), 3), surface.triangles]).ravel()
    return mesh


def _sleeves(lineup: LineUp, windows: pd.DataFrame, frame: LocalFrame, colours: dict[str, str]) -> list[Sleeve]:
    found = []
    traces = lineup.traces
    for fault_id, colour in colours.items():
        rows = windows[(windows["fault_id"] == fault_id) & (windows["status"] == "not_logged")]
        hole = traces.index(rows["hole_id"].to_numpy(dtype=str))
        stop = np.minimum(rows["depth_to"].to_numpy(dtype=float), traces.end[hole])
        parts = Pieces(hole, rows["depth_from"].to_numpy(dtype=float), stop)
        if len(hole):
            found.append(Sleeve(fault_id, lines(traces, frame, parts.where(stop > parts.depth_from)), colour))
    return found


def _misfits(lineup: LineUp, frame: LocalFrame) -> pv.PolyData:
    """Return segments from each pick to where the picks of the other holes put it."""
    expected = left_out(lineup).position
    known = np.isfinite(expected).all(axis=1)
    ends = np.stack([lineup.picks.position[known], expected[known]], axis=1)
    mesh = segments(frame.local(ends.reshape(-1, 3)))
    if mesh.n_cells:
        mesh.cell_data["fault"] = lineup.group[known]
    return mesh


def _members(scene: Scene, lineup: LineUp) -> dict[str, npt.NDArray[np.int64]]:
    """Return which discs are picks of each fault."""
    names = scene.discs.table["structure_id"].to_numpy(dtype=object)
    own = [set(lineup.names[fault.rows].tolist()) for fault in lineup.faults]
    return {
        fault.fault_id: np.flatnonzero(np.array([name in picks for name in names], dtype=bool))
        for fault, picks in zip(lineup.faults, own, strict=True)
    }
