"""Many picks, in patches: the same surface as in one piece, and no seams."""

from __future__ import annotations

import numpy as np
import pytest

from desurvey.surface import Edge, Options, Patched, Picks, Sides, extracted, fit


def relief(points):
    """Return height and unit normals of z = 30 sin(x / 60) cos(y / 80) + x / 10."""
    x, y = points[:, 0], points[:, 1]
    slope = np.column_stack([np.cos(x / 60) * np.cos(y / 80) / 2 + 0.1, -3 / 8 * np.sin(x / 60) * np.sin(y / 80)])
    normal = np.column_stack([-slope, np.ones(len(x))])
    return 30 * np.sin(x / 60) * np.cos(y / 80) + x / 10, normal / np.linalg.norm(normal, axis=1)[:, None]


def relief_picks(count, seed=1, oriented=1.0):
    rng = np.random.default_rng(seed)
    flat = rng.uniform(0, 1000, (count, 2))
    height, normal = relief(flat)
    normal[rng.uniform(size=count) > oriented] = np.nan
    return Picks(np.column_stack([flat, height]), normal)


@pytest.fixture(scope="module")
def both():
    picks = relief_picks(1500)
    return fit(picks, Options(kernel="cubic")), fit(picks, Options(direct_limit=100))


def test_patches_agree_with_one_piece_far_inside_its_stated_error(both):
    whole, patched = both
    assert isinstance(patched, Patched)
    flat = np.random.default_rng(3).uniform(50, 950, (600, 2))
    points = np.column_stack([flat, relief(flat)[0]])
    sigma = whole.deviation(points)
    assert np.max(np.abs(patched.value(points) - whole.value(points)) / sigma) < 0.25
    ratio = patched.deviation(points) / sigma  # a patch knows fewer picks, so it may only be less sure
    assert ratio.min() > 1 - 1e-6
    assert ratio.max() < 1.1


def test_patches_reproduce_their_picks_and_have_a_continuous_gradient(both):
    _, patched = both
    assert np.abs(patched.value(patched.picks.position)).max() < 1e-7
    points = patched.picks.position[:300] + np.array([2.0, -1.0, 3.0])
    step = 1e-2
    slopes = np.stack(
        [(patched.value(points + e) - patched.value(points - e)) / (2 * step) for e in step * np.eye(3)], axis=1
    )
    np.testing.assert_allclose(patched.value_and_gradient(points)[1], slopes, atol=1e-6)


def test_outside_all_patches_the_field_is_not_defined(both):
    far = np.array([[5000.0, 500.0, 0.0]])
    assert np.isnan(both[1].value(far)).all()
    assert np.isnan(both[1].deviation(far)).all()


