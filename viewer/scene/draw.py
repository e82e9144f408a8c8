"""A scene put into a PyVista plotter: one actor a layer, whatever the number of holes and discs."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyvista as pv

from desurvey import directions
from viewer import theme
from viewer.scene import floor
from viewer.scene.build import Scene
from viewer.scene.camera import VIEW_ANGLE_DEG, Camera, aim
from viewer.scene.floor import Labels
from viewer.scene.frame import LocalFrame
from viewer.scene.holes import PIECE_M
from viewer.scene.labels import Signs
from viewer.scene.legend import font, legend_props, scale_props, share

__all__ = ["draw", "draw_shapes", "look_at", "tube_radius", "view_azimuth"]

Floats = npt.NDArray[np.float64]

TUBES_MOST = 6_000
"""Pieces of hole up to which holes are tubes; above it they are lines, which draw 5 to 18 times as fast."""

TUBE_SIDES = 10

MARGIN = 1.12
"""Room for labels round the box, as a share of the half picture."""

ASIDE = 0.1
"""How far the scene stands right of the middle, as a share of the half picture: the legend is on the left."""

FLAT_SHARE = 0.1
"""Holes that go less than this share of their length in a common direction have no section to look square at."""

VIEW_AZIMUTH_DEG, VIEW_DIP_DEG = 20.0, -24.0
"""The first view: from south-south-west and above, so that north points up the picture."""


def draw(
    scene: Scene,
    plotter: pv.Plotter,
    *,
    look: theme.Look = theme.LIGHT,
    text_px: int = 14,
    camera: Camera | None = None,
    said: tuple[str, ...] = (),
) -> Signs:
    """Put a scene into a plotter and set the first view, or that of a camera.

    Parameters
    ----------
    scene : Scene
        What to draw.
    plotter : Plotter
        An empty plotter, on or off screen.
    look : Look
        Light or dark.
    text_px : int
        Height of text in pixels.
    camera : Camera, optional
        Where to look from; the whole scene is seen without one. Its vertical exaggeration and slab are said below the
        title, and parallel sight gets a scale bar. The plotter keeps its size.
    said : tuple of str
        What else is said there.

    Returns
    -------
    Signs
        The texts in space, placed for the first view; place them again when the camera has moved.
    """
    draw_shapes(scene, plotter, look)
    said = (*(camera.said if camera else ()), *said)
    for prop in legend_props((scene.title, scene.subtitle), said, scene.legend, look, text_px):
        plotter.renderer.AddViewProp(prop)
    _draw_directions(plotter, look)
    if camera is None:
        look_at(plotter, scene, view_azimuth(scene))
    else:
        aim(plotter, camera)
        _draw_scale(plotter, camera, look, text_px)
    signs = _write(scene, plotter, look, text_px, camera)
    signs.place()
    return signs


def _draw_scale(plotter: pv.Plotter, camera: Camera, look: theme.Look, text_px: int) -> None:
    """Draw a scale bar beside the directions, where lengths can be measured on the picture."""
    if camera.parallel:
        width, height = plotter.window_size
        pixel = camera.metres_per_pixel * camera.size[1] / height
        only = "" if camera.stretch == 1.0 or abs(camera.dip) == 90.0 else " across"
        for prop in scale_props(pixel, only, (DIRECTIONS_LEFT * width, height - 2.0 * text_px), look, text_px):
            plotter.renderer.AddViewProp(prop)


DIRECTIONS_LEFT = 0.88
"""Where the corner with the directions begins, as a share of the width."""


def draw_shapes(scene: Scene, plotter: pv.Plotter, look: theme.Look) -> None:
    """Put floor, holes and discs into a plotter, without any text."""
    plotter.set_background(look.background)
    _draw_floor(scene, plotter, look)
    _draw_holes(scene, plotter, look)
    _draw_discs(scene, plotter, look)
    _draw_faults(scene, plotter, look)


def view_azimuth(scene: Scene) -> float:
    """Return the azimuth of the first view: square to the holes and as nearly north as that allows, in −90 to 90."""
    ends = scene.drilled.points.reshape(-1, 2, 3) if scene.drilled.n_points else np.empty((0, 2, 3))
    east, north = (ends[:, 1] - ends[:, 0])[:, :2].sum(axis=0) if len(ends) else (0.0, 0.0)
    if np.hypot(east, north) < FLAT_SHARE * PIECE_M * len(ends) + 1e-9:
        return VIEW_AZIMUTH_DEG
    return float((directions.azimuth(np.array([east, north])) + 180.0) % 180.0 - 90.0)


def look_at(
    plotter: pv.Plotter, scene: Scene, azimuth_deg: float = VIEW_AZIMUTH_DEG, dip_deg: float = VIEW_DIP_DEG
) -> None:
    """Turn the camera so that it looks along a direction at the middle of the scene and sees all of it."""
    azimuth, dip = np.deg2rad(azimuth_deg), np.deg2rad(dip_deg)
    ahead = np.array([np.cos(dip) * np.sin(azimuth), np.cos(dip) * np.cos(azimuth), np.sin(dip)])
    right = np.array([np.cos(azimuth), -np.sin(azimuth), 0.0])
    corners = floor.outer_corners(scene.frame)
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    width, height = plotter.window_size
    camera = plotter.camera
    camera.view_angle = VIEW_ANGLE_DEG
    camera.SetWindowCenter(-ASIDE, 0.0)
    camera.focal_point = middle
    camera.position = middle - ahead * _distance(corners - middle, ahead, right, width / height)
    camera.up = np.cross(right, ahead)
    plotter.renderer.reset_camera_clipping_range()


def _distance(corner: Floats, ahead: Floats, right: Floats, aspect: float) -> float:
    """Return how far from the middle the eye has to stand to see all corners, with a margin."""
    half = np.tan(np.deg2rad(VIEW_ANGLE_DEG / 2))
    across = np.abs(corner @ right) / (half * aspect * (1 - ASIDE))
    high = np.abs(corner @ np.cross(right, ahead)) / half
    return float((MARGIN * np.maximum(across, high) - corner @ ahead).max())


def tube_radius(frame: LocalFrame) -> float:
    """Return the radius of a hole's tube in metres: wide enough to be seen in a picture of the whole scene."""
    return float(np.clip(0.0018 * frame.reach, 0.2, 3.0))


