"""A report can be checked from itself: ten numbers of its page worked out again from its workbook, by numpy alone.

Nothing of the engine is used after the two are written; positions are those of the minimum-curvature formula as any
handbook has it (Taylor & Mason 1972, from memory), orientations those of the rotation of the core (DESIGN, section 3).
"""

from __future__ import annotations

import html
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import desurvey
from desurvey.exchange.workbook import write_sheets
from desurvey.suspects import COLUMNS, RUN_COLUMNS, Weighed
from viewer.report import Report, render
from viewer.report.gather import data_date, gather
from viewer.report.workbook import report_tables

DEMO = Path(__file__).parent.parent / "demo_project"


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Write a report without sheets and line-up, and its workbook; return the page's words and the sheets."""
    study = desurvey.open(DEMO)
    study.learn("weighed", Weighed(pd.DataFrame(columns=list(COLUMNS)), pd.DataFrame(columns=list(RUN_COLUMNS)), ()))
    sections, appendices = gather(study, None)
    page = render(Report("Tarn Hollow", "2026-01-01", "0", sections, appendices, (), data_date(study)))
    text = re.sub(r"<(style|script)\b.*?</\1>", " ", page, flags=re.S)
    file = tmp_path_factory.mktemp("report") / "tables.xlsx"
    write_sheets(report_tables(study, None), file)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", text)).split()), pd.read_excel(
        file, sheet_name=None, engine="calamine"
    )


def unit(azimuth_deg, dip_deg):
    azimuth, dip = np.deg2rad(azimuth_deg), np.deg2rad(dip_deg)
    return np.stack([np.cos(dip) * np.sin(azimuth), np.cos(dip) * np.cos(azimuth), np.sin(dip)], axis=-1)


def stations(sheets, hole="TH-14"):
    table = sheets["stations"]
    return table[table["hole_id"] == hole]


def test_metres_and_holes(written):
    page, sheets = written
    holes = sheets["holes"]
    drilled = holes[holes["status"] == "drilled"]
    metres = round(drilled["length (m)"].sum())
    assert f"{len(drilled)} holes drilled, {metres:,} m in all".replace(",", " ").split() == (
        re.search(r"\d+ holes drilled,? [\d\s]+m in all", page)[0].replace(",", "").split()
    )


def test_structures_and_orientations(written):
    page, sheets = written
    structures = sheets["structures"]
    usable = int((structures["usable"].isin(["yes", True])).sum())
    assert f"{len(structures)} structures logged, of which {usable} have a true orientation." in page


def test_findings_by_severity_and_by_cause(written):
    page, sheets = written
    counts = sheets["findings"]["severity"].value_counts()
    assert f"The checks found {counts['warning']} warnings, {counts['note']} notes." in page
    causes = sheets["findings by cause"]
    assert causes["findings"].sum() == counts.sum()
    assert len(causes) < counts.sum() / 5


def test_ends_of_holes_by_minimum_curvature(written):
    _, sheets = written
    for hole in ("TH-01", "TH-14"):
        table = stations(sheets, hole)
        direction = unit(table["azimuth"].to_numpy(), table["dip"].to_numpy())
        bend = np.arccos(np.clip(np.sum(direction[1:] * direction[:-1], axis=1), -1.0, 1.0))
        ratio = np.where(bend > 1e-9, 2 / np.where(bend > 1e-9, bend, 1.0) * np.tan(bend / 2), 1.0)
        depth = np.diff(table["depth"].to_numpy())
        steps = (direction[1:] + direction[:-1]) / 2 * (depth * ratio)[:, None]
        place = table[["easting", "northing", "elevation"]].to_numpy()
        assert place[0] + steps.sum(axis=0) == pytest.approx(place[-1], abs=1e-4)
        severity = np.rad2deg(bend) / depth * 30.0
        shown = re.search(rf"{hole} [\d.]+ [\d.]+ \d+ ([\d.]+) ", written[0])[1]
        assert severity.max() == pytest.approx(float(shown), abs=0.005)


