"""Formats that a corpus of texts can't hold: well logs, typed Parquet, large and odd cells."""

from __future__ import annotations

import io
import sys

import lasio
import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from desurvey.project import load_project
from desurvey.tables.delimited import _parsed_by_row, read_delimited
from desurvey.tables.numbers import decimal_mark, spelt_number
from tests.corpus import write_folder
from tests.corpus.folders import SURVEYS, project, zipped


def las(depth: np.ndarray, unit: str, **curves: np.ndarray) -> str:
    """Return a LAS 2.0 file as lasio writes it."""
    log = lasio.LASFile()
    log.well["WELL"] = lasio.HeaderItem("WELL", value="TH-01")
    log.append_curve("DEPT", depth, unit=unit)
    for name, values in curves.items():
        log.append_curve(name, values)
    text = io.StringIO()
    log.write(text, version=2.0)
    return text.getvalue()


@pytest.mark.parametrize(("unit", "factor"), [("M", 1.0), ("FT", 0.3048)])
def test_a_well_log_becomes_intervals_around_its_samples(unit, factor, tmp_path):
    depth = np.array([10.0, 10.5, 11.0, 12.0])
    gamma = np.array([80.0, np.nan, 95.0, 101.5])
    folder = project(
        "log", {"gamma": las(depth, unit, GR=gamma)}, ("log_as_intervals", "gamma", None), names={"gamma": "gamma.las"}
    )
    loaded = load_project(write_folder(folder, tmp_path))
    frame = loaded.intervals["gamma"]
    assert set(frame["hole_id"]) == {"TH-01"}
    np.testing.assert_allclose(frame["depth_from"], factor * np.array([9.75, 10.25, 10.75, 11.5]))
    np.testing.assert_allclose(frame["depth_to"], factor * np.array([10.25, 10.75, 11.5, 12.5]))
    np.testing.assert_allclose(frame["GR"], gamma)
    assert {finding.rule for finding in loaded.findings} == {"log_as_intervals"} | (
        {"feet_converted"} if unit == "FT" else set()
    )


def test_without_lasio_the_line_that_installs_it_is_said(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "lasio", None)
    folder = project("log", {"gamma": las(np.arange(3.0), "M")}, names={"gamma": "gamma.las"})
    (finding,) = load_project(write_folder(folder, tmp_path)).findings
    assert "pip install 'lowside[formats]'" in finding.suggestion


def test_rows_of_a_sheet_are_numbered_as_its_program_shows_them(tmp_path):
    """Openpyxl puts the headings into row 5 and a wrong azimuth into row 8, from column C on."""
    book = openpyxl.Workbook()
    rows = [["hole_id", "depth", "azimuth", "dip"], ["TH-01", 0, 1.5, -60], [None] * 4, ["TH-01", 30, "x", -61]]
    for down, row in enumerate(rows):
        for right, cell in enumerate(row):
            book.active.cell(row=5 + down, column=3 + right, value=cell)
    buffer = io.BytesIO()
    book.save(buffer)
    folder = project("low", {"surveys": buffer.getvalue()}, names={"surveys": "surveys.xlsx"})
    loaded = load_project(write_folder(folder, tmp_path))
    assert ("not_a_number", 8) in {(finding.rule, finding.row) for finding in loaded.findings}
    assert loaded.surveys["row"].tolist() == [6, 8]
    assert not [heading for heading in loaded.surveys.columns if heading.startswith("column")]


def test_numbers_of_parquet_keep_every_digit(tmp_path):
    azimuth = 292.0 + np.pi / 10
    frame = pd.DataFrame({"hole_id": [7, 7], "depth": [0, 60], "azimuth": [azimuth] * 2, "dip": [-60.0, np.nan]})
    buffer = io.BytesIO()
    frame.to_parquet(buffer)
    folder = project("typed", {"surveys": buffer.getvalue()}, names={"surveys": "surveys.parquet"})
    loaded = load_project(write_folder(folder, tmp_path))
    assert loaded.surveys["hole_id"].tolist() == ["7", "7"]
    assert loaded.surveys["azimuth"].tolist() == [azimuth] * 2
    assert ("missing_value", 3) in {(finding.rule, finding.row) for finding in loaded.findings}


def test_a_cell_of_a_million_letters_is_quoted_in_part(tmp_path):
    cell = "x" * 1_000_000
    folder = project(
        "long", {"structures": f"hole_id,depth,kind,alpha\nTH-01,5,fault,{cell}\nTH-01,6,fault,{cell},1\n"}
    )
    loaded = load_project(write_folder(folder, tmp_path))
    assert {finding.rule for finding in loaded.findings} == {"not_a_number", "ragged_row"}
    assert all(len(str(finding)) < 300 for finding in loaded.findings)


CELL = st.text(st.characters(codec="utf-8", exclude_characters='",;|\t\r\n\0#/\ufeff'), max_size=5)
QUOTED = st.text(st.characters(codec="utf-8", exclude_characters="\0\r\ufeff"), max_size=5).map(
    lambda text: '"' + text.replace('"', '""') + '"'
)


@settings(deadline=None, max_examples=150)
@given(st.lists(st.tuples(st.one_of(CELL, QUOTED), CELL, QUOTED), min_size=1, max_size=6))
def test_the_fast_reader_reads_what_pythons_own_reads(rows):
    text = "hole_id,depth,kind\n" + "\n".join(",".join(row) for row in rows) + "\n"
    fast = read_delimited(text.encode(), "x.csv", ())
    _, columns, uneven = _parsed_by_row(text, ",", 1, "x.csv")
    assert not uneven
    assert [column.fill_null("").to_pylist() for column in fast.columns] == [column.to_pylist() for column in columns]


@settings(deadline=None)
@given(st.decimals(-99999, 99999, places=2), st.sampled_from(",."), st.sampled_from(["", " ", "\u00a0", "'"]))
def test_a_number_written_in_any_way_is_that_number(value, point, gap):
    """Python's own formatting writes it: thousands apart by a gap, decimals behind a comma or point."""
    text = f"{value:,.2f}".replace(",", "_").replace(".", point).replace("_", gap).replace("-", "−")
    assert spelt_number(text, "", -1e8, 1e8).value == float(value)
    assert decimal_mark([text]) == point


@pytest.mark.parametrize(
    "cell",
    [
        "12.5.3",
        "1,2,3",
        "--5",
        "5-",
        "1e",
        "0x1F",
        "1_000",
        "12 m 5",
        "N45E",
        "=A1",
        "<0.5",
        "~30",
        "1,23,456",
        "½",
        "1e999",
        "inf",
    ],
)
def test_what_is_no_number_is_not_made_one(cell):
    spelt = spelt_number(cell, ".", -1e8, 1e8, "m")
    assert np.isnan(spelt.value)
    assert spelt.readings == ()


def test_a_member_of_an_archive_that_unpacks_without_end_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("desurvey.tables.files.LARGEST_MEMBER", 1000)
    folder = project("bomb", {"surveys": zipped({"s.csv": SURVEYS * 20})}, names={"surveys": "s.zip"})
    (finding, *_) = load_project(write_folder(folder, tmp_path)).findings
    assert "unpacks to more than" in finding.message
