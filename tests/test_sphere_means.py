"""Means and fabrics: published worked examples, scipy, coverage of the cones, properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import integrate, stats
from scipy.spatial.transform import Rotation

from desurvey import orient, sphere
from desurvey.problems import DataProblem


def directions(declination: list[float], inclination: list[float]) -> np.ndarray:
    """Return unit vectors of palaeomagnetic directions: inclination is positive down."""
    return orient.vector_of_line(np.array(declination, dtype=float), np.array(inclination, dtype=float))


def angles(direction: np.ndarray) -> tuple[float, float]:
    """Return declination and inclination, without folding."""
    inclination = np.rad2deg(np.arcsin(-direction[2]))
    return float(np.rad2deg(np.arctan2(direction[0], direction[1])) % 360), float(inclination)


# Great Whin Sill, Creer, Irving & Nairn (1959), Geophys. J. R. astr. Soc. 2, 306-323 (data); statistics recomputed in
# CHECK_VALUES.md section 3
WHIN_SILL = directions(
    [176, 185, 196, 179, 186, 192, 183, 203, 193, 171, 191, 190, 187, 203, 196, 205, 182, 190, 183, 190, 183, 179, 190,
     177, 195, 182, 182, 190, 183, 194, 186, 192, 192, 180],
    [-10, -6, -5, -4, -5, 3, -1, -11, -28, -14, -14, -20, -15, -26, -19, 6, 9, -13, 1, 15, 7, 11, 13, -10, 11, 11, 7,
     -15, -20, -7, -6, -9, 0, 0],
)  # fmt: skip
# the worked example of a documented Fisher mean, quoted in the same section
FOUR = directions([140, 127, 142, 136], [21, 23, 19, 22])


@pytest.mark.parametrize(
    ("data", "mean", "resultant", "kappa", "cone", "half_digits"),
    [
        (FOUR, (136.30838974, 21.34778403), 3.98121390, 159.692515, 7.292891, (5e-9, 5e-9, 5e-7, 5e-7)),
        (WHIN_SILL, (187.755468, -4.863223), 33.029846, 34.015218, 4.281847, (5e-7, 5e-7, 5e-7, 5e-7)),
    ],
    ids=["four", "whin_sill"],
)
def test_fisher_mean_is_the_published_one(data, mean, resultant, kappa, cone, half_digits):
    answer = sphere.fisher_mean(data)
    np.testing.assert_allclose(angles(answer.direction), mean, atol=half_digits[0])
    assert answer.resultant == pytest.approx(resultant, abs=half_digits[1])
    assert answer.kappa == pytest.approx(kappa, abs=half_digits[2])
    assert answer.cone_deg == pytest.approx(cone, abs=half_digits[3])


def test_angular_standard_deviation_is_the_published_one():
    assert sphere.fisher_mean(FOUR).spread_deg == pytest.approx(6.409774, abs=5e-7)


def test_fabric_of_the_whin_sill_is_the_published_one():
    fabric = sphere.fabric_shape(sphere.orientation_tensor(WHIN_SILL))
    np.testing.assert_allclose(fabric.values, [0.94431822, 0.03928343, 0.01639834], atol=5e-9)
    # as an axis: published pointing 4.83° up to 187.7°, so down to the opposite side
    trend, plunge = orient.trend_and_plunge(fabric.axes[0])
    np.testing.assert_allclose([trend, plunge], [187.701072 - 180, 4.830766], atol=5e-7)
    assert fabric.shape == pytest.approx(3.639627, abs=5e-7)
    assert fabric.strength == pytest.approx(4.053283, abs=5e-7)


def test_mean_agrees_with_scipy_and_kappa_with_its_likelihood():
    """Scipy's κ is that of maximum likelihood, coth κ − 1/κ = R/n; Fisher's is (n − 1)/(n − R)."""
    answer = sphere.fisher_mean(WHIN_SILL)
    mean, kappa = stats.vonmises_fisher.fit(WHIN_SILL)
    np.testing.assert_allclose(answer.direction, mean, atol=1e-12)
    assert kappa * (33 / 34) == pytest.approx(answer.kappa, rel=1e-4)


def test_fisher_cone_holds_the_true_mean_as_often_as_it_says():
    rng = np.random.default_rng(12)
    true = np.array([0.48, 0.6, -0.64])
    hits = []
    for _ in range(2000):
        answer = sphere.fisher_mean(stats.vonmises_fisher(true, 30).rvs(8, random_state=rng))
        hits.append(np.rad2deg(np.arccos(min(answer.direction @ true, 1.0))) < answer.cone_deg)
    assert np.mean(hits) == pytest.approx(0.95, abs=0.02)  # 2000 trials: σ 0.5 %


def test_fisher_mean_of_hopeless_data():
    with pytest.raises(DataProblem, match=r"no mean.*2 directions"):
        sphere.fisher_mean(np.array([[1.0, 0, 0], [-1, 0, 0]]))
    with pytest.raises(DataProblem, match="0 directions"):
        sphere.fisher_mean(np.zeros((0, 3)))
    one = sphere.fisher_mean(np.array([[0, 0, -1.0]]))
    assert np.isnan([one.kappa, one.cone_deg, one.spread_deg]).all()
    same = sphere.fisher_mean(np.tile([0, 0, -1.0], (3, 1)))
    assert (same.kappa, same.cone_deg) == (np.inf, 0.0)


# ---- axes


def watson_moment(kappa: float) -> float:
    """Return the mean of (μ · x)² of a Watson law by scipy's quadrature."""
    peak = [1 - 1 / (1 + kappa), 1 - 9 / (9 + kappa)] if kappa > 0 else [1 / np.sqrt(1 - kappa), 5 / (5 - kappa) ** 0.5]
    top = max(kappa, 0.0)
    above, below = (
        integrate.quad(lambda t, p=p: t**p * np.exp(kappa * t * t - top), 0, 1, points=peak, epsrel=1e-12)[0]
        for p in (2, 0)
    )
    return above / below


