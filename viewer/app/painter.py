"""Pictures of the scene drawn on this machine, for a browser that asks with its own camera.

The painter keeps one plotter off screen and no camera of its own: each picture says where its eye stands, so any number
of tabs can look from anywhere. VTK's context belongs to the thread that made it, and so all drawing happens in one
thread of its own, which also keeps the server free to answer.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pyvista as pv
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkCommonDataModel import vtkPlane
from vtkmodules.vtkIOImage import vtkJPEGWriter
from vtkmodules.vtkRenderingCore import vtkWindowToImageFilter

from desurvey.problems import DataProblem
from viewer import theme
from viewer.scene import Scene, detail, draw_shapes
from viewer.scene.draw import VIEW_ANGLE_DEG
from viewer.screen import prefer_off_screen

__all__ = ["Camera", "Painter", "Slab"]

Floats = npt.NDArray[np.float64]
T = TypeVar("T")

LARGEST = 4096
"""Longest side of a picture in pixels."""

SAMPLES = 4
"""Samples a pixel for smooth edges in pictures that stay."""


@dataclass(frozen=True, slots=True)
class Slab:
    """The layer |n·x − offset| ≤ thickness / 2 that alone is drawn, in local metres."""

    normal: tuple[float, float, float]
    offset: float
    thickness: float


@dataclass(frozen=True, slots=True)
class Camera:
    """Where an eye stands and what it asks for; local metres, with the vertical scale applied.

    Attributes
    ----------
    eye, target : (float, float, float)
    azimuth, dip : float
        Direction of sight, degrees.
    distance : float
        From eye to target; with parallel sight it gives the scale.
    parallel : bool
    stretch : float
        Vertical exaggeration.
    aside : float
        How far the scene stands right of the middle, as a share of the half picture.
    size : (int, int)
        Pixels.
    draft : bool
        Whether speed counts more than detail.
    slab : Slab or None
    """

    eye: tuple[float, float, float]
    target: tuple[float, float, float]
    azimuth: float
    dip: float
    distance: float
    parallel: bool
    stretch: float
    aside: float
    size: tuple[int, int]
    draft: bool = False
    slab: Slab | None = None

    @classmethod
    def asked(cls, raw: Mapping[str, Any]) -> Camera:
        """Return the camera that a browser asked for, checked.

        Raises
        ------
        DataProblem
            When something is missing, not a number or out of range.
        """
        try:
            slab = raw.get("slab")
            camera = cls(
                _triple(raw["eye"]),
                _triple(raw["target"]),
                float(raw["azimuth"]),
                float(raw["dip"]),
                float(raw["distance"]),
                bool(raw["parallel"]),
                float(raw["stretch"]),
                float(raw["aside"]),
                (int(raw["size"][0]), int(raw["size"][1])),
                bool(raw.get("draft")),
                slab and Slab(_triple(slab["normal"]), float(slab["offset"]), float(slab["thickness"])),
            )
        except (KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
            raise DataProblem("a picture must be asked for with a whole camera", value=str(error)) from error
        numbers = [
            *camera.eye,
            *camera.target,
            camera.azimuth,
            camera.dip,
            camera.distance,
            camera.stretch,
            camera.aside,
        ]
        if not (np.isfinite(numbers).all() and camera.distance > 0 and 0.01 <= camera.stretch <= 100):
            raise DataProblem("the camera's numbers must be finite and its distance positive")
        if not all(1 <= side <= LARGEST for side in camera.size):
            raise DataProblem(f"a picture must be 1 to {LARGEST} pixels wide and high", value=camera.size)
        return camera


def _triple(values: Any) -> tuple[float, float, float]:
    east, north, up = (float(value) for value in values)
    return east, north, up


class Painter:
    """Draws pictures of one scene at a time."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="painter")
        self._plotter: pv.Plotter | None = None
        self._scene: Scene | None = None

    async def load(self, scene: Scene, look: theme.Look) -> None:
        """Take a new scene."""
        await self._do(lambda: self._load(scene, look))

    async def paint(self, camera: Camera) -> bytes:
        """Return a JPEG of the scene as a camera sees it."""
        return await self._do(lambda: self._paint(camera))

    async def close(self) -> None:
        """Let go of the plotter and end the thread."""
        await self._do(self._drop)
        self._thread.shutdown()

    async def _do(self, job: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, job)

    def _drop(self) -> None:
        if self._plotter is not None:
            self._plotter.close()
            self._plotter = None

    def _load(self, scene: Scene, look: theme.Look) -> None:
        prefer_off_screen()
        self._drop()
        self._scene = scene
        self._plotter = plotter = pv.Plotter(off_screen=True, window_size=[800, 500])
        plotter.enable_anti_aliasing("msaa", multi_samples=SAMPLES)
        draw_shapes(scene, plotter, look)
        detail.add_quick(scene, plotter)

    def _paint(self, camera: Camera) -> bytes:
        plotter = self._plotter
        if plotter is None:
            raise DataProblem("there is no scene to draw yet")
        plotter.window_size = list(camera.size)
        _aim(plotter, camera)
        _cut(plotter, camera)
        detail.show_quick(plotter, camera.draft, SAMPLES)
        plotter.renderer.reset_camera_clipping_range()
        plotter.render_window.Render()
        return _jpeg(plotter, quality=70 if camera.draft else 92)


