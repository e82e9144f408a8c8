"""Sheets of the campaign: control charts of the work, and how right the predictions were."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure
from scipy import stats

from viewer import theme
from viewer.figures.sheet import (
    BODY_PT,
    SIDE_WIDTH,
    SMALL_PT,
    Box,
    PaperSheet,
    Title,
    axes_at,
    blank,
    draw_title,
    lines_down,
    style,
    wrapped,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from desurvey.campaign.quality import Quality
    from desurvey.campaign.score import Score
    from viewer.theme import Paper

__all__ = ["draw_quality", "draw_score"]

IN, OUT, LIMIT = theme.OKABE_ITO["blue"], theme.OKABE_ITO["vermilion"], theme.OKABE_ITO["orange"]

MOST_CHARTS = 6
"""Measures on one sheet, those with points outside first."""

ROOM_LEFT, ROOM_BETWEEN, ROOM_BELOW = 14.0, 14.0, 11.0
"""Millimetres for the numbers beside, between and below the charts."""


def draw_quality(quality: Quality, title: Title, *, paper: Paper = "A4") -> Figure:
    """Return the control charts of a project as a sheet: in time on the left, by group on the right."""
    with style():
        sheet = blank(paper, "landscape")
        charts = quality.charts
        names = charts.groupby("measure", sort=False)["outside"].sum().sort_values(ascending=False, kind="stable")
        shown = list(names.index[:MOST_CHARTS])
        rows = max(len(shown), 1)
        height = sheet.frame.height / rows
        wide = 0.6 * (sheet.frame.width - ROOM_LEFT - ROOM_BETWEEN)
        narrow = sheet.frame.width - ROOM_LEFT - ROOM_BETWEEN - wide
        for place, name in enumerate(shown):
            own = charts[charts["measure"] == name]
            bottom = sheet.frame.bottom + sheet.frame.height - (place + 1) * height + ROOM_BELOW
            left = sheet.frame.left + ROOM_LEFT
            unit = next(one.unit for one in quality.measures if one.name == name)
            time = axes_at(sheet.figure, Box(left, bottom, wide, height - ROOM_BELOW - 5.0), f"time{place}")
            _in_time(time, own[own["by"] == "time"])
            time.set_title(f"{name} ({unit})", loc="left", fontsize=BODY_PT, fontweight="bold", pad=2.5)
            box = Box(left + wide + ROOM_BETWEEN, bottom, narrow, height - ROOM_BELOW - 5.0)
            _by_group(axes_at(sheet.figure, box, f"group{place}"), own[own["by"] != "time"])
        _side(sheet, quality, len(names) - len(shown))
        draw_title(sheet, title, "Control charts")
        return sheet.figure


def _points(axes: Axes, x: np.ndarray, own: pd.DataFrame) -> None:
    out = own["outside"].to_numpy(dtype=bool)
    value = own["value"].to_numpy(dtype=float)
    axes.plot(x[~out], value[~out], "o", ms=2.6, color=IN, zorder=3)
    axes.plot(x[out], value[out], "D", ms=4.0, color=OUT, zorder=4)
    axes.grid(visible=False)
    axes.margins(y=0.12)


def _in_time(axes: Axes, own: pd.DataFrame) -> None:
    if own.empty:
        axes.text(0.5, 0.5, "no dates", transform=axes.transAxes, ha="center", va="center", fontsize=SMALL_PT)
        axes.set_xticks([])
        axes.set_yticks([])
        return
    x = np.asarray(
        date2num(  # type: ignore[no-untyped-call]
            own["time"].to_numpy(dtype="datetime64[D]")
        )
    )
    for name in ("low", "high"):
        axes.step(x, own[name].to_numpy(dtype=float), where="mid", color=LIMIT, lw=0.8)
    axes.plot(x, own["centre"].to_numpy(dtype=float), color=theme.LIGHT.quiet, lw=0.6)
    axes.plot(x, own["value"].to_numpy(dtype=float), color=IN, lw=0.4, alpha=0.5)
    _points(axes, x, own)
    locator = AutoDateLocator(maxticks=8)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]


def _by_group(axes: Axes, own: pd.DataFrame) -> None:
    if own.empty:
        axes.text(0.5, 0.5, "no groups", transform=axes.transAxes, ha="center", va="center", fontsize=SMALL_PT)
        axes.set_xticks([])
        axes.set_yticks([])
        return
    x = np.arange(len(own), dtype=float) + 0.6 * (own["by"] != own["by"].shift()).cumsum().to_numpy()
    low, high = own["low"].to_numpy(dtype=float), own["high"].to_numpy(dtype=float)
    axes.vlines(x, low, high, color=LIMIT, lw=2.5, alpha=0.45)
    _points(axes, x, own)
    names = [g if g.startswith(b) else f"{b} {g}" for b, g in zip(own["by"], own["group"].astype(str), strict=True)]
    axes.set_xticks(x, names, rotation=20 if len(names) > 5 else 0, ha="right" if len(names) > 5 else "center")
    axes.set_xlim(x[0] - 0.6, x[-1] + 0.6)


def _side(sheet: PaperSheet, quality: Quality, left_out: int) -> None:
    """Write what is more than chance beside the charts, and how they are to be read."""
    said = [change.said for change in quality.changes] or ["No change or difference is more than chance."]
    notes = [
        f"Looked {quality.looks:,} times; at most 5 % chance that anything is named where nothing is (Holm).",
        "Points: means or shares of a day, or of a group. Orange: limits that an honest process leaves once in 370 "
        "points. Red diamonds: outside.",
        "Limits: NIST/SEMATECH e-Handbook, 6.3.2 and 6.3.3; of shares and counts at the binomial's and Poisson's own "
        "0.00135.",
    ]
    notes += [f"{left_out} more in quality.csv."] if left_out else []
    cell = [("More than chance", BODY_PT + 1.0, "bold")]
    cell += [(line, BODY_PT, "normal") for one in said[:MOST_SAID] for line in (*wrapped(one, SIDE_WIDTH - 2.0), "")]
    cell += [(f"… and {len(said) - MOST_SAID} more", BODY_PT, "normal")] if len(said) > MOST_SAID else []
    cell += [("How to read this", BODY_PT + 1.0, "bold")]
    cell += [(line, SMALL_PT + 0.5, "normal") for one in notes for line in (*wrapped(one, SIDE_WIDTH - 2.0, 7.0), "")]
    lines_down(sheet.side, 1.0, sheet.frame.height, cell)


MOST_SAID = 8
"""Changes that are written beside the charts."""


# --------------------------------------------------------------------------------------------------------------- score


def draw_score(score: Score, title: Title, *, paper: Paper = "A4") -> Figure:
    """Return how right the predictions were as a sheet: each meeting, σ, stated chances, faults and months."""
    with style():
        sheet = blank(paper, "landscape")
        frame = sheet.frame
        wide, high = (frame.width - 2 * ROOM_LEFT - 4.0) / 2.0, (frame.height - 2 * ROOM_BELOW - 14.0) / 2.0
        right, upper = frame.left + 2 * ROOM_LEFT + wide + 4.0, frame.bottom + 2 * ROOM_BELOW + high + 6.0
        boxes = [
            Box(frame.left + ROOM_LEFT, upper, wide, high),
            Box(right, upper, wide, high),
            Box(frame.left + ROOM_LEFT, frame.bottom + ROOM_BELOW, wide, high),
            Box(right, frame.bottom + ROOM_BELOW, wide, high),
        ]
        met, scale, chance, groups = (axes_at(sheet.figure, box, f"score{place}") for place, box in enumerate(boxes))
        _meetings(met, score.last)
        _errors(scale, score.last)
        _chances(chance, score.calibration())
        _groups(groups, pd.concat([score.by("fault"), score.by("month")], ignore_index=True))
        cell = [(line, BODY_PT, "normal") for one in score.in_words().split("\n") for line in (*wrapped(one, 50.0), "")]
        lines_down(sheet.side, 1.0, frame.height, cell[:MOST_LINES])
        draw_title(sheet, title, "Score")
        return sheet.figure


MOST_LINES = 48
"""Lines of text that the side of the sheet holds."""


def _titled(axes: Axes, title: str, x: str, y: str) -> None:
    axes.set_title(title, loc="left", fontsize=BODY_PT, fontweight="bold", pad=2.5)
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    axes.grid(visible=False)


def _meetings(axes: Axes, last: pd.DataFrame) -> None:
    """Draw where each meeting was found beside where it was predicted, in the order of prediction."""
    met = last[last["outcome"].isin(["inside", "outside"])].sort_values("predicted_at")
    x = np.arange(len(met), dtype=float)
    off = (met["met_depth"] - met["expected_depth"]).to_numpy(dtype=float)
    low, high = ((met[name] - met["expected_depth"]).to_numpy(dtype=float) for name in ("depth_from", "depth_to"))
    axes.vlines(x, low, high, color=LIMIT, lw=2.0, alpha=0.5)
    axes.axhline(0.0, color=theme.LIGHT.quiet, lw=0.5)
    out = (met["outcome"] == "outside").to_numpy()
    axes.plot(x[~out], off[~out], "o", ms=3.0, color=IN)
    axes.plot(x[out], off[out], "D", ms=4.0, color=OUT)
    axes.set_xticks([])
    _titled(axes, "Met less predicted, with 95 % windows", "meetings, in the order of prediction", "m")


def _errors(axes: Axes, last: pd.DataFrame) -> None:
    """Draw the share of errors up to so many σ beside the normal's: a curve to its right says that σ is too small."""
    met = last[last["outcome"].isin(["inside", "outside"])]
    z = np.sort(((met["met_depth"] - met["expected_depth"]) / met["sigma"]).abs().to_numpy(dtype=float))
    most = max(4.0, float(z.max()) if len(z) else 4.0)
    grid = np.linspace(0.0, most, 200)
    axes.plot(grid, 2.0 * stats.norm.cdf(grid) - 1.0, color=theme.LIGHT.quiet, lw=0.8)
    axes.step(np.append(0.0, z), np.arange(len(z) + 1) / max(len(z), 1), where="post", color=IN, lw=1.2)
    axes.set_ylim(0.0, 1.02)
    _titled(axes, "Errors in σ (grey: as σ says)", "|met − predicted| / σ", "share up to there")


