"""Surfaces of known shape, drilled as a programme would drill them.

A truth is an implicit function g of points in its own frame (u, v, w), metres, turned into the world by dip and dip
direction. Nothing here uses the program under test.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
LevelAndGradient = Callable[[Floats], tuple[Floats, Floats]]


CLOSE = 1e-5
"""Step at which a foot is left, metres: its distance is then known to a nanometre, for slides are square to it."""


@dataclass(frozen=True)
class Truth:
    """A surface g = 0: its level function in its own frame and the frame in the world."""

    local: LevelAndGradient
    axes: Floats
    origin: Floats
    polar: bool = False

    def level(self, points: Floats) -> tuple[Floats, Floats]:
        """Return g and its gradient in the world."""
        value, gradient = self.local((points - self.origin) @ self.axes.T)
        return value, gradient @ self.axes

    def onto(self, points: Floats) -> Floats:
        """Return the foot of points on the surface: Newton steps along the gradient, and slides towards the point.

        A slide goes all the way, which converges at once where the surface is flat beside the point's distance, or
        half the way once steps have stopped shrinking.
        """
        foot, pace, last = points.copy(), np.ones((len(points), 1)), np.full((len(points), 1), np.inf)
        rows = np.arange(len(points))
        for _ in range(60):
            value, gradient = self.level(foot[rows])
            square = np.sum(gradient**2, axis=1, keepdims=True)
            down = -value[:, None] / square * gradient
            drift = points[rows] - foot[rows] - down
            step = down + pace[rows] * (drift - np.sum(drift * gradient, axis=1, keepdims=True) / square * gradient)
            size = np.linalg.norm(step, axis=1, keepdims=True)
            pace[rows] = np.where(size > 0.5 * last[rows], 0.5, pace[rows])
            last[rows] = size
            foot[rows] += step
            rows = rows[size[:, 0] > CLOSE]
            if not rows.size:
                break
        value, gradient = self.level(foot)
        return foot - (value / np.sum(gradient**2, axis=1))[:, None] * gradient

    def distance(self, points: Floats) -> Floats:
        """Return the distance of points from the surface, metres."""
        return np.linalg.norm(points - self.onto(points), axis=1)

    def normal(self, points: Floats) -> Floats:
        """Return unit normals at points of the surface."""
        gradient = self.level(points)[1]
        return gradient / np.linalg.norm(gradient, axis=1)[:, None]


class Drilled(NamedTuple):
    """Where straight holes met a surface, and which hole."""

    position: Floats
    normal: Floats
    hole: npt.NDArray[np.int64]


def axes_of(dip_deg: float, direction_deg: float) -> Floats:
    """Return (strike, up-dip, normal) in rows of a plane given by dip and dip direction, world (E, N, U)."""
    dip, direction = np.deg2rad([dip_deg, direction_deg])
    up_dip = -np.array([np.cos(dip) * np.sin(direction), np.cos(dip) * np.cos(direction), -np.sin(dip)])
    normal = np.array([np.sin(dip) * np.sin(direction), np.sin(dip) * np.cos(direction), np.cos(dip)])
    return np.stack([np.cross(up_dip, normal), up_dip, normal])


def _truth(local: LevelAndGradient, dip_deg: float = 55.0, direction_deg: float = 110.0, polar: bool = False) -> Truth:
    return Truth(local, axes_of(dip_deg, direction_deg), np.array([450_000.0, 6_800_000.0, 200.0]), polar)


def plane() -> Truth:
    return _truth(lambda x: (x[:, 2], np.tile([0.0, 0.0, 1.0], (len(x), 1))))


def cylinder_fold(wavelength: float = 300.0, amplitude: float = 30.0) -> Truth:
    k = 2 * np.pi / wavelength

    def local(x: Floats) -> tuple[Floats, Floats]:
        slope = -amplitude * k * np.cos(k * x[:, 0])
        return x[:, 2] - amplitude * np.sin(k * x[:, 0]), np.stack([slope, 0 * slope, 1 + 0 * slope], axis=1)

    return _truth(local, 40.0, 75.0)


def dome(radius: float = 700.0) -> Truth:
    def local(x: Floats) -> tuple[Floats, Floats]:
        away = x + np.array([0.0, 0.0, radius])
        size = np.linalg.norm(away, axis=1)
        return size - radius, away / size[:, None]

    return _truth(local, 0.0, 0.0)


def s_fold(wavelength: float = 320.0, amplitude: float = 45.0, shear: float = 3.0) -> Truth:
    """Return a fold sheared until its middle limb is overturned; normals point to the younger side."""
    k = 2 * np.pi / wavelength

    def local(x: Floats) -> tuple[Floats, Floats]:
        phase = k * (x[:, 0] - shear * x[:, 2])
        slope = amplitude * k * np.cos(phase)
        return x[:, 2] - amplitude * np.sin(phase), np.stack([-slope, 0 * slope, 1 + shear * slope], axis=1)

    return _truth(local, 10.0, 90.0, polar=True)


def listric(depth: float = 350.0, reach: float = 220.0) -> Truth:
    """Return a fault that dips atan(depth / reach) at the surface and flattens downward."""

    def local(x: Floats) -> tuple[Floats, Floats]:
        fall = depth * np.exp(-(x[:, 0] + 250.0) / reach)
        return x[:, 2] + depth - fall, np.stack([fall / reach, 0 * fall, 1 + 0 * fall], axis=1)

    return _truth(local, 0.0, 0.0)


ANALYTIC = {"plane": plane, "cylinder_fold": cylinder_fold, "dome": dome, "s_fold": s_fold, "listric": listric}


def random_waves(rng: np.random.Generator, smoothness: float | None) -> Truth:
    """Return a height that is a Gaussian process over a dipping plane: Matérn, or squared exponential (None).

    Random Fourier features (Rahimi & Recht 2007): 300 waves whose wave numbers follow the covariance's spectral
    density; the Matérn's is a multivariate t with 2 × smoothness degrees of freedom (Rasmussen & Williams 2006, eq.
    4.15).
    """
    length = rng.uniform(80.0, 250.0)
    sigma = length * rng.uniform(0.08, 0.2)
    k = rng.standard_normal((300, 2)) / length
    if smoothness is not None:
        k /= np.sqrt(rng.chisquare(2 * smoothness, 300) / (2 * smoothness))[:, None]
    phase = rng.uniform(0, 2 * np.pi, 300)
    size = sigma * np.sqrt(2.0 / 300)

    def local(x: Floats) -> tuple[Floats, Floats]:
        angle = x[:, :2] @ k.T + phase
        slope = size * (np.sin(angle) @ k)
        return x[:, 2] - size * np.cos(angle).sum(axis=1), np.column_stack([slope, np.ones(len(x))])

    return _truth(local, rng.uniform(20.0, 75.0), rng.uniform(0.0, 360.0))


def random_fold(rng: np.random.Generator) -> Truth:
    """Return a cylindrical fold with an axis anywhere in a dipping plane."""
    k = 2 * np.pi / rng.uniform(150.0, 400.0)
    amplitude = rng.uniform(0.3, 0.9) / k
    turn, phase = rng.uniform(0, np.pi), rng.uniform(0, 2 * np.pi)
    across = np.array([np.cos(turn), np.sin(turn)])

    def local(x: Floats) -> tuple[Floats, Floats]:
        angle = k * x[:, :2] @ across + phase
        slope = -amplitude * k * np.cos(angle)
        return x[:, 2] - amplitude * np.sin(angle), np.column_stack([slope[:, None] * across, np.ones(len(x))])

    return _truth(local, rng.uniform(20.0, 75.0), rng.uniform(0.0, 360.0))


def gentle_fault(rng: np.random.Generator) -> Truth:
    """Return a plane with two trains of long waves, one along its strike and one down its dip, a metre or two high."""
    k = 2 * np.pi / rng.uniform(250.0, 450.0, 2)
    relief, phase = rng.uniform(1.0, 4.0), rng.uniform(0, 2 * np.pi, 2)

    def local(x: Floats) -> tuple[Floats, Floats]:
        angle = k * x[:, :2] + phase
        slope = -relief / 4 * np.cos(angle) * k
        return x[:, 2] - relief / 4 * np.sin(angle).sum(axis=1), np.column_stack([slope, np.ones(len(x))])

    return _truth(local, rng.uniform(20.0, 75.0), rng.uniform(0.0, 360.0))


def scattered(truth: Truth, rng: np.random.Generator, count: int, radius: float) -> Drilled:
    """Return points of a surface within a radius, anywhere, each of a hole of its own."""
    turn, away = rng.uniform(0, 2 * np.pi, count), radius * np.sqrt(rng.uniform(0, 1, count))
    flat = np.column_stack([away * np.cos(turn), away * np.sin(turn), np.zeros(count)])
    flat[:, 2] = -truth.local(flat)[0]
    position = truth.origin + flat @ truth.axes
    return Drilled(position, truth.normal(position), np.arange(count))


def drilled(truth: Truth, rng: np.random.Generator, fences: int, holes: int, size: float = 400.0) -> Drilled:
    """Drill fences of holes, about square to the surface, across a window ± size / 2, a little off plan.

    The holes are straight; all their crossings of the surface are found, by sampling every 2 m and bisection.
    """
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, fences) * size, np.linspace(-0.5, 0.5, holes) * size, indexing="ij")
    aim = np.stack([u.ravel(), v.ravel(), np.zeros(u.size)], axis=1)
    aim[:, :2] += rng.normal(0.0, 0.08 * size / max(fences, holes), (len(aim), 2))
    direction = np.array([0.15, 0.25, -1.0]) + rng.normal(0.0, 0.08, (len(aim), 3))
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    depth = np.arange(-1.2 * size, 1.2 * size, 2.0)

    def level(rows: npt.NDArray[np.int64], at: Floats) -> Floats:
        return truth.local(aim[rows] + at[:, None] * direction[rows])[0]

    every = np.repeat(np.arange(len(aim)), len(depth))
    values = level(every, np.tile(depth, len(aim))).reshape(len(aim), -1)
    hole, step = np.nonzero((values[:, :-1] > 0) != (values[:, 1:] > 0))
    low, high = depth[step], depth[step + 1]
    below = values[hole, step] > 0
    for _ in range(60):
        middle = (low + high) / 2
        same = (level(hole, middle) > 0) == below
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    position = truth.origin + (aim[hole] + ((low + high) / 2)[:, None] * direction[hole]) @ truth.axes
    return Drilled(position, truth.normal(position), hole)


def logged(met: Drilled, rng: np.random.Generator, position_sigma: float, pole_sigma_deg: float) -> Drilled:
    """Return picks with errors: positions off each way, poles tilted about two axes of their plane."""
    tilt = rng.normal(0.0, np.deg2rad(pole_sigma_deg), met.position.shape)
    normal = met.normal + np.cross(tilt, met.normal)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    return Drilled(met.position + rng.normal(0.0, position_sigma, met.position.shape), normal, met.hole)
