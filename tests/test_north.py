"""Norths against the World Magnetic Model's own test values and PROJ."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest

from desurvey import north
from desurvey.problems import DataProblem

# NOAA WMM2025_TEST_VALUES.txt, also table 6 of the WMM2025 technical report: year, km, latitude, longitude, F, I, D.
WMM2025 = np.array(
    [
        (2025.0, 0, 80, 0, 55178.5, 83.21, 1.28),
        (2025.0, 0, 0, 120, 41064.3, -14.93, -0.16),
        (2025.0, 0, -80, 240, 54698.2, -72.00, 68.78),
        (2025.0, 100, 80, 0, 52964.9, 83.26, 0.85),
        (2025.0, 100, 0, 120, 39032.1, -15.08, -0.15),
        (2025.0, 100, -80, 240, 52035.0, -72.19, 68.21),
        (2027.5, 0, 80, 0, 55253.9, 83.24, 2.59),
        (2027.5, 0, 0, 120, 41036.9, -14.65, -0.24),
        (2027.5, 0, -80, 240, 54474.2, -71.92, 68.49),
        (2027.5, 100, 80, 0, 53034.3, 83.29, 2.16),
        (2027.5, 100, 0, 120, 39007.4, -14.81, -0.23),
        (2027.5, 100, -80, 240, 51825.7, -72.10, 67.93),
    ]
)


def test_the_field_at_the_models_published_test_points():
    year, height, latitude, longitude, total, dip, declination = WMM2025.T
    field = north.magnetic_field(north.Place(latitude, longitude, height * 1000), year)
    np.testing.assert_allclose(field.total_nt, total, atol=0.051)
    np.testing.assert_allclose(field.dip, dip, atol=0.0051)
    np.testing.assert_allclose(field.declination, declination, atol=0.0051)


def test_older_dates_take_the_model_of_their_time():
    # Test values of the WMM2020 and WMM2015v2 reports at sea level, 80 N 0 E, first year: D −1.28, −3.90 (from memory).
    place = north.Place(np.full(2, 80.0), np.zeros(2), np.zeros(2))
    field = north.magnetic_field(place, np.array([2020.0, 2015.0]))
    np.testing.assert_allclose(field.declination, [-1.28, -3.90], atol=0.0051)


@pytest.mark.parametrize("year", [2009.9, 2030.1, np.nan])
def test_dates_outside_every_model_are_refused(year):
    with pytest.raises(DataProblem, match=r"2010 to 2030.*declination"):
        north.magnetic_field(north.Place(*np.zeros((3, 1))), np.array([year]))


@pytest.mark.parametrize(
    ("code", "latitude", "longitude", "expected"),
    [
        # CHECK_VALUES section 4, each also the bearing of a short true-north step below
        (32651, -31, 121.5, 0.772689),
        (32617, 48.5, -81.3, -0.224688),
        (32631, 60, 2, -0.866047),
        (32719, -23.5, -69, 0.0),
        (32601, 70, -179.5, -2.349406),
    ],
)
def test_convergence_against_a_projected_step_to_true_north(code, latitude, longitude, expected):
    project = pyproj.Transformer.from_crs("EPSG:4326", f"EPSG:{code}", always_xy=True)
    (east, east_up), (north_at, north_up) = project.transform([longitude] * 2, [latitude, latitude + 1e-5])
    got = north.convergence(f"EPSG:{code}", np.array([east]), np.array([north_at]))[0]
    # true north bears −γ on the grid, so grid north bears γ east of true north
    assert got == pytest.approx(-np.rad2deg(np.arctan2(east_up - east, north_up - north_at)), abs=1e-4)
    assert got == pytest.approx(expected, abs=1e-6)


def test_places_are_where_proj_says():
    east, north_at = pyproj.Proj(32633)(15.5, 47.2)
    place = north.places("EPSG:32633", np.array([east]), np.array([north_at]), np.array([600.0]))
    assert place.longitude[0] == pytest.approx(15.5, abs=1e-9)
    assert place.latitude[0] == pytest.approx(47.2, abs=1e-9)


@pytest.mark.parametrize(
    ("crs", "match"),
    [("EPSG:4326", "projected one in metres"), ("EPSG:2225", "projected one in metres"), ("TH-1", "no such")],
)
def test_a_reference_system_that_is_no_metric_grid_is_refused(crs, match):
    with pytest.raises(DataProblem, match=match):
        north.convergence(crs, np.zeros(1), np.zeros(1))


def test_norths_are_turned_the_right_way():
    # grid = magnetic + declination − convergence: with both north arrows east of true, magnetic further than grid,
    # a hole along magnetic north points east of grid north.
    turned = north.to_grid(
        [0, 0, 0, 359, 1], ["magnetic", "true", "grid", "magnetic", "true"], np.full(5, 5.0), np.full(5, 2.0)
    )
    np.testing.assert_allclose(turned, [3, 358, 0, 2, 359])


def test_rows_that_need_nothing_take_nothing():
    turned = north.to_grid([10.0, 20.0], ["grid", "true"], np.full(2, np.nan), np.array([np.nan, 1.0]))
    np.testing.assert_allclose(turned, [10, 19])
