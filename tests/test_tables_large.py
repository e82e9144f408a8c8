"""Workbooks that ask for more than a machine has: measured before they are read, and refused with the cell named.

The measure is the operating system: the command runs in a process whose memory is limited (``ulimit -v``), in which the
reading library used to be ended by the system without a word. Workbooks are written by openpyxl and by hand, after the
standards ISO/IEC 29500 (cells, ``r``, ``v``) and OASIS OpenDocument 1.2 part 1 section 19.675 (repeated columns, rows).
"""

from __future__ import annotations

import io
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from desurvey.problems import DataProblem
from desurvey.tables import read_cells
from tests.projects import TABLES, write_project

SURVEYS = pd.read_csv(io.StringIO(TABLES["surveys"]))


def workbook(path, rows="", **members):
    """Write the surveys as a workbook with rows of XML more, and other members exchanged."""
    whole = io.BytesIO()
    SURVEYS.to_excel(whole, index=False, sheet_name="surveys")
    with zipfile.ZipFile(whole) as source, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for info in source.infolist():
            text = source.read(info).decode()
            if info.filename == "xl/worksheets/sheet1.xml":
                text = text.replace("</sheetData>", f"{rows}</sheetData>")
            out.writestr(info.filename, members.get(info.filename, text))
    return path


ODS = (
    '<?xml version="1.0"?><office:document-content '
    'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>'
    '<table:table table:name="surveys">{rows}</table:table>'
    "</office:spreadsheet></office:body></office:document-content>"
)


def ods_row(cells, more=""):
    text = "".join(
        f'<table:table-cell office:value-type="string"{repeat}><text:p>{cell}</text:p></table:table-cell>'
        for cell, repeat in cells
    )
    return f"<table:table-row{more}>{text}</table:table-row>"


def ods(path, rows):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        out.writestr("content.xml", ODS.format(rows=rows))
        manifest = "urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"
        out.writestr("META-INF/manifest.xml", f'<manifest:manifest xmlns:manifest="{manifest}"/>')
    return path


HEADINGS = ods_row([(name, "") for name in SURVEYS.columns])
LINES = "".join(ods_row([(value, "") for value in row]) for row in SURVEYS.itertuples(index=False))
EMPTY = (
    '<table:table-row table:number-rows-repeated="1048570">'
    '<table:table-cell table:number-columns-repeated="16384"/></table:table-row>'
)


def same_as_the_csv(cells):
    assert cells.columns["hole_id"].to_pylist() == SURVEYS["hole_id"].tolist()
    depths = [float(value) for value in cells.columns["depth"].to_pylist()]
    np.testing.assert_array_equal(depths, SURVEYS["depth"])


@pytest.mark.parametrize(
    "rows",
    [
        '<row r="1048576"><c r="XFD1048576" s="0"/></row>',
        '<row r="1048576"><c r="XFD1048576" s="0"></c></row>',
        "<row r='1048576'><c s = '0' r = 'XFD1048576' /></row>",
        "".join(f'<row r="{row}"><c r="A{row}" s="0"/><c r="ZZ{row}" s="0"/></row>' for row in range(7, 9000)),
    ],
)
def test_blank_cells_beyond_the_table_are_cut_off(rows, tmp_path):
    """A workbook of 5 kB with one blank cell in its last corner used to ask for 512 GB, and the process was aborted."""
    path = workbook(tmp_path / "surveys.xlsx", rows)
    same_as_the_csv(read_cells(path, path.name))


def test_blank_rows_and_columns_of_an_open_document_are_no_cells(tmp_path):
    """Every such file has them: the rest of the sheet is one blank row, repeated."""
    path = ods(tmp_path / "surveys.ods", HEADINGS + LINES + EMPTY)
    same_as_the_csv(read_cells(path, path.name))


TOO_LARGE = {
    "corner.xlsx": ('<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>', "reaches to XFD1048576"),
    "stray.xlsx": ('<row r="200000"><c r="AN200000"><v>1</v></c></row>', "reaches to AN200000"),
    "unnamed.xlsx": ('<row r="900000">' + "<c/>" * 900 + "<c><v>1</v></c></row>", "reaches to AHQ900000"),
    "columns.ods": (ods_row([("x", ' table:number-columns-repeated="2000000000"')]), "too large"),
    "rows.ods": (ods_row([("x", "")] * 40, ' table:number-rows-repeated="900000000"'), "too large"),
    "stray.ods": (EMPTY + ods_row([("x", "")] * 40), "reaches to AN1048577"),
}


@pytest.mark.parametrize("name", TOO_LARGE)
def test_a_cell_far_away_is_named(name, tmp_path):
    """A stray cell at row 200,000, column 40 used to make each command take minutes."""
    rows, message = TOO_LARGE[name]
    path = workbook(tmp_path / name, rows) if name.endswith("xlsx") else ods(tmp_path / name, HEADINGS + LINES + rows)
    assert path.stat().st_size < 10_000
    with pytest.raises(DataProblem, match=message):
        read_cells(path, name)


def test_a_workbook_of_zeros_is_refused_before_it_is_unpacked(tmp_path):
    path = tmp_path / "zeros.xlsx"
    with zipfile.ZipFile(workbook(path), "a", zipfile.ZIP_DEFLATED) as out, out.open("xl/media/zeros.bin", "w") as file:
        for _ in range(900):
            file.write(bytes(1_000_000))
    assert path.stat().st_size < 2_000_000
    with pytest.raises(DataProblem, match="more than half a gibibyte"):
        read_cells(path, path.name)


def test_two_members_of_one_name_are_refused(tmp_path):
    """What one library measures, another might not read."""
    path = workbook(tmp_path / "twice.xlsx")
    with zipfile.ZipFile(path, "a") as out, pytest.warns(UserWarning, match="Duplicate"):
        out.writestr("xl/worksheets/sheet1.xml", "<worksheet/>")
    with pytest.raises(DataProblem, match="two files of one name"):
        read_cells(path, path.name)


@pytest.mark.skipif(sys.platform == "win32", reason="ulimit is of POSIX")
@pytest.mark.parametrize("name", ["corner.xlsx", "columns.ods", "zeros.csv"])
def test_no_table_takes_the_process_down(name, tmp_path):
    """In a gibibyte and a half of address space, of which Python and its libraries take more than a half."""
    folder = write_project(tmp_path / "project")
    path = folder / name
    if name == "zeros.csv":
        with path.open("wb") as file:
            file.truncate(1_500_000_000)
    elif name.endswith("ods"):
        ods(path, HEADINGS + LINES + TOO_LARGE[name][0])
    else:
        workbook(path, TOO_LARGE[name][0])
    toml = (folder / "project.toml").read_text(encoding="utf-8")
    (folder / "project.toml").write_text(toml.replace("surveys.csv", name), encoding="utf-8")
    command = f"ulimit -v 1500000; exec {sys.executable} -m viewer trace {folder} --out {tmp_path}/t.csv"
    done = subprocess.run(
        ["sh", "-c", command], capture_output=True, text=True, check=False, env={**ENVIRONMENT}, cwd=ROOT
    )
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.startswith("lowside: ")
    assert not (tmp_path / "t.csv").exists()


ROOT = Path(__file__).parents[1]
ENVIRONMENT = {"PATH": "/usr/bin:/bin", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}
"""One thread: each takes eight mebibytes and more of address space."""