def test_azimuths_with_the_north_that_was_applied(written):
    page, sheets = written
    used = sheets["surveys as used"]
    magnetic = used[used["north"] == "magnetic"]
    grid = (magnetic["azimuth_read"] + magnetic["declination"] - magnetic["convergence"]) % 360
    assert grid.to_numpy() == pytest.approx(magnetic["azimuth_grid"].to_numpy(), abs=1e-9)
    assert f"{len(magnetic)} survey rows from magnetic north: declination {magnetic['declination'].min():+.2f}" in page


def test_dip_and_dip_direction_from_the_core_angles(written):
    _, sheets = written
    table = stations(sheets)
    rows = sheets["structures"]
    rows = rows[(rows["hole_id"] == "TH-14") & rows["usable"].isin(["yes", True]) & rows["beta"].notna()]
    depth = table["depth"].to_numpy()
    direction = unit(table["azimuth"].to_numpy(), table["dip"].to_numpy())
    above = np.clip(np.searchsorted(depth, rows["depth"], side="right") - 1, 0, len(depth) - 2)
    share = ((rows["depth"] - depth[above]) / (depth[above + 1] - depth[above])).to_numpy()
    bend = np.arccos(np.clip(np.sum(direction[above] * direction[above + 1], axis=1), -1.0, 1.0))[:, None]
    bend = np.where(bend < 1e-9, 1e-9, bend)
    part = share[:, None] * bend
    t = (np.sin(bend - part) * direction[above] + np.sin(part) * direction[above + 1]) / np.sin(bend)
    level = np.stack([t[:, 1], -t[:, 0], np.zeros(len(t))], axis=1)
    level /= np.linalg.norm(level, axis=1, keepdims=True)
    low = np.cross(level, t)
    low *= -np.sign(low[:, 2:])
    side = rows["line"].fillna("low").map({"low": 1.0, "high": -1.0}).to_numpy()[:, None]
    alpha, beta = (np.deg2rad(rows[name].to_numpy(dtype=float))[:, None] for name in ("alpha", "beta"))
    apex = np.cos(beta) * side * low + np.sin(beta) * np.cross(t, side * low)
    normal = np.sin(alpha) * t - np.cos(alpha) * apex
    normal *= np.sign(normal[:, 2:])
    assert len(rows) > 20
    dip, towards = np.deg2rad(rows["dip"].to_numpy()), np.deg2rad(rows["dip_direction"].to_numpy())
    stated = np.stack([np.sin(dip) * np.sin(towards), np.sin(dip) * np.cos(towards), np.cos(dip)], axis=1)
    assert np.rad2deg(np.arccos(np.clip(np.sum(normal * stated, axis=1), -1, 1))).max() < 0.01


def test_medians_by_kind(written):
    page, sheets = written
    structures = sheets["structures"]
    own = structures[structures["kind"] == "vein"]
    oriented = own["usable"].isin(["yes", True]).sum()
    assert f"vein {len(own)} {oriented} {own['pole_sigma'].median():.1f}" in page


def test_recovery(written):
    page, sheets = written
    runs = sheets["runs"].dropna(subset=["recovered"])
    length = (runs["depth_to"] - runs["depth_from"]).sum()
    assert f"{100 * runs['recovered'].sum() / length:.1f} % of {length:.0f} m measured" in page


def test_spacings(written):
    page, sheets = written
    sets = sheets["sets"]
    assert (sets["frequency"] * sets["spacing"]).to_numpy() == pytest.approx(1.0)
    one = sets[sets["kind"] == "vein"].iloc[0]
    assert f"{one['frequency']:.3f} {one['spacing']:.1f} {1 / one['frequency_high']:.1f}" in page


def test_nothing_reads_as_signed_or_compliant(written):
    page, _ = written
    assert "draft, signed by nobody" in page
    assert "Nothing here states compliance." in page
    assert not re.search(r"\b(complies|compliant|in accordance with)\b", page)
