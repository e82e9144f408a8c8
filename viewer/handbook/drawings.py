"""The drawings of the handbook: one for each angle, drawn by the engine's own functions, so that both can't disagree.

Each is an SVG of plain lines. A line that says an angle carries a class (``apex``, ``line``, ``hole`` …) by which a
test finds it and measures the angle on the drawing.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from desurvey import curvature, north, orient
from desurvey.directions import vector_of_plane
from desurvey.spread.pole import line_sigma_deg
from desurvey.spread.sigmas import Sigmas
from viewer import theme

__all__ = ["DRAWINGS"]

Floats = npt.NDArray[np.float64]

AZIMUTH, DIP, ALPHA, BETA, GAMMA = 60.0, -50.0, 40.0, 120.0, 65.0
"""The hole and the reading that all drawings show, degrees."""

WIDTH, HEIGHT = 420, 300

INK, PLANE, MARK, QUIET = "#1d2329", theme.OKABE_ITO["blue"], theme.OKABE_ITO["vermilion"], "#6b7580"


def _hole() -> tuple[Floats, Floats, Floats]:
    """Return tangent, high side and the down-hole apex's direction of the shown reading, line on the low side."""
    tangent = curvature.tangent(np.deg2rad([AZIMUTH]), np.deg2rad([DIP]))
    high = curvature.high_side(tangent)
    axis = orient.long_axis(tangent, -high, ALPHA, BETA)
    apex = axis - (axis * tangent).sum(axis=1, keepdims=True) * tangent
    return tangent[0], high[0], apex[0] / np.linalg.norm(apex)


class _Sheet:
    """Lines, arcs and words on a sheet; y points up until it is written."""

    def __init__(self, title: str) -> None:
        self.title, self.parts = title, list[str]()

    def line(self, points: npt.ArrayLike, kind: str, colour: str = INK, wide: float = 2.0, dashes: str = "") -> None:
        pairs = " ".join(f"{x:.2f},{-y:.2f}" for x, y in np.asarray(points, dtype=float))
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        self.parts.append(
            f'<polyline class="{kind}" points="{pairs}" fill="none" stroke="{colour}" stroke-width="{wide}"{dashed}/>'
        )

    def arrow(self, start: npt.ArrayLike, end: npt.ArrayLike, kind: str, colour: str = INK, wide: float = 2.0) -> None:
        start_, end_ = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
        along = (end_ - start_) / np.linalg.norm(end_ - start_)
        across = np.array([-along[1], along[0]])
        self.line([start_, end_], kind, colour, wide)
        self.line([end_ - 9 * along + 4 * across, end_, end_ - 9 * along - 4 * across], "head", colour, wide)

    def arc(
        self, radius: float, from_deg: float, to_deg: float, colour: str = INK, centre: npt.ArrayLike = (0, 0)
    ) -> None:
        """Draw an arc between directions on the page, degrees anticlockwise from the right, with a head at its end."""
        turn = np.deg2rad(np.linspace(from_deg, to_deg, 60))
        points = np.asarray(centre) + radius * np.column_stack([np.cos(turn), np.sin(turn)])
        self.line(points, "arc", colour, 1.5)
        back, last = points[-6] - points[-1], points[-1]
        back = 7 * back / np.linalg.norm(back)
        side = np.array([-back[1], back[0]]) * 0.5
        self.line([last + back + side, last, last + back - side], "head", colour, 1.5)

    def text(self, place: npt.ArrayLike, words: str, colour: str = INK, anchor: str = "middle") -> None:
        x, y = np.asarray(place, dtype=float)
        self.parts.append(f'<text x="{x:.1f}" y="{-y:.1f}" fill="{colour}" text-anchor="{anchor}">{words}</text>')

    def svg(self) -> str:
        """Return the sheet, its origin in the middle."""
        box = f"{-WIDTH / 2:g} {-HEIGHT / 2:g} {WIDTH} {HEIGHT}"
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" width="{WIDTH}" height="{HEIGHT}" role="img" '
            f'font-family="sans-serif" font-size="13"><title>{self.title}</title>'
            f'<rect x="{-WIDTH / 2:g}" y="{-HEIGHT / 2:g}" width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>'
            f"{''.join(self.parts)}</svg>"
        )


