"""How sure a grouping is as a whole: faults against chance, other readings, candidates, chances of windows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sklearn.metrics import adjusted_rand_score

from desurvey import lineup
from desurvey.lineup.crossings import course_of
from desurvey.lineup.grouping import grouped
from desurvey.lineup.partition import chances, state_of
from tests.benchmarks import lineup_report
from tests.test_lineup import POINT, UPPER, grid, loose_picks
from tests.worlds import faulted, sheeted


def few(count, known, loose=9):
    """Return the line-up of a plane seen by some of nine holes, among unrelated picks."""
    trace, depth = grid()
    hole, other, normal = loose_picks(trace, loose)
    holes, depths = np.r_[np.arange(9)[:count], hole], np.r_[depth[:count], other]
    normals = np.vstack([np.tile(UPPER, (count, 1)), normal])
    return sheeted.lined_up(trace, sheeted.picks(trace, holes, depths, normals, known=np.full(len(holes), known)))


def test_a_fault_is_the_surer_the_more_picks_it_has():
    trace, depth = grid()
    stated = []
    for count in (3, 4, 6):
        hole, other, normal = loose_picks(trace, 12)
        holes, depths = np.r_[np.arange(count), hole], np.r_[depth[:count], other]
        found = sheeted.lined_up(trace, sheeted.picks(trace, holes, depths, np.vstack([[UPPER] * count, normal])))
        row = lineup.faults_table(found).iloc[0]
        stated.append(row["probability"])
        own = lineup.picks_table(found)["probability"][:count]
        assert (own <= row["probability"]).all()  # a pick can't be surer of a fault than the fault is
    assert 0.5 < stated[0] < stated[1] < stated[2]
    assert stated[2] > 0.999
    assert row["runner_up"] == ""


def test_three_places_alone_are_a_candidate_and_no_fault():
    """Any three places lie in a plane, so without orientations they tell nothing."""
    found = few(3, "none")
    assert found.faults == ()
    assert found.perhaps[0].name == "C1"
    assert set(found.perhaps[0].rows) == {0, 1, 2}
    assert found.perhaps[0].probability < 0.5
    table = lineup.picks_table(found)
    assert table["runner_up"][:3].tolist() == ["C1"] * 3
    assert table["probability"][:3].to_numpy() == pytest.approx(1.0 - found.perhaps[0].probability, abs=0.01)
    said = lineup.summary(found)
    assert "It can't be told from these picks whether 3 of them are one more fault, C1" in said
    assert "P0, P1, P2" in said


@pytest.mark.parametrize("known", ["alpha", "none"])
def test_nine_picks_without_orientation_line_up(known):
    found = few(9, known)
    assert [set(fault.rows) for fault in found.faults] == [set(range(9))]
    assert found.chance[0] > 0.99


@pytest.mark.slow
def test_worlds_logged_without_beta_are_sorted_out():
    """All picks have an alpha only; before, each was printed as unrelated with probability 1.00."""
    scores = []
    for seed in range(4000, 4006):
        world = faulted.drilled(seed, replace(faulted.USUAL, without_beta=1.0))
        scores.append(adjusted_rand_score(world.truth, lineup_report.lined_up(world).group))
    assert np.median(scores) >= 0.9


def test_a_merger_of_near_faults_is_weighed_and_its_odds_are_those_of_the_partitions():
    """Two parallel faults 6 m apart, each in all nine holes: they can't be one, and that was asked."""
    trace, depth = grid()
    lower = sheeted.at_plane(trace, UPPER, POINT - np.array([0.0, 0.0, 6.0]))
    hole = np.r_[np.arange(9), np.arange(9)]
    found = sheeted.lined_up(trace, sheeted.picks(trace, hole, np.r_[depth, lower], UPPER))
    assert [len(fault.rows) for fault in found.faults] == [9, 9]
    assert [{one.first, one.second} for one in found.mergers] == [{0, 1}]
    assert found.mergers[0].probability < 1e-6
    likelier = replace(found, mergers=(found.mergers[0]._replace(probability=0.34),))
    assert lineup.faults_table(likelier)["runner_up"].tolist() == ["one with F2 (0.34)", "one with F1 (0.34)"]


def test_least_probable_faults_need_more_than_three_holes_by_chance():
    """Three holes are weighed against the many threes: the odds that are added to those of a like fault of four."""
    trace, depth = grid()
    picks = sheeted.picks(trace, np.arange(9)[:4], depth[:4], UPPER)
    course = course_of(trace, np.ones(9, dtype=bool))
    problem, state = grouped(picks, course, lineup.LineupSettings(learn=False))
    assert len(state.sheets) == 1
    from desurvey.lineup.weighing import Null, raw_worth, sheet_of

    null, believed = Null.of(problem, state.group), np.ones((4, 2), dtype=bool)
    rows = np.arange(3)
    sheet = sheet_of(problem, rows, believed, UPPER)
    loose = replace(problem, settings=replace(problem.settings, least_holes=2))
    gap = raw_worth(loose, sheet, rows, believed, null) - raw_worth(problem, sheet, rows, believed, null)
    assert gap == pytest.approx(3.0)  # e³ to 1, whatever else speaks for it
    assert (
        chances(problem, state_of(problem, state.group, state.believed, list(state.sheets), state.raw.tolist())) > 0.5
    )


def test_windows_near_logged_holes_are_likelier_than_those_beyond_missing_ones():
    """Holes in a row: the fault is logged in the first five and in none of the last four."""
    collars = np.array([(60.0 * (n % 9), 60.0 * (n // 9), 0.0) for n in range(27)])
    trace = sheeted.holes(collars, 270.0, -80.0, 400.0)
    depth = sheeted.at_plane(trace, UPPER, POINT + np.array([0.0, 0.0, -60.0]))
    column = np.arange(27) % 9
    logged = np.flatnonzero((column < 5) & (np.arange(27) != 11))  # hole 11 lies in the midst of them
    found = sheeted.lined_up(trace, sheeted.picks(trace, logged, depth[logged], UPPER))
    windows = lineup.windows_table(found).set_index("hole_id")
    assert windows.loc[[f"H{h}" for h in logged], "chance"].to_numpy() == pytest.approx(found.chance[0])
    missing = windows[windows["status"] == "not_logged"]
    assert missing["chance"].idxmax() == "H11"
    edge, beyond = windows.loc["H14", "chance"], windows.loc["H15", "chance"]
    assert missing.loc["H11", "chance"] > edge
    assert edge >= beyond or np.isnan(beyond)
    first = next(line for line in lineup.summary(found).splitlines() if line.startswith("Look again"))
    assert first.startswith("Look again: H11 ")


@pytest.mark.slow
def test_unrelated_picks_make_no_sure_fault():
    """Worlds of nothing but unrelated picks, on seeds that nothing was chosen by."""
    stated = [lineup_report.lined_up(faulted.drilled(seed, faulted.NULL)).chance for seed in range(5000, 5020)]
    assert sum(bool((chance > 0.9).any()) for chance in stated) <= 1
