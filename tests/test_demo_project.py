"""The demo project Tarn Hollow: its truth against outside references, its logging against its stated noise.

``truth`` and ``clean`` read the truth for other tests too.
"""

from __future__ import annotations

import ast
import importlib
import json
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from pygeomag import GeoMag
from pyproj import Proj, Transformer
from scipy import integrate, stats
from scipy.spatial.transform import Rotation

from desurvey import traces
from desurvey.orient import oriented
from desurvey.project import load_project

DEMO = Path(__file__).parents[1] / "demo_project"
Floats = npt.NDArray[np.float64]


def table(name: str) -> pd.DataFrame:
    """Return a table of the demo as written, e.g. ``runs`` or ``truth/faults``; blank words stay blank."""
    frame = pd.read_csv(DEMO / f"{name}.csv")
    words = frame.select_dtypes(exclude="number").columns
    return frame.assign(**{word: frame[word].fillna("") for word in words})


def truth(name: str) -> pd.DataFrame:
    """Return a table of the truth by its name, e.g. ``structures``, ``pierce`` or ``mistakes``."""
    return table(f"truth/{name}")


def settings() -> dict[str, float]:
    """Return the standard deviations that the demo was made with."""
    return tomllib.loads((DEMO / "truth/settings.toml").read_text(encoding="utf-8"))["noise"]


def logged_with_truth() -> pd.DataFrame:
    """Return the logged structures joined with their truth and their run's true line error, row for row."""
    both = table("structures").merge(truth("structures").drop(columns=["hole_id", "kind"]), on="structure_id")
    runs = truth("runs").sort_values("depth_from")
    both = both.sort_values("true_depth")
    both = pd.merge_asof(both, runs, left_on="true_depth", right_on="depth_from", by="hole_id")
    return both.sort_values("structure_id", ignore_index=True)


def vectors(frame: pd.DataFrame, name: str) -> Floats:
    """Return the columns name_e, name_n, name_u as vectors, shape (n, 3)."""
    return frame[[f"{name}_{axis}" for axis in "enu"]].to_numpy()


@pytest.fixture(scope="module")
def hollow() -> ModuleType:
    """Return the module that knows how Tarn Hollow truly is."""
    sys.path.insert(0, str(DEMO))
    try:
        return importlib.import_module("tarn_hollow")
    finally:
        sys.path.remove(str(DEMO))


# --- the script -------------------------------------------------------------------------------------------------------


def test_running_the_script_again_gives_the_same_bytes(tmp_path: Path) -> None:
    command = [sys.executable, str(DEMO / "generate.py"), "--out", str(tmp_path)]
    subprocess.run(command, check=True, timeout=120)
    written = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    assert len(written) == 13
    different = [name for name in written if (tmp_path / name).read_bytes() != (DEMO / name).read_bytes()]
    assert different == []


def test_the_truth_is_worked_out_without_the_engine() -> None:
    allowed = {"numpy", "pandas", "tarn_hollow", "coring", *sys.stdlib_module_names}
    for path in DEMO.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                assert {name.name.split(".")[0] for name in node.names} <= allowed, path.name
            elif isinstance(node, ast.ImportFrom):
                assert (node.module or "").split(".")[0] in allowed, path.name


# --- the truth against outside references -----------------------------------------------------------------------------

# Hole azimuth and plunge, alpha, beta, side of the line, lower-hemisphere pole (N, E, D). Worked out twice, by vectors
# and by a search around the core with scipy rotations, for section 2 of the project's page of check values.
POLES = [
    (0, 60, 30, 0, "low", (-1.0, 0.0, 0.0)),
    (0, 60, 30, 180, "low", (-0.5, 0.0, 0.866025)),
    (0, 60, 30, 90, "low", (0.25, 0.866025, 0.433013)),
    (0, 60, 30, 270, "low", (0.25, -0.866025, 0.433013)),
    (0, 60, 30, 0, "high", (-0.5, 0.0, 0.866025)),
    (90, 60, 90, None, "low", (0.0, 0.5, 0.866025)),
    (45, 55, 0, 0, "low", (-0.579228, -0.579228, 0.573576)),
    (45, 55, 0, 90, "low", (0.707107, -0.707107, 0.0)),
    (135, 65, 42, 217, "low", (0.496632, 0.135854, 0.857263)),
    (135, 65, 42, 217, "high", (-0.896553, 0.264067, 0.355614)),
    (75, 0, 40, 60, "low", (0.474443, -0.792589, 0.383022)),
    (0, 90, 30, 0, "low", (0.866025, 0.0, 0.5)),
    (30, 90, 40, 70, "low", (-0.133022, 0.754407, 0.642788)),
    (60, 45, 45, 180, "low", (0.0, 0.0, 1.0)),
    (60, 45, 45, 0, "low", (-0.5, -0.866025, 0.0)),
]


