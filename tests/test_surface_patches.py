"""Many picks, in patches: the same surface as in one piece, and no seams."""

from __future__ import annotations

import numpy as np
import pytest

from desurvey.surface import Edge, Options, Patched, Picks, extracted, fit


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
