"""Surfaces of known shape, sampled by holes: error against the truth, with and without orientations, and its band."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from desurvey.surface import Edge, Picks, extracted, fit
from tests.worlds import surfaces

WORLDS = {
    "squared exponential": lambda rng: surfaces.random_waves(rng, None),
    "Matérn 5/2": lambda rng: surfaces.random_waves(rng, 2.5),
    "Matérn 3/2": lambda rng: surfaces.random_waves(rng, 1.5),
    "folds": surfaces.random_fold,
}

HELD_OUT = range(7000, 7024)
"""Seeds of worlds that had no part in choosing kernels, priors or anything else."""

PROGRAMMES = ((3, 4), (5, 6), (7, 9))
"""Fences × holes: few, usual, many."""


def errors(truth, met):
    """Return rms distance (m) and rms normal error (degrees) of the mesh inside the picks' hull, and its vertices."""
    field = fit(Picks(met.position, met.normal, hole=met.hole, polar=truth.polar))
    vertices = extracted(field, cell=12.0, edge=Edge("hull", 0.0)).mesh.vertices
    gradient = field.value_and_gradient(vertices)[1]
    unit = gradient / np.linalg.norm(gradient, axis=1)[:, None]
    cosine = np.clip(np.sum(unit * truth.normal(truth.onto(vertices)), axis=1), -1, 1)
    angle = np.rad2deg(np.arccos(cosine))
    return np.sqrt(np.mean(truth.distance(vertices) ** 2)), np.sqrt(np.mean(angle**2)), vertices


def positions_alone(truth, met, vertices):
    """Return the rms distance of scipy's thin-plate spline through the same picks, heights in the truth's own frame."""
    local = (met.position - truth.origin) @ truth.axes.T
    spline = RBFInterpolator(local[:, :2], local[:, 2], kernel="thin_plate_spline")
    at = (vertices - truth.origin) @ truth.axes.T
    at[:, 2] = spline(at[:, :2])
    return np.sqrt(np.mean(truth.distance(truth.origin + at @ truth.axes) ** 2))


@pytest.mark.parametrize("name", ["cylinder_fold", "dome", "listric"])
def test_error_falls_with_drilling_and_beats_positions_alone(name):
    truth = surfaces.ANALYTIC[name]()
    distances, angles = [], []
    for fences, holes in PROGRAMMES:
        met = surfaces.drilled(truth, np.random.default_rng(5), fences, holes)
        distance, angle, vertices = errors(truth, met)
        assert distance < 0.5 * positions_alone(truth, met, vertices)
        distances.append(distance)
        angles.append(angle)
    assert np.all(np.diff(distances) < 0)
    assert np.all(np.diff(angles) < 0)
    assert distances[-1] < 0.1
    assert angles[-1] < 0.5


def test_a_plane_is_found_from_the_smallest_programme():
    truth = surfaces.plane()
    distance, angle, _ = errors(truth, surfaces.drilled(truth, np.random.default_rng(5), 2, 2))
    assert distance < 1e-6
    assert angle < 1e-4


def test_an_overturned_fold_is_one_sheet_with_three_limbs():
    """Holes meet it three times; a height can't carry that, and positions alone make nonsense of it."""
    truth = surfaces.s_fold()
    distances = []
    for fences, holes in ((4, 6), (6, 9), (8, 12)):
        met = surfaces.drilled(truth, np.random.default_rng(5), fences, holes)
        assert np.bincount(met.hole).max() == 3
        distance, _, vertices = errors(truth, met)
        assert distance < 0.2 * positions_alone(truth, met, vertices)
        distances.append(distance)
    assert distances[-1] < 2.0 < distances[0]
    assert np.any(truth.normal(truth.onto(vertices))[:, 2] < -0.2)  # the middle limb is there, and upside down


@pytest.mark.slow
@pytest.mark.parametrize("kind", list(WORLDS))
def test_the_stated_band_holds_the_truth_as_often_as_it_says(kind):
    """95 % bands on held-out random worlds: 90 to 99 % of the area, over Gaussian worlds, rough ones too, and folds."""
    share = np.mean([covered(*logged_world(WORLDS[kind], seed)) for seed in HELD_OUT])
    assert 0.90 <= share <= 0.99, share


@pytest.mark.slow
@pytest.mark.parametrize("kind", list(WORLDS))
def test_without_errors_of_the_picks_the_band_is_that_of_the_gaps_between_them(kind):
    """Exact picks: where waves are rough the band holds 90 to 99 %; smooth ones it overrates, and by how much is held.

    Squared exponential and sine waves have all derivatives and both kernels one or two, so between exact picks the
    truth strays less than they expect: σ may be as much as four times the rms error there, and the band hold all.
    """
    shares, errors, sigmas = zip(*(judged(*exact_world(WORLDS[kind], seed)) for seed in HELD_OUT), strict=True)
    assert np.mean(shares) >= 0.90, np.mean(shares)
    if kind.startswith("Matérn"):
        assert np.mean(shares) <= 0.99, np.mean(shares)
    assert np.sqrt(np.mean(np.square(sigmas))) < 4.0 * np.sqrt(np.mean(np.square(errors)))


@pytest.mark.slow
def test_beyond_the_picks_the_band_of_a_gentle_fault_still_holds():
    """Eleven picks of a fault with waves of a metre or two, 0.4 m and 6° uncertain, out to 85 m beyond their hull."""
    share = []
    for seed in HELD_OUT:
        rng = np.random.default_rng(seed)
        truth = surfaces.gentle_fault(rng)
        met = surfaces.logged(surfaces.scattered(truth, rng, 11, 120.0), rng, 0.4, 6.0)
        share.append(covered(truth, picked(met, 0.4, 6.0), margin=85.0))
    assert 0.90 <= np.mean(share) <= 0.99, np.mean(share)


def logged_world(shape, seed):
    """Return a random world and picks of it with errors of 1.5 m and 6°."""
    rng = np.random.default_rng(seed)
    truth = shape(rng)
    met = surfaces.drilled(truth, rng, int(rng.integers(3, 6)), int(rng.integers(3, 7)))
    return truth, picked(surfaces.logged(met, rng, 1.5, 6.0), 1.5, 6.0)


def exact_world(shape, seed):
    """Return a random world and picks of it without errors."""
    rng = np.random.default_rng(seed)
    truth = shape(rng)
    met = surfaces.drilled(truth, rng, int(rng.integers(3, 6)), int(rng.integers(3, 7)))
    return truth, Picks(met.position, met.normal)


def picked(met, position_sigma, pole_sigma_deg):
    """Return picks that state their errors."""
    count = len(met.hole)
    covariance = np.tile(position_sigma**2 * np.eye(3), (count, 1, 1))
    return Picks(met.position, met.normal, covariance=covariance, pole_sigma_deg=np.full(count, pole_sigma_deg))


def covered(truth, picks, margin=0.0):
    """Return the share of the area inside the picks' hull where the truth lies within 1.96 σ of the surface."""
    return judged(truth, picks, margin)[0]


def judged(truth, picks, margin=0.0):
    """Return that share, the rms distance of the truth and the rms σ, metres."""
    mesh = extracted(fit(picks), cell=16.0, edge=Edge("hull", margin)).mesh
    area = np.bincount(mesh.triangles.ravel(), np.repeat(mesh.areas / 3, 3), minlength=len(mesh.vertices))
    distance = truth.distance(mesh.vertices)
    share = np.average(distance < 1.96 * mesh.sigma, weights=area)
    return share, *(np.sqrt(np.average(a**2, weights=area)) for a in (distance, mesh.sigma))
