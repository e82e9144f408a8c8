"""The readings that are weighed: plain arrays, one row a plane logged on the core."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey import orient
from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.spread import Sigmas

__all__ = ["Errors", "Readings", "Runs", "groups"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

OUTSIDE_RUNS = 3.0
"""Metres of core taken together where readings lie in no run: a usual run length (common practice, no source)."""


class Errors(NamedTuple):
    """The 1-σ errors that readings are weighed by, radians: those of :class:`desurvey.spread.Sigmas`.

    Attributes
    ----------
    alpha, beta : float
        Of reading the core angles.
    line : float
        Honest error of one run's line, as stated; what it is in a project is learnt from its runs, where there are any.
    hole : float
        Honest error that all readings of a hole share.
    offset : float
        Of a line offset between two runs.
    """

    alpha: float
    beta: float
    line: float
    hole: float
    offset: float

    @classmethod
    def of(cls, sigmas: Sigmas) -> Errors:
        """Return the errors of a project's table of them."""
        degrees = (sigmas.alpha_deg, sigmas.beta_deg, sigmas.line_deg, sigmas.hole_deg, sigmas.offset_deg)
        return cls(*np.deg2rad(degrees).tolist())


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Oriented planes of all holes.

    Attributes
    ----------
    position, tangent, reference : (n, 3) arrays
        Place (E, N, U), down-hole unit tangent, and unit direction of the orientation line.
    alpha_deg, beta_deg : (n,) arrays
        Core angles as logged. NaN where the plane was surveyed by other means: such rows teach the expectation and
        are never suspected.
    normal : (n, 3) array
        Unit normals of the planes as logged.
    kind, hole : (n,) int arrays
        Codes from 0.
    run : (n,) int array
        Index of the run, −1 where there is none.
    depth : (n,) array
        Metres along the hole.
    gravity : (n,) bool array
        Whether the line is a low-side or high-side line (and so turns with the hole's dip).
    """

    position: Floats
    tangent: Floats
    reference: Floats
    alpha_deg: Floats
    beta_deg: Floats
    normal: Floats
    kind: Ints
    hole: Ints
    run: Ints
    depth: Floats
    gravity: Bools

    def __post_init__(self) -> None:
        """Check shapes and finiteness, and close the arrays to change."""
        count = len(self.depth)
        for name in self.__slots__:
            array = getattr(self, name)
            if len(array) != count:
                raise DataProblem(f"readings need as many values of '{name}' as of 'depth'", value=len(array))
            array.flags.writeable = False
        if not all(np.isfinite(a).all() for a in (self.position, self.normal, self.depth)):
            raise DataProblem("readings to weigh must have a finite place and orientation")

    @classmethod
    def of(
        cls,
        *,
        position: Floats,
        tangent: Floats,
        reference: Floats,
        alpha_deg: Floats,
        beta_deg: Floats,
        kind: npt.ArrayLike,
        hole: npt.ArrayLike,
        run: npt.ArrayLike,
        depth: Floats,
        gravity: npt.ArrayLike = True,
        surveyed: Floats | None = None,
    ) -> Readings:
        """Return readings whose normals follow from their core angles, or are as surveyed where they have none."""
        normal = orient.plane_normal(tangent, reference, alpha_deg, beta_deg)
        if surveyed is not None:
            normal = np.where(np.isfinite(normal), normal, surveyed)
        return cls(
            np.array(position, dtype=float),
            np.array(tangent, dtype=float),
            np.array(reference, dtype=float),
            np.array(alpha_deg, dtype=float),
            np.array(beta_deg, dtype=float),
            normal,
            np.array(kind, dtype=np.int64),
            np.array(hole, dtype=np.int64),
            np.array(run, dtype=np.int64),
            np.array(depth, dtype=float),
            np.array(np.broadcast_to(gravity, np.shape(depth)), dtype=bool),
        )

    def take(self, rows: npt.ArrayLike) -> Readings:
        """Return some of the rows."""
        return Readings(**{name: getattr(self, name)[rows] for name in self.__slots__})

    def where(self, chosen: Bools, other: Readings) -> Readings:
        """Return these readings with the chosen rows taken from another set of the same rows."""
        names = self.__slots__
        mixed = {n: np.where(_as_column(chosen, getattr(self, n)), getattr(other, n), getattr(self, n)) for n in names}
        return Readings(**mixed)

    def relogged(self, alpha_deg: Floats, beta_deg: Floats) -> Readings:
        """Return the readings with other core angles."""
        normal = orient.plane_normal(self.tangent, self.reference, alpha_deg, beta_deg)
        normal = np.where(np.isfinite(normal), normal, self.normal)
        return replace(self, alpha_deg=alpha_deg, beta_deg=beta_deg, normal=normal)

    def in_core_frame(self, axis: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the parts of axes along the core, towards the line, and a quarter turn clockwise of the line."""
        side = np.cross(self.tangent, self.reference)
        return (
            np.einsum("ij,ij->i", self.tangent, axis),
            np.einsum("ij,ij->i", self.reference, axis),
            np.einsum("ij,ij->i", side, axis),
        )

    def node(self) -> Ints:
        """Return a code for readings that share a run (or, outside runs, a stretch of hole)."""
        stretch = np.floor(self.depth / OUTSIDE_RUNS).astype(np.int64)
        return groups(self.hole, np.where(self.run >= 0, self.run, -1), np.where(self.run >= 0, 0, stretch))


def _as_column(chosen: Bools, array: Floats) -> Bools:
    return chosen[:, None] if array.ndim == 2 else chosen


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Drill runs of all holes, in order down each hole.

    Attributes
    ----------
    hole : (r,) int array
    depth_from, depth_to : (r,) arrays
        Metres along the hole.
    line_offset : (r,) array
        Degrees that this run's line sits clockwise of the previous run's, looking down hole; NaN where not taken.
    labels : mapping of str to (r,) str array
        What runs share: ``hole_id``, and tool, crew, logger or shift where they are known; blank where not.
    """

    hole: Ints
    depth_from: Floats
    depth_to: Floats
    line_offset: Floats
    labels: Mapping[str, npt.NDArray[np.str_]] = field(default_factory=dict)


def groups(*codes: Ints) -> Ints:
    """Return one code from 0, in sorted order, for each different combination of codes.

    >>> groups(np.array([5, 5, 7]), np.array([1, 2, 1])).tolist()
    [0, 1, 2]
    """
    _, code = np.unique(np.stack(codes, axis=1), axis=0, return_inverse=True)
    return code.ravel().astype(np.int64)
