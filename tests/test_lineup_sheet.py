"""One fault: its surface, evidence, covariance and pierce points, against general-purpose references."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from desurvey import curvature, orient, spread, traces
from desurvey.lineup.crossings import course_of
from desurvey.lineup.piercing import pierced
from desurvey.lineup.shape import plane_fit
from desurvey.lineup.sheet import (
    Habit,
    Readings,
    _covariance,
    _own_covariance,
    design_of,
    fitted,
    frame_of,
    joint_covariance,
    prior_of,
    readings,
)
from tests.worlds import sheeted

HABIT = Habit(amplitude=1.5, distance=120.0, scatter=np.deg2rad(4.0), position_scale=1.0, span=500.0)
STIFF = Habit(amplitude=1e-4, distance=120.0, scatter=1e-4, position_scale=0.0, span=500.0)
NORMAL = orient.vector_of_plane(25.0, 120.0)
POINT = np.array([150.0, 150.0, -180.0])


def fence(count=9, dip=-60.0):
    """Return holes on a jittered grid and the depths at which they cut the plane."""
    rng = np.random.default_rng(4)
    collars = np.column_stack([rng.uniform(0, 300, count), rng.uniform(0, 300, count), rng.normal(0, 3, count)])
    trace = sheeted.holes(collars, 300.0 + rng.normal(0, 10, count), dip + rng.normal(0, 4, count), 400.0)
    return trace, sheeted.at_plane(trace, NORMAL, POINT)


def bare(place, value):
    """Return positions alone as readings, each with an error of 1 m."""
    count = len(place)
    rows, noise = np.zeros((count, 3, 3)), np.tile(np.eye(3), (count, 1, 1))
    rows[:, 0, 0] = 1.0
    values = np.zeros((count, 3))
    values[:, 0] = value
    return Readings(place, values, rows, noise, np.ones(count), np.zeros(count))


def test_three_point_problem_by_strike_line():
    """The three-point problem by its strike line (in every structural-geology textbook; the numbers here by hand).

    A (0, 0) at 400 m, B (500, 0) at 200 m, C (300, 400) at 300 m. The 300 m level cuts AB half-way, at (250, 0), so the
    strike line runs from there to C: bearing atan(50/400) = 7.125°. A lies 100 m higher and 250·400/√(50² + 400²) =
    248.07 m away from it: the plane dips atan(100/248.07) = 21.955° towards 097.125.
    """
    place = np.array([[0.0, 0.0], [500.0, 0.0], [300.0, 400.0]])
    fit = plane_fit(bare(place, [400.0, 200.0, 300.0]), np.eye(9))
    normal = np.array([-fit.unknowns[1], -fit.unknowns[2], 1.0])
    dip, direction = orient.dip_of_plane(normal / np.linalg.norm(normal))
    assert dip == pytest.approx(21.955, abs=5e-4)
    assert direction == pytest.approx(97.125, abs=5e-4)
    assert fit.chi2 == pytest.approx(0.0, abs=1e-18)
    assert fit.dof == 0
    assert np.isnan(fit.p_value)


def test_stiff_sheet_is_the_orthogonal_fit_of_svd():
    rng = np.random.default_rng(7)
    trace, depth = fence(12)
    picks = sheeted.picks(trace, np.arange(12), depth + rng.normal(0, 4, 12), NORMAL, known=np.full(12, "none"))
    sheet = fitted(picks, np.ones((12, 2), dtype=bool), STIFF, NORMAL, turns=4)
    fit = plane_fit(sheet.readings, joint_covariance(sheet.readings, sheet.hole, STIFF))
    found = np.array([-fit.unknowns[1], -fit.unknowns[2], 1.0]) @ sheet.axes
    expected = np.linalg.svd(picks.position - picks.position.mean(axis=0))[2][-1]
    angle = np.arccos(min(abs(found @ expected) / np.linalg.norm(found), 1.0))
    assert np.rad2deg(angle) < 2e-3


def test_plane_covariance_against_monte_carlo():
    rng = np.random.default_rng(1)
    trace, depth = fence()
    picks = sheeted.picks(trace, np.arange(9), depth, NORMAL)
    seen = readings(picks, picks.position.mean(axis=0), frame_of(NORMAL), HABIT)
    covariance = joint_covariance(seen, picks.hole, HABIT)
    fit = plane_fit(seen, covariance)
    noise = rng.multivariate_normal(np.zeros(27), covariance, 4000).reshape(-1, 9, 3)
    drawn = [plane_fit(seen._replace(value=seen.value + part), covariance) for part in noise]
    sample = np.cov(np.array([d.unknowns for d in drawn]).T)
    sigma, expected = np.sqrt(np.diag(sample)), np.sqrt(np.diag(fit.covariance))
    assert sigma == pytest.approx(expected, rel=0.05)
    assert sample / np.outer(sigma, sigma) == pytest.approx(fit.covariance / np.outer(expected, expected), abs=0.05)
    # and chi² is chi² distributed (scipy's Kolmogorov–Smirnov test)
    assert stats.kstest([d.chi2 for d in drawn], stats.chi2(fit.dof).cdf).pvalue > 0.01


def test_evidence_is_the_density_of_scipy():
    trace, depth = fence()
    rng = np.random.default_rng(2)
    picks = sheeted.picks(trace, np.arange(9), depth + rng.normal(0, 2, 9), NORMAL)
    sheet = fitted(picks, np.ones((9, 2), dtype=bool), HABIT, NORMAL)
    covariance = full_covariance(sheet.readings, sheet.hole)
    expected = stats.multivariate_normal(np.zeros(27), covariance).logpdf(sheet.readings.value.ravel())
    assert sheet.evidence == pytest.approx(expected, abs=1e-6)


def full_covariance(seen, hole):
    """Return the covariance of readings with the plane's wide prior in it."""
    design = design_of(seen)
    return joint_covariance(seen, hole, HABIT) + design @ np.diag(prior_of(HABIT, 1.0, curved=False)) @ design.T


