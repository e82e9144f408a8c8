"""The invented prospect Tarn Hollow as it truly is: folded rocks, faults, a dyke, and the true paths of its holes.

Written without the ``desurvey`` package on purpose: what is worked out here is an independent check of the engine, so
that no shared error of sign can cancel. Everything is plain vectors in the frame (easting, northing, elevation),
metres; azimuth is clockwise from grid north and the dip of a hole is negative down. Ground and grid lengths are taken
as equal (the scale of the projection, 0.9996, is left out).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SEED = 20_260_917
ORIGIN = np.array([512_000.0, 5_312_000.0, 600.0])
"""Middle of the prospect, EPSG:32633; an invented place."""

CONVERGENCE_DEG = 0.119
"""Grid north east of true north at ORIGIN: atan(tan(15.1607° − 15°) · sin 47.9612°), the closed form for this map."""

DECLINATION_DEG = 4.99
FIELD_NT = 48_978.0
FIELD_DIP_DEG = 64.51
"""The World Magnetic Model's field at ORIGIN in the middle of the programme. Worked out once by hand with pygeomag:
``GeoMag(coefficients_file="wmm/WMM_2025.COF").calculate(glat=47.9612, glon=15.1607, alt=0.6, time=2025.8)``.
Over the thirteen months of drilling the declination moves by 0.06° either way, less than any compass reads."""

FINE_STEP = 0.1
"""Step in metres at which true paths are integrated."""


def direction(azimuth_deg: npt.ArrayLike, dip_deg: npt.ArrayLike) -> Floats:
    """Return the unit vector that points along an azimuth and a dip (negative down), shape (..., 3)."""
    azimuth, dip = np.deg2rad(azimuth_deg), np.deg2rad(dip_deg)
    return np.stack(
        [np.cos(dip) * np.sin(azimuth), np.cos(dip) * np.cos(azimuth), np.sin(dip) * np.ones_like(azimuth)], axis=-1
    )


def plane(dip_deg: npt.ArrayLike, dip_direction_deg: npt.ArrayLike) -> Floats:
    """Return the upward unit normal of a plane, which leans the way the plane dips."""
    return direction(dip_direction_deg, 90.0 - np.asarray(dip_deg, dtype=float))


def dip_and_direction(normal: Floats) -> tuple[Floats, Floats]:
    """Return dip and dip direction in degrees of planes with the given unit normals."""
    up = np.where(normal[..., 2:] < 0, -normal, normal)
    dip = np.rad2deg(np.arccos(np.clip(up[..., 2], -1.0, 1.0)))
    return dip, np.rad2deg(np.arctan2(up[..., 0], up[..., 1])) % 360.0


def low_side(azimuth_deg: npt.ArrayLike, dip_deg: npt.ArrayLike) -> Floats:
    """Return the side of the core that lay lowest in the hole: the direction that plunges 90° more steeply."""
    return direction(azimuth_deg, np.asarray(dip_deg, dtype=float) - 90.0)


def north_side(tangent: Floats) -> Floats:
    """Return the side of the core towards grid north."""
    return unit(np.array([0.0, 1.0, 0.0]) - tangent[..., 1:2] * tangent)


def unit(vectors: Floats) -> Floats:
    """Return vectors at length one."""
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def dot(left: Floats, right: Floats) -> Floats:
    """Return the dot products of two sets of vectors."""
    return np.sum(left * right, axis=-1)


def core_angles(tangent: Floats, reference: Floats, normal: Floats) -> tuple[Floats, Floats]:
    """Return alpha and beta in degrees of planes cut by a core, from dot products alone.

    A point of the core's skin is ``a·tangent + r`` with r around the core; it lies on a plane of normal n where
    ``a = −(n·r)/(n·tangent)``. With n turned down the hole that is largest, the apex of the ellipse furthest down the
    hole, where r points against n. Beta is the angle of that r from the reference, clockwise looking down the hole,
    which is a right-handed turn about the tangent.
    """
    along = dot(tangent, normal)
    down_hole = np.where(along[..., None] < 0, -normal, normal)
    alpha = np.rad2deg(np.arcsin(np.minimum(np.abs(along), 1.0)))
    beta = np.arctan2(-dot(down_hole, np.cross(tangent, reference)), -dot(down_hole, reference))
    return alpha, np.rad2deg(beta) % 360.0


def line_angle(tangent: Floats, normal: Floats, line: Floats) -> Floats:
    """Return gamma in degrees: from the down-hole apex to a line in the plane, clockwise along the down-hole normal."""
    down_hole = np.where(dot(tangent, normal)[..., None] < 0, -normal, normal)
    axis = unit(tangent - dot(tangent, down_hole)[..., None] * down_hole)
    return np.rad2deg(np.arctan2(dot(line, np.cross(down_hole, axis)), dot(line, axis))) % 360.0


@dataclass(frozen=True, eq=False)
class Fold:
    """Layers folded about a plunging axis: surfaces of equal *height* above a sine-shaped sheet.

    ``across`` points from limb to limb, ``axis`` along the hinges, ``up`` square to the enveloping surface. The fold
    opens and closes slowly along its axis, so that it is not quite cylindrical.
    """

    across: Floats
    axis: Floats
    up: Floats
    amplitude: float
    wavelength: float
    swell: float
    swell_length: float

    def height(self, places: Floats) -> Floats:
        """Return the height of places (n, 3) in the pile of layers, metres."""
        u, v, w = self._inside(places)
        return w - self.amplitude * (1 + self.swell * np.sin(v)) * np.sin(u)

    def normal(self, places: Floats) -> Floats:
        """Return the unit normals of the layers at places (n, 3), the exact gradient of the height."""
        u, v, _ = self._inside(places)
        slope_u = self.amplitude * (1 + self.swell * np.sin(v)) * np.cos(u) * 2 * np.pi / self.wavelength
        slope_v = self.amplitude * self.swell * np.cos(v) * np.sin(u) * 2 * np.pi / self.swell_length
        return unit(self.up - slope_u[:, None] * self.across - slope_v[:, None] * self.axis)

    def _inside(self, places: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the phases across and along the fold, radians, and the height above the enveloping surface."""
        local = places - ORIGIN
        u = local @ self.across * 2 * np.pi / self.wavelength
        return u, local @ self.axis * 2 * np.pi / self.swell_length, local @ self.up


