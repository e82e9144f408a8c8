"""Line-ups of picks that are not simple: displaced, turned, in zones, on rough faults.

Scored by scikit-learn's adjusted Rand index, on worlds that don't use the engine.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sklearn.metrics import adjusted_rand_score

from desurvey import lineup
from desurvey.problems import DataProblem
from tests.benchmarks import lineup_report
from tests.worlds import faulted

SMALL = replace(faulted.USUAL, holes=(14, 16), faults=(2, 3), picks=(8, 14), unrelated=0.25)
"""Worlds small enough for the suite; of seeds that no choice was made on."""

SEEDS = range(400, 402)


def scored(recipe, spoil=None):
    """Return the line-ups of a few worlds, with their adjusted Rand indices."""
    worlds = [faulted.drilled(seed, recipe) for seed in SEEDS]
    if spoil is not None:
        worlds = [
            replace(world, structures=spoil(np.random.default_rng(seed), world.structures))
            for seed, world in zip(SEEDS, worlds, strict=True)
        ]
    found = [lineup_report.lined_up(world) for world in worlds]
    return worlds, found, [adjusted_rand_score(w.truth, f.group) for w, f in zip(worlds, found, strict=True)]


def test_displaced_picks_stay_and_throw_nobody_out():
    """A seventh of all picks 5 to 9 m off along the hole: 0.78 before, wanted 0.85."""
    worlds, found, rand = scored(SMALL, lineup_report.displaced)
    assert np.mean(rand) >= 0.85
    moved = [
        np.abs(world.structures["depth"] - faulted.drilled(seed, SMALL).structures["depth"]).to_numpy() > 1.0
        for seed, world in zip(SEEDS, worlds, strict=True)
    ]
    named = np.concatenate([one.displaced for one in found])
    truly = np.concatenate([off & (w.truth >= 0) for off, w in zip(moved, worlds, strict=True)])
    assert named[truly].mean() > 0.5
    assert named[~truly].mean() < 0.05


def test_wrong_betas_throw_nobody_out():
    """A fifth of all betas wrong."""
    assert np.mean(scored(SMALL, lineup_report.turned)[2]) >= 0.85


def test_zones_are_one_fault_of_several_picks_a_hole():
    """Two or three picks at each cut, anywhere within the thickness: 0.5 before, wanted 0.85."""
    _, found, rand = scored(replace(SMALL, zone=(1.5, 4.0)))
    assert np.mean(rand) >= 0.85
    rates = [fault.sheet.habit.zone_rate for one in found for fault in one.faults]
    assert np.mean(rates) == pytest.approx(1.5, abs=0.8)  # what the worlds were made with


def test_rough_faults_are_found_whole():
    """Waves of 60 to 80 m and 4 to 7 m, as long as holes are apart: 0.40 before."""
    _, found, rand = scored(replace(SMALL, relief=(4.0, 7.0), wavelength=(60.0, 80.0)))
    assert np.mean(rand) >= 0.7
    assert np.mean([fault.sheet.habit.amplitude for one in found for fault in one.faults]) > 2.0


@pytest.mark.parametrize("settings", [{"depth_m": 0.0}, {"zone_rate": -1.0}, {"displaced": 1.0}])
def test_settings_that_mean_nothing_are_refused(settings):
    with pytest.raises(DataProblem, match=next(iter(settings))):
        lineup.LineupSettings(**settings)