def test_slopes_are_derivatives_of_the_surface():
    """Covariances and coefficients of slopes against finite differences of those of f."""
    rng = np.random.default_rng(3)
    step = 1e-3
    one, other = rng.uniform(-80, 80, (5, 2)), rng.uniform(-80, 80, (4, 2))

    def shared(first):
        return _covariance(first, bare(other, 0.0), HABIT).reshape(5, 3, 4, 3)[:, 0, :, 0]

    for axis in range(2):
        slope = bare(one, 0.0)
        slope.rows[:, 0] = np.eye(3)[1 + axis]
        shift = step * np.eye(2)[axis]
        up, down = bare(one + shift, 0.0), bare(one - shift, 0.0)
        assert (shared(up) - shared(down)) / (2 * step) == pytest.approx(shared(slope), abs=1e-8)
        change = design_of(up, 50.0, curved=True) - design_of(down, 50.0, curved=True)
        assert change / (2 * step) == pytest.approx(design_of(slope, 50.0, curved=True), abs=1e-8)
    full = bare(one, 0.0)._replace(rows=np.tile(np.eye(3), (5, 1, 1)))
    joint = _covariance(full, full, HABIT).reshape(5, 3, 5, 3)
    assert joint[np.arange(5), :, np.arange(5)] == pytest.approx(_own_covariance(full, HABIT), rel=1e-9)
    assert np.linalg.eigvalsh(joint.reshape(15, 15)).min() > -1e-9


def test_left_out_is_a_fit_without_that_hole():
    trace, depth = fence()
    rng = np.random.default_rng(5)
    hole = np.r_[np.arange(9), 3]  # hole 3 has two picks of a zone
    picks = sheeted.picks(trace, hole, np.r_[depth + rng.normal(0, 2, 9), depth[3] + 1.0], NORMAL)
    sheet = fitted(picks, np.ones((10, 2), dtype=bool), HABIT, NORMAL)
    _, guess = sheet.guess(picks)
    for row in (0, 3, 9):
        rest = np.flatnonzero(hole != hole[row])
        seen = readings(picks[np.r_[rest, row]], sheet.centre, sheet.axes, HABIT)
        covariance = full_covariance(seen, np.r_[hole[rest], -1])
        size = 3 * len(rest)
        weights = np.linalg.solve(covariance[:size, :size], covariance[:size, size:])
        assert guess.mean[row] == pytest.approx(weights.T @ seen.value.ravel()[:size], abs=1e-6)
        expected = covariance[size:, size:] - covariance[size:, :size] @ weights
        assert guess.covariance[row] == pytest.approx(expected, rel=1e-5, abs=1e-7)


def test_alpha_reads_the_angle_between_core_and_plane():
    """The linear reading of alpha against the exact angle of planes tilted a little, both ways of the normal."""
    trace, _ = fence()
    tilt, steep = np.deg2rad(0.05), orient.vector_of_plane(70.0, 120.0)
    axes = frame_of(steep)
    for sign in (1.0, -1.0):
        turned = steep + tilt * axes[0]  # slope −tilt along the first axis
        turned /= np.linalg.norm(turned)
        picks = sheeted.picks(trace, np.arange(9), np.full(9, 100.0), sign * turned, known=np.full(9, "alpha"))
        seen = readings(picks, POINT, axes, HABIT)
        assert np.ptp(seen.value[:, 1]) > 2e-4
        assert seen.value[:, 1] == pytest.approx(seen.rows[:, 1, 1] * -np.tan(tilt), abs=2e-6)


