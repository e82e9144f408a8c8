"""The table of blunders: each is spoilt here by hand, on tables, and must be undone by the search and by accepting."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from desurvey import blunders, orient, suspects, traces
from desurvey.project import load_project
from desurvey.suspects import Readings
from desurvey.suspects.holes import Hypothesis, restated
from tests.drilling import flawless, write_tables

HOLE, TURN, ROLL = "D-3", 14.0, -25.0
TOP, BOTTOM = 21.0, 24.0


def tables():
    """Return eight curved holes at UTM coordinates of some 512,000 and 5,312,000, lines of all three kinds."""
    made, rng = flawless(), np.random.default_rng(4)
    count = 1200
    depth = np.round(rng.uniform(0.5, 119.5, count), 2)
    made["structures"] = pd.DataFrame(
        {
            "hole_id": rng.choice(made["collars"]["hole_id"], count),
            "depth": np.where(depth % 3 == 0, depth + 0.01, depth),
            "kind": "vein",
            "alpha": rng.uniform(5, 85, count),
            "beta": rng.uniform(0, 360, count),
            "structure_id": [f"S{i}" for i in range(count)],
            "line": rng.choice(["low", "high", "north"], count),
        }
    )
    return made


def _surveyed(made, change):
    for name in ("collars", "surveys"):
        own = made[name]["hole_id"] == HOLE
        made[name].loc[own, ["azimuth", "dip"]] = change(made[name].loc[own, ["azimuth", "dip"]].to_numpy(dtype=float))


def _logged(made, own, change):
    own = own & (made["structures"]["hole_id"] == HOLE)
    columns = ["alpha", "beta"]
    made["structures"].loc[own, columns] = change(made["structures"].loc[own, columns].to_numpy(dtype=float))


SPOIL_CORE = {
    "line_side": lambda angles: np.column_stack([angles[:, 0], (angles[:, 1] + 180) % 360]),
    "run_rolled": lambda angles: np.column_stack([angles[:, 0], (angles[:, 1] - ROLL) % 360]),
    "beta_reversed": lambda angles: np.column_stack([angles[:, 0], 360 - angles[:, 1]]),
    "alpha_complement": lambda angles: np.column_stack([90 - angles[:, 0], angles[:, 1]]),
}
SPOIL_SURVEY = {
    "azimuth_reversed": lambda angles: np.column_stack([(angles[:, 0] + 180) % 360, angles[:, 1]]),
    "dip_sign": lambda angles: angles * [1, -1],
    "north_reference": lambda angles: np.column_stack([angles[:, 0] - TURN, angles[:, 1]]),
}


def loaded(made, folder):
    folder.mkdir()
    return load_project(write_tables(made, folder))


def in_space(project):
    holes = traces.build(project)
    return holes, orient.oriented(project, holes)


def angle_deg(one, other):
    """Return the angles between axes, by their cross product: good to the last digit."""
    return np.rad2deg(np.arcsin(np.minimum(np.linalg.norm(np.cross(one, other), axis=1), 1.0)))


def suspect(scope, blunder):
    turn = {"north_reference": TURN, "run_rolled": ROLL}.get(blunder, np.nan)
    depths = (TOP, BOTTOM) if scope == "run" else (0.0, 120.0)
    row = dict.fromkeys(suspects.COLUMNS, "") | {"scope": scope, "hole_id": HOLE, "blunder": blunder}
    return pd.DataFrame([row | {"depth_from": depths[0], "depth_to": depths[1], "roll_deg": turn}])


def the_same(got, wanted, own):
    assert own.sum() > 4
    assert np.abs(got.position - wanted.position)[own].max() < 1e-6
    assert angle_deg(got.normal, wanted.normal)[own].max() < 1e-6


@pytest.mark.parametrize("blunder", blunders.named("hole"))
def test_a_wrong_hole_is_undone_by_accepting_and_by_the_search(blunder, tmp_path):
    """Spoilt on paper, not with the table of blunders; lines on the low side, the high side and to the north."""
    right = loaded(tables(), tmp_path / "right")
    made = tables()
    if blunder in SPOIL_SURVEY:
        _surveyed(made, SPOIL_SURVEY[blunder])
    else:
        _logged(made, True, SPOIL_CORE[blunder])
    wrong = loaded(made, tmp_path / "wrong")
    own = (wrong.structures["hole_id"] == HOLE).to_numpy()
    truth, spoilt = in_space(right)[1], in_space(wrong)
    assert np.median(angle_deg(spoilt[1].normal, truth.normal)[own]) > 5

    accepted = in_space(suspects.accept(wrong, suspect("hole", blunder)))[1]
    the_same(accepted, truth, np.ones(len(own), dtype=bool))

    holes, logged = spoilt
    collar = holes.position[holes.offsets[:-1]]
    readings = Readings.of(
        position=logged.position,
        tangent=logged.tangent,
        reference=logged.reference,
        alpha_deg=wrong.structures["alpha"].to_numpy(),
        beta_deg=wrong.structures["beta"].to_numpy(),
        kind=np.zeros(len(own)),
        hole=logged.hole,
        run=wrong.structure_run,
        depth=wrong.structures["depth"].to_numpy(),
        gravity=(wrong.structures["line"] != "north").to_numpy(),
    )
    the_same(restated(readings, collar[readings.hole], Hypothesis(blunder, TURN)), truth, own)


@pytest.mark.parametrize("blunder", blunders.named("run"))
def test_a_wrong_run_is_undone_and_its_neighbours_left_alone(blunder, tmp_path):
    right = loaded(tables(), tmp_path / "right")
    made = tables()
    _logged(made, made["structures"]["depth"].between(TOP, BOTTOM), SPOIL_CORE[blunder])
    # A reading on the border of two runs belongs to the lower one, and isn't touched with the upper.
    border = made["structures"].iloc[[0]].assign(hole_id=HOLE, depth=BOTTOM, structure_id="border", line="low")
    made["structures"] = pd.concat([made["structures"], border], ignore_index=True)
    wrong = loaded(made, tmp_path / "wrong")
    accepted = suspects.accept(wrong, suspect("run", blunder))
    own = accepted.structures["accepted"] == blunder
    inside = (wrong.structures["hole_id"] == HOLE) & wrong.structures["depth"].between(TOP, BOTTOM, inclusive="left")
    assert own.tolist() == inside.tolist()
    got, truth = in_space(accepted)[1], in_space(right)[1]
    assert own.sum() > 0
    assert angle_deg(got.normal[:-1], truth.normal).max() < 1e-6


def test_every_blunder_has_a_sentence_and_a_rate_in_each_scope():
    for row in blunders.BLUNDERS.values():
        for scope, seen in row.seen.items():
            assert row.name in blunders.named(scope)
            assert 0 < seen.rate < 0.05
            said = seen.sentence.format(turn=-8.0, off=8.0, sigma=1.0, way="anticlockwise", side="on the high side")
            assert "{" not in said
            assert not said.endswith(".")
    assert blunders.rates("hole").sum() == pytest.approx(0.05)
    assert blunders.rates("run").sum() == pytest.approx(0.04)
