"""A drawn piece of core: the cylinder with its orientation line, the ellipse of a plane, alpha and beta as logged.

Drawn in the core's own frame, so that a reviewer can hold a real piece beside it. Looking down the hole, beta runs
clockwise from the line to the down-hole apex of the ellipse (DESIGN.md section 3).
"""

from __future__ import annotations

import html
import math

import numpy as np
import numpy.typing as npt

from viewer import theme

__all__ = ["core_piece"]

Floats = npt.NDArray[np.float64]

RADIUS = 34.0
"""Radius of the core in the drawing's units."""

LONGEST = 84.0
"""Half the length of the longest piece that is drawn; ellipses of low alpha run off its ends."""

YAW_DEG = 24.0
"""The piece is turned so far that its down-hole end is seen."""

LINE_DEG = 35.0
"""Where the orientation line lies on the piece, from the middle of what is seen, so that both its sides show."""

SIDES = {"low": "low side", "high": "high side", "north": "north"}


def core_piece(alpha_deg: float, beta_deg: float, line: str = "low") -> str:
    """Return an SVG drawing of a piece of core with a plane logged on it.

    Parameters
    ----------
    alpha_deg : float
        Angle between core axis and plane, 0 to 90.
    beta_deg : float
        Clockwise looking down hole, from the orientation line to the down-hole apex; NaN where none was logged.
    line : str
        What the line marks: ``low``, ``high`` or ``north``.
    """
    half = min(LONGEST, 1.35 * RADIUS / math.tan(math.radians(max(alpha_deg, 5.0))) + 0.55 * RADIUS)
    name = SIDES.get(line, line)
    parts = [_body(half), _line(half)]
    if math.isfinite(beta_deg):
        parts += [_ellipse(alpha_deg, beta_deg, half), _end_view(beta_deg, name)]
    else:
        parts += [
            _ellipse(alpha_deg, 180.0 - LINE_DEG, half),
            _text(252, 66, "no beta: turned"),
            _text(252, 80, "we don't know how"),
        ]
    parts += [_cut(alpha_deg), _text(102, 14, "down hole →"), _text(102, 130, f"line: {name}", "line")]
    said = f"Piece of core, alpha {alpha_deg:g}°" + (f", beta {beta_deg:g}°" if math.isfinite(beta_deg) else "")
    return (
        f'<svg class="core" viewBox="0 0 420 138" role="img" aria-label="{html.escape(said)}">'
        f"<style>{_style()}</style>{''.join(parts)}</svg>"
    )


def _style() -> str:
    accent, vermilion = theme.OKABE_ITO["blue"], theme.OKABE_ITO["vermilion"]
    return (
        ".core path,.core line,.core ellipse,.core circle{fill:none;stroke:currentColor;stroke-width:1}"
        ".core .body{fill:currentColor;fill-opacity:.07}.core .end{fill:currentColor;fill-opacity:.16}"
        f".core .plane{{stroke:{accent};stroke-width:2.4}}.core .mark{{stroke:{vermilion};stroke-width:2.4}}"
        f".core .behind{{stroke-dasharray:3 3;stroke-opacity:.75}}.core text{{font-size:11px;fill:currentColor;"
        f"text-anchor:middle}}.core text.line{{fill:{vermilion}}}.core text.plane{{fill:{accent};stroke:none}}"
    )


