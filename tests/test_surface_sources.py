"""What surfaces are built from: faults of the line-up, contacts of interval tables, rock that was not cut."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from desurvey import lineup, orient, spread, traces
from desurvey.problems import DataProblem
from desurvey.project import load_project
from desurvey.surface import Edge, Options, Picks, Sides, extracted, fit
from desurvey.surface.clip import beyond_hull
from desurvey.surface.contacts import changes, contact_picks
from desurvey.surface.faults import FaultField, fault_mesh, fault_number, fault_sides, fault_surface, sides_along
from tests import benches, fences


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """Return the line-up of nine holes through two parallel planes dipping 60° towards 200°."""
    project = load_project(benches.written(tmp_path_factory.mktemp("two_faults"), benches.layered()))
    return lineup.line_up(project, traces.build(project))


def test_a_fault_of_the_line_up_becomes_the_plane_it_was_drawn_from(found):
    normal = orient.vector_of_plane([60.0], [200.0])[0]
    for fault in found.faults:
        field = FaultField.of(found, fault.fault_id)
        assert len(field.picks) == len(fault.rows)
        mesh = extracted(field, edge=Edge("hull", 10.0)).mesh
        offset = (mesh.vertices - [500060.0, 5400060.0, 210.0]) @ normal
        nearest = np.where(offset.mean() > 30.0, 60.0, 0.0)  # they lie 60 m apart
        assert np.abs(offset - nearest).max() < 3.0
        assert np.mean(np.abs(offset - nearest) < 1.96 * mesh.sigma) > 0.9


def test_a_fault_has_one_surface(found):
    """What the viewer draws, what ``surface`` writes and what the line-up weighs by are one sheet."""
    for fault in found.faults:
        field, drawn = FaultField.of(found, fault.fault_id), fault_mesh(fault)
        np.testing.assert_allclose(field.value(drawn.vertices), 0.0, atol=1e-6)
        np.testing.assert_allclose(field.deviation(drawn.vertices), drawn.sigma, rtol=1e-9)
        written = fault_surface(found, fault.fault_id).mesh
        np.testing.assert_allclose(field.value(written.vertices), 0.0, atol=1e-3)


def test_the_gradient_of_a_fault_is_the_slope_of_its_values(found):
    """Against central differences, with the surface free and held off rock."""
    free = FaultField.of(found, "F1")
    rng = np.random.default_rng(3)
    points = free.picks.position.mean(axis=0) + rng.uniform(-60.0, 60.0, (25, 3))
    held = free.holding(points[:4], np.array([1.0, 2.0, 0.5, 1.5]))
    np.testing.assert_allclose(held.value(points[:4]), [1.0, 2.0, 0.5, 1.5], atol=1e-4)
    for field in (free, held):
        value, gradient = field.value_and_gradient(points)
        np.testing.assert_allclose(value, field.value(points))
        step = 1e-3
        for axis in range(3):
            aside = step * np.eye(3)[axis]
            slope = (field.value(points + aside) - field.value(points - aside)) / (2.0 * step)
            np.testing.assert_allclose(gradient[:, axis], slope, atol=1e-6)


def test_a_fault_held_off_rock_is_the_one_that_conditioning_gives(found):
    """A Gaussian given some of its values (Rasmussen & Williams 2006, A.6): K12 K22^-1 (y - m) is added to the mean."""
    field = FaultField.of(found, "F2")
    rng = np.random.default_rng(4)
    points = field.picks.position.mean(axis=0) + rng.uniform(-80.0, 80.0, (9, 3))
    value = np.array([3.0, -2.0, 1.0])
    whole = field.covariance(points)
    mean = field.value(points)
    expected = mean + whole[:, :3] @ np.linalg.solve(whole[:3, :3], value - mean[:3])
    np.testing.assert_allclose(field.holding(points[:3], value).value(points), expected, atol=1e-4)


def test_an_unknown_fault_is_named_with_those_there_are(found):
    with pytest.raises(DataProblem, match=r"no such fault.*F9.*F1, F2"):
        fault_number(found, "F9")


def test_rock_between_picks_of_a_fault_is_split_into_intervals_that_keep_off_it(found):
    field = FaultField.of(found, found.faults[0].fault_id)
    within = beyond_hull(field.picks.position, field.picks.position.mean(axis=0), field.axes, 30.0)
    sides = fault_sides(found, 0, within)
    assert len(sides.position)
    value = field.value(sides.position)
    for interval in np.unique(sides.interval):
        assert len(np.unique(np.sign(value[sides.interval == interval]))) == 1
    assert np.abs(value).min() > 0.5  # not next to a pick


def test_intervals_along_holes_end_at_picks():
    trace = fences.fence_traces(3)
    everywhere = lambda points: np.full(len(points), -1.0)  # noqa: E731 - a limit that never ends
    met = np.array([0, 0, 1]), np.array([50.0, 100.0, 80.0])
    sides = sides_along(trace, np.arange(3), met, within=everywhere, spacing=5.0, clear=4.0)
    assert len(np.unique(sides.interval)) == 3 + 2 + 1  # hole 0 in three, hole 1 in two, hole 2 whole
    gone = trace.at(met[0], met[1]).position
    assert np.linalg.norm(sides.position[:, None] - gone, axis=2).min() >= 4.0 - 1e-6


def test_a_surface_keeps_off_rock_that_it_did_not_cut():
    """Picks of a plane around a hole that stayed above it: the surface bows down under that hole, and just touches."""
    ring = np.deg2rad(np.arange(0, 360, 45))
    place = np.column_stack([200 * np.cos(ring), 200 * np.sin(ring), np.zeros(8)])
    picks = Picks(place, np.tile([0.0, 0, 1], (8, 1)), covariance=np.tile(0.25 * np.eye(3), (8, 1, 1)))
    hole = np.column_stack([np.zeros(12), np.zeros(12), np.linspace(150, -15, 12)])
    free = fit(picks)
    kept = fit(picks, sides=Sides(hole, np.zeros(12)))
    assert free.value(hole).min() < -10.0
    assert kept.value(hole).min() == pytest.approx(0.2, abs=0.01)  # a thousandth of the half extent
    mesh = extracted(kept, cell=8.0).mesh
    middle = np.hypot(mesh.vertices[:, 0], mesh.vertices[:, 1]) < 8
    assert np.all(mesh.vertices[middle, 2] < -15.0 + 0.1)
    other = fit(picks, sides=Sides(hole, np.zeros(12), np.ones(12)))
    np.testing.assert_allclose(other.value(hole), kept.value(hole), atol=1e-9)


def test_rock_that_the_surface_clears_anyway_changes_nothing():
    picks = Picks([[0, 0, 0], [100, 0, 3], [0, 100, -2], [90, 110, 1.0]], np.tile([0.0, 0, 1], (4, 1)))
    hole = np.column_stack([np.full(9, 50.0), np.full(9, 50.0), np.linspace(40, 120, 9)])
    points = np.random.default_rng(0).uniform(-50, 150, (20, 3))
    np.testing.assert_array_equal(fit(picks, sides=Sides(hole, np.zeros(9))).value(points), fit(picks).value(points))


def test_the_constrained_surface_is_the_one_of_least_energy():
    """Against scipy's quadratic programming (SLSQP) on the same posterior: one value at each point of the hole."""
    from scipy.optimize import minimize

    rng = np.random.default_rng(6)
    place = np.column_stack([rng.uniform(-200, 200, (10, 2)), rng.normal(0, 10, 10)])
    picks = Picks(place, np.tile([0.0, 0, 1], (10, 1)), covariance=np.tile(4 * np.eye(3), (10, 1, 1)))
    hole = np.column_stack([np.full(6, 20.0), np.full(6, -30.0), np.linspace(60, -25, 6)])
    more = np.column_stack([np.full(6, -90.0), np.full(6, 60.0), np.linspace(60, -18, 6)])
    points, interval = np.vstack([hole, more]), np.repeat([0, 1], 6)
    free, kept = fit(picks), fit(picks, sides=Sides(points, interval, np.ones(12)))
    lowest = points[[5, 11]]
    precision = np.linalg.inv(free.covariance(lowest))
    start = free.value(lowest)
    best = minimize(
        lambda z: (z - start) @ precision @ (z - start),
        start,
        jac=lambda z: 2 * precision @ (z - start),
        bounds=[(1e-3 * np.linalg.norm(place - free.model.centre, axis=1).max(), None)] * 2,
    )
    np.testing.assert_allclose(kept.value(lowest), best.x, atol=1e-3)


