"""The log of one hole: everything that was read in it, against depth, on one sheet.

Tadpoles stand at the dip of a plane and their tails point to its dip direction, north being up the sheet (a convention
of the trade).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from desurvey.runs import GRADES
from desurvey.traces import Traces, trace_frame
from viewer import theme
from viewer.figures.drawing import grid_values, grouped
from viewer.figures.holes import bar_colours
from viewer.figures.layers import Bars, Structures
from viewer.figures.legend import draw_key, draw_notes
from viewer.figures.sheet import (
    SMALL_PT,
    Box,
    PaperSheet,
    Title,
    axes_at,
    blank,
    draw_title,
    round_scale,
    style,
    text_size,
    with_lines,
    wrapped,
)
from viewer.theme import Paper

__all__ = ["HoleLog", "draw_log"]

Floats = npt.NDArray[np.float64]
Key = list[tuple[Line2D | Patch, str]]

HEADER_MM: Final = 15.0
"""Room above the tracks for their names and scales."""
NAME_PT: Final = SMALL_PT - 0.3
AGREEMENT: Final = {
    "locked": theme.OKABE_ITO["bluish green"],
    "held": theme.OKABE_ITO["sky blue"],
    "in doubt": theme.OKABE_ITO["orange"],
    "loose": theme.LIGHT.grid,
}
"""Colours of how a run's line agrees with its neighbours, from locked to loose."""
TAIL_MM: Final = 3.0
BIN_PARTS: Final = 40
FULL: Final = 100.0
"""Recovery in per cent beyond which a run holds more core than its length."""


@dataclass(frozen=True, slots=True, eq=False)
class HoleLog:
    """What is known of one hole.

    Attributes
    ----------
    traces : Traces
        Desurveyed holes.
    hole : int
        Which of them.
    title : Title
        For the title block.
    runs : pandas.DataFrame
        Its runs (depth_from, depth_to, recovered, line_offset, grade).
    structures : Structures or None
        Its planes.
    bars : tuple of Bars
        Its intervals, one a track.
    lines : pandas.DataFrame or None
        How each run's line agrees with its neighbours (depth_from, depth_to, agreement), as
        :func:`desurvey.runs.run_table` says it.
    suspects : pandas.DataFrame or None
        The rows of ``suspects.csv`` that concern it (depth_from, depth_to, message); None: not looked for.
    """

    traces: Traces
    hole: int
    title: Title
    runs: pd.DataFrame
    structures: Structures | None = None
    bars: tuple[Bars, ...] = ()
    lines: pd.DataFrame | None = None
    suspects: pd.DataFrame | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """A column of the log: axes whose y is depth, and their size on the paper."""

    axes: Axes
    width: float
    height: float

    def per_mm(self) -> Floats:
        """Return data units to the millimetre, across and down, shape (2,)."""
        (left, right), (bottom, top) = self.axes.get_xlim(), self.axes.get_ylim()
        return np.array([(right - left) / self.width, (bottom - top) / self.height])


def draw_log(log: HoleLog, *, paper: Paper = "A4", top: float = 0.0, bottom: float | None = None) -> Figure:
    """Return the log of a hole as a figure of true size, on an upright sheet.

    Parameters
    ----------
    log : HoleLog
        What there is to show.
    paper : {"A4", "A3", "letter", "tabloid"}
        The sheet.
    top, bottom : float
        First and last depth shown, metres; to the end of the hole when ``bottom`` is left out.
    """
    with style():
        sheet = blank(paper, "portrait")
        end = float(log.traces.end[log.hole]) if bottom is None else bottom
        scale = round_scale(max(end - top, 1.0), sheet.frame.height - HEADER_MM)
        last = top + (sheet.frame.height - HEADER_MM) * scale / 1000.0
        drawn = _tracks(log)
        widths = np.array([width for _, width, _ in drawn])
        widths *= (sheet.frame.width - 2.0 * (len(widths) - 1)) / widths.sum()
        key: Key = []
        notes: list[str] = []
        left = sheet.frame.left
        for (name, _, draw), width in zip(drawn, widths.tolist(), strict=True):
            track = _start_track(sheet, (left, width), (top, last), name)
            more, said = draw(track, log)
            key, notes = key + more, notes + said
            left += width + 2.0
        _draw_margins(sheet, log, key, notes)
        draw_title(sheet, with_lines(log.title, *_said(log)), "1:" + grouped(scale))
    return sheet.figure


