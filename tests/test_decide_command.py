"""Deciding, from a terminal and from several at once: what is kept, what is refused, and that nobody loses anything."""

from __future__ import annotations

import shutil
import subprocess
import sys
import threading
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from filelock import FileLock

import desurvey
from desurvey import decisions as deciding
from desurvey.decisions import AUDIT, FILE, LOCK, Decision, decide, read_decisions
from desurvey.problems import DataProblem
from tests.benches import layered, written
from tests.command import lowside

KEY = "run L04 90-100 line_side"


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """Give a world of two faults with one run whose line was drawn on the wrong side (tests/benches.py)."""
    return written(tmp_path_factory.mktemp("decide") / "world", layered(wrong_run=("L04", 90.0)))


@pytest.fixture
def folder(world, tmp_path):
    """Give a copy to decide on."""
    return Path(shutil.copytree(world, tmp_path / "world"))


def blocks(folder):
    return tomllib.loads((folder / FILE).read_text(encoding="utf-8"))["decision"]


# ---- the command ---------------------------------------------------------------------------------------------


def test_accepted_set_aside_and_taken_back(folder):
    tables = {path.name: path.read_bytes() for path in folder.glob("*.csv")}
    logged = desurvey.open(folder).structures.normal
    done = lowside("decide", folder, KEY, "--accept", "--why", 'seen on the "photo"', "--who", "Åsa")
    assert done.returncode == 0, done.stderr
    assert "1 decision in" in done.stderr
    (one,) = blocks(folder)
    assert (one["what"], one["key"], one["answer"]) == ("suspect", KEY, "accepted")
    assert (one["why"], one["who"]) == ('seen on the "photo"', "Åsa")
    assert pd.Timestamp(one["when"]).tz is not None
    assert not np.array_equal(desurvey.open(folder).structures.normal, logged)

    assert lowside("decide", folder, KEY, "--set-aside").returncode == 0
    (one,) = blocks(folder)
    assert one["answer"] == "set_aside"
    assert one["who"]  # the user of this machine
    np.testing.assert_array_equal(desurvey.open(folder).structures.normal, logged)
    assert desurvey.open(folder).suspects().empty

    done = lowside("decide", folder, KEY, "--undo")
    assert done.returncode == 0, done.stderr
    assert "0 decisions in" in done.stderr
    assert read_decisions(folder).made == ()
    assert desurvey.open(folder).suspects()["key"].tolist() == [KEY]
    assert {path.name: path.read_bytes() for path in folder.glob("*.csv")} == tables


def test_a_pick_is_pinned_to_a_fault_to_none_and_no_longer(folder):
    picks = desurvey.open(folder).lineup().picks.set_index("structure_id")["fault_id"]
    pick = picks.index[picks == "F1"][0]
    for fault, expected in (("F2", "F2"), ("none", "")):
        done = lowside("decide", folder, "--pin", pick, fault, "--why", "gouge as in the other")
        assert done.returncode == 0, done.stderr
        after = desurvey.open(folder).lineup().picks.set_index("structure_id")["fault_id"]
        assert after[pick] == expected
        assert (after.drop(pick) == picks.drop(pick)).all()
    (one,) = blocks(folder)
    assert (one["what"], one["key"], one["answer"]) == ("pick", pick, "pinned")
    assert lowside("decide", folder, pick, "--undo").returncode == 0
    after = desurvey.open(folder).lineup().picks.set_index("structure_id")["fault_id"]
    assert (after == picks).all()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([KEY], "one of --accept, --set-aside and --undo"),
        ([KEY, "--accept", "--set-aside"], "one of --accept"),
        ([KEY, "--accept", "--undo"], "one of --accept"),
        ([KEY, "--accept", "--pin", "S0297", "F1"], "one of --accept"),
        ([KEY, "--pin", "S0297", "F1"], "with a key, or --pin"),
        (["--accept"], "with a key"),
        ([], "with a key"),
        (["run L04 90-100 line_sied", "--accept"], f"Did you mean '{KEY}'"),
        (["nonsense", "--accept"], "lowside suspects"),
        ([KEY, "--undo"], "no decision about that"),
        (["--pin", "S0297", "F9"], "F1"),
        (["--pin", "S0297", "F1x"], "pinned to a fault of the line-up"),
        (["--pin", "S029", "F1"], "no such pick"),
        ([KEY, "--accept", "--why", "x" * 200_000], "1000 letters"),
        (["k" * 200_000, "--accept"], "no suspect of that key"),
    ],
    ids=lambda given: " ".join(given)[:40] if isinstance(given, list) else "",
)
def test_what_cannot_be_decided_is_refused_and_nothing_is_written(folder, arguments, said):
    done = lowside("decide", folder, *arguments)
    assert done.returncode == 2, done.stderr
    assert said in done.stderr
    assert len(done.stderr) < 2000
    assert not (folder / FILE).exists()


def test_an_unknown_option_is_a_usage_error(folder):
    done = lowside("decide", folder, KEY, "--acept")
    assert done.returncode == 2
    assert "--accept" in done.stderr