@dataclass(frozen=True, eq=False)
class Sheet:
    """A fault or one wall of a dyke: a plane that waves gently, out to a radius from its centre.

    ``relief`` is the height in metres from the lowest to the highest the two waves can bring it.
    """

    name: str
    centre: Floats
    dip: float
    dip_direction: float
    extent: float
    relief: float
    wavelengths: tuple[float, float]
    phases: tuple[float, float]

    @property
    def axes(self) -> tuple[Floats, Floats, Floats]:
        """Unit vectors along strike, down dip and upwards square to the plane."""
        down = direction(self.dip_direction, -self.dip)
        along = direction(self.dip_direction - 90.0, 0.0)
        return along, down, plane(self.dip, self.dip_direction)

    def offset(self, places: Floats) -> Floats:
        """Return how far places (n, 3) lie above the sheet, measured square to its plane, metres."""
        u, v, w = self._inside(places)
        return w - self.relief / 4 * (np.sin(u) + np.sin(v))

    def normal(self, places: Floats) -> Floats:
        """Return the unit normals of the sheet beside places (n, 3)."""
        u, v, _ = self._inside(places)
        along, down, up = self.axes
        slope_u = self.relief / 4 * np.cos(u) * 2 * np.pi / self.wavelengths[0]
        slope_v = self.relief / 4 * np.cos(v) * 2 * np.pi / self.wavelengths[1]
        return unit(up - slope_u[:, None] * along - slope_v[:, None] * down)

    def within(self, places: Floats) -> npt.NDArray[np.bool_]:
        """Return which places (n, 3) lie beside the sheet and not beyond its edge."""
        local = places - self.centre
        return np.linalg.norm(local - (local @ self.axes[2])[:, None] * self.axes[2], axis=1) <= self.extent

    def _inside(self, places: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the phases of the waves along strike and down dip, radians, and the height above the plane."""
        along, down, up = self.axes
        local = places - self.centre
        u = local @ along * 2 * np.pi / self.wavelengths[0] + self.phases[0]
        return u, local @ down * 2 * np.pi / self.wavelengths[1] + self.phases[1], local @ up


@dataclass(frozen=True, eq=False)
class Hole:
    """A hole's true course: azimuth and dip change smoothly with depth (lift, swing and a slow wobble)."""

    hole_id: str
    collar: Floats
    azimuth: float
    dip: float
    depth: float
    swing: float = 0.0
    lift: float = 0.0
    wobble: tuple[float, float] = (0.0, 0.0)
    phases: tuple[float, float] = (0.0, 0.0)
    planned: bool = False

    def angles(self, depth: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return true grid azimuth and dip in degrees at depths; swing and lift are degrees a hundred metres."""
        depth = np.asarray(depth, dtype=float)
        sway = np.sin(depth / 35.0 + self.phases[0]) - np.sin(self.phases[0])
        nod = np.sin(depth / 28.0 + self.phases[1]) - np.sin(self.phases[1])
        azimuth = self.azimuth + self.swing * depth / 100 + self.wobble[0] * sway
        return azimuth, self.dip + self.lift * depth / 100 + self.wobble[1] * nod

    def tangent(self, depth: npt.ArrayLike) -> Floats:
        """Return the true unit tangent down the hole at depths."""
        return direction(*self.angles(depth))

    def fine(self) -> tuple[Floats, Floats]:
        """Return fine depths and the true positions there: the tangent summed by the midpoint rule."""
        depth = np.linspace(0.0, self.depth, round(self.depth / FINE_STEP) + 1)
        steps = np.diff(depth)[:, None] * self.tangent((depth[1:] + depth[:-1]) / 2)
        return depth, self.collar + np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])

    def position(self, depth: npt.ArrayLike) -> Floats:
        """Return true positions at depths."""
        fine_depth, path = self.fine()
        return np.stack([np.interp(depth, fine_depth, path[:, axis]) for axis in range(3)], axis=-1)

    def crossings(self, values: Floats) -> Floats:
        """Return the depths at which values given at the fine depths pass through zero."""
        depth, _ = self.fine()
        above = np.flatnonzero(np.sign(values[:-1]) * np.sign(values[1:]) < 0)
        part = values[above] / (values[above] - values[above + 1])
        return depth[above] + part * (depth[above + 1] - depth[above])

    def meets(self, sheet: Sheet) -> Floats:
        """Return the depths at which the true path meets a sheet."""
        depth = self.crossings(sheet.offset(self.fine()[1]))
        return depth[sheet.within(self.position(depth))]


@dataclass(frozen=True, eq=False)
class World:
    """The truth of Tarn Hollow."""

    fold: Fold
    layers: tuple[tuple[float, str, float], ...]  # top of each layer in the pile, rock, susceptibility (1e-3 SI)
    faults: tuple[Sheet, ...]
    dyke: tuple[Sheet, Sheet]
    joints: dict[str, Floats]
    veins: dict[str, Floats]
    holes: tuple[Hole, ...]

    def in_dyke(self, places: Floats) -> npt.NDArray[np.bool_]:
        """Return which places lie between the walls of the dyke."""
        lower, upper = self.dyke
        return (lower.offset(places) > 0) & (upper.offset(places) < 0) & lower.within(places)


def ground(local: Floats) -> Floats:
    """Return the elevation of the gentle ground at local (easting, northing) offsets from ORIGIN."""
    east, north = local[..., 0], local[..., 1]
    return ORIGIN[2] + 14.0 + 0.05 * east + 9.0 * np.sin(north / 130.0 + 0.6) - 6.0 * np.cos(east / 110.0)


def build() -> World:
    """Return the truth of Tarn Hollow; the same on every call."""
    return World(
        fold=_fold(),
        layers=(
            (-105.0, "quartzite", 0.05),
            (-62.0, "mica schist", 0.3),
            (-30.0, "amphibolite", 1.9),
            (14.0, "mica schist", 0.3),
            (52.0, "marble", 0.02),
            (103.0, "graphitic schist", 0.6),
            (1e6, "mica schist", 0.3),
        ),
        faults=_faults(),
        dyke=_dyke(),
        joints={"J1": plane(72.0, 205.0), "J2": plane(38.0, 312.0)},
        veins={"V1": plane(55.0, 160.0)},
        holes=_drilled() + _planned(),
    )


def _fold() -> Fold:
    up = plane(55.0, 125.0)
    level, down = direction(35.0, 0.0), direction(125.0, -55.0)
    axis = unit(np.cos(np.deg2rad(18.0)) * level + np.sin(np.deg2rad(18.0)) * down)
    return Fold(np.cross(axis, up), axis, up, amplitude=24.0, wavelength=260.0, swell=0.2, swell_length=900.0)


def _faults() -> tuple[Sheet, ...]:
    def place(east: float, north: float, up: float) -> Floats:
        return ORIGIN + np.array([east, north, up])

    return (
        Sheet("F1", place(15.0, -10.0, -130.0), 52.0, 108.0, 150.0, 2.6, (420.0, 310.0), (0.4, 1.9)),
        Sheet("F2", place(105.0, -15.0, -150.0), 67.0, 97.0, 178.0, 1.8, (340.0, 450.0), (2.2, 0.3)),
        Sheet("F3", place(-10.0, -70.0, -150.0), 34.0, 196.0, 120.0, 1.2, (280.0, 360.0), (5.1, 3.3)),
    )


def _dyke() -> tuple[Sheet, Sheet]:
    """Return the lower and the upper wall of the dyke, 5.5 m apart."""
    lower = ORIGIN + np.array([-20.0, 20.0, -160.0])
    shape = (71.0, 62.0, 260.0, 1.4, (380.0, 290.0), (1.1, 4.0))
    return Sheet("dyke", lower, *shape), Sheet("dyke", lower + 5.5 * plane(71.0, 62.0), *shape)


ALONG_FENCE, ALONG_STRIKE = direction(110.0, 0.0), direction(20.0, 0.0)
FENCES = (-125.0, -42.0, 42.0, 125.0)
STEEP = {12: (-89.3, 0.62), 18: (-88.9, 0.2)}
"""Number of the hole: dip at the collar and lift. The first is within 2° of vertical for its upper half."""


def _collar(along: float, across: float) -> Floats:
    local = along * ALONG_FENCE + across * ALONG_STRIKE
    return np.round(np.append(ORIGIN[:2] + local[:2], ground(local)), 2)


def _drilled() -> tuple[Hole, ...]:
    """Return six holes on each of four fences, drilled back across the layers with dips from −55° to −70°."""
    rng = np.random.default_rng([SEED, 1])
    holes = []
    for number in range(1, 25):
        fence, place = divmod(number - 1, 6)
        along = -110.0 + 58.0 * place + rng.uniform(-8.0, 8.0)
        dip, lift = STEEP.get(number, (-55.0 - 5.0 * ((number + fence) % 4), rng.uniform(0.8, 2.2)))
        depth = np.clip(170.0 + 44.0 * place + rng.uniform(-25.0, 30.0), 150.0, 450.0)
        holes.append(
            Hole(
                hole_id=f"TH-{number:02d}",
                collar=_collar(along, FENCES[fence] + rng.uniform(-6.0, 6.0)),
                azimuth=290.0 + rng.uniform(-4.0, 4.0),
                dip=dip + rng.uniform(-0.6, 0.6) * (number not in STEEP),
                depth=float(np.round(depth * 10) / 10),
                swing=rng.uniform(-0.5, 2.6),
                lift=lift,
                wobble=(rng.uniform(0.2, 0.7), rng.uniform(0.1, 0.4) * (number not in STEEP)),
                phases=(rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi)),
            )
        )
    return tuple(holes)


def _planned() -> tuple[Hole, ...]:
    """Return three straight planned holes between and beyond the fences."""
    places = ((95.0, -83.0, 290.0, -62.0, 330.0), (60.0, 0.0, 290.0, -58.0, 280.0), (170.0, 83.0, 285.0, -65.0, 420.0))
    return tuple(
        Hole(f"TH-{25 + index}", _collar(along, across), azimuth, dip, depth, planned=True)
        for index, (along, across, azimuth, dip, depth) in enumerate(places)
    )
