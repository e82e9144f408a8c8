"""Data that can't fix a surface, and input that means nothing, are refused in words."""

from __future__ import annotations

import numpy as np
import pytest

from desurvey.problems import DataProblem
from desurvey.project import options
from desurvey.surface import Mesh, Options, Picks, Sides, fit

UP = [[0.0, 0.0, 1.0]]
THREE = [[0.0, 0, 0], [100, 0, 0], [0, 100, 0.0]]


@pytest.mark.parametrize(
    ("picks", "message"),
    [
        (Picks(THREE[:2]), "needs three picks or one orientation; there are 2"),
        (Picks([[0.0, 0, 0], [10, 0, -20], [20, 0, -40]]), "the 3 picks lie on one line"),
        (Picks(THREE, hole=["A", "A", "A"]), "all 3 picks lie on one hole"),
        (Picks(THREE[:1], UP, surface=[-1]), "at least one pick on it"),
        (Picks(THREE, np.tile(UP, (3, 1)), surface=[0, 2, 2]), "each of the 3 surfaces"),
    ],
)
def test_picks_that_cannot_fix_a_surface(picks, message):
    with pytest.raises(DataProblem, match=message):
        fit(picks)


def test_one_orientation_is_enough_where_positions_are_not():
    for place in (THREE[:1], THREE[:2]):
        normal = np.full((len(place), 3), np.nan)
        normal[0] = [0.6, 0.0, 0.8]
        value = fit(Picks(place, normal, hole=["A"] * len(place))).value(np.array(place))
        np.testing.assert_allclose(value, 0.0, atol=1e-9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"position": [[0.0, 0, np.nan]]}, "three finite numbers"),
        ({"position": THREE, "normal": UP}, r"normal of 3 picks must have shape \(3, 3\)"),
        ({"position": THREE[:1], "normal": [[0.0, 0, 2.0]]}, "must have length 1"),
        ({"position": THREE[:1], "pole_sigma_deg": [np.nan]}, "pole_sigma_deg must be finite"),
        ({"position": THREE, "covariance": np.eye(3)}, "covariance of 3 picks"),
    ],
)
def test_arrays_that_mean_nothing(arguments, message):
    with pytest.raises(DataProblem, match=message):
        Picks(**arguments)


def test_picks_are_copied_and_read_only():
    place = np.array(THREE)
    picks = Picks(place)
    place[0] = 7.0
    assert picks.position[0, 0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        picks.position[0, 0] = 1.0


def test_contradictory_exact_picks_are_reported():
    """Two exact picks a millimetre apart whose planes are 60° from each other, with merging switched off."""
    place = [[0.0, 0, 0], [0.001, 0, 0], [200, 0, 0], [0, 200, 0], [200, 200, 0.0]]
    normal = np.tile(UP, (5, 1))
    normal[1] = [np.sin(np.pi / 3), 0.0, np.cos(np.pi / 3)]
    field = fit(Picks(place, normal), Options(merge=0.0))
    assert field.condition > 1e9  # it passes through both, and says what that costs
    assert np.abs(field.value(np.array(place))).max() < 0.001  # the distance between the two
    assert len(fit(Picks(place, normal), Options(merge=1e-4)).picks) == 4


def test_a_height_is_refused_where_orientations_forbid_it():
    normal = [[0.0, 0, 1], [0.0, 0, 1], [np.sin(2.0), 0.0, np.cos(2.0)]]
    with pytest.raises(DataProblem, match="no orientation beyond 70°"):
        fit(Picks(THREE, normal, polar=True), Options(form="height"))
    assert fit(Picks(THREE, normal, polar=True)).model.dimensions == 3


def test_side_points_need_an_interval_each():
    with pytest.raises(DataProblem, match="a position, an interval and a side"):
        Sides(THREE, [0, 1])


def test_picks_and_rock_that_cannot_both_be_honoured():
    """An exact pick inside a drilled interval that is said to lie off the surface."""
    hole = np.column_stack([np.zeros(5), np.zeros(5), np.linspace(40, -40, 5)])
    with pytest.raises(DataProblem, match="keeps clear of the intervals"):
        fit(Picks(THREE, np.tile(UP, (3, 1))), sides=Sides(hole, np.zeros(5)))


@pytest.mark.parametrize("limit", [3000, 2])
def test_several_surfaces_without_an_orientation_are_refused_in_one_piece_and_in_patches(limit):
    picks = Picks(THREE * 2, surface=[0, 0, 0, 1, 1, 1])
    with pytest.raises(DataProblem, match="several conformable contacts need orientations"):
        fit(picks, Options(direct_limit=limit))


@pytest.mark.parametrize("kernel", ["auto", "cubic", "matern32", "matern52"])
def test_every_kernel_can_be_set_in_the_project(kernel):
    assert options("surface", {"kernel": kernel}, Options).kernel == kernel
    with pytest.raises(DataProblem, match=r"'surface.kernel' must be \"auto\" or"):
        options("surface", {"kernel": f"{kernel}s"}, Options)


def test_a_mesh_checks_itself():
    with pytest.raises(DataProblem, match="rows of the vertices"):
        Mesh(np.zeros((3, 3)), np.array([[0, 1, 3]]), np.zeros(3))
