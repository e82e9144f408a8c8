"""A stereographic net: poles, planes, densities, sets and what the holes can't see, on the lower hemisphere.

Equal area (Schmidt) unless equal angle (Wulff) is asked for; the projections, densities, means and sets are those of
:mod:`desurvey.sphere`. The net stands on plain matplotlib axes. mplstereonet 0.6.3 was tried: with matplotlib 3.11 it
draws, but importing it raises a PendingDeprecationWarning (it overrides ``Axes.cla``), which this project counts as an
error, and the numbers behind a net belong to the engine anyway.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch

from desurvey import orient, sphere
from desurvey.aim import directions_of
from desurvey.orient import Oriented
from desurvey.problems import DataProblem, nearest
from desurvey.study import Study
from viewer import theme
from viewer.figures.drawing import BACKED
from viewer.figures.legend import draw_key, draw_notes
from viewer.figures.sheet import SMALL_PT, Box, Orientation, Title, axes_at, blank, draw_title, style, with_lines
from viewer.theme import Paper

__all__ = ["Net", "NetLook", "chosen_rows", "draw_net", "net_of"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Strings = npt.NDArray[np.str_]
Key = list[tuple[Line2D | Patch, str]]

Projection = Literal["equal_area", "equal_angle"]
Contours = Literal["exponential", "kamb", "none"]

LEVELS: Final = (2.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 32.0, 48.0)
"""Contours, in standard deviations from an even spread (the first is Kamb's; the others our own choice)."""
GRID: Final = 161
GRATICULE_DEG: Final = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Net:
    """What a net shows.

    Attributes
    ----------
    normal : (n, 3) array
        Unit normals of planes, of either sign.
    tangent : (n, 3) array
        Direction of the hole at each plane, for the weights.
    kind : (n,) str array
        Kind of each.
    suspect : (n,) bool array
        Which are accused by a suspect that stands undecided.
    line : (m, 3) array
        Unit vectors of lines (logged by gamma).
    cone_tangent, cone_alpha_deg : (c, 3) and (c,) arrays
        Readings of alpha alone: the hole's direction, and the angle.
    holes : (h, 3) array
        Directions of pieces of the drilled holes, for the blind zone.
    title : Title
        For the title block.
    sets : callable or None
        Gives the sets of the planes, weighted or not, where somebody knows them; None: they are found anew.
    told : callable or None
        Gives the table of those sets (:meth:`desurvey.Study.sets_table`), weighted or not; None: spacing isn't said.
    """

    normal: Floats
    tangent: Floats
    kind: Strings
    suspect: Bools
    line: Floats
    cone_tangent: Floats
    cone_alpha_deg: Floats
    holes: Floats
    title: Title
    sets: Callable[[bool], sphere.Sets] | None = None
    told: Callable[[bool], pd.DataFrame] | None = None


@dataclass(frozen=True, slots=True)
class NetLook:
    """How a net is drawn.

    Attributes
    ----------
    projection : {"equal_area", "equal_angle"}
    contours : {"exponential", "kamb", "none"}
        Counter of the density of poles.
    great_circles, sets, blind_zone, cones, weighted : bool
        Draw every plane; the sets found; what no hole sees; the small circles of alpha-only readings; weight densities
        and sets against the bias of the holes (Terzaghi).
    """

    projection: Projection = "equal_area"
    contours: Contours = "exponential"
    great_circles: bool = False
    sets: bool = True
    blind_zone: bool = True
    cones: bool = False
    weighted: bool = False


def net_of(study: Study, seeing: Bools, rows: Bools, title: Title) -> Net:
    """Return the net of chosen structures.

    Parameters
    ----------
    study : Study
    seeing : (H,) bool array
        Holes whose blind zone is meant: the drilled ones, or those that were chosen.
    rows : (n,) bool array
        Structures to show.
    title : Title
        For the title block.
    """
    structures = study.structures
    table = structures.table
    usable = rows & structures.usable
    alpha = table["alpha"].to_numpy(dtype=float)
    cone = rows & ~structures.usable & np.isfinite(alpha) & table["beta"].isna().to_numpy() & (structures.hole >= 0)
    return Net(
        normal=structures.normal[usable],
        tangent=structures.tangent[usable],
        kind=table["kind"].fillna("").to_numpy(dtype=np.str_)[usable],
        suspect=study.suspected[usable],
        line=structures.line[usable & np.isfinite(structures.line[:, 0])],
        cone_tangent=structures.tangent[cone],
        cone_alpha_deg=alpha[cone],
        holes=directions_of(study.holes, seeing),
        title=title,
        sets=lambda weighted: study.sets(rows, weighted=weighted),
        told=lambda weighted: study.sets_table(rows, seeing=seeing, weighted=weighted),
    )


def chosen_rows(structures: Oriented, kinds: str, holes: str) -> Bools:
    """Return which structures belong to the named kinds and holes (comma-separated; empty: all).

    Raises
    ------
    DataProblem
        When no structure is of a kind, or lies in a hole, that is named.
    """
    rows = np.ones(len(structures.table), dtype=bool)
    for column, what, names in (("kind", "kind of structure", kinds), ("hole_id", "hole with structures", holes)):
        wanted = [name.strip() for name in names.split(",") if name.strip()]
        known = sorted(set(structures.table[column].fillna("").astype(str)) - {""})
        for name in wanted:
            if name not in known:
                raise DataProblem(f"there is no such {what}", value=name, hint=nearest(name, known))
        rows &= structures.table[column].isin(wanted).to_numpy() | (not wanted)
    return rows


def draw_net(
    net: Net, look: NetLook | None = None, *, paper: Paper = "A4", orientation: Orientation = "landscape"
) -> Figure:
    """Return a net as a figure of true size."""
    look = look or NetLook()
    with style():
        sheet = blank(paper, orientation)
        side = min(sheet.frame.width, sheet.frame.height) - 2.0
        box = Box(sheet.frame.left + (sheet.frame.width - side) / 2, sheet.frame.bottom + 1.0, side, side)
        axes = _start(axes_at(sheet.figure, box, label="drawing"), look)
        key, notes = _draw_all(axes, net, look)
        top = draw_key(sheet.side, float(sheet.side.get_ylim()[1]), key)
        draw_notes(sheet.side, top, notes)
        draw_title(sheet, with_lines(net.title, *_said(look)), "Lower hemisphere")
    return sheet.figure


def project(vectors: Floats, projection: Projection) -> Floats:
    """Return x (east) and y (north) on a net of radius 1, shape (..., 2)."""
    return sphere.project_equal_area(vectors) if projection == "equal_area" else sphere.project_equal_angle(vectors)


def curve(vectors: Floats, projection: Projection) -> Floats:
    """Return a curve of directions on the net, broken (NaN) where it leaves at one rim and enters at the other."""
    points = project(vectors, projection)
    jumps = np.flatnonzero(np.linalg.norm(np.diff(points, axis=0), axis=1) > 0.5) + 1
    return np.insert(points, jumps, np.nan, axis=0)


def _said(look: NetLook) -> list[str]:
    """Return what the title block says of the projection and of the contours."""
    name = "equal-area (Schmidt)" if look.projection == "equal_area" else "equal-angle (Wulff)"
    lines = [f"Lower hemisphere, {name} projection; poles of planes; bearings from grid north"]
    if look.contours != "none":
        counter = "exponential counter" if look.contours == "exponential" else "Kamb's counter"
        lines.append(f"Contours: standard deviations from an even spread ({counter}, expected count three of them)")
    if look.weighted:
        cap = sphere.TERZAGHI_CAP_DEG
        lines.append(
            f"Weighted by 1/sin α (Terzaghi 1965), no more than {1 / np.sin(np.deg2rad(cap)):.2f} (α below {cap:g}°)"
        )
    return lines


def _start(axes: Axes, look: NetLook) -> Axes:
    """Draw the empty net: rim, bearings, graticule."""
    axes.set_xlim(-1.12, 1.12)
    axes.set_ylim(-1.12, 1.12)
    axes.set_axis_off()
    tilt = np.deg2rad(np.arange(-90.0 + GRATICULE_DEG, 90.0, GRATICULE_DEG))
    lines = [sphere.great_circle(np.array([np.cos(a), 0.0, np.sin(a)])) for a in tilt]
    for half_angle in np.arange(GRATICULE_DEG, 180.0, GRATICULE_DEG):
        ring = sphere.small_circle(np.array([0.0, 1.0, 0.0]), float(half_angle), count=721)
        lines.append(ring[ring[:, 2] <= 1e-12])
    for line in lines:
        axes.plot(*curve(line, look.projection).T, lw=0.25, color=theme.LIGHT.grid, zorder=0, gid="graticule")
    axes.add_patch(Circle((0, 0), 1.0, fill=False, lw=1.0, ec=theme.LIGHT.text, zorder=6))
    for bearing in range(0, 360, 10):
        out = np.array([np.sin(np.deg2rad(bearing)), np.cos(np.deg2rad(bearing))])
        axes.plot(*np.stack([out, out * (1.025 if bearing % 30 == 0 else 1.012)]).T, lw=0.6, color=theme.LIGHT.text)
        if bearing % 30 == 0:
            name = {0: "N", 90: "E", 180: "S", 270: "W"}.get(bearing, f"{bearing:03d}")
            cardinal = len(name) == 1
            axes.text(
                float(out[0]) * 1.065, float(out[1]) * 1.065, name, ha="center", va="center",
                fontsize=SMALL_PT + (3 if cardinal else 0), fontweight="bold" if cardinal else "normal",
            )  # fmt: skip
    axes.plot(0, 0, "+", ms=5, mew=0.5, color=theme.LIGHT.quiet)
    return axes


def _draw_all(axes: Axes, net: Net, look: NetLook) -> tuple[Key, list[str]]:
    """Draw all that the look asks for; return the legend and the notes."""
    weights = sphere.terzaghi_weights(net.normal, net.tangent) if look.weighted else None
    key: Key = []
    notes = [f"{len(net.normal)} poles" + (f", {len(net.line)} lines" if len(net.line) else "")]
    if look.blind_zone and len(net.holes):
        more, said = _draw_blind(axes, net, look)
        key, notes = key + more, [*notes, said]
    if look.contours != "none" and len(net.normal) > 1:
        key += _draw_contours(axes, net, look, weights)
    if look.great_circles:
        key += _draw_planes(axes, net, look)
    if look.cones and len(net.cone_alpha_deg):
        key += _draw_cones(axes, net, look)
        notes.append(f"Readings of alpha alone: {len(net.cone_alpha_deg)}; the pole lies somewhere on its circle")
    key += _draw_poles(axes, net, look)
    if look.sets and len(net.normal):
        more, said_of_sets = _draw_sets(axes, net, look, weights)
        key, notes = key + more, notes + said_of_sets
    return key, notes


def _grid(look: NetLook) -> tuple[Floats, Floats, Floats]:
    """Return a grid over the net in its own projection: x, y (m, m) and directions (m, m, 3)."""
    grid = sphere.net_grid(GRID)
    if look.projection == "equal_area":
        return grid.x, grid.y, grid.directions
    return grid.x, grid.y, sphere.from_equal_angle(np.stack([grid.x, grid.y], axis=-1))


def _draw_contours(axes: Axes, net: Net, look: NetLook, weights: Floats | None) -> Key:
    """Draw filled contours of the density of poles, and return their legend."""
    x, y, directions = _grid(look)
    count: Callable[..., Floats] = (
        sphere.kamb_density if look.contours == "kamb" else sphere.exponential_density
    )  # fmt: skip
    density = count(net.normal, directions, weights)
    levels = [level for level in LEVELS if level < float(density.max())]
    if not levels:
        return []
    steps = [*levels, max(float(density.max()), levels[-1] + 1.0)]
    colours = [colormaps["viridis_r"](0.12 + 0.8 * i / max(len(levels) - 1, 1)) for i in range(len(levels))]
    filled = axes.contourf(x, y, density, levels=steps, colors=colours, alpha=0.6, zorder=1)
    filled.set_clip_path(Circle((0, 0), 1.0, transform=axes.transData))
    names = [f"{a:g} to {b:g} σ" for a, b in itertools.pairwise(levels)] + [f"above {levels[-1]:g} σ"]
    return [(Patch(fc=c, alpha=0.6, ec="none"), n) for c, n in zip(colours, names, strict=True)]


def _draw_blind(axes: Axes, net: Net, look: NetLook) -> tuple[Key, str]:
    """Hatch where the poles lie that no hole can be relied on to see; return the legend and a note."""
    x, y, directions = _grid(look)
    # the test of sphere.blind_zone as a continuous value, so that its edge is drawn smooth
    sine = sphere.squarest(net.holes, directions.reshape(-1, 3)).reshape(x.shape)
    limit = float(np.sin(np.deg2rad(sphere.TERZAGHI_CAP_DEG)))
    even = sphere.net_grid(GRID)
    inside = even.x**2 + even.y**2 <= 1.0
    share = (sphere.squarest(net.holes, even.directions[inside]) < limit).mean()
    said = f"Poles met at less than {sphere.TERZAGHI_CAP_DEG:g}° by every hole (blind): {share:.0%} of the net"
    if not np.any((sine < limit) & (x**2 + y**2 <= 1.0)):
        return [], said
    area = axes.contourf(x, y, sine, levels=[-1.0, limit], colors=["none"], hatches=["////"], zorder=1)
    area.set(edgecolor=theme.OTHER, linewidth=0.0)
    area.set_clip_path(Circle((0, 0), 1.0, transform=axes.transData))
    edge = axes.contour(x, y, sine, levels=[limit], colors=[theme.OTHER], linewidths=0.7, zorder=2)
    edge.set_clip_path(Circle((0, 0), 1.0, transform=axes.transData))
    return [(Patch(fc="none", ec=theme.OTHER, hatch="////"), "blind zone of the holes")], said


def _draw_poles(axes: Axes, net: Net, look: NetLook) -> Key:
    """Draw the poles by kind, and lines."""
    palette = theme.class_colours(net.kind.tolist())
    points = project(net.normal, look.projection)
    key: Key = []
    size = float(np.clip(60.0 / np.sqrt(max(len(points), 1)), 1.6, 4.0))
    for kind in sorted(set(net.kind.tolist())):
        chosen = net.kind == kind
        marks = Line2D(
            *points[chosen].T, ls="", marker="o", ms=size, mfc=palette[kind], mec=theme.LIGHT.text, mew=0.25, zorder=4,
            gid=f"poles: {kind}",
        )  # fmt: skip
        axes.add_line(marks)
        key.append((marks, f"{kind or 'no kind'}: {int(chosen.sum())} poles"))
    if net.suspect.any():
        rings = Line2D(
            *points[net.suspect].T, ls="", marker="o", ms=size + 3.0, mfc="none", mec=theme.SUSPECT, mew=0.7, zorder=5,
            gid="suspects",
        )  # fmt: skip
        axes.add_line(rings)
        key.append((rings, f"suspect, drawn as logged: {int(net.suspect.sum())}"))
    if len(net.line):
        marks = Line2D(
            *project(net.line, look.projection).T, ls="", marker="^", ms=size + 0.8, mfc="none", mec=theme.LIGHT.text,
            mew=0.6, zorder=4, gid="lines",
        )  # fmt: skip
        axes.add_line(marks)
        key.append((marks, f"{len(net.line)} lines (gamma)"))
    return key


def _draw_planes(axes: Axes, net: Net, look: NetLook) -> Key:
    """Draw the great circle of every plane."""
    palette = theme.class_colours(net.kind.tolist())
    for normal, kind in zip(net.normal, net.kind.tolist(), strict=True):
        line = curve(sphere.great_circle(normal), look.projection)
        axes.plot(*line.T, lw=0.4, color=palette[kind], alpha=0.8, zorder=3, gid="plane")
    return [(Line2D([], [], lw=0.6, color=theme.LIGHT.quiet), "planes (great circles)")] if len(net.normal) else []


def _draw_cones(axes: Axes, net: Net, look: NetLook) -> Key:
    """Draw the small circle on which the pole of each alpha-only reading lies."""
    for tangent, alpha in zip(net.cone_tangent, net.cone_alpha_deg.tolist(), strict=True):
        ring = curve(sphere.small_circle(tangent, 90.0 - alpha, count=721), look.projection)
        axes.plot(*ring.T, lw=0.35, color=theme.LIGHT.quiet, alpha=0.7, zorder=2, gid="cone")
    return [(Line2D([], [], lw=0.6, color=theme.LIGHT.quiet), "alpha alone (small circles)")]


def _draw_sets(axes: Axes, net: Net, look: NetLook, weights: Floats | None) -> tuple[Key, list[str]]:
    """Draw each set's mean pole, its 95 % cone and its mean plane; return the legend and a line on each."""
    sets = sphere.find_sets(net.normal, weights=weights) if net.sets is None else net.sets(weights is not None)
    told = None if net.told is None else net.told(weights is not None)
    notes = []
    for i in range(len(sets.axis)):
        members = sets.member == i
        mean = sphere.axial_mean(net.normal[members], None if weights is None else weights[members])
        axes.plot(
            *project(mean.axis, look.projection).tolist(), "*", ms=9, mfc=theme.LIGHT.background, mec=theme.LIGHT.text,
            mew=0.9, zorder=7, gid="set mean",
        )  # fmt: skip
        axes.plot(*curve(_cone(mean), look.projection).T, lw=1.0, color=theme.LIGHT.text, zorder=6, gid="set cone")
        plane = curve(sphere.great_circle(mean.axis), look.projection)
        axes.plot(*plane.T, lw=0.9, ls=(0, (5, 2)), color=theme.LIGHT.text, zorder=5, gid="set plane")
        x, y = (project(mean.axis, look.projection) + 0.035).tolist()
        axes.text(x, y, f"{i + 1}", fontsize=SMALL_PT + 2, fontweight="bold", zorder=8, bbox=BACKED)
        dip, direction = (float(angle[0]) for angle in orient.dip_of_plane(mean.axis[None]))
        towards = f"{direction:03.0f}" if np.isfinite(direction) else "–"
        notes.append(
            f"Set {i + 1}: dip/dip direction {dip:.0f}/{towards}, mean ±{mean.cone_deg[0]:.1f}° (95 %), "
            f"scatter {sets.scatter_deg[i]:.0f}°, {int(members.sum())} poles"
            + ("" if told is None else _spacing(told.iloc[i]))
        )
    if not notes:
        return [], ["No sets: the poles can't be told from an even spread"]
    alone = int((sets.member < 0).sum())
    key: Key = [
        (
            Line2D([], [], ls="", marker="*", ms=9, mfc=theme.LIGHT.background, mec=theme.LIGHT.text),
            "set: mean pole, 95 % cone",
        ),
        (Line2D([], [], lw=0.9, ls=(0, (5, 2)), color=theme.LIGHT.text), "set: mean plane"),
    ]
    return key, [*notes, f"{alone} poles in no set"]


def _spacing(told: pd.Series) -> str:
    """Say how far apart the planes of a set stand, with the ends of its 95 % interval."""
    spacing, low, high = (float(told[name]) for name in ("spacing", "spacing_low", "spacing_high"))
    if not np.isfinite(spacing):
        return ""
    ends = f"{low:.2g} to {high:.2g} m" if np.isfinite(high) else f"{low:.2g} m or more"
    return f", spacing {spacing:.2g} m ({ends})"


def _cone(mean: sphere.AxialMean, count: int = 181) -> Floats:
    """Return the elliptical cone of a mean axis as directions, once around."""
    turn = np.linspace(0.0, 2 * np.pi, count)
    half = np.deg2rad(mean.cone_deg)
    away = np.outer(np.cos(turn) * half[0], mean.cone_axes[0]) + np.outer(np.sin(turn) * half[1], mean.cone_axes[1])
    angle = np.linalg.norm(away, axis=1, keepdims=True)
    return np.asarray(np.cos(angle) * mean.axis + np.sinc(angle / np.pi) * away)