@pytest.mark.parametrize(("azimuth", "plunge", "alpha", "beta", "side", "pole"), POLES)
def test_core_angles_of_worked_poles(
    hollow: ModuleType,
    azimuth: float,
    plunge: float,
    alpha: float,
    beta: float | None,
    side: str,
    pole: tuple[float, float, float],
) -> None:
    normal = np.array([[pole[1], pole[0], -pole[2]]])
    low = hollow.low_side([azimuth], [-plunge])
    found = hollow.core_angles(hollow.direction([azimuth], [-plunge]), low if side == "low" else -low, normal)
    near = 2e-4  # degrees: the poles are printed to six decimals, and an arcsine near 90 magnifies that
    assert found[0][0] == pytest.approx(alpha, abs=near if alpha < 90 else 0.1)
    if beta is not None:
        turn = 360.0 if alpha > 0 else 180.0  # at alpha 0 both ends of the ellipse are the same plane
        assert (found[1][0] - beta + turn / 2) % turn - turn / 2 == pytest.approx(0.0, abs=near)


def test_core_angles_by_searching_round_the_core(hollow: ModuleType) -> None:
    """Stand a core on end, mark its skin each 0.01°, tilt it with scipy, and look where the plane leaves it last."""
    rng = np.random.default_rng(5)
    around = np.deg2rad(np.arange(0.0, 360.0, 0.01))
    for _ in range(20):
        azimuth, plunge = rng.uniform(0, 360), rng.uniform(5, 85)
        # Frame of a hole that runs north and flat: it points along N, its low side is −U, clockwise along it is −E.
        tilt = Rotation.from_euler("xz", [-plunge, -azimuth], degrees=True)
        skin = tilt.apply(np.stack([-np.sin(around), 0 * around, -np.cos(around)], axis=1))
        axis = tilt.apply([0.0, 1.0, 0.0])
        normal = hollow.unit(rng.normal(size=3))
        along = -(skin @ normal) / (axis @ normal)  # how far down the core its skin meets the plane, in core radii
        alpha, beta = hollow.core_angles(axis[None], hollow.low_side([azimuth], [-plunge]), normal[None])
        assert np.rad2deg(np.arctan2(2.0, np.ptp(along))) == pytest.approx(alpha[0], abs=1e-4)
        gap = np.rad2deg(around[np.argmax(along)]) - beta[0]
        assert (gap + 180) % 360 - 180 == pytest.approx(0.0, abs=0.006)


def test_the_field_and_the_convergence_are_the_models(hollow: ModuleType) -> None:
    """World Magnetic Model 2025 through pygeomag, convergence through pyproj."""
    crs = 32633
    east, north, up = hollow.ORIGIN
    longitude, latitude = Transformer.from_crs(crs, 4326, always_xy=True).transform(east, north)
    field = GeoMag(coefficients_file="wmm/WMM_2025.COF").calculate(latitude, longitude, alt=up / 1000, time=2025.8)
    assert abs(hollow.DECLINATION_DEG - field.d) < 0.005
    assert abs(hollow.FIELD_DIP_DEG - field.i) < 0.005
    assert abs(hollow.FIELD_NT - field.f) < 0.5
    convergence = Proj(crs).get_factors(longitude, latitude).meridian_convergence
    assert abs(hollow.CONVERGENCE_DEG - convergence) < 0.0005


@pytest.mark.parametrize("number", [4, 12, 17, 24])
def test_true_paths_are_the_integral_of_their_tangent(hollow: ModuleType, number: int) -> None:
    """Against scipy's adaptive quadrature."""
    hole = hollow.build().holes[number - 1]
    path, error = integrate.quad_vec(hole.tangent, 0.0, hole.depth, epsabs=1e-9)
    assert error < 1e-6
    np.testing.assert_allclose(hole.position(hole.depth), hole.collar + path, atol=1e-5)


