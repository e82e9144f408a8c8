"""The mesh: where it runs, how it hangs together, where it ends."""

from __future__ import annotations

import numpy as np
import pytest

from desurvey.problems import DataProblem
from desurvey.surface import Edge, Mesh, Picks, extracted, fit
from desurvey.surface.band import onto_surface
from desurvey.surface.clip import beyond_hull, beyond_older, over_ground
from desurvey.surface.contours import contours
from desurvey.surface.extract import NEARBY, LevelOf
from tests.test_surface_patches import relief_picks
from tests.worlds import surfaces


def flat_field(count=12, seed=1):
    """Return picks of the plane z = 100 over a square of 400 m."""
    rng = np.random.default_rng(seed)
    place = np.column_stack([rng.uniform(0, 400, (count, 2)), np.full(count, 100.0)])
    place[:4, :2] = [[0, 0], [400, 0], [400, 400], [0, 400]]
    return fit(Picks(place, np.tile([0.0, 0, 1], (count, 1))))


def edge_uses(mesh):
    """Return how many triangles share each edge, and how often each directed edge occurs."""
    directed = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    _, shared = np.unique(np.sort(directed, axis=1), axis=0, return_counts=True)
    _, same_way = np.unique(directed, axis=0, return_counts=True)
    return shared, same_way


def noisy_fold(fences=5, holes=6):
    """Return a field through a cylindrical fold from uncertain picks."""
    rng = np.random.default_rng(1)
    met = surfaces.logged(surfaces.drilled(surfaces.cylinder_fold(), rng, fences, holes), rng, 1.5, 6.0)
    count = len(met.hole)
    covariance = np.tile(1.5**2 * np.eye(3), (count, 1, 1))
    return fit(Picks(met.position, met.normal, covariance=covariance, pole_sigma_deg=np.full(count, 6.0)))


@pytest.mark.parametrize("cell", [4.0, 8.0])
def test_large_triangles_keep_to_the_surface_and_its_sigma(cell):
    """At random points of triangles: a third of the triangles, and errors as stated; σ against the direct value."""
    field = noisy_fold()
    found, fine = extracted(field, cell=cell), extracted(field, cell=cell, tolerance=0.0)
    mesh, rng = found.mesh, np.random.default_rng(0)
    assert len(mesh.triangles) < 0.4 * len(fine.mesh.triangles)
    assert mesh.areas.sum() == pytest.approx(fine.mesh.areas.sum(), rel=2e-3)
    rows = rng.choice(len(mesh.triangles), 2000, p=mesh.areas / mesh.areas.sum())
    share = rng.dirichlet([1, 1, 1], 2000)
    points = np.einsum("ij,ijk->ik", share, mesh.corners[rows])
    painted = np.sum(share * mesh.sigma[mesh.triangles[rows]], axis=1)
    foot = onto_surface(LevelOf(field, 0), points, 4 * cell)
    assert np.linalg.norm(foot - points, axis=1).max() < 1.5 * found.tolerance
    gradient = np.linalg.norm(field.value_and_gradient(foot)[1], axis=1)
    direct = field.deviation(foot) / gradient
    assert np.max(np.abs(painted - direct) / np.maximum(0.05 * direct, found.tolerance)) < 1.25


