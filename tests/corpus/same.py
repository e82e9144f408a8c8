"""One little project, written in many ways: each must be read as the same data."""

from __future__ import annotations

import io

import pandas as pd

from tests.corpus.folders import (
    COLLARS,
    FRAME,
    RUNS,
    STRUCTURES,
    SURVEYS,
    TABLES,
    Folder,
    cells,
    project,
    workbook,
    zipped,
)

CLEAN = project("clean", {})


def everywhere(old: str, new: str) -> dict[str, str]:
    """Return all tables with a text replaced."""
    return {table: text.replace(old, new) for table, text in TABLES.items()}


def decimal_commas(separator: str) -> dict[str, str]:
    """Return all tables with decimal commas behind another separator."""
    return {table: text.replace(",", separator).replace(".", ",") for table, text in TABLES.items()}


def with_line(text: str, place: int, line: str) -> str:
    """Return a text with a line put in before the place-th line, counted from 0."""
    lines = text.splitlines()
    return "\n".join([*lines[:place], line, *lines[place:]]) + "\n"


def _turned(text: str) -> list[str]:
    """Return the lines of a plain text with its columns in the opposite order."""
    return [",".join(reversed(line.split(","))) for line in text.splitlines()]


def parquet(text: str) -> bytes:
    buffer = io.BytesIO()
    pd.read_csv(io.StringIO(text)).to_parquet(buffer)
    return buffer.getvalue()


def in_feet(text: str, columns: list[str]) -> str:
    frame = pd.read_csv(io.StringIO(text))
    frame[columns] = frame[columns] / 0.3048
    return frame.to_csv(index=False)


SHEETS = {name: cells(text) for name, text in TABLES.items()}
ALONG = {"surveys": ["depth"], "runs": ["depth_from", "depth_to", "recovered"], "structures": ["depth"]}