def test_normals_of_the_surfaces_are_their_gradients(hollow: ModuleType) -> None:
    world = hollow.build()
    places = hollow.ORIGIN + np.random.default_rng(3).uniform(-200, 200, (50, 3))
    for level, normal in [(world.fold.height, world.fold.normal)] + [(s.offset, s.normal) for s in world.faults]:
        steps = 0.01 * np.eye(3)
        slope = np.stack([(level(places + step) - level(places - step)) / 0.02 for step in steps], axis=1)
        np.testing.assert_allclose(normal(places), hollow.unit(slope), atol=1e-7)


def test_pierce_points_lie_on_path_and_fault(hollow: ModuleType) -> None:
    world = hollow.build()
    holes = {hole.hole_id: hole for hole in world.holes}
    faults = {sheet.name: sheet for sheet in world.faults}
    pierce = truth("pierce")
    for row in pierce.itertuples():
        place = np.array([[row.easting, row.northing, row.elevation]])
        np.testing.assert_allclose(holes[row.hole_id].position(row.depth), place[0], atol=2e-6)
        assert abs(faults[row.fault_id].offset(place)[0]) < 2e-5
    met = pierce[pierce["status"] != "planned"].groupby("fault_id")["hole_id"].nunique()
    assert met.between(4, 14).all()
    assert len(met) == 3


# --- what the project holds -------------------------------------------------------------------------------------------


def test_the_project_is_as_large_as_it_says() -> None:
    collars, structures = table("collars"), table("structures")
    assert collars["status"].value_counts().to_dict() == {"drilled": 24, "planned": 3}
    assert collars["depth"].between(150, 450).all()
    assert set(collars["core_size"]) == {"N", "H"}
    assert len(structures) == pytest.approx(1500, rel=0.1)
    assert set(structures["kind"]) == {"foliation", "joint", "vein", "fault", "contact"}
    assert structures["structure_id"].is_unique
    assert (structures["beta"].isna() & structures["alpha"].notna()).mean() == pytest.approx(0.055, abs=0.025)
    assert structures["gamma"].count() > 30
    assert 5 <= structures["dip"].count() <= 30
    surveys = table("surveys")
    assert set(surveys["instrument"]) == {"gyro", "magnetic"}
    assert set(surveys["north"]) == {"grid", "true", "magnetic", ""}
    faults = truth("structures").query("kind == 'fault'")
    assert (faults["surface"] == "minor").mean() == pytest.approx(1 / 3, abs=0.05)


def test_structures_lie_in_their_runs_and_holes() -> None:
    both = logged_with_truth()
    assert both["depth"].between(both["depth_from"], both["depth_to"]).all()
    assert both["alpha"].dropna().between(0, 90).all()
    assert both["beta"].dropna().between(0, 359).all()


def test_planted_mistakes_can_be_found() -> None:
    mistakes, both = truth("mistakes"), logged_with_truth()
    assert set(mistakes["blunder"]) == {
        "line_side", "run_rolled", "north_reference", "beta_reversed", "alpha_complement", "survey_spike",
    }  # fmt: skip
    for row in mistakes[mistakes["scope"] == "run"].itertuples():
        here = both[(both["hole_id"] == row.hole_id) & (both["depth_from"] == row.depth_from)]
        assert (here["mistake"] == row.blunder).all()
        readings = here[(here["kind"] == "foliation") & here["beta"].notna()]
        assert len(readings) >= 4
        # Beta is read from the line: a line that sits too far clockwise makes it too small by the roll.
        gap = (readings["true_beta"] - readings["beta"] - row.roll_deg + 180) % 360 - 180
        assert gap.mean() == pytest.approx(0.0, abs=3 * np.hypot(3.0, 6.0 / np.sqrt(len(gap))))
    assert both["structure_id"].isin(mistakes["structure_id"]).sum() == 1


def test_line_offsets_are_the_differences_of_the_lines() -> None:
    """Offsets carry a reading error of line_fit and the rounding to a degree: their squares sum to a chi-square."""
    runs = table("runs").assign(line_error=truth("runs")["line_error"])
    step = runs.groupby("hole_id")["line_error"].diff()
    gap = ((runs["line_offset"] - step + 180) % 360 - 180).dropna()
    assert len(gap) > 1000
    variance = settings()["line_fit"] ** 2 + 1 / 12
    assert 0.001 < stats.chi2.cdf((gap**2).sum() / variance, len(gap)) < 0.999
    fitted = [runs["line_offset"].abs() > 40]
    assert fitted[0].sum() == 4  # two of the four planted rolls show at both their ends


# --- the logging against its stated noise -----------------------------------------------------------------------------


