"""Pins: a person's word rules over its own pick and over nothing else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from desurvey import lineup, traces
from desurvey.lineup import Pins
from desurvey.problems import DataProblem
from desurvey.project import load_project
from tests.test_lineup import UPPER, grid, with_loose
from tests.worlds import sheeted

DEMO = Path(__file__).parents[1] / "demo_project"

SORE = ("S0576", "S0237", "S0541", "S1047", "S0272", "S0343", "S0516", "S0578")
"""Picks of the demo that deleted a whole fault when they were pinned to none."""


@pytest.fixture(scope="module")
def demo():
    project = load_project(DEMO)
    holes = traces.build(project)
    return project, holes, lineup.line_up(project, holes)


def without(project, name):
    """Return a project without one row of its structures."""
    rows = (project.structures["structure_id"] != name).to_numpy()
    return replace(project, structures=project.structures[rows], structure_run=project.structure_run[rows])


def members(found):
    return [set(found.names[fault.rows]) for fault in found.faults]


@pytest.mark.parametrize("name", SORE)
def test_pinned_to_none_is_as_if_the_row_were_not_there(demo, name):
    project, holes, _ = demo
    pinned = lineup.line_up(project, holes, pins=Pins.of({name: ""}))
    deleted = lineup.line_up(without(project, name), holes)
    pd.testing.assert_frame_equal(lineup.faults_table(pinned), lineup.faults_table(deleted))
    pd.testing.assert_frame_equal(lineup.windows_table(pinned), lineup.windows_table(deleted))
    rest = lineup.picks_table(pinned)
    own = rest["structure_id"] == name
    assert rest.loc[own, ["fault_id", "probability"]].to_numpy().tolist() == [["", 1.0]]
    pd.testing.assert_frame_equal(rest[~own].reset_index(drop=True), lineup.picks_table(deleted))


@pytest.mark.slow
def test_a_pick_pinned_to_a_wrong_fault_leaves_that_fault_as_it_was(demo):
    """Every pick of a fault of the demo, pinned to each fault that it isn't in."""
    project, holes, plain = demo
    before = members(plain)
    for wrong, there in enumerate(before):
        anchor = str(plain.names[plain.faults[wrong].rows[0]])
        for name in sorted(set().union(*before) - there):
            found = lineup.line_up(project, holes, pins=Pins.of({name: anchor}))
            joined = next(one for one in members(found) if anchor in one)
            assert there | {name} <= joined, name
            row = int(np.flatnonzero(found.names == name)[0])
            assert found.forced[row]
            table = lineup.picks_table(found)
            assert table["probability"][row] == 1.0
            assert abs(table["misfit_m"][row]) > 3.0 or table["misfit_deg"][row] > 15.0


def test_a_forced_pick_has_no_say_in_the_shape():
    trace, depth = grid()
    off = depth.copy()
    off[8] += 30.0
    picks = with_loose(trace, off)
    plain = sheeted.lined_up(trace, picks)
    assert set(plain.faults[0].rows) == set(range(8))
    names = np.array([f"P{i}" for i in range(len(picks))])
    found = lineup.lined_up(picks, names, trace, plain.spread, plain.drilled, pins=Pins.of({"P8": "P3"}))
    fault = found.faults[0]
    assert set(fault.rows) == set(range(9))
    assert found.forced.tolist() == [row == 8 for row in range(len(picks))]
    assert fault.normal == pytest.approx(UPPER, abs=2e-3)
    table = lineup.picks_table(found)
    assert table["misfit_m"][8] == pytest.approx(30.0, abs=1.0)  # as far as it was moved along its hole
    assert np.abs(table["misfit_m"][:8]).max() < 0.5
    assert "P8 is in F1 by a person's word, +30" in lineup.summary(found)


def test_a_pin_that_the_evidence_agrees_with_changes_nothing():
    trace, depth = grid()
    picks = with_loose(trace, depth)
    plain = sheeted.lined_up(trace, picks)
    names = np.array([f"P{i}" for i in range(len(picks))])
    found = lineup.lined_up(picks, names, trace, plain.spread, plain.drilled, pins=Pins.of({"P8": "P3"}))
    assert not found.forced.any()
    pd.testing.assert_frame_equal(lineup.faults_table(found), lineup.faults_table(plain))


def test_pins_name_a_fault_or_a_pick_and_say_when_they_hold_nothing():
    trace, depth = grid()
    lower = sheeted.at_plane(trace, UPPER, np.array([0.0, 0.0, -130.0]))
    hole = np.r_[np.arange(9), np.arange(9)]
    picks = sheeted.picks(trace, hole, np.r_[depth, lower], UPPER)
    plain = sheeted.lined_up(trace, picks)
    names = np.array([f"P{i}" for i in range(len(picks))])

    def lined_up(pins):
        return lineup.lined_up(picks, names, trace, plain.spread, plain.drilled, pins=pins)

    faults = {"Main": [f"P{i}" for i in range(9)], "Low": [f"P{i}" for i in range(9, 18)]}
    by_name = lined_up(Pins.of({"P2": "Low"}, faults))
    assert by_name.group[2] == by_name.group[9]
    # P3 follows P2, whom a person put into the lower fault, and not the evidence
    chain = lined_up(Pins.of({"P2": "P10", "P3": "P2"}))
    assert chain.group[3] == chain.group[2] == chain.group[9] != chain.group[0]
    circle = lined_up(Pins.of({"P2": "P3", "P3": "P2"}))
    assert circle.group.tolist() == plain.group.tolist()
    lost = lined_up(Pins.of({"P2": "Q7", "Q1": "P3"}))
    assert lost.unheld == ("P2", "Q1")
    assert lost.group.tolist() == plain.group.tolist()
    to_none = lined_up(Pins.of({"P2": "P3", "P3": ""}))
    assert to_none.unheld == ("P2",)
    with pytest.raises(DataProblem, match="only to a fault that other picks hold"):
        Pins.of({"P2": "Own"}, {"Own": ["P2"]})


def test_unrelated_picks_pinned_together_by_the_settings_are_a_fault():
    trace, depth = grid()
    picks = with_loose(trace, depth)
    found = sheeted.lined_up(trace, picks, lineup.LineupSettings(same=(("P10", "P12"),)))
    assert found.group[10] == found.group[12] == 1
    assert set(found.faults[0].rows) == set(range(9))
