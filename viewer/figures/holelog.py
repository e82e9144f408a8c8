"""The log of one hole: everything that was read in it, against depth, on one sheet.

Tadpoles stand at the dip of a plane and their tails point to its dip direction, north being up the sheet (a convention
of the trade).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, cast

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path

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
    blank,
    draw_title,
    in_millimetres,
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
FEWEST_FOR_A_REACH: Final = 10
"""Line offsets from which nine in ten say how wide their track reaches; those beyond are written as numbers."""
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


@dataclass(slots=True, eq=False)
class Track:
    """A column of the log: values across against depth, in millimetres of axes that all tracks share.

    Axes of their own for every track, with ticks made one by one, would take ten times as long to draw.

    Attributes
    ----------
    axes : Axes
        Of the whole log, millimetres from the lower left corner of its frame.
    name : str
    left, width, height : float
        Of the column, millimetres.
    top, bottom : float
        First and last depth, metres.
    low, high : float
        Values at the left and the right edge.
    """

    axes: Axes
    name: str
    left: float
    width: float
    height: float
    top: float
    bottom: float
    low: float = 0.0
    high: float = 1.0

    def across(self, value: npt.ArrayLike) -> Floats:
        """Return where values lie across, millimetres."""
        return self.left + (np.asarray(value, dtype=float) - self.low) / (self.high - self.low) * self.width

    def down(self, depth: npt.ArrayLike) -> Floats:
        """Return where depths lie, millimetres from the foot."""
        return self.height * (self.bottom - np.asarray(depth, dtype=float)) / (self.bottom - self.top)

    @property
    def metres_per_mm(self) -> float:
        """Metres of depth to a millimetre."""
        return (self.bottom - self.top) / self.height

    def boxes(self, across: tuple[npt.ArrayLike, npt.ArrayLike], depths: tuple[npt.ArrayLike, npt.ArrayLike],
              colour: str, gid: str, **look: Any) -> None:  # fmt: skip
        """Draw boxes between two values and two depths each, cut at the ends of the sheet, as one shape."""
        edges = np.broadcast_arrays(*(np.atleast_1d(np.asarray(one, dtype=float)) for one in (*across, *depths)))
        x0, x1 = self.across(edges[0]), self.across(edges[1])
        y0, y1 = (self.down(np.clip(one, self.top, self.bottom)) for one in edges[2:])
        corners = np.stack([np.stack([x0, x1, x1, x0], axis=-1), np.stack([y0, y0, y1, y1], axis=-1)], axis=-1)
        shape = Path.make_compound_path_from_polys(corners)
        self._add(shape, gid, **{"fc": colour, "ec": "none", "lw": 0.0, **look})

    def lines(self, segments: npt.ArrayLike, gid: str, **look: Any) -> None:
        """Draw straight pieces, (n, 2, 2): value and depth of their two ends; outside the sheet they are left out."""
        pieces = np.asarray(segments, dtype=float).reshape(-1, 2, 2)
        shown = ((pieces[..., 1] >= self.top) & (pieces[..., 1] <= self.bottom)).all(axis=1)
        ends = np.stack([self.across(pieces[shown, :, 0]), self.down(pieces[shown, :, 1])], axis=-1)
        self.strokes(ends, gid, **look)

    def strokes(self, ends: Floats, gid: str, **look: Any) -> None:
        """Draw straight pieces between points of the paper, (n, 2, 2) millimetres, as one shape."""
        codes = np.tile(np.array([Path.MOVETO, Path.LINETO], dtype=Path.code_type), len(ends))
        shape = Path(ends.reshape(-1, 2), codes)
        self._add(shape, gid, **{"fc": "none", "ec": theme.LIGHT.quiet, "lw": 0.5, **look})

    def _add(self, shape: Path, gid: str, **look: Any) -> None:
        if np.size(shape.vertices):
            self.axes.add_artist(PathPatch(shape, gid=f"{self.name}: {gid}", **look))

    def marks(self, values: npt.ArrayLike, depths: npt.ArrayLike, gid: str, **look: Any) -> Line2D:
        """Draw marks at values and depths."""
        depths = np.asarray(depths, dtype=float)
        shown = (depths >= self.top) & (depths <= self.bottom)
        place = self.across(np.asarray(values, dtype=float)[shown]), self.down(depths[shown])
        marks = Line2D(*place, ls="", marker="o", clip_on=False, gid=f"{self.name}: {gid}", **look)
        self.axes.add_line(marks)
        return marks

    def say(self, value: float, depth: float, text: str, **look: Any) -> None:
        """Write a text at a value and a depth."""
        self.axes.text(float(self.across(value)), float(self.down(depth)), text, **{"va": "center", **look})


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
        frame, height = sheet.frame, sheet.frame.height - HEADER_MM
        axes = in_millimetres(sheet.figure, Box(frame.left, frame.bottom, frame.width, height))
        left = 0.0
        for (name, _, draw), width in zip(drawn, widths.tolist(), strict=True):
            track = _start_track(Track(axes, name, left, width, height, top, last))
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


def _start_track(track: Track) -> Track:
    """Draw a track's frame, its name above, and the lines of round depths."""
    step = theme.nice_step(10.0 * track.metres_per_mm, parts=1)
    depths = grid_values(track.top, track.bottom, step)
    across = np.tile([0.0, 1.0], (len(depths), 1))
    track.lines(np.stack([across, np.repeat(depths, 2).reshape(-1, 2)], axis=-1), "grid", ec=theme.LIGHT.grid, zorder=0)
    track.boxes((0.0, 1.0), (track.top, track.bottom), "none", "frame", ec=theme.LIGHT.text, lw=0.6,
                clip_on=False, zorder=3)  # fmt: skip
    widest = max(text_size(word, NAME_PT)[0] for word in track.name.split(" "))
    size = NAME_PT * min(1.0, (track.width + 1.0) / widest)
    track.axes.text(
        track.left + track.width / 2.0, track.height + 4.5, "\n".join(wrapped(track.name, track.width + 1.2, size)),
        fontsize=size, ha="center", va="bottom", linespacing=1.05, gid="track name",
    )  # fmt: skip
    return track


