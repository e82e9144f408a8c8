"""What the line-up knows of a pick, and what it assumes about faults.

A pick is a place in space (with a covariance), perhaps a plane (with a covariance on the sphere) or only the angle
between that plane and the core, and the hole and depth it was logged at.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Self

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["LineupSettings", "Picks"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@shown
@dataclass(frozen=True, slots=True)
class LineupSettings:
    """What is taken for granted about faults; ``[lineup]`` in ``project.toml`` changes it.

    None of the defaults has a published source: they are common practice, and the first three are only where the
    search starts from, for they are then fitted to the picks themselves, with the shares of lost orientations and
    displaced picks, the scatter of places and the rate of further picks in a zone.

    Attributes
    ----------
    waviness_m : float
        Standard deviation of a fault's relief about its best plane, metres.
    waviness_range_m : float
        Distance over which that relief comes and goes, metres: two places much nearer to each other than this share
        their relief, so it grows with distance up to here.
    pole_scatter_deg : float
        Scatter of a fault's small-scale orientation about its surface, degrees in each direction, beyond what the
        reading errors explain.
    learn : bool
        Fit those three, and a factor on the position covariance, to the picks, and what says so below.
    depth_m : float
        Standard deviation of the place of a logged fault, metres: how well it is defined in the core, and its
        roughness (common practice, no source); where zones are logged as several picks, more is learnt.
    zone_m : float
        Picks of one hole within this length of each other may be one fault zone; more where thicker zones are learnt.
    zone_rate : float
        Expected number of further picks of a zone at each crossing, to start from.
    least_holes : int
        A fault is reported from this many holes on.
    logged : float
        Probability that a fault drilled through is logged.
    lost : float
        Probability that the orientation of a pick of a fault means nothing although nothing else speaks against it;
        only where the search starts from if ``learn``.
    displaced : float
        Probability that a pick of a fault was logged at a wrong depth, some metres off; likewise.
    faults : float
        Number of faults expected in a project, before looking: the smaller, the more a fault has to be proved.
    reach : float
        A fault is taken to go on beyond its outermost picks for this multiple of the usual distance between
        neighbouring picks; further out it is ``outside``.
    tie : float
        Below this probability the runner-up is given as a second answer.
    same, different : tuples of tuples of str
        Structure ids pinned to be one fault, or kept apart.
    """

    waviness_m: float = 1.5
    waviness_range_m: float = 120.0
    pole_scatter_deg: float = 4.0
    learn: bool = True
    depth_m: float = 0.4
    zone_m: float = 3.0
    zone_rate: float = 0.05
    least_holes: int = 3
    logged: float = 0.8
    lost: float = 0.02
    displaced: float = 0.003
    faults: float = 1.0
    reach: float = 1.5
    tie: float = 0.7
    same: tuple[tuple[str, ...], ...] = ()
    different: tuple[tuple[str, ...], ...] = ()

    def __post_init__(self) -> None:
        """Refuse values that mean nothing."""
        lengths = ("waviness_m", "waviness_range_m", "depth_m", "zone_m")
        for name in (*lengths, "pole_scatter_deg", "zone_rate", "faults", "reach"):
            if not getattr(self, name) > 0.0:
                raise DataProblem(f"[lineup] {name} must be above 0", column=name, value=getattr(self, name))
        for name in ("logged", "lost", "displaced", "tie"):
            if not 0.0 < getattr(self, name) < 1.0:
                raise DataProblem(f"[lineup] {name} must lie between 0 and 1", column=name, value=getattr(self, name))
        if self.least_holes < 2:
            raise DataProblem("[lineup] least_holes must be 2 or more", column="least_holes", value=self.least_holes)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Picks:
    """Picks on flat arrays, in the order of the table they came from.

    Attributes
    ----------
    hole : (m,) int array
        Index of the hole.
    depth : (m,) array
        Metres along the hole.
    position : (m, 3) array
        Easting, northing, elevation, metres.
    position_covariance : (m, 3, 3) array
        Square metres.
    tangent : (m, 3) array
        Unit tangent down the hole.
    normal : (m, 3) array
        Upward unit normal of the logged plane, NaN where there is none.
    pole_covariance : (m, 3, 3) array
        Covariance of the normal in its tangent plane, square radians; ignored where there is no normal.
    alpha : (m,) array
        Angle between plane and core in radians, used where there is no normal; NaN where there is none.
    alpha_sigma : (m,) array
        Its standard deviation, radians.
    distrust : (m,) array
        Probability that the orientation is wrong, from an analysis of suspects; 0 where nothing is said against it.
    """

    hole: Ints
    depth: Floats
    position: Floats
    position_covariance: Floats
    tangent: Floats
    normal: Floats
    pole_covariance: Floats
    alpha: Floats
    alpha_sigma: Floats
    distrust: Floats = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        """Check the shapes and freeze the arrays."""
        count = len(self.hole)
        if not len(self.distrust):
            object.__setattr__(self, "distrust", np.zeros(count))
        shapes: dict[str, tuple[int, ...]] = {"position": (3,), "tangent": (3,), "normal": (3,)}
        shapes |= {"position_covariance": (3, 3), "pole_covariance": (3, 3)}
        for item in fields(self):
            array = np.array(getattr(self, item.name), dtype=np.int64 if item.name == "hole" else np.float64)
            expected = (count, *shapes.get(item.name, ()))
            if array.shape != expected:
                raise ValueError(f"{item.name} has shape {array.shape}, expected {expected}")
            array.setflags(write=False)
            object.__setattr__(self, item.name, array)

    def __len__(self) -> int:
        """Return the number of picks."""
        return len(self.hole)

    @property
    def oriented(self) -> Bools:
        """Picks with a plane, shape (m,)."""
        return np.asarray(np.isfinite(self.normal).all(axis=1))

    @property
    def cone_only(self) -> Bools:
        """Picks with no plane but an alpha, shape (m,)."""
        return ~self.oriented & np.isfinite(self.alpha)

    def __getitem__(self, rows: Ints | Bools) -> Self:
        """Return the picks of the given rows."""
        some = object.__new__(type(self))  # what was checked as a whole needs no check in parts
        for name in NAMES:
            object.__setattr__(some, name, getattr(self, name)[rows])
        return some


NAMES = tuple(item.name for item in fields(Picks))