def test_the_mesh_of_patches_has_no_seams(both):
    mesh = extracted(both[1], cell=15.0, edge=Edge("hull", 0.0)).mesh
    error = mesh.vertices[:, 2] - relief(mesh.vertices[:, :2])[0]
    inner = np.all(np.abs(mesh.vertices[:, :2] - 500) < 450, axis=1)
    assert np.abs(error[inner]).max() < 0.3
    assert np.mean(np.abs(error) < 1.96 * mesh.sigma) > 0.95
    directed = np.sort(mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, uses = np.unique(directed, axis=0, return_counts=True)
    assert uses.max() == 2
    open_edges = np.unique(directed[np.isin(np.arange(len(directed)), np.flatnonzero(uses == 1))], axis=0)
    assert len(open_edges) < 0.1 * len(mesh.triangles)  # the rim, not holes between patches


def test_patches_where_few_picks_have_orientations():
    picks = relief_picks(1500, oriented=0.05)
    patched = fit(picks, Options(direct_limit=100))
    flat = np.random.default_rng(3).uniform(100, 900, (300, 2))
    points = np.column_stack([flat, relief(flat)[0]])
    assert np.sqrt(np.mean(patched.value(points) ** 2)) < 1.0


THICKNESS = 35.0


def conformable(count, seed=4):
    """Return picks of the relief and of the same one lower, without orientations, and bedding between them."""
    rng = np.random.default_rng(seed)
    flat = rng.uniform(0, 1000, (count, 2))
    height, normal = relief(flat)
    surface = rng.choice([0, 1, -1], count, p=[0.45, 0.45, 0.1])
    height = height - THICKNESS * np.where(surface < 0, rng.uniform(0, 1, count), surface)
    return Picks(
        np.column_stack([flat, height]),
        np.where(surface[:, None] < 0, normal, np.nan),
        covariance=np.tile(0.25 * np.eye(3), (count, 1, 1)),
        pole_sigma_deg=np.where(surface < 0, 3.0, 0.0),
        surface=surface,
        polar=True,
    )


@pytest.mark.parametrize("kernel", ["auto", "cubic"])
def test_many_contacts_and_few_orientations_do_not_flatten_the_field(kernel):
    """It used to become nearly constant, 0.3 m from one contact to the other: the likelihood has a mode there."""
    field = fit(conformable(400), Options(kernel=kernel))
    assert field.levels[0] - field.levels[1] == pytest.approx(THICKNESS, rel=0.15)
    gradient = field.value_and_gradient(field.picks.position[field.picks.oriented])[1]
    assert np.linalg.norm(gradient, axis=1).min() > 0.8


@pytest.fixture(scope="module")
def stacked():
    picks = conformable(1500)
    return fit(picks, Options(kernel="cubic")), fit(picks, Options(direct_limit=100))


@pytest.mark.parametrize("surface", [0, 1])
def test_patches_of_several_surfaces_agree_with_one_piece(stacked, surface):
    whole, patched = stacked
    assert isinstance(patched, Patched)
    flat = np.random.default_rng(3).uniform(50, 950, (400, 2))
    points = np.column_stack([flat, relief(flat)[0] - THICKNESS * surface])
    sigma = whole.deviation(points, surface)
    assert np.sqrt(np.mean(((patched.value(points, surface) - whole.value(points, surface)) / sigma) ** 2)) < 0.2
    ratio = patched.deviation(points, surface) / sigma
    assert 0.9 < np.median(ratio) < 1.1
    away = np.abs(patched.value(points, surface)) / patched.deviation(points, surface)
    assert 0.90 <= np.mean(away < 1.96) <= 1.0


def test_levels_of_patches_are_those_of_one_piece_and_the_same_everywhere(stacked):
    whole, patched = stacked
    assert patched.levels[1] - patched.levels[0] == pytest.approx(np.diff(whole.levels)[0], abs=0.2)
    points = patched.picks.position[:200]
    apart = patched.value(points, 1) - patched.value(points, 0)
    np.testing.assert_allclose(apart, patched.levels[0] - patched.levels[1], atol=1e-9)
    gradients = [patched.value_and_gradient(points, surface)[1] for surface in (0, 1)]
    np.testing.assert_allclose(*gradients, atol=1e-9)


def test_the_meshes_of_stacked_surfaces_have_their_thickness_between_them(stacked):
    _, patched = stacked
    for surface in (0, 1):
        mesh = extracted(patched, surface, cell=25.0, edge=Edge("hull", 0.0)).mesh
        error = mesh.vertices[:, 2] - relief(mesh.vertices[:, :2])[0] + THICKNESS * surface
        inner = np.all(np.abs(mesh.vertices[:, :2] - 500) < 450, axis=1)
        assert np.sqrt(np.mean(error[inner] ** 2)) < 0.5


def blind_holes():
    """Return vertical holes that stop 3 m below where the relief truly is, as if they had not met it."""
    middle = np.array([[x, y] for x in (220.0, 500.0, 770.0) for y in (260.0, 510.0, 740.0)])
    bottom = relief(middle)[0] - 3.0
    depth = np.linspace(60.0, 0.0, 13)
    place = np.column_stack([np.repeat(middle, 13, axis=0), (bottom[:, None] + depth).ravel()])
    return Sides(place, np.repeat(np.arange(len(middle)), 13))


@pytest.mark.parametrize("stack", [False, True])
def test_patches_keep_their_surface_on_its_side_of_drilled_rock(stack):
    """Everywhere in the holes, also where several patches overlap; and it is the surface of one piece."""
    if stack:
        picks = conformable(1200)
    else:
        plain = relief_picks(700)
        picks = Picks(plain.position, plain.normal, covariance=np.tile(0.25 * np.eye(3), (700, 1, 1)))
    sides = blind_holes()
    free, kept = fit(picks, Options(direct_limit=100)), fit(picks, Options(direct_limit=100), sides)
    whole = fit(picks, Options(kernel="cubic"), sides)
    clearance = 1e-3 * np.linalg.norm(picks.position - picks.position.mean(axis=0), axis=1).max()
    assert np.sum(free.value(sides.position) < 0) >= 9
    assert kept.value(sides.position).min() >= 0.99 * clearance
    assert whole.value(sides.position).min() >= 0.99 * clearance
    near = np.repeat(sides.position[12::13], 20, axis=0) + np.random.default_rng(1).normal(0, 15, (180, 3))
    apart = (kept.value(near) - whole.value(near)) / whole.deviation(near)
    assert np.sqrt(np.mean(apart**2)) < 0.5
    far = np.array([[x, y, relief(np.array([[x, y]]))[0][0]] for x in (360.0, 640.0) for y in (380.0, 630.0)])
    np.testing.assert_allclose(kept.value(far), free.value(far), atol=0.3)