def _tracks(log: HoleLog) -> list[tuple[str, float, Callable[[Track, HoleLog], tuple[Key, list[str]]]]]:
    """Return the tracks of a log: name, relative width, and what draws them."""
    bars = [(theme.heading(bar.name), 11.0, _interval_track(bar)) for bar in log.bars]
    return [
        ("depth (m)", 9.0, _draw_depth),
        *bars,
        ("recovery (%)", 15.0, _draw_recovery),
        ("run grade", 9.0, _draw_grade),
        ("line held", 7.0, _draw_agreement),
        ("line offset (°)", 18.0, _draw_offsets),
        ("dip (°), tail to the dip direction", 32.0, _draw_tadpoles),
        ("structures per m", 14.0, _draw_frequency),
        ("dogleg (°/30\u00a0m)", 15.0, _draw_dogleg),
        ("suspects", 9.0, _draw_suspects),
    ]


def _start_track(sheet: PaperSheet, across: tuple[float, float], depths: tuple[float, float], name: str) -> Track:
    height = sheet.frame.height - HEADER_MM
    box = Box(across[0], sheet.frame.bottom, across[1], height)
    axes = axes_at(sheet.figure, box, label=f"track: {name}")
    axes.set_ylim(depths[1], depths[0])
    axes.set_autoscale_on(False)
    step = theme.nice_step((depths[1] - depths[0]) * 10.0 / height, parts=1)
    axes.set_yticks(grid_values(*depths, step), [])
    axes.tick_params(axis="y", length=0)
    axes.xaxis.tick_top()
    axes.tick_params(axis="x", length=1.5, pad=1.0, labelsize=SMALL_PT - 1.0)
    axes.grid(visible=True, axis="y")
    axes.set_axisbelow(True)
    _name_track(axes, name, across[1], height)
    return Track(axes, across[1], height)


def _name_track(axes: Axes, name: str, width: float, height: float) -> None:
    """Write a track's name above it, in lines no wider than the track."""
    widest = max(text_size(word, NAME_PT)[0] for word in name.split(" "))
    size = NAME_PT * min(1.0, (width + 1.0) / widest)
    axes.text(
        0.5, 1.0 + 4.5 / height, "\n".join(wrapped(name, width + 1.2, size)), transform=axes.transAxes, fontsize=size,
        ha="center", va="bottom", linespacing=1.05, gid="track name",
    )  # fmt: skip


def _scaled(track: Track, low: float, high: float, ticks: list[float]) -> Axes:
    """Give a track a scale across, with numbered ticks."""
    track.axes.set_xlim(low, high)
    track.axes.set_xticks(ticks, [f"{value:g}" for value in ticks])
    labels = track.axes.get_xticklabels()
    labels[0].set_horizontalalignment("left")  # so that numbers of neighbouring tracks don't run together
    labels[-1].set_horizontalalignment("right")
    return track.axes


def _bare(track: Track) -> Axes:
    track.axes.set_xlim(0.0, 1.0)
    track.axes.set_xticks([])
    return track.axes


def _empty(track: Track, why: str) -> tuple[Key, list[str]]:
    """Say in a track that there is nothing to show."""
    axes = _bare(track)
    axes.text(
        0.5, 0.5, why, transform=axes.transAxes, rotation=90, ha="center", va="center", fontsize=SMALL_PT,
        color=theme.LIGHT.quiet,
    )  # fmt: skip
    return [], []


