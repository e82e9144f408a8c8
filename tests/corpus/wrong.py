"""Folders with something that can't be read: a finding on the right row, or a refusal."""

from __future__ import annotations

from dataclasses import replace

from tests.corpus.folders import COLLARS, FRAME, RUNS, STRUCTURES, SURVEYS, Folder, cells, project, workbook, zipped

SHEET = cells(SURVEYS)
ROCK = """Hole,From,To,Rock
TH-01,0,20,schist
TH-01,twenty,40,marble
TH-01,45,40,schist
TH-02,0,30,schist
TH-02,29,60,dyke
TH-02,60,95,schist
TH-03,0,10,schist
TH-01,50,,schist
"""


def without(folder: Folder, file: str, folders: tuple[str, ...] = ()) -> Folder:
    """Return a folder without one of its files, or with a folder in its place."""
    return replace(folder, files={name: text for name, text in folder.files.items() if name != file}, folders=folders)


UNREADABLE = ("unreadable_file", "surveys", None)

WRONG: list[Folder] = [
    without(project("a file that is not there", {}, ("missing_file", "surveys", None)), "surveys.csv"),
    without(project("a folder in place of a file", {}, UNREADABLE), "surveys.csv", ("surveys.csv",)),
    project("an empty file", {"surveys": b""}, UNREADABLE),
    project("only blanks", {"surveys": "\n\n ,,\n"}, UNREADABLE),
    project("an archive that is none", {"surveys": b"PK\x03\x04rubbish"}, UNREADABLE, names={"surveys": "s.zip"}),
    project(
        "an archive of two files, none named",
        {"surveys": zipped({"a.csv": SURVEYS, "b.csv": SURVEYS})},
        UNREADABLE,
        names={"surveys": "s.zip"},
    ),
    project("a workbook that is none", {"surveys": b"PK\x03\x04" * 30}, UNREADABLE, names={"surveys": "s.xlsx"}),
    project(
        "a sheet that is not there",
        {"surveys": workbook({"survey": SHEET})},
        UNREADABLE,
        names={"surveys": "s.xlsx#surveys"},
    ),
    project("Parquet that is none", {"surveys": b"PAR1" + bytes(40)}, UNREADABLE, names={"surveys": "s.parquet"}),
    project("a format that is not known", {"surveys": "x"}, UNREADABLE, names={"surveys": "s.doc"}),
    project(
        "a quote never closed",
        {"structures": STRUCTURES.replace("planar", '"planar')},
        ("unreadable_file", "structures", 2),
    ),
    project(
        "a column missing",
        {"surveys": SURVEYS.replace("azimuth", "inclination")},
        ("missing_column", "surveys", 1),
    ),
    project(
        "two headings for one column",
        {"surveys": "Hole,Depth,Azi,Bearing,Dip\nTH-01,0,292,292,-60\nTH-02,0,1,1,-64\n"},
        ("double_heading", "surveys", 1),
    ),
    project(
        "a heading twice",
        {"surveys": "hole_id,depth,azimuth,dip,depth\n" + "\n".join(f"{line},1" for line in SURVEYS.splitlines()[1:])},
        ("double_heading", "surveys", 1),
    ),
    project(
        "a decimal comma that shifts the row",
        {"surveys": SURVEYS.replace("293.1", "293,1")},
        ("ragged_row", "surveys", 3),
    ),
    project("a row cut off", {"structures": STRUCTURES[: -len(",300,quartz\n")]}, ("short_row", "structures", 4)),
    project("words for numbers", {"surveys": SURVEYS.replace("293.1", "north")}, ("not_a_number", "surveys", 3)),
    project("a formula", {"surveys": SURVEYS.replace("293.1", "=C2+0.7")}, ("not_a_number", "surveys", 3)),
    project(
        "an error of a spreadsheet", {"surveys": SURVEYS.replace("293.1", "#REF!")}, ("not_a_number", "surveys", 3)
    ),
    project("zero bytes in a cell", {"surveys": SURVEYS.replace("293.1", "29\0003.1")}, ("not_a_number", "surveys", 3)),
    project("a number without end", {"surveys": SURVEYS.replace("293.1", "9" * 400)}, ("not_a_number", "surveys", 3)),
    project("infinity", {"surveys": SURVEYS.replace("293.1", "inf")}, ("not_a_number", "surveys", 3)),
    project(
        "a comma between thousands or before decimals",
        {
            "structures": STRUCTURES.replace("4.92", '"1,125"')
            .replace("8.25", "8")
            .replace("4.1,", "4,")
            .replace("42.5", "42")
        },
        ("ambiguous_number", "structures", 2),
    ),
    project(
        "days and months that can be told in two ways",
        {"collars": COLLARS.replace("2026-03-31", "03/04/2026").replace("2026-04-13", "05/06/2026")},
        ("not_a_date", "collars", 2),
        ("not_a_date", "collars", 3),
    ),
    project(
        "a number for no value", {"structures": STRUCTURES.replace("247", "-999")}, ("out_of_range", "structures", 2)
    ),
    project("alpha beyond 90", {"structures": STRUCTURES.replace("42.5", "92.5")}, ("out_of_range", "structures", 3)),
    project("a blank azimuth", {"surveys": SURVEYS.replace("293.1", "")}, ("missing_value", "surveys", 3)),
    project("a hole without a collar", {"runs": RUNS.replace("TH-02", "TH-20")}, ("unknown_hole", "runs", 4)),
    project(
        "zeros lost in front of a hole",
        {
            "collars": COLLARS.replace("TH-01", "001").replace("TH-02", "002"),
            "surveys": SURVEYS.replace("TH-01", "001").replace("TH-02", "002"),
            "runs": RUNS.replace("TH-01", "1").replace("TH-02", "002"),
            "structures": STRUCTURES.replace("TH-01", "001").replace("TH-02", "002"),
        },
        ("unknown_hole", "runs", 2),
        ("unknown_hole", "runs", 3),
    ),
    project(
        "holes alike",
        {"collars": COLLARS + "th-02,511906,5311898,1603,90,H,\n"},
        ("names_alike", "collars", 4),
        ("no_direction", "collars", 4),
    ),
    project(
        "a hole twice",
        {"collars": COLLARS + "TH-02,511906,5311898,1603,90,H,\n"},
        ("double_hole", "collars", 3),
        ("double_hole", "collars", 4),
    ),
    project(
        "stations out of order",
        {"surveys": SURVEYS.replace(",60,293.1", ",160,293.1")},
        ("unordered_stations", "surveys", 4),
        ("depth_beyond_hole", "surveys", 3),
    ),
    project(
        "two directions at one depth",
        {"surveys": SURVEYS.replace(",120,294", ",60,294")},
        ("double_station", "surveys", 4),
    ),
    project("a station twice", {"surveys": SURVEYS + "TH-02,60,359.2,-63.5\n"}, ("repeated_station", "surveys", 7)),
    project("an interval upside down", {"runs": RUNS.replace("6,9", "9,6")}, ("reversed_interval", "runs", 3)),
    project("runs that overlap", {"runs": RUNS.replace("6,9", "5,9")}, ("overlapping_runs", "runs", 3)),
    project(
        "a depth beyond the hole",
        {"structures": STRUCTURES.replace("4.1,", "94.1,")},
        ("depth_beyond_hole", "structures", 4),
    ),
    project(
        "an interval table with all its faults",
        {"rock": ROCK},
        ("not_a_number", "rock", 3),
        ("reversed_interval", "rock", 4),
        ("overlapping_intervals", "rock", 6),
        ("depth_beyond_hole", "rock", 7),
        ("unknown_hole", "rock", 8),
        ("missing_value", "rock", 9),
        names={"rock": "rock.csv"},
    ),
    project(
        "an interval table that is mapped wrongly",
        {"rock": ROCK},
        ("missing_column", "rock", 1),
        names={"rock": "rock.csv"},
        more='\n[columns.rock]\ndepth_from = "Form"\n',
    ),
    project("an interval table that is not there", {}, ("missing_file", "rock", None), names={"rock": "rock.csv"}),
    project(
        "an unknown side of the line",
        {
            "runs": RUNS.replace("recovered", "recovered,line")
            .replace("2.95", "2.95,left")
            .replace(",3\n", ",3,\n")
            .replace("2.9\n", "2.9,\n")
        },
        ("not_a_choice", "runs", 2),
    ),
    project(
        "a row number behind comments",
        {"surveys": "# one\n# two, with a comma\n\n" + SURVEYS.replace("293.1", "x")},
        ("left_out_rows", "surveys", 1),
        ("not_a_number", "surveys", 6),
    ),
    project(
        "a row number behind a cell of two lines",
        {"structures": STRUCTURES.replace("planar", '"planar,\nrough"').replace("42.5", "x")},
        ("not_a_number", "structures", 3),
    ),
    project(
        "eastings in feet", {"collars": COLLARS.replace("easting", "easting (ft)")}, ("unit_mismatch", "collars", 1)
    ),
    project(
        "no side of the line",
        {},
        ("no_line", "structures", None),
        frame=FRAME.replace('line = "low"', ""),
    ),
    project("no convention for north", {}, frame=FRAME.replace('north = "grid"', ""), refused="north = "),
    project("a dip sign that is not known", {}, frame=FRAME.replace("negative_down", "down"), refused="dip_sign"),
    project("a key with a slip", {}, frame=FRAME.replace("north", "nroth"), refused="Did you mean 'north'"),
    project("a table with a slip", {}, more='suveys = "s.csv"\n', refused="Did you mean 'surveys'"),
    project("no TOML", {}, frame="name = Corpus\n", refused="isn't TOML"),
    project("TOML with a zero byte", {}, frame=FRAME.replace("Corpus", "Corpus \x00"), refused="isn't TOML"),
]