def readings() -> pd.DataFrame:
    """Return the clean oriented readings between alpha 12 and 78, where noise doesn't turn the ellipse end for end."""
    both = logged_with_truth()
    steep = both["hole_id"].isin(["TH-12"])  # the tilt of the marking tool adds to its lines: see Noise.line_tilt
    clean = (both["mistake"] == "") & both["beta"].notna() & ~steep
    return both[clean & both["true_alpha"].between(12, 78)].reset_index(drop=True)


def test_readings_scatter_as_stated() -> None:
    noise, both = settings(), readings()
    alpha = both["alpha"] - both["true_alpha"]
    beta = (both["beta"] - both["true_beta"] + both["line_error"] + 180) % 360 - 180
    for error, sigma in ((alpha, noise["alpha"]), (beta, noise["beta"])):
        variance = sigma**2 + 1 / 12  # angles are written in whole degrees
        assert abs(error.mean()) < 3.3 * np.sqrt(variance / len(error))
        assert 0.001 < stats.chi2.cdf((error**2).sum() / variance, len(error)) < 0.999


# --- the engine against the truth -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def recovered() -> pd.DataFrame:
    """Return what the engine makes of the project: the structures with their truth, place and upward normal."""
    project = load_project(DEMO)
    found = oriented(project, traces.build(project))
    frame = found.table[["structure_id"]].assign(usable=found.usable, why_not=found.why_not)
    frame[["x", "y", "z"]] = found.position
    frame[["found_e", "found_n", "found_u"]] = found.normal
    return frame.merge(logged_with_truth(), on="structure_id")


def test_the_project_loads_without_an_error() -> None:
    project = load_project(DEMO)
    assert [str(finding) for finding in project.findings if finding.severity == "error"] == []


def test_only_broken_core_and_steep_gravity_lines_are_unusable(recovered: pd.DataFrame) -> None:
    without = recovered[~recovered["usable"]]
    steep = without["why_not"].str.contains("vertical")
    assert set(without.loc[steep, "hole_id"]) == {"TH-12"}
    assert (without.loc[~steep, "note"] == "broken core").all()
    assert recovered.loc[recovered["hole_id"] == "TH-12", "usable"].any()
    assert recovered.loc[recovered["hole_id"] == "TH-18", "usable"].mean() > 0.8


def _pole_errors(frame: pd.DataFrame, hollow: ModuleType) -> tuple[Floats, Floats]:
    """Return the errors of recovered normals in degrees: towards the core axis, and around it."""
    normal, found = vectors(frame, "normal"), vectors(frame, "found")
    holes = {hole.hole_id: hole for hole in hollow.build().holes}
    tangent = np.array(
        [holes[name].tangent(at) for name, at in zip(frame["hole_id"], frame["true_depth"], strict=True)]
    )
    down = normal * np.sign(hollow.dot(normal, tangent))[:, None]
    error = found * np.sign(hollow.dot(found, normal) * hollow.dot(normal, tangent))[:, None]
    axis = hollow.unit(tangent - hollow.dot(tangent, down)[:, None] * down)
    towards = np.arctan2(hollow.dot(error, axis), hollow.dot(error, down))
    around = np.arctan2(hollow.dot(error, np.cross(down, axis)), hollow.dot(error, down))
    return np.rad2deg(towards), np.rad2deg(around)


def _effective(frame: pd.DataFrame, share: float) -> tuple[float, float]:
    """Return the variances of the mean and of the mean square of standard errors that runs share.

    Readings of one run have correlation ``share`` through their common line; for normal errors the squares then
    have correlation ``share``².
    """
    count = len(frame)
    pairs = float((frame.groupby(["hole_id", "depth_from"]).size() ** 2).sum()) - count
    return (count + share * pairs) / count**2, 2 * (count + share**2 * pairs) / count**2


