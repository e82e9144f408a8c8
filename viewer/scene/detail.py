"""Less detail while the camera moves, all of it when it rests.

In software a disc with 16 lit corners costs some 12 µs a picture, and smooth edges cost the same again: a scene of
20,000 discs would turn at three pictures a second. While it turns, edges are rough, and *quick* layers stand in for the
full ones: fewer discs, with few corners and without light, and holes as lines in longer pieces. A small scene has no
such layers.
"""

from __future__ import annotations

import numpy as np
import pyvista as pv

from viewer.scene.build import Scene
from viewer.scene.discs import disc_mesh
from viewer.scene.holes import segments

__all__ = ["QUICK", "add_quick", "follow", "quick_discs", "quick_holes", "show_quick"]

QUICK = {"discs": "quick discs", "holes": "quick holes"}
"""Actors of full detail → those that stand in for them."""

DISCS = 20_000
"""Discs that turn: with :data:`CORNERS` and no light each takes a tenth of the time of a full one."""

CORNERS = 8

FULL_DISCS = 2_000
"""Discs up to which nothing stands in for them: they turn fast enough in full."""

PIECES = 20_000
"""Pieces of hole that turn."""

FULL_PIECES = 1_000
"""Pieces of hole up to which nothing stands in for their tubes."""

UNLIT = 0.82
"""What light leaves of a disc's colour in the middle: 0.6 ambient and 0.45 × the mean cosine of ½."""


def add_quick(scene: Scene, plotter: pv.Plotter) -> None:
    """Add the quick layers of a scene to a plotter, out of sight, where the scene needs any."""
    if scene.discs.mesh.n_cells > FULL_DISCS:
        _add(plotter, quick_discs(scene), QUICK["discs"])
    if scene.drilled.n_cells > FULL_PIECES:
        _add(plotter, quick_holes(scene), QUICK["holes"])


def _add(plotter: pv.Plotter, mesh: pv.PolyData, name: str) -> None:
    plotter.add_mesh(
        mesh, scalars="rgb", rgb=True, lighting=False, line_width=3, name=name, reset_camera=False, pickable=False
    ).SetVisibility(False)


def show_quick(plotter: pv.Plotter, quick: bool, samples: int) -> None:
    """Show the quick layers with rough edges instead of the full ones, or the full ones again.

    Parameters
    ----------
    plotter : Plotter
    quick : bool
    samples : int
        Samples a pixel for the smooth edges of full detail. Four of them take 50 ms a picture of 1280 × 800 in
        software, whatever is in it.
    """
    plotter.render_window.SetMultiSamples(0 if quick else samples)
    if "collars" in plotter.actors:  # ten thousand of them as balls take 20 ms
        plotter.actors["collars"].prop.render_points_as_spheres = not quick
    for full, other in QUICK.items():
        if other in plotter.actors:
            plotter.actors[full].SetVisibility(not quick)
            plotter.actors[other].SetVisibility(quick)


def follow(plotter: pv.Plotter) -> None:
    """Show the quick layers of a window from when a hand takes hold of the scene until it lets go."""
    samples = plotter.render_window.GetMultiSamples()
    plotter.iren.add_observer("StartInteractionEvent", lambda *_: show_quick(plotter, True, samples))

    def rest(*_: object) -> None:
        show_quick(plotter, False, samples)
        plotter.render()

    plotter.iren.add_observer("EndInteractionEvent", rest)


def quick_discs(scene: Scene) -> pv.PolyData:
    """Return every n-th disc with few corners, coloured at its corners, which draws faster than by discs."""
    discs = scene.discs
    every = slice(None, None, -(-discs.mesh.n_cells // DISCS))
    mesh = disc_mesh(discs.centre[every], discs.normal[every], discs.radius[every], sides=CORNERS)
    mesh.cell_data.clear()
    colour = UNLIT * np.asarray(discs.mesh.cell_data["rgb"])[every]
    mesh.point_data["rgb"] = np.repeat(colour.astype(np.uint8), CORNERS, axis=0)
    return mesh


def quick_holes(scene: Scene) -> pv.PolyData:
    """Return the holes as lines of longer pieces, each with the colour of the first that it joins."""
    pieces = scene.drilled
    together = -(-pieces.n_cells // PIECES)
    hole = np.asarray(pieces.cell_data["hole"])
    rank = np.arange(len(hole)) - np.searchsorted(hole, hole)
    first = np.flatnonzero(rank % together == 0)
    last = np.append(first[1:], len(hole)) - 1
    ends = np.asarray(pieces.points).reshape(-1, 2, 3)
    mesh = segments(np.stack([ends[first, 0], ends[last, 1]], axis=1).reshape(-1, 3))
    mesh.point_data["rgb"] = np.repeat(np.asarray(pieces.cell_data["rgb"])[first], 2, axis=0)
    return mesh