def test_changes_of_a_value_are_contacts_and_gaps_are_uncertainty():
    table = pd.DataFrame(
        {
            "hole_id": ["B", "A", "A", "A", "A", "B"],
            "depth_from": [0.0, 30.0, 0.0, 12.0, 20.0, 40.0],
            "depth_to": [34.0, 50.0, 12.0, 20.0, 30.0, 60.0],
            "rock": ["schist", "marble", "till", "schist", "schist", "marble"],
        }
    )
    found = changes(table, "rock")
    assert list(zip(found.hole_id, found.above, found.below, found.depth, strict=True)) == [
        ("A", "till", "schist", 12.0),
        ("A", "schist", "marble", 30.0),
        ("B", "schist", "marble", 37.0),
    ]
    np.testing.assert_allclose(found.sigma, [0.0, 0.0, 6.0 / np.sqrt(12.0)])  # uniform over the gap


def test_tables_that_cannot_give_contacts_say_why():
    table = pd.DataFrame(
        {"hole_id": ["A", "A"], "depth_from": [0.0, 9.0], "depth_to": [10.0, 20.0], "rock": ["x", "y"]}
    )
    with pytest.raises(DataProblem, match="hole A begins at 9 m, before"):
        changes(table, "rock")
    with pytest.raises(DataProblem, match=r"no such column.*Did you mean 'rock'"):
        changes(table, "rocks")


