"""A planned hole as a row of the project's own table: read back by the door, it is the hole that was meant."""

import numpy as np
import pytest

from desurvey.problems import DataProblem
from desurvey.project import collar_row, load_project

HOLE = ([500123.4, 5400234.5, 301.2], 287.5, -61.0, 250.0)


def project(folder, frame, head, row, *, units=""):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "collars.csv").write_text(f"{head}\n{row}\n", encoding="utf-8")
    text = f'name = "P"\n[frame]\n{frame}\n[core]\nline = "low"\n[tables]\ncollars = "collars.csv"\n{units}'
    (folder / "project.toml").write_text(text, encoding="utf-8")
    return load_project(folder)


def pasted(folder, line):
    """Return the row as the door reads it once it has been pasted into the file."""
    with (folder / "collars.csv").open("a", encoding="utf-8") as file:
        file.write(line + "\n")
    return load_project(folder).collars.iloc[-1]


PLAIN = ("hole_id,easting,northing,elevation,depth,azimuth,dip,status", "A,500000,5400000,300,100,90,-60,drilled")


@pytest.mark.parametrize(
    ("frame", "head", "row", "said"),
    [
        (
            'north = "grid"\ndip_sign = "negative_down"',
            *PLAIN,
            "NEW,500123.40,5400234.50,301.20,250.00,287.5,-61.0,planned",
        ),
        (
            'north = "grid"\ndip_sign = "positive_down"',
            "dip,hole_id,azimuth,note,northing,easting,elevation,depth",
            "60,A,90,x,5400000,500000,300,100",
            "61.0,NEW,287.5,,5400234.50,500123.40,301.20,250.00",
        ),
        # grid = magnetic + declination − convergence (DESIGN.md section 1), so 287.5 − 5 + 1 = 283.5
        (
            'north = "magnetic"\ndip_sign = "negative_down"\ndeclination = 5.0\nconvergence = 1.0',
            *PLAIN,
            "NEW,500123.40,5400234.50,301.20,250.00,283.5,-61.0,planned",
        ),
        # 250 m are 820.21 ft of 0.3048 m
        (
            'north = "grid"\ndip_sign = "negative_down"\ndepth_unit = "feet"',
            *PLAIN,
            "NEW,500123.40,5400234.50,301.20,820.21,287.5,-61.0,planned",
        ),
        (
            'north = "grid"\ndip_sign = "negative_down"',
            "hole_id;easting;northing;elevation;depth;azimuth;dip",
            "A;500000,5;5400000,5;300,1;100,5;90;-60",
            "NEW;500123,40;5400234,50;301,20;250,00;287,5;-61,0",
        ),
    ],
    ids=["plain", "positive down, other order", "magnetic", "feet", "decimal comma"],
)
def test_the_row_is_in_the_terms_of_the_file_and_comes_back_as_it_was_meant(tmp_path, frame, head, row, said):
    made = collar_row(project(tmp_path, frame, head, row), "NEW", *HOLE)
    assert made.heading == head
    assert made.line == said
    back = pasted(tmp_path, made.line)
    assert back[["easting", "northing", "elevation"]].to_numpy(dtype=float) == pytest.approx(HOLE[0], abs=0.01)
    assert back[["azimuth", "dip", "depth"]].to_numpy(dtype=float) == pytest.approx(HOLE[1:], abs=0.05)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"length": -5.0}, "length of a hole must be"),
        ({"azimuth": 400.0}, "azimuth of a hole must be 0 to 360"),
        ({"dip": 91.0}, "dip of a hole must be"),
        ({"collar": [np.nan, 0.0, 0.0]}, "easting of a hole must be a number"),
    ],
)
def test_what_is_no_hole_is_refused(tmp_path, change, said):
    loaded = project(tmp_path, 'north = "grid"\ndip_sign = "negative_down"', *PLAIN)
    hole = dict(zip(("collar", "azimuth", "dip", "length"), HOLE, strict=True)) | change
    with pytest.raises(DataProblem, match=said):
        collar_row(loaded, "NEW", **hole)


def test_magnetic_north_without_a_declination_is_said(tmp_path):
    loaded = project(tmp_path, 'north = "magnetic"\ndip_sign = "negative_down"', *PLAIN)
    with pytest.raises(DataProblem, match="can't be said in the terms"):
        collar_row(loaded, "NEW", *HOLE)
