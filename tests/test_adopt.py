"""``lowside adopt``: a project.toml for any folder of the corpus, every guess said, nothing ever overwritten."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pandas as pd
import pytest

import desurvey
from desurvey.problems import DataProblem
from desurvey.project import Project, adopt, load_project
from tests.command import lowside
from tests.corpus import CLEAN, SAME, WRONG, Folder, write_folder
from tests.corpus.folders import COLLARS, STRUCTURES, SURVEYS, project

DEMO = Path(__file__).parents[1] / "demo_project"
TOML = "project.toml"

NEEDS_A_PERSON = {"headings that the project maps", "feet by the project"}
"""What stands in project.toml and nowhere in the tables can't be found again in them."""


def bare(folder: Folder, place: Path) -> Path:
    """Write a folder of the corpus without its project.toml."""
    write_folder(folder, place)
    (place / TOML).unlink()
    return place


def checksums(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.fixture(scope="module")
def clean(tmp_path_factory) -> Project:
    return load_project(write_folder(CLEAN, tmp_path_factory.mktemp("clean")))


@pytest.mark.parametrize("folder", [*SAME, *WRONG], ids=str)
def test_every_folder_of_the_corpus_is_adopted_and_can_be_checked(folder: Folder, tmp_path):
    before = checksums(bare(folder, tmp_path))
    proposal = adopt(tmp_path)
    assert proposal.guesses
    after = checksums(tmp_path)
    assert after.pop(TOML)
    assert after == before
    assert isinstance(desurvey.open(tmp_path).findings, tuple)


@pytest.mark.parametrize("folder", [folder for folder in SAME if folder.name not in NEEDS_A_PERSON], ids=str)
def test_an_adopted_folder_is_read_as_its_own_project_reads_it(folder: Folder, clean: Project, tmp_path):
    adopt(bare(folder, tmp_path))
    loaded = load_project(tmp_path)
    for name in ("collars", "surveys", "runs", "structures"):
        wanted = getattr(clean, name).drop(columns=["row", "line"], errors="ignore")
        got = getattr(loaded, name)[wanted.columns]
        pd.testing.assert_frame_equal(got, wanted, check_dtype=False, rtol=1e-12, atol=1e-9)


def test_a_folder_that_has_a_project_keeps_it(tmp_path):
    write_folder(CLEAN, tmp_path)
    before = checksums(tmp_path)
    done = lowside("adopt", tmp_path)
    assert done.returncode == 0, done.stderr
    assert "nothing was changed" in done.stderr
    assert checksums(tmp_path) == before


def test_a_link_to_nowhere_is_not_written_through(tmp_path):
    bare(CLEAN, tmp_path)
    (tmp_path / TOML).symlink_to(tmp_path / "elsewhere.toml")
    with pytest.raises(DataProblem, match="never overwritten"):
        adopt(tmp_path)
    assert not (tmp_path / "elsewhere.toml").exists()


def test_the_demo_is_adopted_with_its_own_tables_and_not_with_its_truth(tmp_path):
    folder = tmp_path / "Tarn_Hollow"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("*.py", "pictures", TOML))
    done = lowside("adopt", folder)
    assert done.returncode == 0, done.stderr
    own, adopted = load_project(DEMO), load_project(folder)
    assert adopted.name == "Tarn Hollow"
    assert adopted.files == own.files
    assert "azimuths are from grid north: nothing says so" in done.stderr
    assert "100% of 268 are negative" in done.stderr


@pytest.mark.parametrize(
    ("changed", "guess", "line"),
    [
        ({"surveys": SURVEYS.replace(",-", ",")}, "100% of 5 are positive", 'dip_sign = "positive_down"'),
        ({"surveys": SURVEYS.replace("azimuth", "Mag Azimuth")}, "from magnetic north, as their heading", '"magnetic"'),
        (
            {
                "surveys": SURVEYS.replace("dip\n", "dip,north\n")
                .replace("5\n", "5,T\n")
                .replace("0\n", "0,True North\n")
            },
            "from true north, as the rows of surveys.csv say",
            'north = "true"',
        ),
        (
            {"surveys": SURVEYS.replace("azimuth", "azimtuh")},
            "the heading 'azimtuh' there means azimuth",
            'azimuth = "azimtuh"',
        ),
        (
            {"structures": STRUCTURES.replace("note", "comment").replace("kind", "type").replace("beta", "β")},
            "which side of the core the line marks can't be guessed",
            '# line = "low"',
        ),
        (
            {"collars": COLLARS.replace("depth", "depth (ft)")},
            "the file says that depth (ft) are in feet",
            "collars.csv",
        ),
    ],
)
def test_what_is_guessed_is_said_and_written(changed, guess, line, tmp_path):
    proposal = adopt(bare(project("guess", changed), tmp_path))
    assert any(guess in said for said in proposal.guesses), proposal.guesses
    assert line in (tmp_path / TOML).read_text(encoding="utf-8")


def test_files_of_any_name_are_told_apart_by_their_headings(tmp_path):
    names = {"collars": "a.csv", "surveys": "b.csv", "runs": "c.csv", "structures": "d.csv"}
    adopt(bare(project("names", {}, names=names), tmp_path))
    assert dict(load_project(tmp_path).settings.tables) == {table: (file,) for table, file in names.items()}


def test_names_that_toml_has_to_quote(tmp_path):
    folder = tmp_path / 'a "quoted" name, ü\x7f'
    folder.mkdir()
    adopt(bare(project("quotes", {}, names={"surveys": 'my "surveys".csv'}), folder))
    loaded = load_project(folder)
    assert loaded.name == folder.name
    assert loaded.files["surveys"] == 'my "surveys".csv'


@pytest.mark.parametrize("files", [{}, {"notes.txt": b"rain all day\n"}, {"surveys.csv": SURVEYS.encode()}])
def test_a_folder_without_collars_is_refused_with_what_was_seen(files, tmp_path):
    for name, text in files.items():
        (tmp_path / name).write_bytes(text)
    done = lowside("adopt", tmp_path)
    assert done.returncode == 2
    assert "nothing in the folder looks like collars" in done.stderr
    assert all(name in done.stderr for name in files)
    assert not (tmp_path / TOML).exists()


def test_a_folder_that_is_not_there():
    done = lowside("adopt", "/nowhere/at/all")
    assert done.returncode == 2
    assert "there is no such folder" in done.stderr
