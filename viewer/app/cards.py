"""Cards: what is known of the disc or the place in a hole that was picked, as HTML."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import jinja2
import numpy as np
import numpy.typing as npt
import pandas as pd
from markupsafe import Markup

from desurvey import curvature, orient
from desurvey.problems import Finding
from viewer import theme
from viewer.app.core_piece import core_piece
from viewer.app.desk import Desk

__all__ = ["bearing", "card", "disc_card", "hole_card"]

TEMPLATES = jinja2.Environment(
    loader=jinja2.PackageLoader("viewer.app", "web"), autoescape=True, trim_blocks=True, lstrip_blocks=True
)


def disc_card(desk: Desk, row: int, said: Sequence[str] = ()) -> str:
    """Return the card of a structure.

    Parameters
    ----------
    desk : Desk
        The project as it is shown; a suspect may be switched to *as explained*.
    row : int
        Row of the structures table, from 0.
    said : sequence of str
        What suspects and the line-up say of it.
    """
    logged, oriented = desk.project.structures.iloc[row], desk.oriented
    azimuth, hole_dip = (np.rad2deg(value) for value in curvature.angles(oriented.tangent[row : row + 1]))
    sigma, east = desk.study.spread.pole_sigma_deg[row], oriented.position[row]
    blur = np.sqrt(np.diag(desk.study.spread.position[row]))
    there = [
        ("hole there", f"azimuth {azimuth[0]:.1f}°, dip {hole_dip[0]:.1f}°"),
        (
            "position",
            f"{east[0]:.1f} E, {east[1]:.1f} N, {east[2]:.1f} m  ± {blur[0]:.1f}, {blur[1]:.1f}, {blur[2]:.1f} m",
        ),
    ]
    rows = [
        ("dip / dip direction", _attitude(oriented.normal[row], float(sigma))),
        ("as logged", _core_angles(logged)),
        *(there if np.isfinite(east).all() else [("position", "unknown: on no hole that is drawn")]),
        *_others(logged),
    ]
    run = desk.project.structure_run[row]
    run_row = desk.project.runs["row"].iloc[run] if run >= 0 else None
    own = {("structures", logged["row"]), ("runs", run_row)}
    found = [finding.message for finding in desk.study.findings if (finding.table, finding.row) in own]
    drawing = ""
    if np.isfinite(logged["alpha"]):
        drawing = Markup(core_piece(float(logged["alpha"]), float(logged["beta"]), str(logged["line"])))
    return card(
        f"{logged['kind']} {logged['structure_id'] or ''}".strip(),
        f"{logged['hole_id']} at {logged['depth']:g} m · {desk.project.files['structures']}, row {logged['row']}",
        [*said, *found],
        rows,
        drawing,
    )


def hole_card(desk: Desk, hole: int, depth: float) -> str:
    """Return the card of a place in a hole.

    Parameters
    ----------
    desk : Desk
    hole : int
        Index of the hole in the traces.
    depth : float
        Metres along it.
    """
    name = str(desk.traces.hole_ids[hole])
    place = desk.traces.at(np.array([hole]), np.array([depth]))
    azimuth, dip = (np.rad2deg(value) for value in curvature.angles(place.tangent))
    known = desk.study.hole_spread.at(np.array([hole]), np.array([depth]))
    blur, spot = np.sqrt(np.diag(known.position[0])), place.position[0]
    collar = desk.project.collars[desk.project.collars["hole_id"] == name].iloc[0]
    rows = [
        ("direction", f"azimuth {azimuth[0]:.1f}°, dip {dip[0]:.1f}°"),
        ("position", f"{spot[0]:.1f} E, {spot[1]:.1f} N, {spot[2]:.1f} m"),
        ("known to (1 σ)", f"{blur[0]:.1f} m E, {blur[1]:.1f} m N, {blur[2]:.1f} m up"),
        ("surveyed to", f"{desk.traces.surveyed[hole]:g} m of {desk.traces.end[hole]:g} m"),
        *_reviewed(desk, name),
        *_intervals_at(desk, name, depth),
        *_others(collar),
    ]
    said = ["Below the last survey station: the hole is drawn straight on."] if place.extrapolated[0] else []
    said += [finding.message for finding in desk.study.findings if _about_hole(finding, name)][:SAID_MOST]
    return card(f"{name} at {depth:.1f} m", f"{desk.project.files['collars']}, row {collar['row']}", said, rows)


def card(title: str, source: str, said: Sequence[str], rows: Iterable[tuple[str, str]], drawing: str = "") -> str:
    """Return a card as HTML: a title, where it comes from, sentences, names with values, and a drawing."""
    template = TEMPLATES.get_template("card.html")
    return template.render(title=title, source=source, said=said, rows=list(rows), drawing=drawing)


def bearing(direction: float, none: str = "–") -> str:
    """Return a direction in whole degrees, 000° to 359°, or a word where there is none."""
    return f"{round(direction) % 360:03d}°" if np.isfinite(direction) else none


def _attitude(normal: npt.NDArray[np.float64], sigma: float) -> str:
    """Return dip and dip direction of a plane, and how well its pole is known, or that there is no orientation."""
    dip, direction = (float(value[0]) for value in orient.dip_of_plane(normal[None]))
    if not np.isfinite(dip):
        return "none: without orientation"
    known = f"  ± {sigma:.0f}° (pole, 1 σ)" if np.isfinite(sigma) else ""
    return f"{dip:.0f}° / {bearing(direction, 'none (flat)')}{known}"


def _core_angles(logged: pd.Series) -> str:
    names = (("alpha", "α"), ("beta", "β"), ("gamma", "γ"))
    parts = [f"{sign} {logged[name]:g}°" for name, sign in names if np.isfinite(logged[name])]
    if not parts and not np.isfinite(logged["dip"]):
        return "without angles"
    if not parts:
        return f"dip {logged['dip']:g}°, dip direction {logged['dip_direction']:g}°"
    return ", ".join(parts) + (f", line on the {logged['line']} side" if logged["line"] in ("low", "high") else "")


SHOWN_ABOVE = frozenset({
    "row", "hole_id", "depth", "kind", "structure_id", "alpha", "beta", "gamma", "line", "dip", "dip_direction",
    "easting", "northing", "elevation", "azimuth",
})  # fmt: skip


def _others(logged: pd.Series) -> list[tuple[str, str]]:
    """Return the other columns of a row that say something."""
    return [
        (theme.heading(str(name)), _text(value))
        for name, value in logged.items()
        if name not in SHOWN_ABOVE and pd.notna(value) and str(value).strip()
    ]


def _text(value: object) -> str:
    if isinstance(value, pd.Timestamp) and value == value.normalize():
        return str(value.date())
    return f"{value:g}" if isinstance(value, float) else str(value)


def _reviewed(desk: Desk, name: str) -> list[tuple[str, str]]:
    """Return who has reviewed a hole, while that holds."""
    one = desk.study.reviews.get(name)
    return [("reviewed", f"{one.who}, {one.when[:10]}")] if one is not None and not one.changed else []


SAID_MOST = 6
"""Findings about a hole that its card says."""


def _about_hole(finding: Finding, name: str) -> bool:
    """Return whether a finding is about the hole as a whole or its path, not about what was logged in it."""
    return finding.hole_id == name and finding.table in ("collars", "surveys")


def _intervals_at(desk: Desk, name: str, depth: float) -> list[tuple[str, str]]:
    """Return what the interval tables say at a depth."""
    found = []
    for table, frame in desk.project.intervals.items():
        here = frame[(frame["hole_id"] == name) & (frame["depth_from"] <= depth) & (depth < frame["depth_to"])]
        for _, logged in here.head(1).iterrows():
            values = logged.drop(["row", "hole_id", "depth_from", "depth_to"], errors="ignore")
            text = ", ".join(f"{key} {value}" for key, value in values.items() if pd.notna(value) and str(value))
            found.append((table, text))
    return found
