"""Where an eye stands that looks at a scene, and the slab that alone it sees: one way to aim for every picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyvista as pv
from vtkmodules.vtkCommonDataModel import vtkPlane

from desurvey import directions
from desurvey.problems import DataProblem

__all__ = ["LARGEST", "UPRIGHT", "VIEW_ANGLE_DEG", "Camera", "ViewSlab", "aim", "cut"]

Floats = npt.NDArray[np.float64]

VIEW_ANGLE_DEG = 20.0
"""Height of the field of sight: a narrow angle keeps lengths in front and behind comparable."""

LARGEST = 4096
"""Longest side of a picture in pixels."""

CUT = frozenset({"holes", "planned", "collars", "discs", "quick", "lineations", "sheet", "sleeve", "misfits"})
"""First words of the names of actors that a slab cuts."""


@dataclass(frozen=True, slots=True)
class ViewSlab:
    """The layer |n·x − offset| ≤ thickness / 2 that alone is drawn, in local metres."""

    normal: tuple[float, float, float]
    offset: float
    thickness: float

    def holds(self, position: Floats) -> npt.NDArray[np.bool_]:
        """Return which points (n, 3), in local metres, lie in the slab."""
        return np.asarray(np.abs(position @ np.array(self.normal) - self.offset) <= self.thickness / 2)

    @property
    def azimuth_deg(self) -> float:
        """Direction of a vertical slab's course, 0 to 180° clockwise from grid north."""
        return float(directions.azimuth(np.array(self.normal)) - 90.0) % 180.0

    @property
    def said(self) -> str:
        """What has to stand beside a picture of a slab alone."""
        course = "" if abs(self.normal[2]) > UPRIGHT else f" along azimuth {round(self.azimuth_deg) % 180:03d}°"
        return f"only a slab {self.thickness:g} m thick{course}"


UPRIGHT = 0.01
"""Largest upward part of the normal of a slab that counts as vertical."""


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
    lift : float
        How far it stands above the middle, likewise.
    size : (int, int)
        Pixels.
    draft : bool
        Whether speed counts more than detail.
    slab : ViewSlab or None
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
    slab: ViewSlab | None = None
    lift: float = 0.0

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
                ViewSlab(_triple(slab["normal"]), float(slab["offset"]), float(slab["thickness"])) if slab else None,
                float(raw.get("lift", 0.0)),
            )
        except (AttributeError, KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
            raise DataProblem("a picture must be asked for with a whole camera", value=str(error)) from error
        camera._check()
        return camera

    def _check(self) -> None:
        numbers = (*self.eye, *self.target, self.azimuth, self.dip, self.distance, self.stretch, self.aside, self.lift)
        if not (np.isfinite(numbers).all() and self.distance > 0 and 0.01 <= self.stretch <= 100):
            raise DataProblem("the camera's numbers must be finite and its distance positive")
        if self.slab is not None and not (
            np.isfinite((*self.slab.normal, self.slab.offset, self.slab.thickness)).all() and self.slab.thickness > 0
        ):
            raise DataProblem("the slab's numbers must be finite and its thickness positive")
        if not all(1 <= side <= LARGEST for side in self.size):
            raise DataProblem(f"a picture must be 1 to {LARGEST} pixels wide and high", value=self.size)

    @property
    def ahead(self) -> Floats:
        """Unit vector (E, N, U) along the sight."""
        azimuth, dip = np.deg2rad(self.azimuth), np.deg2rad(self.dip)
        return np.array([np.cos(dip) * np.sin(azimuth), np.cos(dip) * np.cos(azimuth), np.sin(dip)])

    @property
    def metres_per_pixel(self) -> float:
        """Length across the picture of a pixel at the target; everywhere with parallel sight."""
        return float(2 * self.distance * np.tan(np.deg2rad(VIEW_ANGLE_DEG / 2)) / self.size[1])

    @property
    def said(self) -> tuple[str, ...]:
        """What has to stand beside the picture: vertical exaggeration and slab, where there are any."""
        stretch = (f"vertical × {self.stretch:g}",) if self.stretch != 1.0 else ()
        return (*stretch, self.slab.said) if self.slab else stretch


def _triple(values: Any) -> tuple[float, float, float]:
    east, north, up = (float(value) for value in values)
    return east, north, up


def aim(plotter: pv.Plotter, camera: Camera) -> None:
    """Let a plotter look as a camera does, and draw only what its slab leaves; the size is the caller's."""
    azimuth, dip = np.deg2rad(camera.azimuth), np.deg2rad(camera.dip)
    plotter.set_scale(zscale=camera.stretch, reset_camera=False, render=False)
    eye = plotter.camera
    eye.view_angle = VIEW_ANGLE_DEG
    eye.SetWindowCenter(-camera.aside, -camera.lift)
    eye.focal_point, eye.position = camera.target, camera.eye
    eye.up = (-np.sin(dip) * np.sin(azimuth), -np.sin(dip) * np.cos(azimuth), np.cos(dip))
    eye.SetParallelProjection(camera.parallel)
    eye.parallel_scale = camera.distance * np.tan(np.deg2rad(VIEW_ANGLE_DEG / 2))
    cut(plotter, camera.slab, camera.stretch)
    plotter.renderer.reset_camera_clipping_range()


def cut(plotter: pv.Plotter, slab: ViewSlab | None, stretch: float = 1.0) -> None:
    """Leave only the slab of holes and discs; the floor stays whole."""
    planes = [] if slab is None else _planes(slab, stretch)
    for name, actor in plotter.actors.items():
        if name.split()[0] in CUT:
            actor.mapper.RemoveAllClippingPlanes()
            for plane in planes:
                actor.mapper.AddClippingPlane(plane)


def _planes(slab: ViewSlab, stretch: float) -> list[vtkPlane]:
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
