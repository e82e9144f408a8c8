"""What the start page shows of a look at a folder: its words, pictures of the conventions, and first rows under each.

The rows are the project's own, read anew under each answer and asked of a study: nothing is worked out here.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np

from desurvey.problems import DataProblem
from desurvey.project import Look
from desurvey.project.adopting import Question, with_choices
from desurvey.project.loading import Project, project_of
from desurvey.project.settings import FILE, extended, settings_of
from desurvey.study import Study
from desurvey.tables import INTERVALS, TABLES

__all__ = ["told"]

ROWS = 3
"""First rows that are worked through each answer."""

LISTED = 20
"""Findings without a common cause that are listed; the rest is counted."""


def told(seen: Look) -> dict[str, Any]:
    """Return a look as the page gets it, for JSON."""
    return {
        "folder": str(seen.folder.resolve()),
        "has_project": (seen.folder / FILE).is_file(),
        "ready": seen.project is not None and not any(question.open for question in seen.questions),
        "problem": seen.problem,
        "tables": [*TABLES],
        "columns": {name: [column.name for column in columns] for name, columns in TABLES.items()}
        | {"intervals": [column.name for column in INTERVALS]},
        "files": [
            {
                "name": file.name,
                "table": file.table,
                "why": file.why,
                "guess": file.guess,
                "heading_row": file.heading_row,
                "rows": file.rows,
                "missing": list(file.missing),
                "columns": [
                    {
                        "heading": one.heading,
                        "means": one.means,
                        "why": one.why,
                        "guess": one.guess,
                        "cells": list(one.cells),
                    }
                    for one in file.columns
                ],
            }
            for file in seen.files
        ],
        "questions": [_question(seen, question) for question in seen.questions],
        "plan": _plan(seen.project),
        "repairs": [
            {
                "what": cause.what,
                "sentence": cause.sentence,
                "advice": cause.advice,
                "cures": [{"toml": text, "patch": cure} for text, cure in zip(cause.tomls, cause.cures, strict=True)],
            }
            for cause in seen.repairs
            if not {_asked(cure) for cure in cause.cures} & {question.key for question in seen.questions}
        ],
        "left": [f"{one.severity}: {one}" for one in seen.left[:LISTED]],
        "counts": Counter(one.severity for one in seen.left),
        "toml": seen.toml(),
    }


# ------------------------------------------------------------------------------------------------------ conventions


def _question(seen: Look, question: Question) -> dict[str, Any]:
    answers = []
    for value, meaning in question.answers.items():
        project = _under(seen, question.key, value)
        answers.append(
            {
                "value": value,
                "meaning": meaning,
                "picture": PICTURES[question.key](project, value),
                "rows": WORKED[question.key](project),
            }
        )
    return {
        "key": question.key,
        "asks": question.asks,
        "speaks": question.speaks,
        "guess": question.guess,
        "said": question.said,
        "needed": question.needed,
        "answers": answers,
    }


def _under(seen: Look, key: str, value: str) -> Project | None:
    """Return the project as it would be read under an answer; None where it can't be read yet."""
    section, _, name = key.partition(".")
    try:
        raw = extended(seen.folder, with_choices(seen.raw, {section: {name: value}}))
        return project_of(seen.folder, settings_of(raw))
    except DataProblem:
        return None


def _stations(project: Project | None) -> list[dict[str, Any]]:
    """Return the first survey rows that have a direction, as read and as used; those of the collars without surveys."""
    if project is None:
        return []
    said = project.settings.frame
    known = said.north == "grid" or bool(said.crs) or said.convergence is not None
    frame = project.surveys if len(project.surveys) else project.collars
    frame = frame[frame["dip"].notna() & (frame["hole_id"] != "")]
    place = frame["hole_id"].iloc[:ROWS].index
    rows = frame.loc[place]
    read = project.norths["azimuth_read"].loc[place] if len(project.surveys) else rows["azimuth"]
    return [
        {"hole": hole, "depth": depth, "read": azimuth, "azimuth": turned if known else math.nan, "dip": dip}
        for hole, depth, azimuth, turned, dip in zip(
            rows["hole_id"], rows["depth"], read, rows["azimuth"], rows["dip"], strict=True
        )
    ]


def _norths(project: Project | None) -> list[str]:
    return [
        f"{row['hole']} at {row['depth']:g} m: {row['read']:.1f}° → "
        + (f"{row['azimuth']:.1f}° from grid north" if math.isfinite(row["azimuth"]) else "not known: say which CRS")
        for row in _stations(project)
    ]


def _dips(project: Project | None) -> list[str]:
    return [
        f"{row['hole']} at {row['depth']:g} m points {abs(row['dip']):.0f}° {'down' if row['dip'] <= 0 else 'up'}"
        for row in _stations(project)
    ]


