"""Sets found against sets planted: how many, where, how tight, and who belongs to none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation
from sklearn.metrics import adjusted_rand_score

from desurvey import sphere


def planted(
    seed: int, sizes: list[int], scatter_deg: list[float], outliers: int = 0, apart_deg: float = 40.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return axes with random signs, the set of each (−1: none) and the true mean axes, at least so far apart.

    Drawn by scipy from Fisher's law, whose κ is 1/σ² for a scatter of σ in any one direction: not from our own model.
    """
    rng = np.random.default_rng(seed)
    while True:
        means = rng.normal(size=(len(sizes), 3))
        means /= np.linalg.norm(means, axis=1)[:, None]
        between = np.abs(means @ means.T)[~np.eye(len(sizes), dtype=bool)]
        if between.max(initial=0.0) < np.cos(np.deg2rad(apart_deg)):
            break
    parts = [
        stats.vonmises_fisher(mean, 1 / np.deg2rad(scatter) ** 2).rvs(size, random_state=rng)
        for mean, size, scatter in zip(means, sizes, scatter_deg, strict=True)
    ]
    noise = rng.normal(size=(outliers, 3))
    axes = np.vstack([*parts, noise / np.linalg.norm(noise, axis=1)[:, None]])
    truth = np.repeat([*range(len(sizes)), -1], [*sizes, outliers])
    return rng.choice([-1.0, 1.0], len(axes))[:, None] * axes, truth, means


WORLDS = {
    "one": ([60], [10.0], 0),
    "three_with_outliers": ([120, 80, 50], [6.0, 9.0, 12.0], 40),
    "uneven": ([300, 25], [8.0, 6.0], 20),
    "five": ([60, 60, 60, 60, 60], [5.0, 6.0, 7.0, 8.0, 6.0], 30),
}


SEEDS = 12


@pytest.mark.parametrize("name", WORLDS)
def test_planted_sets_are_found(name):
    sizes, scatter, outliers = WORLDS[name]
    right = 0
    for seed in range(SEEDS):
        axes, truth, means = planted(seed, sizes, scatter, outliers)
        sets = sphere.find_sets(axes)
        if len(sets.axis) != len(sizes):
            continue
        right += 1
        match = np.argmax(np.abs(sets.axis @ means.T), axis=1)
        assert sorted(match) == list(range(len(sizes)))
        error = np.rad2deg(np.arccos(np.minimum(np.abs(np.sum(sets.axis * means[match], axis=1)), 1)))
        standard = np.array(scatter)[match] * np.sqrt(2 / np.array(sizes)[match])
        assert np.all(error < 4 * standard + 0.5)
        np.testing.assert_allclose(sets.scatter_deg, np.array(scatter)[match], rtol=0.35)
        # what lies inside a set by chance can't be told from it: outliers cost some of the score
        assert adjusted_rand_score(truth, sets.member) > 0.75
    assert right == SEEDS


@pytest.mark.parametrize("count", [3, 30, 500])
def test_an_even_spread_has_no_sets(count):
    found = 0
    for seed in range(SEEDS):
        axes, _, _ = planted(seed, [], [], count)
        found += len(sphere.find_sets(axes).axis) > 0
    assert found == 0


def test_an_oval_set_is_one_set_and_two_round_ones_are_two():
    rng = np.random.default_rng(17)
    for _ in range(5):
        round_a, round_b = (rng.normal(place, np.deg2rad(8.0), size=(80, 2)) for place in (0.0, np.deg2rad(22.0)))
        oval = rng.normal(0.0, np.deg2rad([6.0, 10.0]), size=(160, 2))
        for flat, count in ((oval, 1), (np.vstack([round_a, round_b]), 2)):
            axes = np.column_stack([flat, np.ones(160)])
            sets = sphere.find_sets(axes / np.linalg.norm(axes, axis=1)[:, None])
            assert len(sets.axis) == count


def test_steep_planes_across_the_rim_are_one_set():
    """Their poles lie on both sides of the net: folding about "down" would make two sets of them."""
    rng = np.random.default_rng(3)
    poles = sphere.lower(stats.vonmises_fisher([0.0, 1.0, 0.0], 60).rvs(100, random_state=rng))
    assert np.sum(poles[:, 1] > 0) > 20 < np.sum(poles[:, 1] < 0)
    sets = sphere.find_sets(poles)
    assert len(sets.axis) == 1
    assert abs(sets.axis[0, 1]) > 0.999


def test_answers_are_the_same_each_time_and_whatever_the_signs_and_order():
    axes, _, _ = planted(1, [80, 60], [7.0, 9.0], 15)
    first, again = sphere.find_sets(axes), sphere.find_sets(axes)
    np.testing.assert_array_equal(first.probability, again.probability)
    rng = np.random.default_rng(0)
    order, signs = rng.permutation(len(axes)), rng.choice([-1.0, 1.0], len(axes))
    other = sphere.find_sets((signs[:, None] * axes)[order])
    np.testing.assert_array_equal(other.member, first.member[order])
    np.testing.assert_allclose(other.probability, first.probability[order], atol=1e-6)


def test_turned_axes_fall_into_the_turned_sets():
    axes, _, _ = planted(5, [80, 60, 40], [7.0, 9.0, 6.0], 15)
    turn = Rotation.random(random_state=9).as_matrix()
    before, after = sphere.find_sets(axes), sphere.find_sets(axes @ turn.T)
    np.testing.assert_allclose(np.abs(np.sum(after.axis * (before.axis @ turn.T), axis=1)), 1.0, atol=1e-4)
    assert adjusted_rand_score(before.member, after.member) > 0.97


def test_what_comes_back_hangs_together():
    axes, _, _ = planted(2, [90, 40], [7.0, 9.0], 20)
    sets = sphere.find_sets(axes)
    np.testing.assert_allclose(sets.probability.sum(axis=1), 1.0)
    np.testing.assert_allclose(np.linalg.norm(sets.axis, axis=1), 1.0)
    assert sets.axis[:, 2].max() <= 0.0
    assert np.all(np.diff(sets.share) <= 0.0)
    assert 0.0 < sets.share.sum() < 1.0
    assert int(np.argmin(sets.criterion)) == len(sets.axis) == 2
    best = np.argmax(sets.probability, axis=1)
    np.testing.assert_array_equal(sets.member, np.where(best == 2, -1, best))


def test_weights_count_as_axes_do():
    """Half of a set drawn twice as rarely, with double weights, weighs as much as the other set."""
    axes, truth, _ = planted(4, [100, 50], [7.0, 7.0], apart_deg=60.0)
    weights = np.where(truth == 1, 2.0, 1.0)
    sets = sphere.find_sets(axes, weights=weights)
    np.testing.assert_allclose(sets.share, 0.5, atol=0.03)


def test_few_or_no_axes_have_no_sets():
    for count in (0, 1, 4):
        sets = sphere.find_sets(np.tile([0, 0, 1.0], (count, 1)))
        assert len(sets.axis) == 0
        assert sets.member.tolist() == [-1] * count
        assert sets.probability.shape == (count, 1)
    assert len(sphere.find_sets(np.tile([0, 0, 1.0], (30, 1))).axis) == 1
