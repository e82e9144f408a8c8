"""The table of errors, what ``[spread]`` may say, and the shapes drawn from covariances."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from scipy import stats

from desurvey.problems import DataProblem
from desurvey.spread import (
    INSTRUMENTS,
    Gyro,
    Magnetic,
    Sigmas,
    Unstated,
    WanderSettings,
    cones,
    ellipsoids,
    sigmas_from,
)


def test_every_default_states_its_source_and_its_limits():
    numbers = [item for item in fields(Sigmas) if item.name not in (*INSTRUMENTS, "wander")]
    for tool in (Magnetic, Gyro, Unstated):
        numbers += fields(tool)
    numbers += [item for item in fields(WanderSettings) if item.name != "learn"]
    assert len(numbers) == 12 + 12 + 4
    for item in numbers:
        assert item.metadata["source"]
        assert item.metadata["low"] <= item.default <= item.metadata["high"]


def test_defaults_are_those_that_the_trade_states():
    """Depth scale: Williamson (2000), SPE 67616, 5.6e-4, from memory. The rest: common practice, no source.

    Alpha is read to 1 to 2°, beta to 3 to 5°, the line is good to about 5° and the tool senses gravity to 0.1°; a
    magnetic multishot errs by 0.35 to 1.0° in azimuth and 0.1 to 0.3° in dip in all, a gyro by 0.5 to 1.0° and 0.05 to
    0.1°; an unstated instrument by no less than either.
    """
    sigmas = Sigmas()
    assert sigmas.depth_scale == 5.6e-4
    stated = (sigmas.alpha_deg, sigmas.beta_deg, sigmas.line_deg, sigmas.tilt_deg)
    assert stated == (2.0, 5.0, 5.0, 0.1)
    assert (sigmas.depth_m, sigmas.easting_m, sigmas.northing_m, sigmas.elevation_m) == (0.1, 0.1, 0.1, 0.1)
    assert sigmas.plane_deg == 2.0
    for tool, azimuth, dip in ((sigmas.magnetic, (0.35, 1.0), (0.1, 0.3)), (sigmas.gyro, (0.5, 1.0), (0.05, 0.1))):
        assert azimuth[0] <= np.hypot(tool.azimuth_deg, tool.azimuth_bias_deg) <= azimuth[1]
        assert dip[0] <= np.hypot(tool.dip_deg, tool.dip_bias_deg) <= dip[1]
    for name in ("azimuth_deg", "dip_deg", "azimuth_bias_deg", "dip_bias_deg"):
        assert getattr(sigmas.unstated, name) >= max(getattr(sigmas.magnetic, name), getattr(sigmas.gyro, name))


def test_a_section_changes_what_it_names_and_nothing_else():
    changed = sigmas_from({"beta_deg": 6, "gyro": {"azimuth_bias_deg": 0.1}})
    assert changed.beta_deg == 6.0
    assert changed.gyro == Gyro(azimuth_bias_deg=0.1)
    assert changed.alpha_deg == Sigmas().alpha_deg
    assert sigmas_from({}) == Sigmas()


@pytest.mark.parametrize(
    ("section", "message"),
    [
        ({"apha_deg": 1.0}, "did you mean 'alpha_deg'"),
        ({"gyro": {"azimut_deg": 1.0}}, r"\[spread.gyro\].*Did you mean 'azimuth_deg'"),
        ({"gyro": 1.0}, "must be a section"),
        ({"depth_m": -1}, "depth_m' must lie in 0"),
        ({"depth_m": "0.1"}, "depth_m' must be a number"),
        ({"depth_m": True}, "depth_m' must be a number"),
        ({"line_deg": float("nan")}, "line_deg' must lie in 0"),
    ],
)
def test_a_wrong_section_is_refused_with_advice(section, message):
    with pytest.raises(DataProblem, match=f"(?i){message}"):
        sigmas_from(section)


def test_values_that_are_no_standard_deviations_are_refused():
    with pytest.raises(ValueError, match="alpha_deg must lie in 0 to 180, not -1"):
        Sigmas(alpha_deg=-1.0)
    with pytest.raises(ValueError, match="dip_bias_deg must lie in"):
        Magnetic(1.0, 1.0, 1.0, float("inf"))


def test_ellipsoids_hold_the_stated_share():
    rng = np.random.default_rng(3)
    root = rng.normal(size=(3, 3))
    shape = ellipsoids((root @ root.T)[None], probability=0.9)
    inside = (rng.normal(size=(100_000, 3)) @ root.T) @ shape.directions[0].T / shape.semi_axes[0]
    # a share of 100,000 draws is known to 0.1 %
    assert np.mean(np.sum(inside**2, axis=1) <= 1) == pytest.approx(0.9, abs=0.004)
    np.testing.assert_allclose(np.linalg.det(shape.directions), 1.0)
    np.testing.assert_allclose(
        np.linalg.norm(shape.semi_axes), np.sqrt(stats.chi2.ppf(0.9, 3) * np.trace(root @ root.T))
    )


def test_cones_lie_square_to_the_normal():
    normal = np.array([0.6, 0.0, 0.8])
    sides = np.array([[0.8, 0.0, -0.6], [0.0, 1.0, 0.0]])
    covariance = sides.T @ np.diag(np.deg2rad([3.0, 50.0]) ** 2) @ sides
    shape = cones(covariance[None], probability=0.5)
    radius = np.sqrt(stats.chi2.ppf(0.5, 2))
    np.testing.assert_allclose(shape.half_angles_deg[0], [50 * radius, 3 * radius])
    np.testing.assert_allclose(np.abs(shape.directions[0] @ sides[::-1].T), np.eye(2), atol=1e-9)
    np.testing.assert_allclose(shape.directions[0] @ normal, 0.0, atol=1e-9)
    assert cones(covariance[None], probability=0.95).half_angles_deg[0, 0] == 90.0


def test_unknown_covariances_give_unknown_shapes():
    covariance = np.stack([np.eye(3), np.full((3, 3), np.nan)])
    assert np.isnan(ellipsoids(covariance).semi_axes).any(axis=1).tolist() == [False, True]
    assert np.isnan(cones(covariance).directions).any(axis=(1, 2)).tolist() == [False, True]
    with pytest.raises(ValueError, match="probability must lie between 0 and 1"):
        ellipsoids(covariance, probability=95)