def _scaled(track: Track, low: float, high: float, ticks: list[float]) -> Track:
    """Give a track a scale across, with numbered ticks; the numbers of neighbours don't run together."""
    track.low, track.high = low, high
    sides = ["left", *["center"] * (len(ticks) - 2), "right"]
    for value, side in zip(ticks, sides, strict=False):
        place = float(track.across(value))
        track.axes.text(
            place, track.height + 1.6, f"{value:g}", fontsize=SMALL_PT - 1.0, ha=side, va="bottom", gid="tick"
        )
    x = track.across(ticks)
    ends = np.stack([np.column_stack([x, x]), np.tile([track.height, track.height + 0.6], (len(x), 1))], axis=-1)
    track.strokes(ends, "ticks", ec=theme.LIGHT.text, clip_on=False)
    return track


def _empty(track: Track, why: str) -> tuple[Key, list[str]]:
    """Say in a track that there is nothing to show."""
    middle = (track.left + track.width / 2.0, track.height / 2.0)
    look: dict[str, Any] = {"rotation": 90, "fontsize": SMALL_PT, "color": theme.LIGHT.quiet}
    track.axes.text(*middle, why, ha="center", va="center", **look)
    return [], []


def _draw_depth(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    end = float(log.traces.end[log.hole])
    room = 1.6 * track.metres_per_mm
    depths = grid_values(track.top, track.bottom, theme.nice_step(10.0 * track.metres_per_mm, parts=1))
    shown = [depth for depth in depths if track.top + room / 2 < depth <= min(track.bottom - room / 2, end - room)]
    for depth in shown:
        track.say(0.72, depth, grouped(float(depth)), ha="right", fontsize=SMALL_PT, gid="depth")
    track.lines([[(0.78, depth), (1.0, depth)] for depth in shown], "ticks", ec=theme.LIGHT.text)
    track.lines([[(0.0, end), (1.0, end)]], "end of hole", ec=theme.LIGHT.text, lw=1.2)
    return [], [f"End of hole {end:g} m"]


def _interval_track(bars: Bars) -> Callable[[Track, HoleLog], tuple[Key, list[str]]]:
    def draw(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
        own = bars.hole == log.hole
        if not own.any():
            return _empty(track, "none in this hole")
        colours, key = bar_colours(bars, own)
        drawn = np.array([to_hex(cast(Any, colours[row])) for row in np.flatnonzero(own).tolist()])
        for colour in np.unique(drawn).tolist():
            rows = np.flatnonzero(own)[drawn == colour]
            track.boxes((0.0, 1.0), (bars.depth_from[rows], bars.depth_to[rows]), colour, "interval")
        return key, []

    return draw


def _run_columns(log: HoleLog, *names: str) -> list[Floats]:
    return [log.runs[name].to_numpy(dtype=float) for name in names]


def _draw_recovery(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    top, bottom, recovered = _run_columns(log, "depth_from", "depth_to", "recovered")
    known = np.isfinite(recovered) & (bottom > top)
    if not known.any():
        return _empty(track, "no recovery")
    share = FULL * recovered[known] / (bottom - top)[known]
    _scaled(track, 0.0, max(FULL, float(share.max())) * 1.02, [0.0, 50.0, 100.0])
    over = share > FULL + 1e-6
    look = {"ec": theme.LIGHT.background, "lw": 0.2}
    for rows, colour in ((~over, theme.OKABE_ITO["sky blue"]), (over, theme.OKABE_ITO["vermilion"])):
        track.boxes((0.0, share[rows]), (top[known][rows], bottom[known][rows]), colour, "recovery", **look)
    mean = FULL * float(recovered[known].sum() / (bottom - top)[known].sum())
    over_full = int(over.sum())
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
    palette = theme.class_colours(f"run grade {name}" for name in shown)
    for name in shown:
        own = grade == name
        track.boxes((0.0, 1.0), (top[own], bottom[own]), palette[f"run grade {name}"], f"grade {name}")
    return [(Patch(fc=colour, ec="none"), name) for name, colour in palette.items()], []


def _draw_agreement(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    """Colour each run by how its line agrees with the lines of the runs it is fitted to."""
    if log.lines is None or (log.lines["agreement"] == GRADES[-1]).all():
        return _empty(track, "no fitted ends")
    shown = [name for name in GRADES if (log.lines["agreement"] == name).any()]
    for name in shown:
        own = log.lines[log.lines["agreement"] == name]
        track.boxes((0.0, 1.0), (own["depth_from"], own["depth_to"]), AGREEMENT[name], f"line {name}")
    return [(Patch(fc=AGREEMENT[name], ec="none"), f"line {name}") for name in shown], []


def _draw_offsets(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    top, offset = _run_columns(log, "depth_from", "line_offset")
    known = np.isfinite(offset)
    if not known.any():
        return _empty(track, "no line offsets")
    value = (offset[known] + 180.0) % 360.0 - 180.0
    usual = float(np.quantile(np.abs(value), 0.9)) if len(value) >= FEWEST_FOR_A_REACH else float(np.abs(value).max())
    reach = float(np.clip(np.ceil(1.1 * usual / 15.0) * 15.0, 15.0, 180.0))
    beyond = np.abs(value) > reach
    _scaled(track, -reach, reach, [-reach, 0.0, reach])
    track.lines([[(0.0, track.top), (0.0, track.bottom)]], "zero")
    at = np.clip(value, -reach, reach)
    depths = np.column_stack([top[known], top[known]])
    track.lines(np.stack([np.column_stack([np.zeros(len(at)), at]), depths], axis=-1), "stems", lw=0.6)
    track.marks(at[~beyond], top[known][~beyond], "line offset", ms=1.8, color=theme.OKABE_ITO["blue"])
    for side, depth, said in zip(at[beyond].tolist(), top[known][beyond].tolist(), value[beyond].tolist(), strict=True):
        track.say(side, depth, f"{said:+.0f}", ha="left" if side < 0 else "right", fontsize=SMALL_PT - 1.0,
                  va="bottom", color=theme.SUSPECT, gid="line offset beyond")  # fmt: skip
    mark = Line2D([], [], ls="", marker="o", ms=2.5, color=theme.OKABE_ITO["blue"])
    return [(mark, "line against the run above (clockwise positive)")], []


def _draw_tadpoles(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    planes = log.structures
    if planes is None or not np.any(planes.hole == log.hole):
        return _empty(track, "no oriented structures")
    # a rim as wide as a tail on both sides, so that every tadpole is whole
    rim = 90.0 * TAIL_MM / (track.width - 2.0 * TAIL_MM)
    ticks = [0.0, 30.0, 60.0, 90.0]
    _scaled(track, -rim, 90.0 + rim, ticks)
    upright = [[(dip, track.top), (dip, track.bottom)] for dip in ticks]
    track.lines(upright, "dips", ec=theme.LIGHT.grid, zorder=0)
    palette = theme.class_colours(planes.kind.tolist())
    own = planes.hole == log.hole
    key: Key = []
    for kind in sorted(set(planes.kind[own].tolist())):
        chosen = own & (planes.kind == kind)
        dip, depth = planes.dip_deg[chosen], planes.depth[chosen]
        bearing = np.deg2rad(planes.dip_direction_deg[chosen])
        head = np.column_stack([track.across(dip), track.down(depth)])
        tail = head + TAIL_MM * np.column_stack([np.sin(bearing), np.cos(bearing)])
        pointed = np.isfinite(bearing) & (depth >= track.top) & (depth <= track.bottom)
        ends = np.stack([head, tail], axis=1)[pointed]
        track.strokes(ends, f"tails: {kind}", ec=palette[kind], lw=0.7, clip_on=False)
        marks = track.marks(dip, depth, f"tadpole: {kind}", ms=2.6, mfc=palette[kind], mec=theme.LIGHT.text, mew=0.25)
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
    _scaled(track, 0.0, high * 1.05, [0.0, float(f"{high:.1g}")])
    track.boxes((0.0, rate), (edges[:-1], edges[:-1] + length), theme.LIGHT.quiet, "frequency")
    return [], [f"Oriented structures counted in steps of {size:g} m"]


def _draw_dogleg(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    frame = trace_frame(log.traces)
    own = frame[(frame["hole_id"] == log.traces.hole_ids[log.hole]).to_numpy()]
    depth, severity = own["depth"].to_numpy(dtype=float), own["dogleg_30m"].to_numpy(dtype=float)
    high = max(float(severity.max()), 1.0) * 1.1
    _scaled(track, 0.0, high, [0.0, float(f"{high:.1g}") if float(f"{high:.1g}") <= high else high / 2])
    surveyed = float(log.traces.surveyed[log.hole])
    known = depth <= surveyed
    values, edges = np.repeat(severity[known][1:], 2), np.repeat(depth[known], 2)[1:-1]
    stairs = np.column_stack([values, edges])
    track.lines(np.stack([stairs[:-1], stairs[1:]], axis=1), "dogleg", ec=theme.LIGHT.text, lw=0.9)
    end = float(log.traces.end[log.hole])
    key: Key = []
    if end > surveyed:
        track.boxes((0.0, high), (surveyed, end), "none", "not surveyed", ec=theme.OTHER, hatch="////")
        key.append((Patch(fc="none", ec=theme.OTHER, hatch="////", lw=0.0), "below the last survey"))
    return key, []


def _draw_suspects(track: Track, log: HoleLog) -> tuple[Key, list[str]]:
    if log.suspects is None:
        return _empty(track, "not looked for")
    if log.suspects.empty:
        return _empty(track, "none found")
    notes = []
    end = float(log.traces.end[log.hole])
    rows = log.suspects[["depth_from", "depth_to", "message"]].itertuples(index=False)
    for number, (first, last, message) in enumerate(rows, start=1):
        top, bottom = (0.0 if pd.isna(first) else float(first)), (end if pd.isna(last) else float(last))
        least = 1.2 * track.metres_per_mm  # a single reading is drawn as high as a number can be read beside it
        middle = (top + bottom) / 2
        height = max(bottom - top, least)
        track.boxes((0.55, 0.9), (middle - height / 2, middle + height / 2), theme.SUSPECT, "suspect")
        track.say(0.45, middle, f"{number}", ha="right", fontsize=SMALL_PT - 0.5)
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