def _draw_floor(scene: Scene, plotter: pv.Plotter, look: theme.Look) -> None:
    frame = scene.frame
    plotter.add_mesh(floor.grid(frame), color=look.grid, line_width=1, lighting=False, pickable=False)
    shadow = floor.shadows(frame, scene.drilled)
    if shadow.n_cells:
        plotter.add_mesh(shadow, color=look.grid, line_width=2, lighting=False, pickable=False)
    for mesh, _ in (floor.north_arrow(frame, look), floor.scale_bar(frame, look)):
        plotter.add_mesh(mesh, scalars="rgb", rgb=True, lighting=False, pickable=False)


def _draw_faults(scene: Scene, plotter: pv.Plotter, look: theme.Look) -> None:
    for sheet in scene.sheets:
        plotter.add_mesh(
            sheet.mesh, color=sheet.colour, opacity=sheet.alpha, ambient=0.5, diffuse=0.5, name=f"sheet {sheet.name}"
        )
    for sleeve in scene.sleeves:
        tubes = sleeve.mesh.tube(radius=sleeve_radius(scene.frame), n_sides=TUBE_SIDES, capping=True)
        plotter.add_mesh(tubes, color=sleeve.colour, opacity=0.5, name=f"sleeve {sleeve.name}")
    if scene.misfits is not None and scene.misfits.n_cells:
        plotter.add_mesh(scene.misfits, color=look.accent, line_width=3, lighting=False, name="misfits")