@pytest.mark.parametrize("kappa", [-5000.0, -40.0, -1.0, -1e-3, 2e-4, 0.5, 3.0, 60.0, 2000.0, 9e4])
def test_watson_kappa_inverts_the_moment_by_quadrature(kappa):
    assert sphere.watson_kappa(watson_moment(kappa)) == pytest.approx(kappa, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("kappa", [-900.0, -3.0, 0.0, 5e-4, 1.0, 80.0, 1e5])
def test_watson_density_adds_up_to_1_over_the_half_sphere(kappa):
    def ring(t: float) -> float:
        return 2 * np.pi * np.exp(float(sphere.watson_log_density(np.array(t * t), kappa)))

    size = abs(kappa)
    near = [1 - 30 / (30 + size), 1 - 9 / (9 + size), 1 - 1 / (1 + size), 1 / np.sqrt(1 + size)]
    whole, _ = integrate.quad(ring, 0, 1, points=near, limit=200, epsabs=1e-12)
    assert whole == pytest.approx(1.0, abs=1e-9)


def test_watson_kappa_at_its_ends():
    np.testing.assert_allclose(sphere.watson_kappa([0.0, 1.0, np.nan]), [-np.inf, np.inf, np.nan])
    np.testing.assert_allclose(sphere.watson_kappa(1 - 1e-9), 1e9, rtol=1e-6)


def watson_axes(rng: np.random.Generator, axis: np.ndarray, kappa: float, count: int) -> np.ndarray:
    """Draw from Watson's law by rejection from an even spread of t = μ · x, with random signs."""
    t = rng.uniform(0, 1, 40 * count * max(1, int(abs(kappa) ** 0.5)))
    t = t[rng.uniform(size=len(t)) < np.exp(kappa * t * t - max(kappa, 0.0))][:count]
    assert len(t) == count
    turn = rng.uniform(0, 2 * np.pi, count)
    flat = np.sqrt(1 - t * t)
    local = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), t])
    matrix = Rotation.align_vectors([axis], [[0, 0, 1.0]])[0].as_matrix()
    return rng.choice([-1.0, 1.0], count)[:, None] * (local @ matrix.T)


@pytest.mark.parametrize(
    ("kappa", "mean", "count"),
    [(12.0, sphere.axial_mean, 15), (12.0, sphere.axial_mean, 60), (-9.0, sphere.girdle_axis, 30)],
)
def test_axial_cone_holds_the_true_axis_as_often_as_it_says(kappa, mean, count):
    rng = np.random.default_rng(31)
    true = np.array([0.48, 0.6, -0.64])
    hits = []
    for _ in range(1500):
        answer = mean(watson_axes(rng, true, kappa, count))
        miss = answer.cone_axes @ (true * np.sign(true @ answer.axis))
        hits.append(np.sum((np.rad2deg(np.arcsin(np.clip(miss, -1, 1))) / answer.cone_deg) ** 2) < 1)
    # a large-sample cone, a little small for few axes; 1500 trials know the share to 0.6 %
    assert 0.93 < np.mean(hits) < 0.97


