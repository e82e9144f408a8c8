"""Long work says how far it is: never backwards, often, to the very end, and without changing what it answers."""

from __future__ import annotations

import gc
import io
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import desurvey
from desurvey import orient, traces
from desurvey.lineup import faults_table, line_up, picks_table, windows_table
from desurvey.progress import followed, part
from desurvey.project import load_project
from desurvey.suspects import suspects
from tests.benches import layered, written
from tests.projects import write_project
from viewer.commands.shared import working

DEMO = Path(__file__).parents[1] / "demo_project"


class Listener:
    """Keeps every share that it is told, with the processor time spent before it."""

    def __init__(self):
        self.shares, self.spent, self.begun = [], [], time.process_time()

    def __call__(self, share):
        self.shares.append(share)
        self.spent.append(time.process_time() - self.begun)

    def holds(self, *, longest_silence):
        """Check what holds of all long work; ``longest_silence`` is a share of its whole time."""
        total = time.process_time() - self.begun
        assert np.all(np.diff(self.shares) >= 0.0)
        assert self.shares[0] >= 0.0
        assert self.shares[-1] == 1.0
        assert np.diff(self.spent, prepend=0.0).max() < longest_silence * total


@pytest.fixture(autouse=True)
def _only_the_work_is_timed():
    """Keep Python from clearing up after a whole test session, a third of a second, in the middle of short work."""
    gc.collect()
    gc.disable()
    yield
    gc.enable()


@pytest.fixture(scope="module")
def demo():
    project = load_project(DEMO)
    holes = traces.build(project)
    return project, holes, orient.oriented(project, holes)


def test_suspects_say_how_far_they_are(tmp_path):
    project = load_project(written(tmp_path / "layered", layered()))
    holes = traces.build(project)
    readings = orient.oriented(project, holes)
    silent, listener = suspects(project, holes, readings), Listener()
    told = suspects(project, holes, readings, progress=listener)
    listener.holds(longest_silence=0.3)
    pd.testing.assert_frame_equal(told, silent)


def test_the_demos_suspects_are_never_silent_for_long(demo):
    """Measured: 0.04 of the whole; among 19,000 readings 0.09, which is a second."""
    listener = Listener()
    suspects(*demo, progress=listener)
    listener.holds(longest_silence=0.15)
    half = listener.shares[int(np.searchsorted(listener.spent, listener.spent[-1] / 2))]
    assert 0.2 < half < 0.8


def test_the_line_up_says_how_far_it_is(demo):
    project, holes, _ = demo
    silent, listener = line_up(project, holes), Listener()
    told = line_up(project, holes, progress=listener)
    listener.holds(longest_silence=0.4)
    for table in (faults_table, picks_table, windows_table):
        pd.testing.assert_frame_equal(table(told), table(silent))
    counted = Listener()
    windows_table(told, progress=counted)
    assert counted.shares == pytest.approx([1 / 3, 2 / 3, 1, 1])


def test_the_line_up_of_figures_and_reports_says_how_far_it_is(demo):
    listener = Listener()
    assert desurvey.open(DEMO, fresh=True).lineup_or_none(progress=listener) is not None
    listener.holds(longest_silence=0.3)


def test_nothing_to_do_is_done_at_once(tmp_path):
    """Neither suspects nor windows of no readings and no faults may leave a bar hanging."""
    empty = "hole_id,depth,kind,alpha,beta\n"
    lonely = empty + "A,1.5,fault,30,180\nB,2,fault,40,90\n"
    project = load_project(write_project(tmp_path / "empty", structures=empty))
    holes, listener = traces.build(project), Listener()
    assert suspects(project, holes, orient.oriented(project, holes), progress=listener).empty
    assert listener.shares[-1] == 1.0
    project = load_project(write_project(tmp_path / "lonely", structures=lonely))
    of_picks, of_windows = Listener(), Listener()
    found = line_up(project, traces.build(project), progress=of_picks)
    assert windows_table(found, progress=of_windows).empty
    assert of_picks.shares[-1] == of_windows.shares[-1] == 1.0


def test_shares_of_parts_of_parts():
    told = []
    outer = part(told.append, 0.5, 1.0)
    assert list(followed([7, 8], part(outer, 0.0, 0.5))) == [7, 8]
    assert told == [0.625, 0.75]


class Terminal(io.StringIO):
    """Something that says it is a terminal."""

    def isatty(self):
        return True


def test_a_terminal_sees_the_share_and_a_pipe_sees_nothing(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    for stream in (Terminal(), io.StringIO()):
        monkeypatch.setattr(sys, "stderr", stream)
        with working("Weighing") as progress:
            progress(0.25)
            if stream.isatty():
                while "25%" not in stream.getvalue():  # it is drawn ten times a second, by a thread of its own
                    time.sleep(0.05)
        said = stream.getvalue()
        assert ("Weighing" in said and "25%" in said) if stream.isatty() else said == ""
