"""Texts at points that give way to each other: where each one goes for the present camera.

VTK's own label placement leaves out texts that would have had room, and loses all of them where the window is
multisampled. There are few texts, so they are placed here one after the other, each in the first free place round its
point, and left out when there is none; nearer ones go first.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyvista as pv
from vtkmodules.vtkCommonCore import vtkStringArray
from vtkmodules.vtkRenderingCore import vtkActor2D
from vtkmodules.vtkRenderingLabel import vtkLabeledDataMapper

from viewer.scene.floor import Labels
from viewer.scene.legend import font, share

__all__ = ["Signs", "free_places"]

Floats = npt.NDArray[np.float64]

AROUND = ((0.0, 1.0), (1.0, 0.0), (-1.0, 0.0), (0.9, 1.0), (-0.9, 1.0), (0.0, -1.0))
"""Places tried for a name, in widths and heights of the text away from its point: above, right, left, and so on."""

HERE = ((0.0, 0.0),)
"""The only place of a text that belongs exactly where it is."""

LETTER, LINE = 0.66, 1.35
"""Width of an average letter and height of a line, in text heights (DejaVu Sans, measured; a little generous)."""


def free_places(
    point: Floats, width: Floats, height: float, around: tuple[tuple[float, float], ...], taken: Floats
) -> tuple[Floats, Floats]:
    """Return the middle of each text where it meets no other, NaN where there is no room.

    Parameters
    ----------
    point : (n, 2) array
        Pixels; NaN for a point that is not in view.
    width : (n,) array
        Widths of the texts in pixels.
    height : float
        Height of the texts in pixels.
    around : tuple of pairs
        Places to try.
    taken : (m, 4) array
        Boxes (left, bottom, right, top) that are taken already.

    Returns
    -------
    middle : (n, 2) array
    taken : (m + k, 4) array
        With the boxes of the texts that found a place.
    """
    middle = np.full((len(point), 2), np.nan)
    boxes = list(taken)
    for i in np.flatnonzero(np.isfinite(point).all(axis=1)):
        tries = point[i] + np.array(around) * [width[i] / 2 + height / 3, height * 0.85]
        half = np.array([width[i], height]) / 2
        found = _first_free(np.column_stack([tries - half, tries + half]), np.array(boxes).reshape(-1, 4))
        if found >= 0:
            middle[i] = tries[found]
            boxes.append(np.array([*(tries[found] - half), *(tries[found] + half)]))
    return middle, np.array(boxes).reshape(-1, 4)


def _first_free(tries: Floats, taken: Floats) -> int:
    """Return the first of some boxes that meets none of the taken ones, −1 when all do."""
    a, b = tries[:, None, :], taken[None, :, :]
    meets = (a[..., 0] < b[..., 2]) & (b[..., 0] < a[..., 2]) & (a[..., 1] < b[..., 3]) & (b[..., 1] < a[..., 3])
    free = np.flatnonzero(~meets.any(axis=1))
    return int(free[0]) if len(free) else -1


@dataclass(eq=False)
class _Group:
    labels: Labels
    width: Floats
    height: float
    around: tuple[tuple[float, float], ...]
    mapper: vtkLabeledDataMapper


@dataclass(eq=False)
class Signs:
    """All texts of a plotter that stand at points in space.

    Attributes
    ----------
    plotter : Plotter
        Where they are written.
    """

    plotter: pv.Plotter
    _groups: list[_Group] = field(default_factory=list)

    def add(
        self,
        labels: Labels,
        colour: str,
        text_px: int,
        *,
        bold: bool = False,
        moving: bool = False,
        first: bool = False,
    ) -> None:
        """Add texts; those added first have the first choice of place.

        Parameters
        ----------
        labels : Labels
            Points and texts.
        colour : str
            Colour of the text.
        text_px : int
            Height of the text in pixels.
        bold : bool
            Bold letters.
        moving : bool
            Whether a text may stand beside its point instead of on it.
        first : bool
            Whether these choose before all that are there already.
        """
        if not labels.text:
            return
        mapper, actor = vtkLabeledDataMapper(), vtkActor2D()
        mapper.SetLabelModeToLabelFieldData()
        mapper.SetFieldDataName("text")
        style = mapper.GetLabelTextProperty()
        font(style, bold=bold)
        style.SetFontSize(text_px)
        style.SetColor(*share(colour))
        style.SetBackgroundColor(*self.plotter.background_color.float_rgb)
        style.SetBackgroundOpacity(0.55)
        style.SetJustificationToCentered()
        style.SetVerticalJustificationToCentered()
        actor.SetMapper(mapper)
        actor.PickableOff()
        self.plotter.renderer.AddViewProp(actor)
        width = np.array([len(text) for text in labels.text]) * LETTER * text_px
        group = _Group(labels, width, LINE * text_px, AROUND if moving else HERE, mapper)
        self._groups.insert(0 if first else len(self._groups), group)

    def place(self) -> None:
        """Place all texts for the present camera and size of the window."""
        size = np.array(self.plotter.window_size, dtype=float)
        taken = np.empty((0, 4))
        for group in self._groups:
            screen = self._on_screen(group.labels.position, size)
            order = np.argsort(screen[:, 2])
            middle = np.full((len(order), 2), np.nan)
            middle[order], taken = free_places(screen[order, :2], group.width[order], group.height, group.around, taken)
            shown = np.flatnonzero(np.isfinite(middle).all(axis=1))
            world = self._in_space(np.column_stack([middle[shown], screen[shown, 2]]), size)
            group.mapper.SetInputData(_texts(world, [group.labels.text[i] for i in shown]))

    def follow(self) -> None:
        """Place the texts anew whenever the camera has been turned with the mouse."""
        self.plotter.iren.add_observer("EndInteractionEvent", lambda *_: self.place())

    def _matrix(self, size: Floats) -> Floats:
        matrix = self.plotter.camera.GetCompositeProjectionTransformMatrix(float(size[0] / size[1]), -1.0, 1.0)
        return np.array([[matrix.GetElement(i, j) for j in range(4)] for i in range(4)])

    def _on_screen(self, position: Floats, size: Floats) -> Floats:
        """Return pixels from the bottom left and depth of points; NaN behind the camera or outside the window."""
        clip = np.column_stack([position, np.ones(len(position))]) @ self._matrix(size).T
        with np.errstate(divide="ignore", invalid="ignore"):
            view = clip[:, :3] / clip[:, 3:]
        seen = (clip[:, 3] > 0) & (np.abs(view[:, :2]) <= 1.0).all(axis=1)
        pixels = np.column_stack([(view[:, :2] + 1) / 2 * size, view[:, 2]])
        return np.where(seen[:, None], pixels, np.nan)

    def _in_space(self, screen: Floats, size: Floats) -> Floats:
        view = np.column_stack([screen[:, :2] / size * 2 - 1, screen[:, 2], np.ones(len(screen))])
        world = view @ np.linalg.inv(self._matrix(size)).T
        return np.asarray(world[:, :3] / world[:, 3:])


def _texts(position: Floats, texts: list[str]) -> pv.PolyData:
    mesh = pv.PolyData()
    names = vtkStringArray()
    names.SetName("text")
    for text in texts:
        names.InsertNextValue(text)
    if texts:
        mesh.points = position
        mesh.GetPointData().AddArray(names)
    return mesh
