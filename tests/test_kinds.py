"""``[kinds]``: the words that stand for one kind of structure, the same for every question."""

from __future__ import annotations

import numpy as np
import pytest

from desurvey import lineup, traces
from desurvey.problems import DataProblem
from desurvey.project import adopt, load_project
from tests.projects import PROJECT_TOML, TABLES, write_project

CODED = """hole_id,depth,kind,alpha,beta,structure_id
A,1.5,FLT,30,180,S1
A,4,flt,30,0,S2
A,50,JN,45,,S3
B,2,Shear,90,,S4
B,10,fault,60,200,S5
"""


def project(folder, kinds, structures=CODED):
    return load_project(write_project(folder, PROJECT_TOML + kinds, structures=structures))


def test_words_of_a_kind_are_one_kind_whichever_is_asked_for(tmp_path):
    loaded = project(tmp_path, '[kinds]\nFault = ["FLT", "shear"]\n')
    for asked in ("fault", "FLT", " Shear "):
        assert loaded.of_kind(asked).tolist() == [True, True, False, True, True]
    assert loaded.of_kind("joint").tolist() == [False] * 5
    assert loaded.kinds == {"fault": 4, "jn": 1}
    assert loaded.structures["kind"].tolist() == ["FLT", "flt", "JN", "Shear", "fault"]  # as logged


def test_without_the_section_kinds_are_as_logged(tmp_path):
    loaded = project(tmp_path, "")
    assert loaded.of_kind("flt").tolist() == [True, True, False, False, False]
    assert loaded.of_kind("fault").tolist() == [False] * 4 + [True]


def test_a_kind_that_is_not_there_names_those_that_are(tmp_path):
    loaded = project(tmp_path, "", TABLES["structures"].replace("fault", "FLT"))
    with pytest.raises(DataProblem) as caught:
        lineup.line_up(loaded, traces.build(loaded))
    said = str(caught.value)
    assert "no structure of kind 'fault' lies on a hole" in said
    assert "flt (3), joint (1), vein (1)" in said
    assert "did you mean" not in said.lower()
    assert 'fault = ["flt"]' in said


@pytest.mark.parametrize(
    ("kinds", "message"),
    [
        ('[kinds]\nfault = ["F"]\nfold = ["f"]\n', "one word to two kinds"),
        ('[kinds]\nfault = ["joint"]\njoint = ["J"]\n', "one word to two kinds"),
        ('[kinds]\nfault = "FLT"\n', "must be a list"),
        ("[kinds]\nfault = [3]\n", "must be text"),
        ("kinds = 3\n", r"\[kinds\] must be a section"),
    ],
)
def test_kinds_that_mean_nothing_are_refused(tmp_path, kinds, message):
    toml = kinds + PROJECT_TOML if kinds.startswith("kinds") else PROJECT_TOML + kinds
    with pytest.raises(DataProblem, match=message):
        load_project(write_project(tmp_path, toml))


def test_adopt_proposes_kinds_where_codes_look_like_them(tmp_path):
    write_project(tmp_path, structures=CODED)
    (tmp_path / "project.toml").unlink()
    proposal = adopt(tmp_path)
    loaded = load_project(tmp_path)
    assert loaded.kinds == {"fault": 4, "joint": 1}
    assert any("FLT, Shear, flt are of kind 'fault'" in guess for guess in proposal.guesses)


def test_a_single_letter_is_taken_for_a_kind_only_where_nothing_else_is(tmp_path):
    for name, fault, found in (("alone", "F", {"fault"}), ("beside", "FLT", {"fault", "f"})):
        folder = tmp_path / name
        table = "hole_id,depth,kind,alpha,beta\nA,1,F,30,1\nA,2,F,30,2\nB,3," + fault + ",30,3\n"
        write_project(folder, structures=table)
        (folder / "project.toml").unlink()
        adopt(folder)
        assert set(load_project(folder).kinds) == found


def test_coded_picks_line_up_as_the_demos_do(tmp_path):
    """The demo with its faults logged under three words, against the demo as it is."""
    import shutil
    from pathlib import Path

    demo = Path(__file__).parents[1] / "demo_project"
    plain = load_project(demo)
    for name in ("project.toml", "collars.csv", "surveys.csv", "runs.csv", "structures.csv", "lithology.csv"):
        shutil.copy(demo / name, tmp_path / name)
    lines = (tmp_path / "structures.csv").read_text().splitlines(keepends=True)
    words = ("FLT", "Shear", "fault")
    coded = [line.replace(",fault,", f",{words[n % 3]},") for n, line in enumerate(lines)]
    (tmp_path / "structures.csv").write_text("".join(coded))
    with (tmp_path / "project.toml").open("a") as file:
        file.write('\n[kinds]\nfault = ["FLT", "shear"]\n')
    loaded = load_project(tmp_path)
    assert np.array_equal(loaded.of_kind("FLT"), plain.of_kind("fault"))
    assert loaded.of_kind("fault").sum() == 38
