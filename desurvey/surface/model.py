"""How surfaces are built, and the covariance model in its frame.

The frame's third axis w is the pole of the mean plane; u and v lie in that plane, u along the direction in which the
orientations vary most (across a fold's axis), v along the other. Coordinates are centred and divided by one length. The
field is a function of all three (*implicit*), or, for one surface that nowhere turns far from its mean plane, w less a
function of u and v alone (*height*): the limit of an implicit field that is stretched without end along w. There each
orientation gives the slope and not just a direction, so nothing hangs on the arbitrary length of a gradient.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown
from desurvey.surface.kernels import Kernel
from desurvey.surface.picks import Picks

__all__ = ["CovarianceModel", "Options", "frame_of"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Options:
    """How surfaces of contacts are built; ``[surface]`` in ``project.toml``.

    Attributes
    ----------
    kernel : {"auto", "cubic", "matern32", "matern52"}
        *auto* lets the picks choose between the two Matérn kernels: waves that turn sharply (3/2) or smoothly (5/2),
        both of which fall back to the mean plane beyond their range. *cubic* (r³) knows no range and carries a trend
        on outward.
    form : {"auto", "height", "implicit"}
        *auto* takes a height over the mean plane for a single surface whose orientations all lie within 70° of it,
        and an implicit field for anything else (overturned, or several surfaces).
    stretch : float
        Implicit form: 1-σ freedom of the field's gradient along a pick's normal, where the pick has an uncertainty:
        unit normals fix a direction and not the spacing of the level surfaces.
    waviness : float
        Expected height of waves as a share of the surface's half extent: the centre of the amplitude's weak prior
        (common practice, no source).
    merge : float
        Picks closer than this share of the extent are made one.
    direct_limit : int
        Picks up to which one system is solved; above it the surface is pieced together from overlapping patches.
    """

    kernel: Literal["auto", "cubic", "matern32", "matern52"] = "auto"
    form: Literal["auto", "height", "implicit"] = "auto"
    stretch: float = 0.1
    waviness: float = 0.05
    merge: float = 1e-4
    direct_limit: int = 3000


@shown
@dataclass(frozen=True, slots=True, eq=False)
class CovarianceModel:
    """A covariance model in its frame: scaled coordinates are ``(x − centre) @ axes.T * scale``.

    Attributes
    ----------
    kernel : {"cubic", "matern32", "matern52"}
    centre : (3,) array
    axes : (3, 3) array
        Unit vectors u, v, w in rows.
    scale : (3,) array
        Reciprocal lengths along them, 1/m; 0 along w for the height form, whose scaled coordinates are u and v alone.
    amplitude : float
        Variance in m² that multiplies the kernel.
    stretch : float
        See :class:`Options`.
    """

    kernel: Kernel
    centre: Floats
    axes: Floats
    scale: Floats
    amplitude: float
    stretch: float

    def scaled(self, points: Floats) -> Floats:
        """Return scaled coordinates of points, (n, d): three, or two for the height form."""
        d = self.dimensions
        return (points - self.centre) @ self.axes[:d].T * self.scale[:d]

    def unscaled_gradient(self, gradient: Floats) -> Floats:
        """Return gradients per metre in (E, N, U) from gradients in scaled coordinates."""
        d = self.dimensions
        return (gradient * self.scale[:d]) @ self.axes[:d]

    def around(self, points: Floats) -> CovarianceModel:
        """Return the same model, better conditioned for points in one part of it.

        Coordinates are centred on the points and, where the kernel has no length scale, of their size.
        """
        centre = points.mean(axis=0)
        size = float(np.abs((points - centre) @ self.axes.T * self.scale).max())
        factor = size if self.kernel == "cubic" and size > 0.0 else 1.0
        return replace(self, centre=centre, scale=self.scale / factor, amplitude=self.amplitude * factor**3)

    @property
    def dimensions(self) -> int:
        """Scaled coordinates that the field is a function of: 2 for the height form, else 3."""
        return 2 if self.scale[2] == 0.0 else 3

    @property
    def known_gradient(self) -> Floats:
        """The part of the field's gradient that is known beforehand, (3,): w for the height form, else nothing."""
        return self.axes[2] if self.dimensions == 2 else np.zeros(3)


def frame_of(picks: Picks) -> tuple[Floats, Floats, float]:
    """Return centre, axes (u, v, w in rows) and half extent in metres of aligned picks."""
    on = picks.surface >= 0
    centre = picks.position[on].mean(axis=0)
    away = picks.position - centre
    extent = float(np.linalg.norm(away, axis=1).max())
    normal = picks.normal[picks.oriented]
    if len(normal):
        pole = normal.sum(axis=0)
        pole = pole if np.linalg.norm(pole) > OPPOSED * len(normal) else np.linalg.eigh(normal.T @ normal)[1][:, -1]
    else:
        pole = np.linalg.svd(away[on], full_matrices=False)[2][2]
        pole = pole if pole[2] >= 0.0 else -pole
    pole = pole / np.linalg.norm(pole)
    flat = np.linalg.svd(pole[None, :])[2][1:]  # any two directions square to the pole
    varying = normal @ flat.T
    if len(varying) < 3 or np.ptp(varying, axis=0).max() < PARALLEL:
        varying = away[on] @ flat.T
    first = np.linalg.eigh(np.atleast_2d(np.cov(varying.T, bias=True)))[1][:, -1] @ flat
    return centre, np.stack([first, np.cross(pole, first), pole]), extent if extent > 0.0 else 1.0


OPPOSED = 0.05
"""Mean length of normals below which they cancel (a tight fold): the principal axis then stands in for their sum."""

PARALLEL = 1e-6
"""Spread of normals (radians) below which they don't vary: the axes in the plane then follow the picks' positions."""