def _chances(axes: Axes, calibration: pd.DataFrame) -> None:
    known = calibration[calibration["n"] > 0]
    share = known["met"] / known["n"]
    axes.plot([0, 1], [0, 1], color=theme.LIGHT.quiet, lw=0.6)
    axes.vlines(known["said"], known["met_low"], known["met_high"], color=LIMIT, lw=2.0, alpha=0.6)
    axes.plot(known["said"], share, "o", ms=3.5, color=IN)
    for row, value in zip(known.to_dict("records"), share.tolist(), strict=True):
        axes.annotate(f"{row['n']}", (row["said"], value), (3, 3), textcoords="offset points", fontsize=SMALL_PT)
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.03)
    _titled(axes, "Was the fault there? (numbers: how many)", "chance stated", "share met")


def _groups(axes: Axes, groups: pd.DataFrame) -> None:
    known = groups[groups["coverage"].notna()].head(MOST_GROUPS)
    x = np.arange(len(known), dtype=float)
    axes.axhline(0.95, color=theme.LIGHT.quiet, lw=0.6)
    axes.vlines(x, known["coverage_low"], known["coverage_high"], color=LIMIT, lw=2.0, alpha=0.6)
    axes.plot(x, known["coverage"], "o", ms=3.5, color=IN)
    axes.set_xticks(x, known["group"].tolist(), rotation=30, ha="right")
    axes.set_ylim(0.0, 1.03)
    axes.set_xlim(-0.6, max(len(known), 1) - 0.4)
    _titled(axes, "Windows that held, by fault and month", "", "share inside")


MOST_GROUPS = 14
"""Faults and months that one sheet shows."""
