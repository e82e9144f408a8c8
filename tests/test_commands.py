"""The commands as a person runs them: what they write, what they say, how they end."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.command import lowside
from tests.projects import PROJECT_TOML, TABLES, write_project
from tests.test_check_command import COLUMNS

DEMO = Path(__file__).parents[1] / "demo_project"
TRACE_COLUMNS = [
    *("hole_id", "depth", "easting", "northing", "elevation", "azimuth", "dip", "dogleg_30m"),
    *("sigma_e", "sigma_n", "sigma_u", "extrapolated"),
]
ORIENT_COLUMNS = [
    *("easting", "northing", "elevation", "dip", "dip_direction", "trend", "plunge", "pole_sigma", "usable", "why_not"),
]


def checksums(folder):
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    return tmp_path_factory.mktemp("out")


def test_trace_of_the_demo(out):
    before = checksums(DEMO)
    done = lowside("trace", DEMO, "--out", out / "traces.csv", "--norths", out / "norths.csv")
    assert done.returncode == 0, done.stderr
    assert checksums(DEMO) == before
    frame = pd.read_csv(out / "traces.csv")
    assert list(frame.columns) == TRACE_COLUMNS
    assert frame["hole_id"].nunique() == 27
    assert frame["extrapolated"].dtype == bool
    assert np.isfinite(frame.drop(columns="hole_id")).all().all()
    norths = pd.read_csv(out / "norths.csv")
    assert set(norths["north"]) == {"grid", "true", "magnetic"}
    shift = norths["declination"].fillna(0) - norths["convergence"].fillna(0)
    turned = (norths["azimuth_read"] + shift - norths["azimuth_grid"] + 180) % 360 - 180
    np.testing.assert_allclose(turned, 0, atol=1e-5)


def test_trace_with_a_step_as_parquet(out):
    done = lowside("trace", DEMO, "--out", out / "traces.parquet", "--step", 5)
    assert done.returncode == 0, done.stderr
    frame = pd.read_parquet(out / "traces.parquet")
    one = frame[frame["hole_id"] == "TH-01"]
    assert (np.diff(one["depth"])[:-1] == 5).all()


def test_orient_of_the_demo(out):
    done = lowside("orient", DEMO, "--out", out / "oriented.csv")
    assert done.returncode == 0, done.stderr
    frame, structures = pd.read_csv(out / "oriented.csv"), pd.read_csv(DEMO / "structures.csv")
    assert frame["structure_id"].tolist() == structures["structure_id"].tolist()
    assert set(ORIENT_COLUMNS) <= set(frame.columns)
    assert set(structures.columns) <= set(frame.columns)
    assert set(frame["usable"]) == {"yes", "no"}
    usable = frame["usable"] == "yes"
    assert frame["why_not"].isna().tolist() == usable.tolist()
    assert frame.loc[usable, "pole_sigma"].between(0.5, 60).all()
    assert frame.loc[~usable, ["dip", "dip_direction", "pole_sigma"]].isna().all().all()


def test_check_of_clean_data(tmp_path):
    done = lowside("check", write_project(tmp_path), "--out", tmp_path / "findings.csv")
    assert done.returncode == 0, done.stdout + done.stderr
    frame = pd.read_csv(tmp_path / "findings.csv")
    assert list(frame.columns) == COLUMNS


def test_check_names_the_row_the_value_and_the_remedy(tmp_path):
    surveys = TABLES["surveys"].replace("A,60,92", "A,60,east")
    done = lowside("check", write_project(tmp_path, surveys=surveys), "--out", tmp_path / "findings.csv")
    assert done.returncode == 1
    finding = pd.read_csv(tmp_path / "findings.csv").query("severity == 'error'").iloc[0]
    assert (finding["rule"], finding["table"], finding["row"], finding["hole_id"]) == (
        "not_a_number",
        "surveys",
        3,
        "A",
    )
    assert "azimuth is 'east', expected a number" in finding["message"]


def test_other_commands_do_what_they_can_and_end_with_1(tmp_path):
    surveys = TABLES["surveys"].replace("A,60,92", "A,60,east")
    folder = write_project(tmp_path, surveys=surveys)
    done = lowside("trace", folder, "--out", tmp_path / "traces.csv")
    assert done.returncode == 1
    assert "surveys.csv, row 3: A: azimuth is 'east', expected a number" in done.stderr
    assert set(pd.read_csv(tmp_path / "traces.csv")["hole_id"]) == {"B"}


UNUSABLE = [
    ("no folder", {}, ["trace", "{folder}/nothing", "--out", "{out}"], "no such project folder"),
    ("no collars", {"collars": None}, ["trace", "{folder}", "--out", "{out}"], "collars.csv: there is no such file"),
    ("empty file", {"surveys": ""}, ["trace", "{folder}", "--out", "{out}"], "surveys.csv: the file is empty"),
    (
        "no column",
        {"surveys": "hole_id,depth,dip\nA,0,-60\n"},
        ["orient", "{folder}", "--out", "{out}"],
        "surveys.csv, row 1: the column 'azimuth'",
    ),
    (
        "ending",
        {},
        ["trace", "{folder}", "--out", "{folder}/traces.doc"],
        "written as .csv, .parquet or .arrow (found '.doc')",
    ),
    (
        "no such place",
        {},
        ["trace", "{folder}", "--out", "{folder}/none/t.csv"],
        "the folder to write into isn't there",
    ),
    ("a folder", {}, ["orient", "{folder}", "--out", "{folder}"], "written as .csv, .parquet or .arrow"),
    ("step", {}, ["trace", "{folder}", "--out", "{out}", "--step", "0"], "step must be more than 0"),
    ("option", {}, ["trace", "{folder}", "--out", "{out}", "--stop", "5"], "No such option"),
    ("no out", {}, ["trace", "{folder}"], "Missing option"),
]


@pytest.mark.parametrize(
    ("tables", "arguments", "message"), [case[1:] for case in UNUSABLE], ids=[c[0] for c in UNUSABLE]
)
def test_unusable_input_is_one_message_exit_2_and_no_output(tmp_path, tables, arguments, message):
    folder = write_project(tmp_path / "project", **tables)
    before = checksums(tmp_path)
    done = lowside(*(text.format(folder=folder, out=tmp_path / "out.csv") for text in arguments))
    assert done.returncode == 2, done.stdout + done.stderr
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert checksums(tmp_path) == before


def test_a_project_without_structures_or_runs_orients_nothing(tmp_path):
    toml = "\n".join(line for line in PROJECT_TOML.splitlines() if "structures" not in line and "runs" not in line)
    folder = write_project(tmp_path, toml)
    done = lowside("orient", folder, "--out", tmp_path / "oriented.csv")
    assert done.returncode == 0, done.stderr
    assert pd.read_csv(tmp_path / "oriented.csv").empty


def test_help_says_what_the_commands_do():
    done = lowside("--help")
    assert done.returncode == 0
    for word in ("check", "trace", "orient", "project.toml", "licensed or competent"):
        assert word in done.stdout