def conformable(rng, thickness=35.0):
    """Return holes through two contacts that are the same gentle fold, one a known thickness below the other."""
    trace = fences.fence_traces(18, fences=3)
    base = fences.ORIGIN[2] - 70.0

    def height(points):
        return base + 12.0 * np.sin((points[:, 0] - fences.ORIGIN[0]) / 60.0) + 0.1 * (points[:, 1] - fences.ORIGIN[1])

    rows = []
    for hole, name in enumerate(trace.hole_ids):
        depth = np.arange(0, trace.end[hole], 0.05)
        points = trace.at(np.full(len(depth), hole), depth).position
        above = points[:, 2] - height(points)
        cuts = [
            depth[np.argmax(above < level)] if (above < level).any() else trace.end[hole] for level in (0.0, -thickness)
        ]
        marks = [0.0, *cuts, trace.end[hole]]
        for rock, top, bottom in zip(("shale", "marl", "chalk"), marks[:-1], marks[1:], strict=True):
            if bottom > top:
                rows.append((name, top, bottom, rock))
    return trace, pd.DataFrame(rows, columns=["hole_id", "depth_from", "depth_to", "rock"]), height


def test_two_conformable_contacts_share_one_field():
    """Neither carries the other's data, yet both are found, and so is the thickness between them."""
    trace, table, height = conformable(np.random.default_rng(0))
    known = spread.hole_spread(trace, spread.Sigmas())
    pairs = [("shale", "marl"), ("chalk", "marl")]
    at = trace.position[::9]
    at = np.column_stack([at[:, :2], height(at)])
    slope = np.column_stack(
        [-0.2 * np.cos((at[:, 0] - fences.ORIGIN[0]) / 60.0), np.full(len(at), -0.1), np.ones(len(at))]
    )
    bedding = Picks(
        at - [0, 0, 17.0],
        slope / np.linalg.norm(slope, axis=1)[:, None],
        pole_sigma_deg=np.full(len(at), 3.0),
        hole=np.full(len(at), "bedding"),
        polar=True,
    )
    picks = contact_picks(changes(table, "rock"), pairs, trace, known, bedding)
    assert picks.surfaces == 2
    field = fit(picks, Options(merge=1e-6))
    for number, drop in enumerate((0.0, 35.0)):
        mesh = extracted(field, number, cell=6.0, edge=Edge("hull", 0.0)).mesh
        error = mesh.vertices[:, 2] - (height(mesh.vertices) - drop)
        assert np.sqrt(np.mean(error**2)) < 2.5
        assert np.mean(np.abs(error) < 1.96 * mesh.sigma) > 0.85
    middle = np.array([[*(fences.ORIGIN[:2] + 100.0), 0.0]])
    assert np.ptp(field.levels) == pytest.approx(35.0, rel=0.15)
    assert field.value(middle, 1) - field.value(middle, 0) == pytest.approx(np.diff(-field.levels), abs=1e-9)
    with pytest.raises(DataProblem, match="no hole passes from 'shale' to 'chalk'"):
        contact_picks(changes(table, "rock"), [("shale", "chalk")], trace, known)