def test_axial_mean_of_a_tight_cluster_is_the_fisher_mean_of_its_folded_axes():
    rng = np.random.default_rng(6)
    cluster = stats.vonmises_fisher([0, 0.8, -0.6], 2000).rvs(50, random_state=rng)
    fisher = sphere.fisher_mean(cluster)
    axial = sphere.axial_mean(rng.choice([-1.0, 1.0], 50)[:, None] * cluster)
    np.testing.assert_allclose(axial.axis, fisher.direction, atol=2e-5)
    assert axial.kappa == pytest.approx(fisher.kappa / 2, rel=0.03)  # a Watson κ is half of Fisher's
    # the ellipse of the data, against Fisher's circle
    assert np.sqrt(np.prod(axial.cone_deg)) == pytest.approx(fisher.cone_deg, rel=0.15)


def test_weights_of_2_know_the_same_axis_as_axes_twice():
    axes = WHIN_SILL[:12]
    weights = np.where(np.arange(12) < 5, 2.0, 1.0)
    weighted = sphere.axial_mean(axes, weights)
    twice = sphere.axial_mean(np.vstack([axes, axes[:5]]))
    np.testing.assert_allclose(weighted.axis, twice.axis, atol=1e-12)
    assert weighted.number == pytest.approx(17**2 / 27)


def test_few_axes_have_no_cone():
    assert np.isnan(sphere.axial_mean(WHIN_SILL[:2]).cone_deg).all()
    assert np.isnan(sphere.axial_mean(np.eye(3)).cone_deg).all()  # no axis stands out
    with pytest.raises(DataProblem, match="at least one axis"):
        sphere.axial_mean(np.zeros((0, 3)))


@pytest.mark.parametrize(
    ("axes", "shape"),
    [(np.tile([0, 0, 1.0], (4, 1)), np.nan), (np.eye(3), np.nan), (np.eye(3)[:2], 0.0)],
    ids=["line", "even", "girdle"],
)
def test_shape_of_perfect_fabrics(axes, shape):
    fabric = sphere.fabric_shape(sphere.orientation_tensor(axes))
    np.testing.assert_allclose(fabric.shape, shape, atol=1e-12)


# ---- properties

clouds = hnp.arrays(float, (9, 3), elements=st.floats(-1, 1)).filter(lambda v: np.linalg.norm(v, axis=1).min() > 0.05)
turns = st.integers(0, 2**31 - 1).map(lambda seed: Rotation.random(random_state=seed).as_matrix())
signs = hnp.arrays(float, (9, 1), elements=st.sampled_from([-1.0, 1.0]))


@given(clouds, turns, signs)
def test_turned_axes_have_the_turned_tensor_whatever_their_signs(cloud, turn, sign):
    axes = cloud / np.linalg.norm(cloud, axis=1)[:, None]
    tensor = sphere.orientation_tensor(axes)
    np.testing.assert_allclose(sphere.orientation_tensor(sign * axes @ turn.T), turn @ tensor @ turn.T, atol=1e-12)
    assert np.trace(tensor) == pytest.approx(1.0)
    fabric = sphere.fabric_shape(tensor)
    assert fabric.axes[:, 2].max() <= 0.0
    np.testing.assert_allclose((fabric.axes.T * fabric.values) @ fabric.axes, tensor, atol=1e-12)
    assert np.min(sphere.folded(sign * axes, fabric.axes[0]) @ fabric.axes[0]) >= 0.0


@given(clouds, turns)
def test_turned_directions_have_the_turned_mean(cloud, turn):
    vectors = cloud - np.array([0, 0, 2.0])
    vectors /= np.linalg.norm(vectors, axis=1)[:, None]
    before, after = sphere.fisher_mean(vectors), sphere.fisher_mean(vectors @ turn.T)
    np.testing.assert_allclose(after.direction, turn @ before.direction, atol=1e-9)
    assert after.cone_deg == pytest.approx(before.cone_deg, rel=1e-6, abs=1e-6)