def _aim(plotter: pv.Plotter, camera: Camera) -> None:
    azimuth, dip = np.deg2rad(camera.azimuth), np.deg2rad(camera.dip)
    plotter.set_scale(zscale=camera.stretch, reset_camera=False, render=False)
    eye = plotter.camera
    eye.view_angle = VIEW_ANGLE_DEG
    eye.SetWindowCenter(-camera.aside, 0.0)
    eye.focal_point, eye.position = camera.target, camera.eye
    eye.up = (-np.sin(dip) * np.sin(azimuth), -np.sin(dip) * np.cos(azimuth), np.cos(dip))
    eye.SetParallelProjection(camera.parallel)
    eye.parallel_scale = camera.distance * np.tan(np.deg2rad(VIEW_ANGLE_DEG / 2))


def _cut(plotter: pv.Plotter, camera: Camera) -> None:
    """Leave only the slab of holes and discs; the floor stays whole."""
    planes = [] if camera.slab is None else _planes(camera.slab, camera.stretch)
    for name, actor in plotter.actors.items():
        if name.split()[0] in CUT:
            actor.mapper.RemoveAllClippingPlanes()
            for plane in planes:
                actor.mapper.AddClippingPlane(plane)


CUT = frozenset({"holes", "planned", "collars", "discs", "quick", "lineations", "sheet", "sleeve", "misfits"})
"""First words of the names of actors that a slab cuts."""


def _planes(slab: Slab, stretch: float) -> list[vtkPlane]:
    """Return the two faces of a slab in stretched space, each with its normal inwards."""
    normal = np.array(slab.normal)
    faces = []
    for side in (1.0, -1.0):
        origin = normal * (slab.offset - side * slab.thickness / 2) * [1.0, 1.0, stretch]
        plane = vtkPlane()
        plane.SetOrigin(*origin)
        plane.SetNormal(*(side * normal * [1.0, 1.0, 1.0 / stretch]))
        faces.append(plane)
    return faces


def _jpeg(plotter: pv.Plotter, quality: int) -> bytes:
    grab, writer = vtkWindowToImageFilter(), vtkJPEGWriter()
    grab.SetInput(plotter.render_window)
    grab.SetInputBufferTypeToRGB()
    grab.ReadFrontBufferOff()
    grab.ShouldRerenderOff()
    writer.SetInputConnection(grab.GetOutputPort())
    writer.SetQuality(quality)
    writer.WriteToMemoryOn()
    writer.Write()
    return bytes(vtk_to_numpy(writer.GetResult()).tobytes())  # type: ignore[no-untyped-call]