def _page(vectors: Floats, right: Floats, up: Floats) -> Floats:
    """Return where vectors lie on a page whose axes are two unit vectors, shape (n, 2)."""
    return np.atleast_2d(vectors) @ np.column_stack([right, up])


def azimuth() -> str:
    """Draw the hole from above: azimuth counts clockwise from grid north."""
    sheet, (tangent, _, _) = _Sheet("Azimuth of a hole, seen from above"), _hole()
    ((x, y),) = _page(tangent, np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
    end = 115 * np.array([x, y]) / np.hypot(x, y)
    sheet.arrow((0, -40), (0, 100), "north", QUIET)
    sheet.arrow((0, -40), end - (0, 40), "hole", PLANE, 4)
    sheet.arc(60, 90, 90 - AZIMUTH, MARK, (0, -40))
    sheet.text((0, 110), "grid north", QUIET)
    sheet.text((40, 42), f"azimuth {AZIMUTH:.0f}°", MARK, "start")
    sheet.text(np.add(end, (8, -44)), "down the hole", PLANE, "start")
    sheet.text((0, -130), "seen from above")
    return sheet.svg()


def dip() -> str:
    """Draw the hole from its side: dip is negative down."""
    sheet, (tangent, high, _) = _Sheet("Dip of a hole, seen from its side"), _hole()
    level = np.array([np.sin(np.deg2rad(AZIMUTH)), np.cos(np.deg2rad(AZIMUTH)), 0.0])
    along, side = _page(np.vstack([tangent, high]), level, np.array([0, 0, 1.0]))
    start = np.array([-110.0, 70.0])
    sheet.line([start - (40, 0), np.add(start, (260, 0))], "level", QUIET, 1.5, "5 4")
    sheet.arrow(start, start + 220 * along, "hole", PLANE, 4)
    middle = start + 130 * along
    sheet.arrow(middle, middle + 55 * side, "high", INK)
    sheet.arrow(middle, middle - 55 * side, "low", MARK)
    sheet.text(middle + 68 * side, "high side h")
    sheet.text(middle - 68 * side - (10, 0), "low side −h", MARK)
    sheet.arc(75, 0, DIP, MARK, start)
    sheet.text(np.add(start, (125, -30)), f"dip {DIP:.0f}°".replace("-", "−"), MARK)
    sheet.text(np.add(start, (200, 8)), "level", QUIET)
    sheet.text((0, -135), "seen square to the hole's vertical plane")
    return sheet.svg()


def alpha() -> str:
    """Draw the core from its side, the plane's long axis in the page: alpha lies between axis and plane."""
    sheet, (tangent, high, apex) = _Sheet("Alpha: the acute angle between core axis and plane"), _hole()
    axis = orient.long_axis(tangent[None], -high[None], ALPHA, BETA)[0]
    normal = orient.plane_normal(tangent[None], -high[None], ALPHA, BETA)[0]
    half = 50.0
    for edge in (half, -half):
        sheet.line([(-190, edge), (190, edge)], "core", INK, 2)
    sheet.line([(-200, 0), (200, 0)], "axis", QUIET, 1, "8 4")
    ((x, y),) = _page(axis, tangent, apex)
    reach = half / y
    sheet.line([(-reach * x, -half), (reach * x, half)], "plane", PLANE, 3)
    ((nx, ny),) = _page(normal, tangent, apex)
    sheet.arrow((0, 0), (85 * nx, 85 * ny), "normal", INK, 1.5)
    sheet.text((85 * nx + 12, 85 * ny - 10), "normal n", INK, "start")
    sheet.arc(38, 0, ALPHA, MARK)
    sheet.text((62, 16), f"alpha {ALPHA:.0f}°", MARK, "start")
    sheet.text((reach * x + 6, half + 12), "down-hole apex of the ellipse", PLANE, "start" if x < 0 else "middle")
    sheet.arrow((130, -85), (195, -85), "down", QUIET)
    sheet.text((150, -105), "down the hole t", QUIET)
    return sheet.svg()


def beta() -> str:
    """Draw the core's end, seen down the hole: beta counts clockwise from the line to the down-hole apex."""
    sheet, (tangent, high, apex) = (
        _Sheet("Beta: clockwise from the line to the down-hole apex, looking down the hole"),
        _hole(),
    )
    right = np.cross(tangent, high)  # of somebody who looks along the tangent with the high side up
    turn = np.linspace(0, 2 * np.pi, 121)
    sheet.line(90 * np.column_stack([np.cos(turn), np.sin(turn)]), "core", INK, 2)
    low, top = _page(np.vstack([-high, apex]), right, high)
    sheet.line([(0, 0), 90 * low], "line", MARK, 3)
    sheet.line([(0, 0), 90 * top], "apex", PLANE, 3)
    start = np.rad2deg(np.arctan2(low[1], low[0]))
    sheet.arc(50, start, start - BETA, MARK)
    sheet.text(108 * low - (0, 5), "orientation line (low side)", MARK)
    sheet.text(104 * top, "down-hole apex", PLANE, "start" if top[0] > 0 else "end")
    sheet.text((0, 100), "high side h", QUIET)
    sheet.text((-10, -28) if top[0] > 0 else (14, -8), f"beta {BETA:.0f}°", MARK, "start")
    sheet.text((0, -140), "looking down the hole")
    return sheet.svg()


def gamma() -> str:
    """Draw the plane itself, seen down the hole along its normal: gamma counts clockwise from the apex to a line."""
    sheet, (tangent, high, _) = _Sheet("Gamma: clockwise in the plane from the apex to a line"), _hole()
    ref = -high[None]
    axis = orient.long_axis(tangent[None], ref, ALPHA, BETA)[0]
    normal = orient.plane_normal(tangent[None], ref, ALPHA, BETA)
    line = orient.line_in_plane(tangent[None], ref, ALPHA, BETA, GAMMA)[0]
    right = np.cross(normal[0], axis)
    turn = np.linspace(0, 2 * np.pi, 121)
    ellipse = 60 * np.column_stack([np.cos(turn), np.sin(turn) / np.sin(np.deg2rad(ALPHA))])
    sheet.line(ellipse, "plane", PLANE, 2)
    up, along = _page(np.vstack([axis, line]), right, axis)
    sheet.arrow((0, 0), 90 * up, "apex", PLANE)
    sheet.line([-75 * along, 75 * along], "both", MARK, 1.5, "5 4")
    sheet.arrow((0, 0), 75 * along, "line", MARK, 3)
    sheet.arc(42, 90, 90 - GAMMA, MARK)
    sheet.text((0, 104), "down-hole apex, e", PLANE)
    sheet.text(88 * along + (4, 0), "line", MARK, "start")
    sheet.text((-30, 46), f"gamma {GAMMA:.0f}°", MARK, "end")
    sheet.text((0, -140), "looking down the hole along the normal n")
    return sheet.svg()


def plane() -> str:
    """Draw a plane from above: dip direction counts clockwise from grid north, strike is square to it."""
    sheet = _Sheet("Dip and dip direction of a plane, seen from above")
    dip_deg, direction = 55.0, 130.0
    normal = vector_of_plane(np.array([dip_deg]), np.array([direction]))[0]
    down = normal[:2] / np.hypot(*normal[:2])  # the upward normal leans towards the dip direction
    strike = np.array([-down[1], down[0]])
    sheet.arrow((0, 0), (0, 105), "north", QUIET)
    sheet.line([-110 * strike, 110 * strike], "strike", PLANE, 4)
    sheet.arrow((0, 0), 60 * down, "dip", PLANE, 3)
    sheet.arc(80, 90, 90 - direction, MARK)
    sheet.text((0, 115), "grid north", QUIET)
    sheet.text(66 * down + (-4, -26), f"dip {dip_deg:.0f}°", PLANE, "start")
    sheet.text((88, 20), f"dip direction {direction:.0f}°", MARK, "start")
    sheet.text(-112 * strike - (0, 12), "strike", PLANE)
    return sheet.svg()


def norths() -> str:
    """Draw three norths: magnetic is declination east of true, grid is convergence east of true."""
    sheet = _Sheet("Magnetic, true and grid north")
    declination, convergence, read = 12.0, 5.0, 40.0
    (grid,) = north.to_grid(np.array([read]), np.array(["magnetic"]), np.array([declination]), np.array([convergence]))
    true_page = 90.0
    foot = np.array([-40.0, -120.0])

    def way(east_of_true: float) -> Floats:
        turn = np.deg2rad(true_page - east_of_true)
        return np.array([np.cos(turn), np.sin(turn)])

    for name, angle, colour in (("true", 0.0, INK), ("grid", convergence, PLANE), ("magnetic", declination, MARK)):
        sheet.arrow(foot, foot + 210 * way(angle), f"{name}", colour)
    sheet.text(foot + 222 * way(0) - (30, 0), "true")
    sheet.text(foot + 226 * way(convergence) + (0, 2), "grid", PLANE)
    sheet.text(foot + 222 * way(declination) + (34, -2), "magnetic", MARK)
    sheet.arrow(foot, foot + 190 * way(convergence + grid), "hole", INK, 4)
    sheet.text(foot + 190 * way(convergence + grid) + (8, 0), "hole", INK, "start")
    sheet.arc(120, true_page - declination, true_page - declination - read, MARK, foot)
    sheet.text(foot + 132 * way(declination + 26), f"read {read:.0f}°", MARK, "start")
    sheet.arc(85, true_page - convergence, true_page - convergence - grid, PLANE, foot)
    sheet.text(
        np.add(foot, (84, 26)),
        f"from grid north {grid:.0f}° = {read:.0f} + {declination:.0f} − {convergence:.0f}",
        PLANE,
        "start",
    )
    return sheet.svg()


def arc() -> str:
    """Draw minimum curvature: between two stations the hole is an arc, and the chord isn't on it."""
    sheet = _Sheet("Minimum curvature: an arc between two stations")
    ends = curvature.tangent(np.deg2rad([90.0, 90.0]), np.deg2rad([-85.0, -20.0]))
    bent = curvature.arcs(ends[:1], ends[1:])
    share = np.linspace(0, 1, 41)
    shape = np.vstack([curvature.arc_displacement(bent, np.array([230.0]), float(part)) for part in share])[:, [0, 2]]
    shape = np.add(shape, (-90, 125))
    sheet.line(shape, "arc_of_hole", PLANE, 4)
    sheet.line(shape[[0, -1]], "chord", QUIET, 1.5, "6 4")
    for place, tangent in zip(shape[[0, -1]], ends, strict=True):
        sheet.arrow(place, place + 55 * tangent[[0, 2]], "tangent", MARK)
    sheet.text(shape[0] + (14, -8), "upper station, t₁", INK, "start")
    sheet.text(shape[-1] + (0, 14), "lower station, t₂", INK, "middle")
    sheet.text(shape[20] - (12, 12), "arc", PLANE, "end")
    sheet.text(np.add(shape[[0, -1]].mean(axis=0), (10, 12)), "chord", QUIET, "start")
    return sheet.svg()


def steep() -> str:
    """Draw how the line's error grows towards the vertical: tilt / cos(dip), by the program's own defaults."""
    sheet = _Sheet("1 σ of the orientation line against the dip of the hole")
    dips = np.linspace(30.0, 88.0, 117)
    sigma = line_sigma_deg(curvature.tangent(np.zeros(117), np.deg2rad(-dips)), Sigmas())
    foot, wide, tall = np.array([-150.0, -105.0]), 300.0 / 60.0, 200.0 / 8.0
    sheet.line([foot, np.add(foot, (300, 0))], "axis", INK, 1.5)
    sheet.line([foot, np.add(foot, (0, 200))], "axis", INK, 1.5)
    for value in (30, 45, 60, 75, 90):
        sheet.text(np.add(foot, ((value - 30) * wide, -16)), f"−{value}°", QUIET)
    for value in (0, 2, 4, 6, 8):
        sheet.text(np.add(foot, (-8, value * tall - 4)), f"{value}°", QUIET, "end")
    sheet.line(foot + np.column_stack([(dips - 30) * wide, sigma * tall]), "sigma", PLANE, 3)
    sheet.text(np.add(foot, (150, -34)), "dip of the hole")
    sheet.text(np.add(foot, (6, 208)), "1 σ of a gravity line", INK, "start")
    return sheet.svg()


DRAWINGS: dict[str, Callable[[], str]] = {
    f"drawn_{draw.__name__}": draw for draw in (azimuth, dip, alpha, beta, gamma, plane, norths, arc, steep)
}
"""Drawings by the name that pages use for them, without the ending."""
