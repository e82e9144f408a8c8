"""Pictures of the scene drawn on this machine, for a browser that asks with its own camera.

The painter keeps one plotter off screen and no camera of its own: each picture says where its eye stands, so any number
of tabs can look from anywhere. VTK's context belongs to the thread that made it, and so all drawing happens in one
thread of its own, which also keeps the server free to answer.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import pyvista as pv
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkIOImage import vtkJPEGWriter
from vtkmodules.vtkRenderingCore import vtkWindowToImageFilter

from desurvey.problems import DataProblem
from viewer import theme
from viewer.scene import Scene, detail, draw_shapes
from viewer.scene.camera import Camera, aim
from viewer.screen import draws_in_software, prefer_off_screen

__all__ = ["Painter"]

T = TypeVar("T")

SAMPLES = 4
"""Samples a pixel for smooth edges in pictures that stay."""


class Painter:
    """Draws pictures of one scene at a time."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="painter")
        self._plotter: pv.Plotter | None = None

    def has_card(self) -> bool:
        """Return whether a graphics card draws here; waits for the answer, which takes about a second."""
        return self._thread.submit(_has_card).result()

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
        self._plotter = plotter = pv.Plotter(off_screen=True, window_size=[800, 500])
        plotter.enable_anti_aliasing("msaa", multi_samples=SAMPLES)
        draw_shapes(scene, plotter, look)
        detail.add_quick(scene, plotter)

    def _paint(self, camera: Camera) -> bytes:
        plotter = self._plotter
        if plotter is None:
            raise DataProblem("there is no scene to draw yet")
        plotter.window_size = list(camera.size)
        aim(plotter, camera)
        detail.show_quick(plotter, camera.draft, SAMPLES)
        plotter.render_window.Render()
        return _jpeg(plotter, quality=70 if camera.draft else 92)


def _has_card() -> bool:
    prefer_off_screen()
    plotter = pv.Plotter(off_screen=True, window_size=[8, 8])
    try:
        plotter.render_window.Render()
        return not draws_in_software(plotter.render_window.ReportCapabilities())
    finally:
        plotter.close()


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