SAME: list[Folder] = [
    project("semicolons", everywhere(",", ";")),
    project("tabs in a txt file", everywhere(",", "\t"), names={table: f"{table}.txt" for table in TABLES}),
    project("tabs in a csv file", everywhere(",", "\t")),
    project("bars between cells", everywhere(",", "|")),
    project("a tsv file", {"surveys": SURVEYS.replace(",", "\t")}, names={"surveys": "surveys.tsv"}),
    project(
        "decimal commas",
        decimal_commas(";"),
        *[("spelt_number", "collars", row) for row in (2, 2, 2, 2)],
        *[("spelt_number", "surveys", row) for row in (2, 2)],
        ("spelt_number", "runs", 2),
        *[("spelt_number", "structures", row) for row in (2, 3)],
    ),
    project(
        "quoted decimal commas between commas",
        {"runs": 'hole_id,depth_from,depth_to,recovered\nTH-01,3,6,"2,95"\nTH-01,6,9,"3,0"\nTH-02,3,6,"2,9"\n'},
        ("spelt_number", "runs", 2),
    ),
    project("a mark before UTF-8", {}, encoding="utf-8-sig"),
    project("UTF-16", {}, encoding="utf-16"),
    project(
        "UTF-16 without a mark",
        {},
        *[("guessed_encoding", table, None) for table in TABLES],
        encoding="utf-16-le",
    ),
    project(
        "Windows-1252 with a degree sign",
        {"surveys": SURVEYS.replace("azimuth", "Azimuth (°)").replace("dip", "Dip [°]").encode("cp1252")},
        ("guessed_encoding", "surveys", None),
    ),
    project("old Mac line ends", everywhere("\n", "\r")),
    project("Windows line ends and blank lines at the end", everywhere("\n", "\r\n") | {"runs": RUNS + "\r\n\r\n"}),
    project("no line end in the last row", {table: text.rstrip("\n") for table, text in TABLES.items()}),
    project("separators behind every row", everywhere("\n", ",,\n")),
    project(
        "comment lines above the heading",
        {"surveys": "# surveyed by the night shift, with care\n# two holes\n" + SURVEYS},
        ("left_out_rows", "surveys", 1),
    ),
    project(
        "a title and a blank row above the heading",
        {"collars": "Tarn Hollow: collars,,,,,,\n,,,,,,\n" + COLLARS},
        ("left_out_rows", "collars", 1),
    ),
    project(
        "a comment row in the middle",
        {"surveys": with_line(SURVEYS, 3, "# tool changed here,,,")},
        ("left_out_rows", "surveys", 4),
    ),
    project("a units row", {"surveys": with_line(SURVEYS, 1, ",m,°,deg")}, ("left_out_rows", "surveys", 2)),
    project(
        "blank and total rows",
        {"runs": with_line(with_line(RUNS, 3, ",,,"), 5, "Total,,,8.85")},
        ("left_out_rows", "runs", 6),
    ),
    project(
        "the headings again in the middle",
        {"surveys": with_line(SURVEYS, 4, "hole_id,depth,azimuth,dip")},
        ("left_out_rows", "surveys", 5),
    ),
    project(
        "thousands commas",
        {
            "collars": COLLARS.replace("511861.74", '"511,861.74"')
            .replace("5311922.70", '"5,311,922.70"')
            .replace("1605.31", '"1,605.31"')
        },
        *[("spelt_number", "collars", 2)] * 3,
    ),
    project(
        "thousands points and decimal commas",
        {
            "collars": decimal_commas(";")["collars"]
            .replace("511861,74", "511.861,74")
            .replace("5311922,70", "5.311.922,70")
        },
        *[("spelt_number", "collars", 2)] * 4,
    ),
    project(
        "thousands apostrophes and no-break spaces",
        {"collars": COLLARS.replace("511861", "511'861").replace("5311922", "5\u00a0311\u00a0922")},
        *[("spelt_number", "collars", 2)] * 2,
    ),
    project("long minus signs", {"surveys": SURVEYS.replace("-6", "−6")}, ("spelt_number", "surveys", 2)),
    project(
        "units behind numbers",
        {"surveys": SURVEYS.replace("-60.25", "-60.25°").replace(",60,", ",60 m,")},
        ("spelt_number", "surveys", 3),
        ("spelt_number", "surveys", 2),
    ),
    project(
        "plus signs and blanks around cells",
        {"surveys": SURVEYS.replace(",292.4", ", +292.4 ")},
    ),
    project(
        "blanks around hole names",
        {"surveys": SURVEYS.replace("TH-02", "TH-02 ")},
        ("padded_names", "surveys", 5),
    ),
    project(
        "hole names in another case",
        {"structures": STRUCTURES.replace("TH-02", "th-02"), "runs": RUNS.replace("TH-01", "Th-01")},
        ("other_spelling", "runs", 2),
        ("other_spelling", "structures", 4),
    ),
    project(
        "trade headings",
        {
            "collars": COLLARS.replace(
                "hole_id,easting,northing,elevation,depth,core_size,date",
                "Hole No,East,North,RL,EOH (m),Core Size,Date",
            ),
            "surveys": SURVEYS.replace("hole_id,depth,azimuth,dip", "HOLE ID,At [m],AZI,Dip (deg)"),
            "runs": RUNS.replace("hole_id,depth_from,depth_to,recovered", "Borehole,From_m,To_m,Recovery (m)"),
            "structures": STRUCTURES.replace("hole_id,depth,kind,alpha,beta,note", "Hole,Depth m,Type,α,β,Remarks"),
        },
    ),
    project(
        "headings that the project maps",
        {"surveys": SURVEYS.replace("hole_id,depth,azimuth,dip", "Sonde,Tiefe,Richtung,Neigung")},
        more='\n[columns.surveys]\nhole_id = "Sonde"\ndepth = "Tiefe"\nazimuth = "Richtung"\ndip = "Neigung"\n',
    ),
    project(
        "headings over two lines",
        {"surveys": SURVEYS.replace("azimuth", '"Azimuth\n(deg)"')},
    ),
    project(
        "feet by the headings",
        {
            "structures": in_feet(STRUCTURES, ["depth"]).replace(",depth,", ",Depth (ft),"),
        },
        ("feet_converted", "structures", 1),
    ),
    project(
        "feet by the units row",
        {"surveys": with_line(in_feet(SURVEYS, ["depth"]), 1, ",ft,deg,deg")},
        ("left_out_rows", "surveys", 2),
        ("feet_converted", "surveys", 1),
    ),
    project(
        "feet by the project",
        {table: in_feet(TABLES[table], columns) for table, columns in ALONG.items()}
        | {"collars": in_feet(COLLARS, ["depth"])},
        *[("feet_converted", table, 1) for table in TABLES],
        frame=FRAME.replace("[core]", 'depth_unit = "feet"\n\n[core]'),
    ),
    project(
        "dips positive down",
        {"surveys": SURVEYS.replace(",-", ",")},
        frame=FRAME.replace("negative_down", "positive_down"),
    ),
    project(
        "more columns and another order",
        {"surveys": "".join(f"{line},shift,{i}\n" for i, line in enumerate(_turned(SURVEYS)))},
    ),
    project(
        "days before months",
        {"collars": COLLARS.replace("2026-03-31", "31/03/2026").replace("2026-04-13", "13/04/2026")},
    ),
    project(
        "months by name",
        {"collars": COLLARS.replace("2026-03-31", "31 March 2026").replace("2026-04-13", "13-Apr-26")},
    ),
    project(
        "months before days", {"collars": COLLARS.replace("2026-03-31", "3/31/2026").replace("2026-04-13", "4/13/2026")}
    ),
    project("dates with points", {"collars": COLLARS.replace("2026-03-31", "31.03.2026")}),
    project(
        "a file in an archive of its own", {"surveys": zipped({"surveys.csv": SURVEYS})}, names={"surveys": "s.zip"}
    ),
    project(
        "files in an archive",
        {"surveys": zipped({"field/Surveys.csv": SURVEYS, "field/notes.txt": "rain"})},
        names={"surveys": "field.zip/field/surveys.csv"},
    ),
    project("a sub-folder", {}, names={table: f"tables/2026/{table}.csv" for table in TABLES}),
    project(
        "a workbook of four sheets, named by the project",
        dict.fromkeys(TABLES, workbook(SHEETS)),
        names={table: f"log.xlsx#{table}" for table in TABLES},
    ),
    project(
        "a workbook of four sheets, found by their names",
        dict.fromkeys(TABLES, workbook({name.capitalize(): rows for name, rows in SHEETS.items()})),
        *[("chosen_sheet", table, None) for table in TABLES],
        names=dict.fromkeys(TABLES, "log.xlsx"),
    ),
    project(
        "a sheet with a title, units and a total",
        {
            "runs": workbook(
                {
                    "core": [
                        ["Core recovery", None, None, None],
                        [None] * 4,
                        *SHEETS["runs"][:1],
                        [None, "m", "m", "m"],
                        *SHEETS["runs"][1:],
                        ["TOTAL", None, None, 8.85],
                    ]
                }
            )
        },
        ("left_out_rows", "runs", 1),
        ("left_out_rows", "runs", 4),
        ("left_out_rows", "runs", 8),
        names={"runs": "recovery.xlsx"},
    ),
    project(
        "a sheet that starts lower down and to the right",
        {"surveys": workbook({"s": [[None] * 6] * 4 + [[None, None, *row] for row in SHEETS["surveys"]]})},
        names={"surveys": "surveys.xlsx"},
    ),
    project(
        "numbers stored as text in a workbook",
        {"surveys": workbook({"s": [line.split(",") for line in SURVEYS.splitlines()]})},
        names={"surveys": "surveys.xlsx"},
    ),
    project(
        "Parquet",
        {table: parquet(text) for table, text in TABLES.items()},
        names={table: f"{table}.parquet" for table in TABLES},
    ),
]
