"""A study in a notebook: its scene in a plotter, and its shapes as meshes."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
import pyvista as pv

from desurvey.exchange.model import disc_corners
from desurvey.study import Study
from viewer import theme
from viewer.figures.collect import ground_of
from viewer.scene.build import build
from viewer.scene.draw import draw
from viewer.scene.faults import with_faults
from viewer.scene.ground import with_ground

__all__ = ["meshes", "plot"]

SIDES = 16
"""Corners of a disc."""


def plot(
    study: Study, *, lineup: str = "", off_screen: bool | None = None, look: Literal["light", "dark"] = "light"
) -> pv.Plotter:
    """Return the scene of a study in a plotter: ``plot(study).show()``.

    Parameters
    ----------
    study : Study
        What to show; decisions hold as they do in it.
    lineup : str
        Kind of structure whose picks are lined up, so that faults and windows show too; none if empty.
    off_screen : bool, optional
        Whether no window is wanted; PyVista's own default if left out.
    look : {"light", "dark"}
        Background.

    Examples
    --------
    >>> import desurvey, viewer
    >>> plotter = viewer.plot(desurvey.open("demo_project"), off_screen=True)
    >>> len(plotter.actors) > 3
    True
    >>> plotter.close()
    """
    shown = study.showable()
    scene = with_ground(build(shown), ground_of(study))
    if lineup:
        answers = study.lineup(lineup)
        scene = with_faults(scene, answers.found, answers.windows)
    plotter = pv.Plotter(off_screen=off_screen)
    draw(scene, plotter, look=theme.DARK if look == "dark" else theme.LIGHT)
    return plotter


def meshes(study: Study, lineup: str = "") -> dict[str, pv.PolyData]:
    """Return the shapes of a study as PyVista meshes in easting, northing, elevation, metres.

    Parameters
    ----------
    study : Study
    lineup : str
        Kind of structure whose picks are lined up, so that faults come too; none if empty.

    Returns
    -------
    dict of str to PolyData
        ``holes`` (a line a hole; point arrays depth, azimuth, dip), ``structures`` (a disc a structure that has an
        orientation; a cell array for each column of the ``orient`` command), and each fault by its name (point array
        ``sigma``, metres).

    Examples
    --------
    >>> import desurvey, viewer
    >>> shapes = viewer.meshes(desurvey.open("demo_project"))
    >>> shapes["holes"].n_lines, shapes["structures"].n_cells
    (27, 1475)
    """
    model = study.model(study.lineup(lineup) if lineup else None)
    holes = pv.PolyData()
    holes.points = model.holes.position
    counts = np.diff(model.holes.offsets)
    holes.lines = _cells(counts)
    holes.cell_data["hole_id"] = model.holes.table["hole_id"].to_numpy(dtype=np.str_)
    for name in ("depth", "azimuth", "dip"):
        holes.point_data[name] = model.holes.points[name].to_numpy(dtype=float)
    discs = pv.PolyData()
    discs.points = disc_corners(model.discs, SIDES).reshape(-1, 3)
    discs.faces = _cells(np.full(len(model.discs.table), SIDES))
    for title, column in model.discs.table.items():
        numeric = column.dtype.kind in "iufb"
        discs.cell_data[str(title)] = (
            column.to_numpy(dtype=float) if numeric else column.fillna("").astype(str).to_numpy(dtype=np.str_)
        )
    shapes = {"holes": holes, "structures": discs}
    for name, mesh in model.meshes.items():
        surface = pv.PolyData()
        surface.points = mesh.vertices
        surface.faces = np.column_stack([np.full(len(mesh.triangles), 3), mesh.triangles]).ravel()
        surface.point_data["sigma"] = mesh.sigma
        shapes[name] = surface
    return shapes


def _cells(counts: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Return cells of consecutive points as VTK has them: each cell's number of points before its points."""
    points = np.arange(counts.sum())
    return np.insert(points, np.concatenate([[0], np.cumsum(counts)[:-1]]), counts)