def test_several_surfaces_are_the_increment_form_of_the_potential_field():
    """Levels as unknowns against the published form s(xᵢ) − s(x₀) = 0 (Lajaunie et al. 1997), written out here."""
    from tests.test_surface_system import cubic

    rng = np.random.default_rng(7)
    values = [rng.uniform(-1, 1, (4, 3)), rng.uniform(-1, 1, (3, 3)) + np.array([0, 0, 2])]
    normals = rng.normal(0, 0.2, (3, 3)) + np.array([0, 0, 1])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    beds = rng.uniform(-1, 2, (3, 3))
    picks = Picks(
        np.vstack([*values, beds]) * 100,
        np.vstack([np.full((7, 3), np.nan), normals]),
        surface=[0] * 4 + [1] * 3 + [-1] * 3,
        polar=True,
    )
    field = fit(picks, Options(kernel="cubic", merge=0.0))
    targets = rng.uniform(-1, 2, (5, 3)) * 100

    where = [field.model.scaled(v * 100) for v in values]
    slopes_at = field.model.scaled(beds * 100)
    sources = [([(v[i], 1.0), (v[0], -1.0)], None) for v in where for i in range(1, len(v))]
    sources += [([(y, 1.0)], axis) for y in slopes_at for axis in range(3)]

    def cov(one, other):
        total = 0.0
        for x, p in one[0]:
            for y, q in other[0]:
                value, slope, hessian = cubic(x - y)
                i, j = one[1], other[1]
                if i is None and j is None:
                    part = value
                elif i is None or j is None:
                    part = -slope[j] if i is None else slope[i]
                else:
                    part = -hessian[i, j]
                total += p * q * part
        return total

    n = len(sources)
    trend = np.array([sum(p * x for x, p in s[0]) if s[1] is None else np.eye(3)[s[1]] for s in sources])
    left = np.zeros((n + 3, n + 3))
    left[:n, :n] = [[cov(a, b) for b in sources] for a in sources]
    left[:n, n:], left[n:, :n] = trend, trend.T
    data = np.concatenate([np.zeros(5), (normals @ field.model.axes.T / field.model.scale).ravel(), np.zeros(3)])
    weights = np.linalg.solve(left, data)
    reference = where[0][0]

    def potential(point):
        increment = ([(point, 1.0), (reference, -1.0)], None)
        return sum(w * cov(increment, s) for w, s in zip(weights, sources, strict=False)) + weights[n:] @ (
            point - reference
        )

    expected = [potential(t) for t in field.model.scaled(targets)]
    np.testing.assert_allclose(field.value(targets, 0), expected, atol=1e-6)
    assert np.diff(field.levels)[0] == pytest.approx(potential(where[1][0]), abs=1e-6)