def _planes(project: Project | None) -> list[str]:
    if project is None:
        return []
    try:
        table = Study(project).oriented_table()
    except DataProblem:
        return ["can't be worked out before what stands below is put right"]
    rows = table[table["dip"].notna() & table["beta"].notna()].head(ROWS).to_dict("records")
    if not rows:
        return ["no row can be oriented before what stands below is put right"]
    return [
        f"{row['structure_id']} (alpha {row['alpha']:g}°, beta {row['beta']:g}°): dips {row['dip']:.0f}° "
        f"towards {row['dip_direction']:.0f}°"
        for row in rows
    ]


WORKED = {"frame.north": _norths, "frame.dip_sign": _dips, "core.line": _planes}


# --------------------------------------------------------------------------------------------------------- pictures


def _svg(width: int, height: int, said: str, *parts: str) -> str:
    return (
        f'<svg viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" aria-label="{said}">'
        f"{''.join(parts)}</svg>"
    )


def _line(x1: float, y1: float, x2: float, y2: float, css: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{css}"/>'


def _text(x: float, y: float, text: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}">{text}</text>'


def _north_picture(project: Project | None, value: str) -> str:
    """Draw grid north and the direction that azimuths would be measured from, as far apart as here."""
    turns = [row["azimuth"] - row["read"] for row in _stations(project)]
    turn = (float(np.mean(turns)) + 180.0) % 360.0 - 180.0 if turns and np.isfinite(turns).all() else math.nan
    shown = 0.0 if math.isnan(turn) else math.radians(turn)
    tip = 60 + 48 * math.sin(shown), 66 - 48 * math.cos(shown)
    said = "not known yet" if math.isnan(turn) else f"{turn:+.2f}° from grid north"
    parts = [_line(60, 66, 60, 14, "faint"), _text(64, 14, "grid"), _line(60, 66, *tip, "strong")]
    return _svg(150, 90, f"{value} north, {said}", *parts, _text(8, 84, said))


def _dip_picture(project: Project | None, value: str) -> str:
    """Draw the ground and a hole of the first row, down or up."""
    rows = _stations(project)
    dip = math.radians(rows[0]["dip"] if rows else (-60.0 if value == "negative_down" else 60.0))
    end = 40 + 40 * math.cos(dip), 48 - 40 * math.sin(dip)
    where = "down into the ground" if dip <= 0 else "up into the air"
    parts = [_line(5, 48, 145, 48, "ground"), _line(40, 48, *end, "strong")]
    return _svg(150, 96, f"a hole that goes {where}", *parts, _text(90, 42, "ground"))


LOOKING = {"low": (60.0, 74.0, "bottom"), "high": (60.0, 16.0, "top"), "north": (60.0, 16.0, "north")}


def _core_picture(_project: Project | None, value: str) -> str:
    """Draw the end of a core, looking down the hole, with the line on the side that it would mark."""
    x, y, side = LOOKING[value]
    start, end = ("60 67", "82 45") if value == "low" else ("60 23", "38 45")
    return _svg(
        150,
        96,
        f"core looking down the hole, line at the {side}",
        '<circle cx="60" cy="45" r="29" class="core"/>',
        f'<path d="M {start} A 22 22 0 1 1 {end}" class="faint"/>',
        f'<circle cx="{x}" cy="{y}" r="5" class="mark"/>',
        _text(68, 84 if value == "low" else 12, side),
        _text(44, 49, "beta ↻"),
    )


PICTURES = {"frame.north": _north_picture, "frame.dip_sign": _dip_picture, "core.line": _core_picture}


def _asked(cure: Mapping[str, Any]) -> str:
    """Return the one key of project.toml that a cure speaks of, blank for several."""
    keys = [f"{section}.{key}" for section, given in cure.items() if isinstance(given, Mapping) for key in given]
    return keys[0] if len(keys) == 1 else ""


def _plan(project: Project | None) -> str:
    """Draw the collars from above, north up, with their extent in words."""
    if project is None:
        return ""
    place = project.collars[["easting", "northing"]].dropna().to_numpy(dtype=float)
    if not len(place):
        return ""
    low, high = place.min(axis=0), place.max(axis=0)
    scale = min(350.0 / max(float(high[0] - low[0]), 1.0), 150.0 / max(float(high[1] - low[1]), 1.0))
    middle = (low + high) / 2
    dots = [
        f'<circle cx="{190 + (e - middle[0]) * scale:.1f}" cy="{90 - (n - middle[1]) * scale:.1f}" r="3" class="mark"/>'
        for e, n in place
    ]
    said = f"{len(place)} collars, {high[0] - low[0]:.0f} m from west to east, {high[1] - low[1]:.0f} m to the north"
    return _svg(380, 200, said, *dots, _line(372, 30, 372, 8, "faint"), _text(360, 42, "N"), _text(4, 196, said))