def test_whoever_decides_otherwise_is_told(folder):
    """The command reads the decisions before it decides; what somebody else decides in between is told."""
    study = desurvey.open(folder)
    decide(folder, [Decision("suspect", KEY, "set_aside", who="Bo")])
    changed = study.decide(KEY, accept=True, who="Åsa")
    (other,) = changed.overruled
    assert (other.who, other.answer) == ("Bo", "set_aside")
    (one,) = changed.decisions.made
    assert (one.who, one.answer) == ("Åsa", "accepted")


# ---- the file ------------------------------------------------------------------------------------------------


def test_of_two_who_decide_neither_loses_anything(tmp_path):
    both = read_decisions(tmp_path)
    first = decide(tmp_path, [Decision("suspect", "a", "accepted", who="Åsa")], known=both)
    second = decide(tmp_path, [Decision("pick", "S1", "pinned", who="Bo")], known=both)  # hasn't seen the first
    assert first.overruled == second.overruled == ()
    assert second.decisions == read_decisions(tmp_path)
    assert [one.key for one in second.decisions.made] == ["a", "S1"]
    again = decide(tmp_path, [Decision("suspect", "a", "accepted", who="Bo")], known=both)
    assert again.overruled == ()  # both say the same
    undone = decide(tmp_path, undone=[("suspect", "a")], known=both)
    assert [(one.who, one.key) for one in undone.overruled] == [("Bo", "a")]
    assert decide(tmp_path, undone=[("suspect", "a")]).decisions == read_decisions(tmp_path)


def test_many_threads_and_processes_at_once_lose_nothing(tmp_path):
    program = (
        "import sys\nfrom pathlib import Path\nfrom desurvey.decisions import Decision, decide\n"
        "for i in range(10):\n"
        "    decide(Path(sys.argv[1]), [Decision('pick', f'{sys.argv[2]}-{i}', 'pinned')])\n"
    )
    running = [subprocess.Popen([sys.executable, "-c", program, str(tmp_path), name]) for name in ("p", "q")]
    ones = [
        threading.Thread(target=decide, args=(tmp_path, [Decision("suspect", f"t-{number}", "accepted")]))
        for number in range(10)
    ]
    for one in ones:
        one.start()
    for one in ones:
        one.join()
    assert [one.wait(timeout=300) for one in running] == [0, 0]
    wanted = {f"{name}-{number}" for name in "pqt" for number in range(10)}
    assert {one.key for one in read_decisions(tmp_path).made} == wanted
    assert not [path for path in tmp_path.iterdir() if path.name not in {FILE, LOCK, AUDIT}]


@pytest.mark.parametrize("text", ["[[decision]\n", "decision = 3\n", "\x00", "[[decision]]\nwhat = 'suspect'\n"])
def test_a_damaged_file_is_one_message_everywhere_and_is_left_as_it_is(folder, tmp_path, text):
    (folder / FILE).write_text(text, encoding="utf-8")
    for arguments in (
        ["orient", folder, "--out", tmp_path / "o.csv"],
        ["check", folder],
        ["decide", folder, KEY, "--accept"],
    ):
        done = lowside(*arguments)
        assert done.returncode == 2, done.stderr
        assert FILE in done.stderr
    with pytest.raises(DataProblem):
        decide(folder, [Decision("suspect", KEY, "accepted")])
    assert (folder / FILE).read_text(encoding="utf-8") == text
    assert not (tmp_path / "o.csv").exists()


def test_a_text_beyond_all_measure_is_refused(tmp_path):
    for long in ({"key": "x" * 200_000}, {"key": "a", "why": "x" * 200_000}, {"key": "a", "who": "x" * 200_000}):
        with pytest.raises(DataProblem, match="letters at most"):
            decide(tmp_path, [Decision("suspect", answer="accepted", **long)])
    assert not (tmp_path / FILE).exists()


def test_a_lock_left_by_a_dead_process_does_not_hinder_and_a_living_one_is_waited_for(tmp_path, monkeypatch):
    (tmp_path / LOCK).write_text("left over")
    assert len(decide(tmp_path, [Decision("suspect", "a", "accepted")]).decisions) == 1
    monkeypatch.setattr(deciding, "PATIENCE_S", 0.2)
    with FileLock(tmp_path / LOCK), pytest.raises(DataProblem, match="somebody else is changing the decisions"):
        decide(tmp_path, [Decision("suspect", "b", "accepted")])
    assert [one.key for one in read_decisions(tmp_path).made] == ["a"]


def test_a_folder_that_cannot_be_written_is_one_message(tmp_path):
    (tmp_path / "file").write_text("")
    for nowhere in (tmp_path / "none", tmp_path / "file"):
        with pytest.raises(DataProblem, match="decisions can't be written"):
            decide(nowhere, [Decision("suspect", "a", "accepted")])
    assert [path.name for path in tmp_path.iterdir()] == ["file"]