def _draw_depth(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    axes = _bare(track)
    axes.grid(visible=False)
    first, last = axes.get_ylim()[1], axes.get_ylim()[0]
    end = float(log.traces.end[log.hole])
    room = 1.6 * float(track.per_mm()[1])
    for depth in axes.get_yticks():
        if first + room / 2 < depth <= last - room / 2 and depth <= end - room:
            axes.text(0.72, depth, grouped(float(depth)), ha="right", va="center", fontsize=SMALL_PT, gid="depth")
            axes.plot([0.78, 1.0], [depth, depth], lw=0.5, color=theme.LIGHT.text)
    axes.plot([0.0, 1.0], [end, end], lw=1.2, color=theme.LIGHT.text, gid="end of hole")
    return [], [f"End of hole {end:g} m"]


def _interval_track(bars: Bars) -> Callable[[Track, HoleLog], tuple[Key, list[str]]]:
    def draw(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
        axes = _bare(track)
        own = bars.hole == log.hole
        colours, key = bar_colours(bars, own)
        for row in np.flatnonzero(own).tolist():
            top, height = bars.depth_from[row], bars.depth_to[row] - bars.depth_from[row]
            axes.add_patch(Rectangle((0.0, top), 1.0, height, fc=colours[row], ec="none", gid="interval"))
        return (key, []) if own.any() else _empty(track, "none in this hole")

    return draw


def _run_columns(log: HoleLog, *names: str) -> list[Floats]:
    return [log.runs[name].to_numpy(dtype=float) for name in names]


def _draw_recovery(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    top, bottom, recovered = _run_columns(log, "depth_from", "depth_to", "recovered")
    known = np.isfinite(recovered) & (bottom > top)
    if not known.any():
        return _empty(track, "no recovery")
    share = FULL * recovered[known] / (bottom - top)[known]
    axes = _scaled(track, 0.0, max(FULL, float(share.max())) * 1.02, [0.0, 50.0, 100.0])
    for value, first, last in zip(share.tolist(), top[known].tolist(), bottom[known].tolist(), strict=True):
        over = value > FULL + 1e-6
        colour = theme.OKABE_ITO["vermilion"] if over else theme.OKABE_ITO["sky blue"]
        axes.add_patch(
            Rectangle((0.0, first), value, last - first, fc=colour, ec=theme.LIGHT.background, lw=0.2, gid="recovery")
        )
    mean = FULL * float(recovered[known].sum() / (bottom - top)[known].sum())
    over_full = int((share > FULL + 1e-6).sum())
    notes = [f"Recovery {mean:.1f} % over {int(known.sum())} runs"]
    key: Key = [(Patch(fc=theme.OKABE_ITO["sky blue"], ec="none"), "recovered core")]
    if over_full:
        key.append((Patch(fc=theme.OKABE_ITO["vermilion"], ec="none"), "more core than run"))
        notes.append(f"Runs with more core than length: {over_full}")
    return key, notes


def _draw_grade(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    grade = log.runs["grade"].fillna("").astype(str).to_numpy()
    top, bottom = _run_columns(log, "depth_from", "depth_to")
    shown = sorted(set(grade.tolist()) - {"", "nan"})
    if not shown:
        return _empty(track, "no grades")
    axes = _bare(track)
    palette = theme.class_colours(f"run grade {name}" for name in shown)
    for name, first, last in zip(grade.tolist(), top.tolist(), bottom.tolist(), strict=True):
        if name in shown:
            colour = palette[f"run grade {name}"]
            axes.add_patch(Rectangle((0.0, first), 1.0, last - first, fc=colour, ec="none", gid=f"grade {name}"))
    return [(Patch(fc=colour, ec="none"), name) for name, colour in palette.items()], []


def _draw_agreement(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    """Colour each run by how its line agrees with the lines of the runs it is fitted to."""
    if log.lines is None or (log.lines["agreement"] == GRADES[-1]).all():
        return _empty(track, "no fitted ends")
    axes = _bare(track)
    rows = log.lines[["depth_from", "depth_to", "agreement"]].itertuples(index=False)
    for first, last, agreement in rows:
        patch = Rectangle((0.0, first), 1.0, last - first, fc=AGREEMENT[agreement], ec="none", gid=f"line {agreement}")
        axes.add_patch(patch)
    shown = [name for name in GRADES if (log.lines["agreement"] == name).any()]
    return [(Patch(fc=AGREEMENT[name], ec="none"), f"line {name}") for name in shown], []


def _draw_offsets(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    top, offset = _run_columns(log, "depth_from", "line_offset")
    known = np.isfinite(offset)
    if not known.any():
        return _empty(track, "no line offsets")
    value = (offset[known] + 180.0) % 360.0 - 180.0
    reach = float(np.clip(np.ceil(np.abs(value).max() / 15.0) * 15.0, 15.0, 180.0))
    axes = _scaled(track, -reach, reach, [-reach, 0.0, reach])
    axes.axvline(0.0, lw=0.5, color=theme.LIGHT.quiet)
    axes.hlines(top[known], 0.0, value, lw=0.6, color=theme.LIGHT.quiet)
    axes.plot(value, top[known], "o", ms=1.8, color=theme.OKABE_ITO["blue"], gid="line offset")
    mark = Line2D([], [], ls="", marker="o", ms=2.5, color=theme.OKABE_ITO["blue"])
    return [(mark, "line against the run above (clockwise positive)")], []


def _draw_tadpoles(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    axes = _scaled(track, 0.0, 90.0, [0.0, 30.0, 60.0, 90.0])
    axes.grid(visible=True, axis="x")
    planes = log.structures
    if planes is None or not np.any(planes.hole == log.hole):
        return _empty(track, "no oriented structures")
    palette = theme.class_colours(planes.kind.tolist())
    own = planes.hole == log.hole
    key: Key = []
    for kind in sorted(set(planes.kind[own].tolist())):
        chosen = own & (planes.kind == kind)
        at = np.column_stack([planes.dip_deg[chosen], planes.depth[chosen]])
        bearing = np.deg2rad(planes.dip_direction_deg[chosen])
        tail = np.column_stack([np.sin(bearing), -np.cos(bearing)]) * TAIL_MM * track.per_mm()  # depth grows downwards
        pointed = np.isfinite(bearing)
        tails = np.stack([at, at + tail], axis=1)[pointed]
        axes.add_collection(
            LineCollection(list(tails), colors=palette[kind], lw=0.7, label=f"tails: {kind}"), autolim=False
        )
        marks = Line2D(
            *at.T, ls="", marker="o", ms=2.6, mfc=palette[kind], mec=theme.LIGHT.text, mew=0.25, gid=f"tadpole: {kind}"
        )
        axes.add_line(marks)
        key.append((marks, f"{kind or 'no kind'}: {int(chosen.sum())}"))
    return key, []


def _draw_frequency(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    planes = log.structures
    if planes is None or not np.any(planes.hole == log.hole):
        return _empty(track, "no oriented structures")
    depth = planes.depth[planes.hole == log.hole]
    end = float(log.traces.end[log.hole])
    size = theme.nice_step(end, parts=BIN_PARTS)
    edges = np.arange(0.0, end + size, size)
    count, _ = np.histogram(depth, edges)
    length = np.minimum(edges[1:], end) - edges[:-1]
    rate = count / np.where(length > 0, length, 1.0)
    high = max(float(rate.max()), 1e-9)
    axes = _scaled(track, 0.0, high * 1.05, [0.0, float(f"{high:.1g}")])
    axes.barh(edges[:-1], rate, height=length, align="edge", color=theme.LIGHT.quiet, lw=0.0, gid="frequency")
    return [], [f"Oriented structures counted in steps of {size:g} m"]


def _draw_dogleg(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    frame = trace_frame(log.traces)
    own = frame[(frame["hole_id"] == log.traces.hole_ids[log.hole]).to_numpy()]
    depth, severity = own["depth"].to_numpy(dtype=float), own["dogleg_30m"].to_numpy(dtype=float)
    high = max(float(severity.max()), 1.0) * 1.1
    axes = _scaled(track, 0.0, high, [0.0, float(f"{high:.1g}") if float(f"{high:.1g}") <= high else high / 2])
    surveyed = float(log.traces.surveyed[log.hole])
    known = depth <= surveyed
    axes.stairs(severity[known][1:], depth[known], orientation="horizontal", lw=0.9, color=theme.LIGHT.text)
    end = float(log.traces.end[log.hole])
    key: Key = []
    if end > surveyed:
        axes.add_patch(
            Rectangle((0.0, surveyed), high, end - surveyed, fc="none", ec=theme.OTHER, hatch="////", lw=0.0)
        )
        key.append((Patch(fc="none", ec=theme.OTHER, hatch="////", lw=0.0), "below the last survey"))
    return key, []


def _draw_suspects(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    if log.suspects is None:
        return _empty(track, "not looked for")
    if log.suspects.empty:
        return _empty(track, "none found")
    axes = _bare(track)
    notes = []
    end = float(log.traces.end[log.hole])
    rows = log.suspects[["depth_from", "depth_to", "message"]].itertuples(index=False)
    for number, (first, last, message) in enumerate(rows, start=1):
        top, bottom = (0.0 if pd.isna(first) else float(first)), (end if pd.isna(last) else float(last))
        least = 1.2 * float(track.per_mm()[1])  # a single reading is drawn as high as a number can be read beside it
        middle = (top + bottom) / 2
        height = max(bottom - top, least)
        axes.add_patch(
            Rectangle(
                (0.55, middle - height / 2), 0.35, height, fc=theme.OKABE_ITO["vermilion"], ec="none", gid="suspect"
            )
        )
        axes.text(0.45, middle, f"{number}", ha="right", va="center", fontsize=SMALL_PT - 0.5)
        notes.append(f"Suspect {number}: {message}")
    return [(Patch(fc=theme.SUSPECT, ec="none"), "suspect (see notes)")], notes


def _draw_margins(sheet: PaperSheet, log: HoleLog, key: Key, notes: list[str]) -> None:
    """Fill the side column."""
    top = float(sheet.side.get_ylim()[1])
    sheet.side.text(0.0, top, str(log.traces.hole_ids[log.hole]), fontsize=16, fontweight="bold", va="top")
    draw_notes(sheet.side, draw_key(sheet.side, top - 9.0, key), notes)


def _said(log: HoleLog) -> list[str]:
    """Return what the title block says of the hole."""
    start = log.traces.position[log.traces.offsets[log.hole]]
    return [
        f"Collar {grouped(round(float(start[0]), 2))} E, {grouped(round(float(start[1]), 2))} N, "
        f"{float(start[2]):.2f} m; depths along the hole",
    ]
