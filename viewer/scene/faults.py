"""Faults of a line-up as sheets, relog windows as sleeves round holes, and how far each pick lies from its fault."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyvista as pv

from desurvey.lineup import Fault, LineUp, left_out
from desurvey.surface import fault_mesh
from viewer import theme
from viewer.scene.build import Scene
from viewer.scene.colouring import Block, Entry
from viewer.scene.frame import Frame
from viewer.scene.holes import Pieces, lines, segments

__all__ = ["Sheet", "Sleeve", "with_faults"]

Floats = npt.NDArray[np.float64]

SHEET_ALPHA = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
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
    sheets = tuple(Sheet(f.fault_id, _surface(f, scene.frame), colours[f.fault_id]) for f in lineup.faults)
    sleeves = tuple(_sleeves(lineup, windows, scene.frame, colours))
    entries = tuple(
        Entry(
            f"{fault.fault_id}  {fault.dip:.0f}°/{fault.dip_direction:03.0f}°", colours[fault.fault_id], len(fault.rows)
        )
        for fault in lineup.faults
    )
    block = Block("faults lined up", "disc", entries)
    legend = (*scene.legend, block) if entries else scene.legend
    return replace(scene, sheets=sheets, sleeves=sleeves, misfits=_misfits(lineup, scene.frame), legend=legend)


def _surface(fault: Fault, frame: Frame) -> pv.PolyData:
    """Return the fault as far as its extent, in local coordinates."""
    surface = fault_mesh(fault)
    mesh = pv.PolyData()
    mesh.points = frame.local(surface.vertices).astype(np.float32)
    mesh.faces = np.column_stack([np.full(len(surface.triangles), 3), surface.triangles]).ravel()
    return mesh


def _sleeves(lineup: LineUp, windows: pd.DataFrame, frame: Frame, colours: dict[str, str]) -> list[Sleeve]:
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


def _misfits(lineup: LineUp, frame: Frame) -> pv.PolyData:
    """Return segments from each pick to where the picks of the other holes put it."""
    expected = left_out(lineup).position
    known = np.isfinite(expected).all(axis=1)
    ends = np.stack([lineup.picks.position[known], expected[known]], axis=1)
    return segments(frame.local(ends.reshape(-1, 3)))
