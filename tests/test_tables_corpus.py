"""Tables as they really come: everything readable is read as the same data, everything else is said on its row."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd
import pytest

from desurvey import traces
from desurvey.problems import DataProblem
from desurvey.project import Project, load_project
from tests.corpus import CLEAN, SAME, WRONG, Folder, write_folder
from tests.corpus.folders import TABLES as TEXTS
from tests.corpus.folders import project as changed

TABLES = ("collars", "surveys", "runs", "structures")


def found(project: Project) -> Counter:
    return Counter((finding.rule, finding.table, finding.row) for finding in project.findings)


def test_the_corpus_is_large_and_every_folder_differs():
    names = [folder.name for folder in (*SAME, *WRONG)]
    assert len(names) == len(set(names))
    assert len(SAME) >= 40
    assert len(WRONG) >= 40


def test_the_clean_project_has_no_finding(tmp_path):
    assert found(load_project(write_folder(CLEAN, tmp_path))) == Counter()


@pytest.fixture(scope="module")
def clean(tmp_path_factory) -> Project:
    return load_project(write_folder(CLEAN, tmp_path_factory.mktemp("clean")))


@pytest.mark.parametrize("folder", SAME, ids=str)
def test_one_project_in_many_spellings_is_read_as_the_same_data(folder: Folder, clean: Project, tmp_path):
    project = load_project(write_folder(folder, tmp_path))
    assert found(project) == Counter(folder.rules), [str(finding) for finding in project.findings]
    for name in TABLES:
        wanted, got = getattr(clean, name), getattr(project, name)
        wanted, got = wanted.drop(columns="row"), got[wanted.columns.drop("row")]
        pd.testing.assert_frame_equal(got, wanted, check_dtype=False, rtol=1e-12, atol=1e-9)


@pytest.mark.parametrize("folder", WRONG, ids=str)
def test_what_cannot_be_read_is_said_where_it_stands(folder: Folder, tmp_path):
    write_folder(folder, tmp_path)
    if folder.refused:
        with pytest.raises(DataProblem, match=folder.refused):
            load_project(tmp_path)
        return
    project = load_project(tmp_path)
    assert found(project) == Counter(folder.rules), [str(finding) for finding in project.findings]
    assert all(finding.message and finding.suggestion for finding in project.findings)


def test_numbers_that_cannot_be_read_are_blank_and_stop_no_more_than_their_row(tmp_path):
    folder = next(folder for folder in WRONG if folder.name == "alpha beyond 90")
    project = load_project(write_folder(folder, tmp_path))
    assert [found.row for found in project.wrong_rows("structures").values()] == [3]
    assert not project.broken_holes
    assert np.isfinite(project.structures["alpha"]).all(), "a number out of range stays as it was typed"


@pytest.mark.parametrize(("table", "left"), [("collars", {"TH-02"}), ("surveys", {"TH-02"}), ("structures", None)])
def test_a_row_of_shifted_cells_stops_its_hole_or_itself(table, left, tmp_path):
    shifted = TEXTS[table].replace("TH-01,", "TH-01,,", 1).replace("\n", ",x\n", 2).replace(",x", "", 1)
    project = load_project(write_folder(changed("shifted", {table: shifted}), tmp_path))
    (finding,) = [finding for finding in project.findings if finding.rule == "ragged_row"]
    assert (finding.row, finding.hole_id) == (2, "TH-01")
    if left:
        assert set(traces.build(project).hole_ids) == left
    else:
        assert list(project.wrong_rows("structures")) == [0]


def test_advice_goes_to_what_usually_lies_behind(tmp_path):
    changed_tables = {
        "surveys": TEXTS["surveys"].replace("293.1", "-66.9"),
        "structures": TEXTS["structures"].replace("247", "-999").replace("TH-02", "TH 2"),
    }
    project = load_project(write_folder(changed("advice", changed_tables), tmp_path))
    said = {(finding.rule, finding.table): f"{finding.message}. {finding.suggestion}" for finding in project.findings}
    assert "add 360" in said["out_of_range", "surveys"]
    assert "leave the cell blank" in said["out_of_range", "structures"]
    assert "one of 'TH-02' is there" in said["unknown_hole", "structures"]


@pytest.mark.parametrize(("written", "year"), [("13-Apr-98", 1998), ("13 April 26", 2026), ("13.04.2026", 2026)])
def test_years_of_two_digits(written, year, tmp_path):
    folder = changed("years", {"collars": TEXTS["collars"].replace("2026-04-13", written)})
    assert load_project(write_folder(folder, tmp_path)).collars["date"].dt.year.tolist() == [2026, year]
