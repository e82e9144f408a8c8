"""What lies over a scene: rings round what is selected, and a hole that is being planned."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyvista as pv

from viewer import theme
from viewer.scene.build import Scene
from viewer.scene.discs import disc_mesh
from viewer.scene.floor import Labels
from viewer.scene.holes import segments
from viewer.scene.labels import Signs

__all__ = ["Marks", "Meeting", "draw_marks"]

Floats = npt.NDArray[np.float64]

MOST_RINGS = 3000
RING = 1.2
"""Radius of a ring in radii of its disc."""


@dataclass(frozen=True, slots=True, eq=False)
class Meeting:
    """A length of a planned hole in which it meets a fault: points (3, 3) in local metres, colour and name."""

    window: Floats
    colour: str
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """What is drawn in front of a scene.

    Attributes
    ----------
    chosen : (n,) int array
        Discs of the scene that get a ring.
    course : (m, 3) array
        Points along a planned hole, local metres; empty for none.
    meetings : tuple of Meeting
        Where it meets faults.
    said : tuple of str
        Lines below the title.
    """

    chosen: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    course: Floats = field(default_factory=lambda: np.empty((0, 3)))
    meetings: tuple[Meeting, ...] = ()
    said: tuple[str, ...] = ()


def draw_marks(scene: Scene, plotter: pv.Plotter, marks: Marks, signs: Signs, look: theme.Look, text_px: int) -> None:
    """Draw marks into a plotter that holds the scene; texts are placed anew."""
    chosen = marks.chosen[:MOST_RINGS]
    if len(chosen):
        discs = scene.discs
        rings = disc_mesh(discs.centre[chosen], discs.normal[chosen], RING * discs.radius[chosen], sides=32)
        rings.clear_data()
        _in_front(plotter, rings, look.accent, 2.5, "rings", style="wireframe")
    if len(marks.course) > 1:
        _in_front(plotter, segments(_dashes(marks.course)), look.text, 2.5, "new hole")
    for place, meeting in enumerate(marks.meetings):
        ends = np.stack([meeting.window[:-1], meeting.window[1:]], axis=1).reshape(-1, 3)
        _in_front(plotter, segments(ends), meeting.colour, 9.0, f"meeting {place}")
    if marks.meetings:
        middles = np.array([meeting.window[1] for meeting in marks.meetings])
        up = [1.0, 1.0, plotter.renderer.scale[2]]
        names = Labels(middles * up, tuple(meeting.text for meeting in marks.meetings))
        signs.add(names, look.text, text_px, bold=True, moving=True, first=True)
        signs.place()


def _dashes(course: Floats) -> Floats:
    """Return the ends of dashes along a line of points, three in two parts of it."""
    share = np.linspace(0.0, len(course) - 1.0, 6 * len(course))
    points = np.column_stack([np.interp(share, np.arange(len(course)), axis) for axis in course.T])
    start = np.arange(0, len(points) - 2, 3)
    return np.stack([points[start], points[start + 2]], axis=1).reshape(-1, 3)


def _in_front(
    plotter: pv.Plotter, mesh: pv.PolyData, colour: str, width: float, name: str, style: str = "surface"
) -> None:
    """Draw lines that nothing hides: shifted in depth far towards the eye."""
    actor = plotter.add_mesh(
        mesh, color=colour, style=style, line_width=width, lighting=False, name=name, reset_camera=False
    )
    actor.SetScale(plotter.renderer.scale)
    actor.mapper.SetResolveCoincidentTopologyToPolygonOffset()
    actor.mapper.SetRelativeCoincidentTopologyLineOffsetParameters(0.0, NEARER)
    actor.mapper.SetRelativeCoincidentTopologyPolygonOffsetParameters(0.0, NEARER)


NEARER = -66_000.0
"""Units of depth; a picture's depth has 2²⁴ of them at most, and what lies in front of a scene is far from it."""
