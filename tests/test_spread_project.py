"""Uncertainty from a project's tables: who read which station, whose errors, and the columns written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from desurvey import orient, spread, traces
from desurvey.project import load_project

TABLES = {
    "project.toml": """
        name = "Tarn Hollow"
        [frame]
        north = "grid"
        dip_sign = "negative_down"
        [core]
        line = "low"
        [tables]
        collars = "collars.csv"
        surveys = "surveys.csv"
        structures = "structures.csv"
        [spread]
        depth_m = 0.0
        depth_scale = 0.0
        easting_m = 0.0
        northing_m = 0.0
        elevation_m = 0.0
        alpha_deg = 3.0
        line_deg = 0.0
        tilt_deg = 0.0
        beta_deg = 0.0
        plane_deg = 1.5
        wander = { mean_deg = 0.0, set_out_deg = 0.0, rate_deg = 0.0, walk_deg = 0.0 }
        magnetic = { azimuth_deg = 2.0, dip_deg = 0.0, azimuth_bias_deg = 0.0, dip_bias_deg = 0.0 }
        gyro = { azimuth_deg = 1.0, dip_deg = 0.0, azimuth_bias_deg = 0.0, dip_bias_deg = 0.0 }
        unstated = { azimuth_deg = 0.0, dip_deg = 0.0, azimuth_bias_deg = 3.0, dip_bias_deg = 0.0 }
    """,
    "collars.csv": """hole_id,easting,northing,elevation,depth,azimuth,dip
        A,0,0,0,100,,
        B,0,0,0,100,,
        C,0,0,0,100,90,-60
    """,
    "surveys.csv": """hole_id,depth,azimuth,dip,instrument
        B,0,90,-60,gyro
        B,100,90,-60,
        A,100,90,-60,gyro
        A,50,90,-60,magnetic
    """,
    "structures.csv": """hole_id,depth,kind,alpha,beta,dip,dip_direction
        C,10,fault,30,60,,
        C,20,fault,,,40,200
        Z,20,fault,30,60,,
    """,
}


@pytest.fixture
def project(tmp_path: Path):
    for name, text in TABLES.items():
        lines = [line.strip() for line in text.strip().splitlines()]
        (tmp_path / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return load_project(tmp_path)


def test_each_station_has_the_error_of_what_read_it(project):
    holes = traces.build(project)
    lateral = spread.trace_table(holes, spread.project_spread(project, holes)).set_index(["hole_id", "depth"])
    degree = np.deg2rad(1.0) * np.cos(np.deg2rad(60.0))
    expected = {
        ("A", 0.0): 0.0,
        ("A", 50.0): 50 * 2,  # the collar was not read: all 50 m by the magnetic reading
        ("A", 100.0): np.hypot(75 * 2, 25),
        ("B", 0.0): 0.0,
        ("B", 100.0): np.hypot(50, 50 * 3),  # half by the gyro's random error, half by the unstated one's bias
        ("C", 0.0): 0.0,
        ("C", 100.0): 100 * 3,  # no surveys: the collar's direction, whose instrument is not stated
    }
    for key, value in expected.items():
        assert lateral.loc[key, "sigma_n"] == pytest.approx(value * degree, abs=1e-12), key
        assert lateral.loc[key, "sigma_e"] == pytest.approx(0.0, abs=1e-9)


def test_poles_have_the_error_of_how_they_were_logged(project):
    holes = traces.build(project)
    structures = orient.oriented(project, holes)
    known = spread.structure_spread(structures, spread.project_spread(project, holes))
    dip, _ = orient.dip_of_plane(structures.normal[:1])
    by_core_angles = np.hypot(3.0, 3.0 * np.sin(np.deg2rad(dip[0])))  # alpha, and the azimuth of the hole
    np.testing.assert_allclose(known.pole_sigma_deg[:2], [by_core_angles, 1.5 * np.sqrt(2.0)], rtol=1e-9)
    assert np.isnan(known.pole_sigma_deg[2])
    table = spread.orientation_table(structures, known)
    np.testing.assert_array_equal(table["pole_sigma"], known.pole_sigma_deg)
