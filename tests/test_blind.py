"""The blind zone on the app's net, against what is known in closed form."""

import base64
import re

import numpy as np
import pytest

import desurvey
from desurvey import curvature, orient
from tests.benches import written
from viewer.app.blind import CELLS, blind_of, with_hole
from viewer.app.desk import desk_of


def straight(azimuth, dip):
    return curvature.tangent(*np.deg2rad([azimuth, dip]))


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """Give one vertical drilled hole, a planned one that must not count, and three structures logged as planes."""
    tables = {
        "collars": ["V,500000,5400000,300,100,0,-90,drilled", "P,500050,5400000,300,100,90,0,planned"],
        "structures": ["flat,V,10,joint,85,0,", "steep,V,20,joint,5,0,", "lost,V,30,joint,40,,"],
    }
    desk = desk_of(desurvey.open(written(tmp_path_factory.mktemp("blind"), tables)))
    normal = orient.vector_of_plane(np.array([5.0, 85.0, 40.0]), np.array([90.0, 90.0, 90.0]))
    normal[2] = np.nan
    object.__setattr__(desk.oriented, "normal", normal)  # a vertical hole orients nothing: planes as surveyed
    return desk


def cells(text):
    bits = np.frombuffer(base64.b64decode(text), dtype=np.uint8)
    return np.unpackbits(bits)[: CELLS**2].reshape(CELLS, CELLS).astype(bool)


def shares(said):
    return [float(part) for part in re.findall(r"([\d.]+) %", said)]


def test_a_vertical_hole_is_blind_to_a_ring_that_a_level_one_opens(desk):
    """Sine of 20° of the half sphere for one hole; for two square ones, twice the spherical square |x|, |y| < sin 20°.

    Its area is 8 · (what one quarter of a corner holds); integrated here by scipy over the sphere in closed strips:
    for |z| = s the length of the parallel with |x| < L is 4 · asin(min(1, L / √(1 − s²))).
    """
    from scipy.integrate import quad

    limit = np.sin(np.deg2rad(20.0))
    area, _ = quad(lambda s: 4 * np.arcsin(min(1.0, limit / np.sqrt(1 - s * s))), 0.0, limit)  # of the half sphere, 2π
    drawn = with_hole(blind_of(desk), straight(90.0, 0.0), np.array([0, 1]))
    before, after = shares(drawn["said"])
    assert before == pytest.approx(100 * limit, abs=0.3)
    assert after == pytest.approx(100 * area / (2 * np.pi), abs=0.3)
    assert "1 drilled hole:" in drawn["said"]


def test_the_areas_lie_where_the_poles_do(desk):
    """Equal-area radius √2 sin((90° − plunge)/2) (Schmidt): the rim is blind to a vertical hole, its middle is not."""
    drawn = with_hole(blind_of(desk), straight(90.0, 0.0), np.array([0, 1]))
    still, opened = cells(drawn["still"]), cells(drawn["opened"])
    assert not (still & opened).any()
    middle, edge = CELLS // 2, round(0.02 * CELLS)
    assert not still[middle, middle]
    assert not opened[middle, middle]
    assert still[edge, middle]  # a pole to the north: a plane along both holes
    assert opened[middle, edge]  # a pole to the west: square to the level hole
    radius = np.sqrt(2) * np.sin(np.deg2rad((90 - 20.0) / 2))
    column = (still | opened)[:, middle]
    inner = (1 - radius) / 2 * (CELLS - 1)
    assert column[: int(inner) + 1].all() or not column[0]
    assert abs(int(np.flatnonzero(column)[np.flatnonzero(column) < middle].max()) - inner) <= 1.5


def test_structures_are_counted_before_and_after(desk):
    drawn = with_hole(blind_of(desk), straight(90.0, 0.0), np.array([0, 1]))
    assert "1 of 2 poles" in drawn["said"]  # the steep one
    assert drawn["said"].endswith(" %, 0")  # which a level hole meets squarely
    along = with_hole(blind_of(desk), straight(0.0, 0.0), np.array([0, 1]))
    assert along["said"].endswith(" %, 1")  # one along its strike doesn't


def test_without_drilled_holes_all_is_blind(tmp_path):
    tables = {"collars": ["P,500050,5400000,300,100,90,-60,planned"], "structures": []}
    desk = desk_of(desurvey.open(written(tmp_path, tables)))
    drawn = with_hole(blind_of(desk), straight(0.0, -90.0), np.array([], dtype=int))
    before, after = shares(drawn["said"])
    assert before == 100.0
    assert after == pytest.approx(100 * np.sin(np.deg2rad(20.0)), abs=0.3)