def _on_page(along: Floats, around_deg: Floats) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return the page's x, y of points on the core (n, 2), and whether the eye sees them (n,).

    ``around_deg`` runs clockwise looking down hole, from the orientation line. The hole runs to the right of the page:
    who looks along it has the page's reader on the right, and so clockwise goes from the top over the reader's side to
    the bottom. The line lies LINE_DEG below the middle of that side.
    """
    turn = np.deg2rad(LINE_DEG + np.asarray(around_deg, dtype=float))
    toward, down = np.cos(turn), np.sin(turn)
    yaw = math.radians(YAW_DEG)
    x = 102.0 + np.asarray(along) * math.cos(yaw) - RADIUS * toward * math.sin(yaw)
    y = 70.0 + RADIUS * down
    return np.stack([x, y], axis=-1), toward > 0.0


def _path(points: Floats, style: str) -> str:
    steps = " L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return f'<path class="{style}" d="M{steps}"/>'


def _body(half: float) -> str:
    """Return the outline of the cylinder: the end face down hole, and the rest."""
    around = np.linspace(0.0, 360.0, 61)
    face, _ = _on_page(np.full(61, half), around)
    back, _ = _on_page(np.full(61, -half), around)
    top_face, top_back = face[face[:, 1].argmin()], back[back[:, 1].argmin()]
    low_face, low_back = face[face[:, 1].argmax()], back[back[:, 1].argmax()]
    edge = back[back[:, 0] <= (top_back[0] + low_back[0]) / 2]
    edge = edge[edge[:, 1].argsort()]
    outline = np.vstack([top_face, top_back, edge, low_back, low_face])
    return _path(outline, "body") + _path(face, "end")


def _line(half: float) -> str:
    ends, _ = _on_page(np.array([-half, half]), np.zeros(2))
    arrow = ends[1] + np.array([[-7.0, -4.0], [0.0, 0.0], [-7.0, 4.0]])
    return _path(ends, "mark") + _path(arrow, "mark")


def _ellipse(alpha_deg: float, beta_deg: float, half: float) -> str:
    """Return the trace of the plane on the core: z = R cos(θ − β) / tan α, solid in front and dashed behind."""
    around = np.linspace(0.0, 360.0, 361)
    along = RADIUS * np.cos(np.deg2rad(around - beta_deg)) / math.tan(math.radians(max(alpha_deg, 1.0)))
    points, seen = _on_page(along, around)
    inside = np.abs(along) <= half
    drawn = "".join(
        _path(points[first:last], style)
        for style, wanted in (("plane", seen & inside), ("plane behind", ~seen & inside))
        for first, last in _stretches(wanted)
    )
    apex, _ = _on_page(
        np.array([min(RADIUS / math.tan(math.radians(max(alpha_deg, 1.0))), half)]), np.array([beta_deg])
    )
    x, y = apex[0]
    return drawn + f'<circle class="plane" cx="{x:.1f}" cy="{y:.1f}" r="3" style="fill:currentColor"/>'


def _stretches(wanted: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return where runs of true begin and end (one past)."""
    padded = np.concatenate([[False], wanted, [False]])
    change = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(a), int(b)) for a, b in change.reshape(-1, 2) if b - a > 1]


def _cut(alpha_deg: float) -> str:
    """Return the core cut lengthwise through the apex: there the angle between plane and axis is alpha."""
    centre, high, long = np.array([364.0, 70.0]), 24.0, 46.0
    angle = math.radians(alpha_deg)
    reach = min(high / max(math.sin(angle), 1e-9), long / max(math.cos(angle), 1e-9))
    way = np.array([math.cos(angle), -math.sin(angle)])
    turns = np.radians(np.linspace(0.0, alpha_deg, 16))
    arc = centre + 20.0 * np.column_stack([np.cos(turns), -np.sin(turns)])
    left, top = centre - [long, high]
    return (
        f'<path class="end" d="M{left} {top}h{2 * long}v{2 * high}h{-2 * long}z"/>'
        + _path(centre + np.array([[-long, 0.0], [long, 0.0]]), "behind")
        + _path(np.array([centre - reach * way, centre + reach * way]), "plane")
        + _path(arc, "")
        + _text(364, 14, "cut through apex")
        + _text(364, 130, f"α {alpha_deg:g}°", "plane")
    )


def _end_view(beta_deg: float, line: str) -> str:
    """Return the view down the hole: the line as it lay in the hole, beta clockwise to the apex."""
    centre, radius = np.array([252.0, 70.0]), 30.0
    start = {"high side": 90.0, "north": 90.0}.get(line, 270.0)  # where the line is, anticlockwise from the right

    def spot(turn_deg: float, reach: float = radius) -> Floats:
        angle = math.radians(start - turn_deg)
        return centre + reach * np.array([math.cos(angle), -math.sin(angle)])

    arc = np.array([spot(turn, 0.55 * radius) for turn in np.linspace(0.0, beta_deg, max(int(abs(beta_deg) // 3), 2))])
    apex, name = spot(beta_deg), spot(0.0, 1.35 * radius)
    return (
        f'<circle class="end" cx="{centre[0]}" cy="{centre[1]}" r="{radius}"/>'
        + _path(np.array([centre, spot(0.0)]), "mark")
        + _path(np.array([centre, apex]), "plane")
        + _path(arc, "")
        + f'<circle class="plane" cx="{apex[0]:.1f}" cy="{apex[1]:.1f}" r="3"/>'
        + _text(252, 14, "looking down hole")
        + _text(252, 130, f"β {beta_deg:g}° clockwise", "plane")
        + _text(float(name[0]), float(name[1]) + 4, line.split()[0], "line")
    )


def _text(x: float, y: float, text: str, style: str = "") -> str:
    return f'<text class="{style}" x="{x:.1f}" y="{y:.1f}">{html.escape(text)}</text>'