def test_pierce_depths_against_brentq_on_curved_holes():
    """Depths on the exact arcs against scipy's root finding along the same arcs."""
    rng = np.random.default_rng(8)
    count, stations = 7, np.arange(0.0, 391.0, 30.0)
    azimuth = 300.0 + rng.normal(0, 8, (count, 1)) + np.linspace(0, 25, len(stations))
    dip = -65.0 + rng.normal(0, 3, (count, 1)) + np.linspace(0, 20, len(stations))
    collars = np.column_stack([rng.uniform(0, 200, count), rng.uniform(0, 200, count), np.zeros(count)])
    offsets = np.arange(count + 1) * len(stations)
    flat = [np.tile(stations, count), azimuth.ravel(), dip.ravel()]
    trace = traces.chained([f"H{i}" for i in range(count)], collars, np.full(count, 400.0), offsets, *flat)
    straight, depth = fence()
    picks = sheeted.picks(straight, np.arange(9), depth + rng.normal(0, 1.5, 9), NORMAL)
    sheet = fitted(picks, np.ones((9, 2), dtype=bool), HABIT, NORMAL)
    cut = pierced(sheet, course_of(trace, np.ones(count, dtype=bool)), trace, spread.hole_spread(trace))

    def above(depth, hole):
        local = sheet.axes @ (trace.at(np.array([hole]), np.array([depth])).position[0] - sheet.centre)
        return local[2] - sheet.level(local[None, :2])[0]

    assert len(cut.hole) >= 5
    for row, hole in enumerate(cut.hole):
        expected = optimize.brentq(above, cut.depth[row] - 9.0, cut.depth[row] + 9.0, args=(hole,), xtol=1e-11)
        assert cut.depth[row] == pytest.approx(expected, abs=1e-8)
        plane_angle = np.rad2deg(np.arcsin(abs(trace.at([hole], [expected]).tangent[0] @ NORMAL)))
        assert cut.angle[row] == pytest.approx(plane_angle, abs=5.0)  # waviness tilts the surface a little


def test_turning_everything_changes_nothing():
    """A rigid turn about the vertical and a shift to large coordinates leave evidence and predictions alone."""
    trace, depth = fence()
    picks = sheeted.picks(trace, np.arange(9), depth + np.linspace(-2, 2, 9), NORMAL)
    sheet = fitted(picks, np.ones((9, 2), dtype=bool), HABIT, NORMAL)
    turn = np.array([[0.8, 0.6, 0.0], [-0.6, 0.8, 0.0], [0.0, 0.0, 1.0]])
    moved = type(picks)(
        picks.hole,
        picks.depth,
        picks.position @ turn.T + [4e5, 6e6, 300.0],
        turn @ picks.position_covariance @ turn.T,
        picks.tangent @ turn.T,
        picks.normal @ turn.T,
        turn @ picks.pole_covariance @ turn.T,
        picks.alpha,
        picks.alpha_sigma,
    )
    other = fitted(moved, np.ones((9, 2), dtype=bool), HABIT, turn @ NORMAL)
    assert other.evidence == pytest.approx(sheet.evidence, abs=1e-5)
    angle, turned = curvature.angles(other.axes[2:]), curvature.angles((turn @ sheet.axes[2])[None])
    assert angle[1] == pytest.approx(turned[1], abs=1e-7)


def test_pierce_sigma_is_what_shifts_of_surface_and_hole_do_to_the_depth():
    """σ of pierce depths against finite differences: the surface shifted along its frame, the hole across the surface.

    The frame is turned 15° from the plane, so that across the surface and along the frame are not the same.
    """
    trace, depth = fence()
    picks = sheeted.picks(trace, np.arange(9), depth, NORMAL)
    turned = NORMAL + np.tan(np.deg2rad(15.0)) * frame_of(NORMAL)[0]
    sheet = fitted(picks, np.ones((9, 2), dtype=bool), HABIT, turned / np.linalg.norm(turned), turns=0)
    course, known = course_of(trace, np.ones(9, dtype=bool)), spread.hole_spread(trace)
    cut = pierced(sheet, course, trace, known)
    shift = 0.01

    def moved(by):
        other = replace(sheet, centre=sheet.centre + by)
        return (pierced(other, course, trace, known).depth - cut.depth) / shift

    assert len(cut.hole) == 9
    by_frame = moved(shift * sheet.axes[2])
    surface, covariance = sheet.surface(cut.place)
    normal = np.column_stack([-surface[:, 1:], np.ones(9)]) @ sheet.axes
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    across = np.einsum("ci,cij,cj->c", normal, known.at(cut.hole, cut.depth).position, normal)
    by_hole = np.array([moved(shift * one)[row] for row, one in enumerate(normal)])
    expected = covariance[:, 0, 0] * by_frame**2 + (HABIT.position_scale**2 * across + HABIT.depth**2) * by_hole**2
    assert cut.sigma**2 == pytest.approx(expected, rel=4e-3)
    # the bound tells cos² from cos, and 1/sin from none
    cosine = np.abs(normal @ sheet.axes[2])
    assert np.all(cosine < 0.98)
    assert np.all(covariance[:, 0, 0] * by_frame**2 * (1 / cosine - 1) > 8e-3 * expected)