def test_recovered_poles_scatter_about_the_truth_as_stated(hollow: ModuleType, recovered: pd.DataFrame) -> None:
    """Pole covariance: σα² towards the core axis, cos²α (σβ² + σline²) around it, and the hole's own azimuth error.

    The mean of the standard errors must lie within 3.3 of its own standard deviations of 0, their mean square of 1.
    """
    noise = settings()
    keep = recovered["structure_id"].isin(readings()["structure_id"])
    frame = recovered[keep & recovered["usable"]].reset_index(drop=True)
    assert len(frame) > 900
    towards, around = _pole_errors(frame, hollow)
    turn = noise["magnetic_azimuth_hole"] ** 2 / 2  # an azimuth error turns the pole about the vertical; at most this
    alpha = np.deg2rad(frame["true_alpha"].to_numpy())
    line = noise["beta"] ** 2 + noise["line"] ** 2 + 1 / 12
    z_towards = towards / np.sqrt(noise["alpha"] ** 2 + 1 / 12 + turn)
    z_around = around / np.sqrt(np.cos(alpha) ** 2 * line + turn)
    for z, share in ((z_towards, 0.0), (z_around, noise["line"] ** 2 / line)):
        of_mean, of_square = _effective(frame, share)
        assert abs(z.mean()) < 3.3 * np.sqrt(of_mean)
        assert abs((z**2).mean() - 1) < 3.3 * np.sqrt(of_square)


def test_planted_mistakes_throw_the_poles_off(hollow: ModuleType, recovered: pd.DataFrame) -> None:
    """The same measure on the rows that were left out: it must see a wrong line, a roll and a reversed beta."""
    for blunder in ("line_side", "run_rolled", "beta_reversed", "alpha_complement"):
        frame = recovered[(recovered["mistake"] == blunder) & recovered["usable"]].reset_index(drop=True)
        towards, around = _pole_errors(frame, hollow)
        assert np.hypot(towards, around).mean() > 15.0, blunder


def test_holes_end_where_they_truly_end_within_survey_noise(hollow: ModuleType) -> None:
    """Sideways and up-and-down errors of the ends of clean holes, in standard deviations, sum to a chi-square.

    A hole's common error moves its end by length × error; station errors, each over the spacing, by the root of
    their count (balanced tangential weights: half a spacing at both ends).
    """
    noise = settings()
    project = load_project(DEMO)
    paths = traces.build(project)
    tools = table("surveys").groupby("hole_id")["instrument"].first()
    standard = []
    for hole in hollow.build().holes:
        if hole.planned or hole.hole_id in {"TH-12", "TH-18", *truth("mistakes").query("scope != 'run'")["hole_id"]}:
            continue
        tool = tools[hole.hole_id]
        points = paths.at(np.array([hole.hole_id]), np.array([hole.depth]))
        gap = points.position[0] - hole.position(hole.depth)
        azimuth, dip = hole.angles(hole.depth / 2)
        sides = (hollow.direction(azimuth + 90.0, 0.0), hollow.direction(azimuth, dip + 90.0))
        for side, angle, lever in zip(sides, ("azimuth", "dip"), (np.cos(np.deg2rad(dip)), 1.0), strict=True):
            common = hole.depth * np.deg2rad(noise[f"{tool}_{angle}_hole"])
            single = np.sqrt(30.0 * hole.depth) * np.deg2rad(noise[f"{tool}_{angle}_station"])
            sigma = np.hypot(lever * np.hypot(common, single), noise["collar"])
            standard.append(gap @ side / sigma)
    assert len(standard) > 30
    assert 0.001 < stats.chi2.cdf(np.sum(np.square(standard)), len(standard)) < 0.999


def test_magnetic_azimuths_called_grid_turn_the_hole_by_the_missing_correction(hollow: ModuleType) -> None:
    project = load_project(DEMO)
    paths = traces.build(project)
    hole = next(hole for hole in hollow.build().holes if hole.hole_id == "TH-16")
    depth = np.arange(15.0, 270.0, 15.0)
    tangent = paths.at(np.full(depth.size, "TH-16"), depth).tangent
    found = np.rad2deg(np.arctan2(tangent[:, 0], tangent[:, 1])) % 360
    missing = hollow.CONVERGENCE_DEG - hollow.DECLINATION_DEG
    noise = settings()
    near = 3.3 * np.hypot(noise["magnetic_azimuth_hole"], noise["magnetic_azimuth_station"] / np.sqrt(10))
    assert np.mean(found - hole.angles(depth)[0]) == pytest.approx(missing, abs=near)
    assert abs(missing) > 2 * near


# --- its story --------------------------------------------------------------------------------------------------------


def test_the_story_has_six_views_with_a_sentence_each() -> None:
    views = json.loads((DEMO / "views.json").read_text(encoding="utf-8"))
    assert len(views) == 6
    assert all(one["said"] for one in views.values())
    shown = [one["camera"]["tab"]["panel"] for one in views.values()]
    assert set(shown) == {"possible", "lines_up", "next_hole", "show"}  # all of the questions