def test_triangles_of_different_sizes_leave_no_cracks():
    """Edges with a triangle on one side only lie on the rim, and no triangle is thin."""
    field, edge = noisy_fold(), Edge("hull", 20.0)
    found = extracted(field, cell=4.0, edge=edge)
    mesh = found.mesh
    sides = np.sort(mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    ends, uses = np.unique(sides, axis=0, return_counts=True)
    assert uses.max() == 2
    outside = edge.limit(field.picks.position, field.axes)
    rim = np.unique(ends[uses == 1])
    assert np.abs(outside(mesh.vertices[rim])).max() < 0.1 * found.cell  # the rim is cut straight across triangles
    length = np.linalg.norm(np.diff(mesh.vertices[ends], axis=1)[:, 0], axis=1)
    assert np.quantile(length, 0.9) > 8.0
    corner = mesh.corners
    longest = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max(axis=1)
    away = np.all(outside(mesh.vertices)[mesh.triangles] < -1.0, axis=1)  # those on the rim are cut to slivers
    assert np.quantile(mesh.areas[away] / longest[away] ** 2, 0.001) > 0.05  # height a tenth of the longest edge


def test_sigma_of_many_picks_is_a_little_on_the_safe_side():
    """Above NEARBY picks it comes from patches: against the one system's own."""
    picks = relief_picks(2 * NEARBY)
    count = len(picks)
    covariance = np.tile(np.eye(3), (count, 1, 1))
    field = fit(Picks(picks.position, picks.normal, covariance=covariance, pole_sigma_deg=np.full(count, 5.0)))
    mesh = extracted(field, cell=25.0).mesh
    gradient = np.linalg.norm(field.value_and_gradient(mesh.vertices)[1], axis=1)
    ratio = mesh.sigma * gradient / field.deviation(mesh.vertices)
    inner = np.all(np.abs(mesh.vertices[:, :2] - 500.0) < 480.0, axis=1)
    assert ratio[inner].min() > 0.99
    assert ratio.max() < 1.2
    assert np.median(ratio) < 1.01


@pytest.mark.parametrize("name", list(surfaces.ANALYTIC))
def test_the_mesh_is_a_manifold_on_the_surface_facing_its_normals(name):
    truth = surfaces.ANALYTIC[name]()
    met = surfaces.drilled(truth, np.random.default_rng(2), 6, 9)
    field = fit(Picks(met.position, met.normal, polar=truth.polar))
    found = extracted(field, cell=10.0)
    mesh = found.mesh
    shared, same_way = edge_uses(mesh)
    assert shared.max() == 2  # never three triangles on one edge
    assert same_way.max() == 1  # neighbours walk their common edge opposite ways
    value, gradient = field.value_and_gradient(mesh.vertices)
    assert np.abs(value).max() < 1e-6
    a, b, c = np.moveaxis(mesh.corners, 1, 0)
    facing = np.einsum("ij,ij->i", np.cross(b - a, c - a), gradient[mesh.triangles].sum(axis=1))
    assert np.sum(mesh.areas[facing <= 0]) < 1e-3 * mesh.areas.sum()  # slivers on the clipped rim may be flat
    assert np.all(mesh.sigma >= 0.0)


def test_a_flat_square_has_the_area_of_its_hull_and_rounded_margin():
    """Minkowski sum of a square of side a and a disc of radius r: a² + 4 a r + π r²."""
    field = flat_field()
    for margin in (0.0, 60.0):
        mesh = extracted(field, cell=8.0, edge=Edge("hull", margin)).mesh
        expected = 400.0**2 + 4 * 400.0 * margin + np.pi * margin**2
        assert mesh.areas.sum() == pytest.approx(expected, rel=2e-3)
        assert np.allclose(mesh.vertices[:, 2], 100.0, atol=1e-6)


def test_a_single_pick_with_a_distance_gives_a_disc():
    field = fit(Picks([[10.0, 20.0, 30.0]], [[0.0, 0.6, 0.8]]))
    mesh = extracted(field, cell=4.0, edge=Edge("distance", 50.0)).mesh
    assert mesh.areas.sum() == pytest.approx(np.pi * 50.0**2, rel=0.01)
    np.testing.assert_allclose((mesh.vertices - [10, 20, 30]) @ [0, 0.6, 0.8], 0.0, atol=1e-9)


def test_the_hull_limit_is_the_distance_to_the_polygon():
    rng = np.random.default_rng(0)
    corners = np.array([[0, 0, 0], [100, 0, 0], [100, 50, 0], [0, 50, 0.0], [50, 25, 0]])
    limit = beyond_hull(corners, np.zeros(3), np.eye(3), 0.0)
    points = np.column_stack([rng.uniform(-80, 180, (500, 2)), np.zeros(500)])
    out = np.hypot(
        np.maximum(0, np.maximum(-points[:, 0], points[:, 0] - 100)),
        np.maximum(0, np.maximum(-points[:, 1], points[:, 1] - 50)),
    )
    inside = np.minimum.reduce([points[:, 0], 100 - points[:, 0], points[:, 1], 50 - points[:, 1]])
    np.testing.assert_allclose(limit(points), np.where(out > 0, out, -inside), atol=1e-9)


def test_the_band_stays_narrow():
    """Halving the cell doubles twice what is evaluated (a surface), not three times (a volume)."""
    truth = surfaces.cylinder_fold()
    met = surfaces.drilled(truth, np.random.default_rng(2), 5, 6)
    field = fit(Picks(met.position, met.normal))
    coarse, fine = (extracted(field, cell=cell).evaluated for cell in (16.0, 8.0))
    assert fine / coarse < 5.0
    box = np.ptp((met.position - truth.origin) @ truth.axes.T, axis=0) / 8.0
    assert fine < 0.5 * np.prod(box + 20)


def test_a_sheet_that_no_pick_belongs_to_is_not_drawn():
    """A dome's field is zero again on the far side of its sphere; only the side that was drilled is extracted."""
    truth = surfaces.dome(400.0)
    rng = np.random.default_rng(3)
    angle, turn = np.deg2rad(rng.uniform(0, 75, 60)), rng.uniform(0, 2 * np.pi, 60)
    normal = np.column_stack([np.sin(angle) * np.cos(turn), np.sin(angle) * np.sin(turn), np.cos(angle)])
    place = truth.origin + 400.0 * (normal - [0, 0, 1])
    mesh = extracted(fit(Picks(place, normal, polar=True)), cell=20.0, edge=Edge("hull", 10.0)).mesh
    assert mesh.vertices[:, 2].min() > truth.origin[2] - 400.0


def test_the_ground_cuts_the_surface_off():
    """A plane dipping 45° under ground that slopes the other way: their line of intersection is known."""
    normal = np.array([np.sqrt(0.5), 0.0, np.sqrt(0.5)])  # z = -x
    rng = np.random.default_rng(1)
    place = np.column_stack([rng.uniform(-200, 200, (15, 2)), np.zeros(15)])
    place[:, 2] = -place[:, 0]
    field = fit(Picks(place, np.tile(normal, (15, 1))))
    east, north = (axis.ravel() for axis in np.meshgrid(np.linspace(-500, 500, 21), np.linspace(-500, 500, 21)))
    ground = np.column_stack([east, north, 0.5 * east + 30.0])  # meets z = -x at x = -20
    mesh = extracted(field, cell=8.0, limits=(over_ground(ground),)).mesh
    whole = extracted(field, cell=8.0).mesh
    assert mesh.vertices[:, 0].min() == pytest.approx(-20.0, abs=0.05)
    kept = whole.vertices[whole.triangles].mean(axis=1)[:, 0] > -20.0
    assert mesh.areas.sum() == pytest.approx(whole.areas[kept].sum(), rel=0.02)


def test_a_younger_fault_ends_at_an_older_one_on_the_side_of_its_picks():
    older = fit(Picks([[300.0, 200.0, 100.0]], [[1.0, 0.0, 0.0]]))  # the vertical plane x = 300
    rng = np.random.default_rng(4)
    place = np.column_stack([rng.uniform(0, 280, 14), rng.uniform(0, 400, 14), np.full(14, 100.0)])
    field = fit(Picks(place, np.tile([0.0, 0, 1], (14, 1))))
    limit = beyond_older(LevelOf(older, 0), place)
    mesh = extracted(field, cell=8.0, edge=Edge("hull", 100.0), limits=(limit,)).mesh
    assert mesh.vertices[:, 0].max() == pytest.approx(300.0, abs=1e-6)
    with pytest.raises(DataProblem, match="both sides"):
        beyond_older(LevelOf(older, 0), np.array([[200.0, 0, 100], [400.0, 0, 100]]))


def test_nothing_left_inside_the_limits_is_said():
    with pytest.raises(DataProblem, match="nothing of the surface is left"):
        extracted(flat_field(), limits=(lambda points: np.ones(len(points)),))
    with pytest.raises(DataProblem, match="cell must be a length"):
        extracted(flat_field(), cell=0.0)
    with pytest.raises(DataProblem, match="three points"):
        over_ground(np.zeros((2, 3)))


def test_clipping_cuts_triangles_exactly():
    """A square cut by x + y < 1: half of its area is left, whichever way its diagonal runs."""
    vertices = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]])
    for triangles in ([[0, 1, 2], [0, 2, 3]], [[0, 1, 3], [1, 2, 3]]):
        mesh = Mesh(vertices, np.array(triangles), np.arange(4.0))
        cut = mesh.clipped(vertices[:, 0] + vertices[:, 1] - 1.0 + 1e-12)
        assert cut.areas.sum() == pytest.approx(0.5, abs=1e-9)
        third = mesh.clipped(vertices[:, 0] - 1 / 3)
        assert third.areas.sum() == pytest.approx(1 / 3)
        assert third.vertices[:, 0].max() == pytest.approx(1 / 3)
        assert np.all(
            np.cross(third.corners[:, 1] - third.corners[:, 0], third.corners[:, 2] - third.corners[:, 0])[:, 2] > 0
        )


def test_structure_contours_lie_at_their_elevations_and_close_on_a_dome():
    truth = surfaces.dome()
    met = surfaces.drilled(truth, np.random.default_rng(2), 6, 7)
    mesh = extracted(fit(Picks(met.position, met.normal)), cell=10.0, edge=Edge("hull", 0.0)).mesh
    lines = contours(mesh, 10.0)
    for elevation in (180.0, 190.0):
        (line,) = (line for line in lines if line.elevation == elevation)
        np.testing.assert_allclose(line.points[:, 2], elevation, atol=1e-9)
        radius = np.hypot(*(line.points[:, :2] - truth.origin[:2]).T)
        expected = np.sqrt(700.0**2 - (700.0 - (200.0 - elevation)) ** 2)  # a circle on the sphere
        np.testing.assert_allclose(radius, expected, atol=1.0)
        np.testing.assert_allclose(line.points[0], line.points[-1])
        x, y = (line.points[:, :2] - truth.origin[:2]).T
        assert np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0  # higher ground inside, on the left
    with pytest.raises(DataProblem, match="interval of structure contours"):
        contours(mesh, 0.0)