def sleeve_radius(frame: LocalFrame) -> float:
    """Return the radius in metres of the sleeves round holes."""
    return 3.5 * tube_radius(frame)


def _draw_directions(plotter: pv.Plotter, look: theme.Look) -> None:
    """Draw east, north and up in the bottom right corner, turning with the camera."""
    axes = plotter.add_axes(
        xlabel="E", ylabel="N", zlabel="Up", line_width=3, color=look.text,
        x_color=look.quiet, y_color=theme.OKABE_ITO["vermilion"], z_color=look.quiet,
        viewport=(DIRECTIONS_LEFT, 0.0, 1.0, 0.19),
    )  # fmt: skip
    for caption in (axes.GetXAxisCaptionActor2D(), axes.GetYAxisCaptionActor2D(), axes.GetZAxisCaptionActor2D()):
        style = caption.GetCaptionTextProperty()
        font(style, bold=True)
        style.ItalicOff()
        style.ShadowOff()
        style.SetColor(*share(look.text))


def _write(scene: Scene, plotter: pv.Plotter, look: theme.Look, text_px: int, camera: Camera | None) -> Signs:
    """Write the texts that stand in space, the ones that matter most first; those of holes only in the slab."""
    signs, frame = Signs(plotter), scene.frame
    stretch, slab = (camera.stretch, camera.slab) if camera else (1.0, None)

    def add(labels: Labels, colour: str, size: float, *, of_holes: bool = False, **how: bool) -> None:
        kept = np.ones(len(labels.text), dtype=bool)
        if of_holes and slab is not None:
            kept = slab.holds(labels.position)
        texts = tuple(text for text, keep in zip(labels.text, kept, strict=True) if keep)
        signs.add(Labels(labels.position[kept] * [1.0, 1.0, stretch], texts), colour, round(size), **how)

    for _, labels in (floor.north_arrow(frame, look), floor.scale_bar(frame, look)):
        add(labels, look.text, 1.2 * text_px, bold=True)
    add(floor.axis_labels(frame), look.quiet, text_px)
    add(floor.axis_titles(frame), look.text, text_px, bold=True, moving=True)
    add(scene.collars, look.text, text_px, of_holes=True, moving=True)
    add(scene.depths, look.quiet, 0.85 * text_px, of_holes=True)
    return signs


def _draw_holes(scene: Scene, plotter: pv.Plotter, look: theme.Look) -> None:
    radius = tube_radius(scene.frame)
    if scene.drilled.n_cells:
        if scene.drilled.n_cells <= TUBES_MOST:
            tubes = scene.drilled.tube(radius=radius, n_sides=TUBE_SIDES)
            plotter.add_mesh(
                tubes, scalars="rgb", rgb=True, ambient=0.55, diffuse=0.5, name="holes", smooth_shading=True
            )
        else:
            plotter.add_mesh(scene.drilled, scalars="rgb", rgb=True, line_width=3, lighting=False, name="holes")
    if scene.planned.n_cells:
        tubes = scene.planned.tube(radius=0.7 * radius, n_sides=TUBE_SIDES)
        plotter.add_mesh(tubes, color=theme.PLANNED, lighting=False, name="planned holes")
    start = pv.PolyData(scene.collars.position.astype(np.float32))
    if start.n_points:
        plotter.add_mesh(start, color=look.text, point_size=7, render_points_as_spheres=True, name="collars")


def _draw_discs(scene: Scene, plotter: pv.Plotter, look: theme.Look) -> None:
    if scene.discs.mesh.n_cells:
        plotter.add_mesh(scene.discs.mesh, scalars="rgb", rgb=True, ambient=0.6, diffuse=0.45, name="discs")
    if scene.lineations.n_cells:
        plotter.add_mesh(scene.lineations, color=look.text, line_width=2, lighting=False, name="lineations")
