"""The ``check`` command as a person runs it: what it says, what it writes, how it ends."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import re
from pathlib import Path

import pandas as pd
import pytest

import desurvey
from desurvey import checks
from desurvey.project import load_project
from tests.command import lowside
from tests.drilling import TOML, flawless, write_tables
from tests.projects import TABLES, write_project

DEMO = Path(__file__).parents[1] / "demo_project"
COLUMNS = ["severity", "rule", "table", "row", "hole_id", "depth", "message", "suggestion", "key", "explained"]


def checksums(folder: Path) -> dict[Path, str]:
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


def test_the_demo_is_checked_and_left_as_it_was(tmp_path):
    before = checksums(DEMO)
    done = lowside("check", DEMO, "--out", tmp_path / "findings.csv")
    assert done.returncode == 0, done.stdout + done.stderr
    assert checksums(DEMO) == before
    frame = pd.read_csv(tmp_path / "findings.csv")
    assert list(frame.columns) == COLUMNS
    assert len(frame) == len(desurvey.open(DEMO).check())
    assert frame["severity"].map({"error": 0, "warning": 1, "note": 2}).is_monotonic_increasing
    assert "27 holes, 241 survey stations, 1577 structures" in " ".join(done.stdout.split())


def test_all_formats_hold_the_same_findings(tmp_path):
    for ending in ("csv", "parquet", "json", "html"):
        assert lowside("check", DEMO, "--out", tmp_path / f"f.{ending}").returncode == 0
    csv = pd.read_csv(tmp_path / "f.csv", dtype={"explained": str}).fillna({"explained": ""})
    parquet = pd.read_parquet(tmp_path / "f.parquet")
    rows = pd.DataFrame(json.loads((tmp_path / "f.json").read_text(encoding="utf-8"))["findings"])
    page = (tmp_path / "f.html").read_text(encoding="utf-8")
    inside = re.search(r'<script id="rows" type="application/json">(.*?)</script>', page, re.DOTALL)
    in_page = pd.DataFrame(json.loads(inside.group(1)))
    for frame in (parquet, rows, in_page):
        assert list(frame.columns) == COLUMNS
        blank = frame.fillna({"explained": ""})
        pd.testing.assert_frame_equal(blank.astype(csv.dtypes), csv, check_dtype=False)


def test_the_page_needs_nothing_else_and_says_whose_table_it_is(tmp_path):
    lowside("check", DEMO, "--out", tmp_path / "f.html")
    page = (tmp_path / "f.html").read_text(encoding="utf-8")
    assert set(re.findall(r"""https?://[^\s"'<>)]+""", page)) <= {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in page
    assert not re.search(r"<(script|link|img)[^>]+(src|href)=", page)
    assert "Tabulator v6" in page
    assert "Oliver Folkerd" in page


def test_a_name_that_looks_like_markup_stays_a_name(tmp_path):
    evil = "<script>alert(1)</script>"
    folder = write_project(tmp_path / "p", runs=TABLES["runs"].replace("B,0", f"{evil},0"))
    done = lowside("check", folder, "--out", tmp_path / "f.html")
    assert done.returncode == 1
    assert evil in done.stdout.replace("\n", "")
    assert evil not in (tmp_path / "f.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "fail_on", "status"),
    [
        ({}, "note", 0),
        ({"settle_s": 5.0}, "note", 1),
        ({"settle_s": 5.0}, "warning", 0),
        ({"recovered": 3.5}, "warning", 1),
        ({"recovered": 3.5}, "error", 0),
        ({"depth_to": 300.0}, "error", 1),
    ],
)
def test_the_severity_to_fail_on(change, fail_on, status, tmp_path):
    tables = flawless()
    for column, value in change.items():
        tables["runs"].loc[39, column] = value
    folder = write_tables(tables, tmp_path)
    done = lowside("check", folder, "--fail-on", fail_on)
    assert done.returncode == status, done.stdout


def test_only_some_rules_and_holes(tmp_path):
    lowside(
        "check",
        DEMO,
        "--only",
        "line_in_doubt",
        "--only",
        "survey_spike",
        "--hole",
        "th-21",
        "--out",
        tmp_path / "f.csv",
    )
    frame = pd.read_csv(tmp_path / "f.csv")
    assert frame[["rule", "hole_id"]].to_numpy().tolist() == [["survey_spike", "TH-21"]]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--only", "survey_spik"], "there is no such rule (found 'survey_spik'). Did you mean 'survey_spike'?"),
        (["--hole", "TH-99"], "there is no such hole (found 'TH-99')"),
        (["--fail-on", "fatal"], "fatal"),
        (["--out", "{out}/findings.doc"], "written as .csv, .parquet, .json or .html (found '.doc')"),
        (["--out", "{out}/none/findings.html"], "the folder to write into isn't there"),
    ],
)
def test_arguments_that_cannot_be_used(arguments, message, tmp_path):
    done = lowside("check", DEMO, *(text.format(out=tmp_path) for text in arguments))
    assert done.returncode == 2
    assert message in " ".join(done.stderr.split())
    assert not list(tmp_path.iterdir())


def test_limits_that_cannot_be_used_are_one_message(tmp_path):
    folder = write_tables(flawless(), tmp_path, TOML + "[checks]\nsettle_s = 'long'\n")
    done = lowside("check", folder)
    assert (done.returncode, done.stdout) == (2, "")
    assert "'checks.settle_s' must be a number (found 'long')" in done.stderr


def test_the_worst_hole_comes_first_and_alike_findings_are_counted(tmp_path):
    tables = flawless()
    tables["runs"].loc[40:50, "settle_s"] = 5.0
    tables["structures"]["alpha"] = tables["structures"]["alpha"].astype(object)
    tables["structures"].loc[31, "alpha"] = "steep"
    done = lowside("check", write_tables(tables, tmp_path))
    assert done.returncode == 1
    assert done.stdout.index("D-7") < done.stdout.index("D-2")
    assert "… and 8 more of this kind" in done.stdout
    assert "row" not in done.stderr


def test_a_table_that_cannot_be_read_leaves_the_others_to_be_checked(tmp_path):
    folder = write_project(
        tmp_path, collars="hole,x\nA,1\n", structures=TABLES["structures"].replace("30,180", "95,180")
    )
    done = lowside("check", folder, "--out", tmp_path / "f.csv")
    assert done.returncode == 1
    assert {"missing_column", "out_of_range"} <= set(pd.read_csv(tmp_path / "f.csv")["rule"])


def test_stretches_and_lines_of_the_demo(tmp_path):
    lowside("check", DEMO, "--stretches", tmp_path / "s.csv", "--lines", tmp_path / "l.csv")
    frame = pd.read_csv(tmp_path / "s.csv")
    assert frame.loc[frame["runs"] > 1, "worst_offset"].max() <= 10
    assert set(frame["break_above"]) == {"top", "not fitted", "offset"}
    holes = pd.read_csv(tmp_path / "l.csv")
    assert (holes["share"].between(0.7, 1.0)).all()
    assert holes["metres"].sum() == pytest.approx(frame["metres"].sum())
    assert frame["metres"].sum() == pytest.approx((load_project(DEMO).runs.eval("depth_to - depth_from")).sum())


def test_the_list_of_rules_comes_from_the_code():
    done = lowside("check", "--rules")
    assert done.returncode == 0
    words = done.stdout.split()
    assert all(rule.id in words for rule in checks.RULES)
    assert all(item.name in words for item in dataclasses.fields(checks.Limits))
