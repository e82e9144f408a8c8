"""What a fault did: published separations, piercing points, worlds made without the engine, and what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from desurvey import Study, slip
from desurvey.lineup import Picks
from desurvey.problems import DataProblem
from desurvey.project.settings import settings_of
from tests.command import lowside
from tests.worlds import sheeted
from tests.worlds.displaced import cut_by, drilled_project, plane, slip_of_rake

# ------------------------------------------------------------------------------------------------------------ published


def test_parts_of_a_slip_worked_by_hand():
    """Fault 60/090, |S| 50 m, rake −60: from sin and cos of 30° and 60° alone."""
    moved = slip.movement_of(np.array([25 * np.sqrt(3) / 2, 25.0, -37.5]), plane(60, 90))
    assert moved.net_slip == pytest.approx(50, abs=1e-9)
    assert moved.dip_slip == pytest.approx(25 * np.sqrt(3), abs=1e-9)
    assert moved.strike_slip == pytest.approx(25, abs=1e-9)
    assert moved.rake == pytest.approx(-60, abs=1e-9)
    assert moved.throw == pytest.approx(37.5, abs=1e-9)
    assert moved.heave == pytest.approx(12.5 * np.sqrt(3), abs=1e-9)


@pytest.mark.parametrize(("dip", "direction"), [(60, 90), (35, 301), (89, 14)])
@pytest.mark.parametrize("rake", [-179, -90, -31, 0, 90, 140])
def test_rakes_agree_with_the_slip_vector_of_seismology(dip, direction, rake):
    """Aki & Richards (2002), Quantitative Seismology, 2nd ed., equation 4.83 (from memory)."""
    moved = slip.movement_of(slip_of_rake(dip, direction, 17.0, rake), plane(dip, direction))
    assert moved.rake == pytest.approx(rake, abs=1e-9)
    assert moved.net_slip == pytest.approx(17)


@pytest.mark.parametrize(
    ("throw", "heave", "gap", "digit"),
    [(32.0, 25.6, 24.9, 0.05), (3.6, 34.0, 29.1, 0.05)],
    ids=["figure 8.3", "figure 8.4"],
)
def test_separations_after_groshong(throw, heave, gap, digit):
    """Groshong (2006), 3-D Structural Geology, 2nd ed., figures 8.3 and 8.4: t = T cos ρ / sin φ = H cos ρ / cos φ.

    ρ, between the fault's dip vector and the pole of bedding, follows from the printed separation; the bed is then
    turned out of the fault's section by any angle, and our separation has to give the printed one.
    """
    dip = np.rad2deg(np.arctan2(throw, heave))  # equation 8.3
    rho = np.arccos(gap * np.cos(np.deg2rad(dip)) / heave)  # equation 8.1
    down = np.array([np.cos(np.deg2rad(dip)), 0.0, -np.sin(np.deg2rad(dip))])
    up = plane(dip, 90)
    for turn in np.deg2rad([0, 40, 130]):
        pole = np.cos(rho) * down + np.sin(rho) * (np.cos(turn) * up + np.sin(turn) * np.array([0.0, 1.0, 0.0]))
        moved = np.hypot(throw, heave) * down
        assert slip.movement_of(moved, up).throw == pytest.approx(throw, abs=1e-9)
        assert slip.movement_of(moved, up).heave == pytest.approx(heave, abs=1e-9)
        found = slip.stratigraphic_separation(moved, pole)
        assert abs(found) == pytest.approx(gap, abs=digit)
        bed_dip = np.arccos(abs(pole[2]))  # equation 7.3
        assert abs(slip.vertical_separation(moved, pole)) == pytest.approx(gap / np.cos(bed_dip), rel=1e-9)


def test_two_markers_are_the_simultaneous_equations_of_piercing_points():
    """Martel (2004), GG303 laboratory notes: the line of two markers pierces the fault once on each side.

    The piercing points are found as intersections of three planes, by numpy alone.
    """
    fault, first, second = plane(55, 20), plane(40, 110), plane(70, 250)
    true = slip_of_rake(55, 20, 33.0, -50)
    here = np.linalg.solve([fault, first, second], [0.0, 4.0, -7.0])
    there = np.linalg.solve([fault, first, second], [0.0, 4.0 + true @ first, -7.0 + true @ second])
    np.testing.assert_allclose(there - here, true, atol=1e-9)
    gaps = [true @ first, true @ second]
    np.testing.assert_allclose(slip.piercing_slip(fault, [first, second], gaps), there - here, atol=1e-9)
    alone = slip.piercing_slip(fault, [first], gaps[:1])
    assert alone @ first == pytest.approx(gaps[0])
    assert alone @ np.cross(fault, first) == pytest.approx(0, abs=1e-9)  # nothing is claimed along the cut-off line


# ---------------------------------------------------------------------------------------------------------- made worlds

FAULT = (62.0, 75.0)


def marker(name, drilled, place_sigma=1.0, pole_sigma_deg=5.0):
    """Return what was drilled as a marker, with the errors that it was drilled with."""
    count = len(drilled.hole)
    pole = np.nan_to_num(drilled.normal)
    flat = np.eye(3) - pole[:, :, None] * pole[:, None, :]
    nothing = np.full(count, np.nan)
    picks = Picks(
        drilled.hole, drilled.depth, drilled.position, np.tile(place_sigma**2 * np.eye(3), (count, 1, 1)),
        drilled.tangent, drilled.normal, np.deg2rad(pole_sigma_deg) ** 2 * flat, nothing, nothing,
    )  # fmt: skip
    return slip.Marker(name, picks, drilled.hanging.astype(bool))


def striae(rng, rake_deg, count, *, scatter=8.0, wrong=0, sense=""):
    """Return slip lines about a rake in the fault's plane, each either way, the last ones meaning nothing."""
    strike = np.deg2rad(FAULT[1] - 90.0)
    along = np.array([np.sin(strike), np.cos(strike), 0.0])
    up = np.cross(plane(*FAULT), along)
    rake = np.deg2rad(rake_deg + rng.normal(0.0, scatter, count))
    rake[count - wrong :] = rng.uniform(0.0, np.pi, wrong)
    vector = rng.choice([-1.0, 1.0], count)[:, None] * (np.cos(rake)[:, None] * along + np.sin(rake)[:, None] * up)
    return slip.SlipLines(vector, np.full(count, 4.0), np.full(count, sense))


def test_one_plane_tells_its_separation_and_leaves_the_cut_off_line_open():
    rng, dyke = np.random.default_rng(11), plane(35, 200)
    true = slip_of_rake(*FAULT, 40.0, -70)
    found = slip.slip_of(
        "F", plane(*FAULT), [marker("dyke", cut_by(rng, plane(*FAULT), true, dyke))], striae(rng, 0, 0)
    )
    best = found.optima[0]
    cut_off = np.cross(dyke, plane(*FAULT))
    cut_off /= np.linalg.norm(cut_off)
    assert abs(best.unknown @ cut_off) > np.cos(np.deg2rad(5))
    assert found.odds > 1e3
    sigma = np.sqrt(dyke @ best.covariance @ dyke)
    assert sigma < 2.0
    assert abs((best.slip - true) @ dyke) < 3.0 * sigma
    row = slip.slip_table([found]).iloc[0]
    assert np.isinf(row[["sigma_e", "sigma_n", "sigma_u"]].astype(float)).all()
    assert row[["net_slip", "dip_slip", "strike_slip", "rake", "throw", "heave"]].isna().all()
    assert np.isfinite(row["unknown_trend"])
    assert "is unknown" in slip.in_words([found])[0]


def test_slip_lines_close_what_one_plane_leaves_open():
    rng = np.random.default_rng(11)
    true = slip_of_rake(*FAULT, 40.0, -70)
    dyke = marker("dyke", cut_by(rng, plane(*FAULT), true, plane(35, 200)))
    found = slip.slip_of("F", plane(*FAULT), [dyke], striae(rng, -70, 10, wrong=1))
    best = found.optima[0]
    assert best.complete
    assert inside(found, true)
    assert np.sqrt(np.linalg.eigvalsh(best.covariance)[-1]) < 10.0
    row = slip.slip_table([found]).iloc[0]
    assert row["dip_slip"] == pytest.approx(true[2] / -np.sin(np.deg2rad(FAULT[0])), abs=4 * row["net_slip_sigma"])
    assert "±" in slip.in_words([found])[0]


def inside(found, true, limit=5.991):
    """Return whether the 95 % region in the plane holds a slip; 5.991: chi² of two degrees of freedom."""
    axes, best = slip.fault_axes(plane(*FAULT)), found.optima[0]
    away = axes @ (true - best.slip)
    return away @ np.linalg.solve(axes @ best.covariance @ axes.T, away) < limit


@pytest.mark.parametrize("fold_m", [0.0, 24.0], ids=["planes", "folded"])
def test_two_markers_fix_the_slip_in_nineteen_worlds_of_twenty(fold_m):
    """Few worlds, to be quick: 2 misses of 5 would come by chance once in 44 times."""
    held, error = [], []
    for seed in range(5):
        rng = np.random.default_rng([seed, 40])
        true = slip_of_rake(*FAULT, rng.uniform(8, 60), rng.uniform(-180, 180))
        beds = [plane(rng.uniform(25, 45), 20.0), plane(rng.uniform(50, 70), 250.0)]
        seen = [
            marker(f"m{k}", cut_by(rng, plane(*FAULT), true, bed, fold_m=fold_m, holes=4)) for k, bed in enumerate(beds)
        ]
        found = slip.slip_of("F", plane(*FAULT), seen, striae(rng, 0, 0))
        held.append(inside(found, true))
        error.append(np.linalg.norm(found.optima[0].slip - true))
        assert found.odds > 20
        assert found.p_value > 1e-4
    assert sum(held) >= 4
    assert np.median(error) < 4.0


def test_no_slip_is_claimed_where_there_is_none():
    for seed in range(4):
        rng = np.random.default_rng([seed, 41])
        still = marker("m", cut_by(rng, plane(*FAULT), np.zeros(3), plane(40, 230), holes=4))
        found = slip.slip_of("F", plane(*FAULT), [still], striae(rng, -60, 8))
        assert found.odds < 20
        assert "no displacement" in slip.in_words([found])[0]


def test_lines_alone_give_a_direction_and_the_sense_its_way():
    rng = np.random.default_rng(5)
    for sense, rake in (("", np.nan), ("normal", -60.0), ("reverse", 120.0), ("dextral", 120.0), ("sinistral", -60.0)):
        found = slip.slip_of("F", plane(*FAULT), [], striae(rng, -60, 12, sense=sense))
        row = slip.slip_table([found]).iloc[0]
        assert row[["slip_e", "net_slip", "odds", "p_value"]].isna().all()
        assert row["picks"] == 12
        assert row["rake"] == pytest.approx(rake, abs=10, nan_ok=True)
        true = slip_of_rake(*FAULT, 1.0, -60)
        trend, plunge = np.deg2rad(row[["unknown_trend", "unknown_plunge"]].astype(float))
        shown = np.array([np.cos(plunge) * np.sin(trend), np.cos(plunge) * np.cos(trend), -np.sin(plunge)])
        assert abs(shown @ true) > np.cos(np.deg2rad(10))
    assert "nothing is known" in slip.in_words([slip.slip_of("F", plane(*FAULT), [], striae(rng, 0, 0))])[0]


def test_turning_the_world_turns_the_answer():
    """Property: about a plumb line, by any angle."""
    rng = np.random.default_rng(8)
    true = slip_of_rake(*FAULT, 30.0, -100)
    dyke = marker("d", cut_by(rng, plane(*FAULT), true, plane(35, 200)))
    lines = striae(rng, -100, 8)
    turn = np.deg2rad(77.0)
    matrix = np.array([[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]])
    picks = dyke.picks
    turned = Picks(
        picks.hole, picks.depth, picks.position @ matrix.T, picks.position_covariance, picks.tangent @ matrix.T,
        picks.normal @ matrix.T, matrix @ picks.pole_covariance @ matrix.T, picks.alpha, picks.alpha_sigma,
    )  # fmt: skip
    first = slip.slip_of("F", plane(*FAULT), [dyke], lines)
    second = slip.slip_of(
        "F", plane(*FAULT) @ matrix.T, [slip.Marker("d", turned, dyke.hanging)],
        slip.SlipLines(lines.vector @ matrix.T, lines.sigma_deg, lines.sense),
    )  # fmt: skip
    np.testing.assert_allclose(second.optima[0].slip, matrix @ first.optima[0].slip, atol=0.3)


def two_faults():
    """Return a line-up of two planes that meet nowhere among the holes: F1 above the origin, F2 80 m under it."""
    ticks = np.array([-120.0, -40.0, 40.0, 120.0])
    collars = np.array([(east, north, 200.0) for east in ticks for north in ticks])
    trace = sheeted.holes(collars, 0.0, -90.0, 400.0)
    normals, middles = [plane(30, 90), plane(30, 110)], [np.array([0.0, 0.0, 40.0]), np.array([0.0, 0.0, -80.0])]
    depth = [sheeted.at_plane(trace, *one) for one in zip(normals, middles, strict=True)]
    hole, count = np.tile(np.arange(16), 2), np.repeat([0, 1], 16)
    chosen = sheeted.picks(trace, hole, np.concatenate(depth), np.array(normals)[count])
    return sheeted.lined_up(trace, chosen), normals, middles


def moved_twice(rng, bed, normals, middles, slips):
    """Return places of a bed through the origin after both slips: where each now lies agrees with how it was moved."""
    place = rng.uniform([-110, -110, -190], [110, 110, 190], (400, 3))
    sides = np.stack([(place - middle) @ normal > 0.0 for middle, normal in zip(middles, normals, strict=True)], axis=1)
    back = place - sides @ np.array(slips)
    place = place - (back @ bed)[:, None] * bed
    now = np.stack([(place - middle) @ normal > 0.0 for middle, normal in zip(middles, normals, strict=True)], axis=1)
    place = place[(now == sides).all(axis=1)][:60]
    seen, count = place + rng.normal(0.0, 0.5, (len(place), 3)), len(place)
    nothing, no_plane = np.full(count, np.nan), np.full((count, 3), np.nan)
    return Picks(
        np.arange(count), np.zeros(count), seen, np.tile(0.25 * np.eye(3), (count, 1, 1)),
        np.tile([0.0, 0.0, -1.0], (count, 1)), no_plane, np.full((count, 3, 3), np.nan), nothing, nothing,
    )  # fmt: skip


def test_two_faults_are_told_apart_and_one_that_ends_says_nothing_beyond():
    rng, (found, normals, middles) = np.random.default_rng(4), two_faults()
    slips = [slip_of_rake(30, 90, 22.0, -80), slip_of_rake(30, 110, 35.0, 20)]
    beds = {"a": plane(70, 20), "b": plane(60, 265)}
    markers = [slip.MarkerPicks(k, moved_twice(rng, bed, normals, middles, slips)) for k, bed in beds.items()]
    network = slip.FaultNetwork.of(found, {})
    upper = [abs(fault.normal @ normals[0]) > abs(fault.normal @ normals[1]) for fault in found.faults]
    assert sorted(upper) == [False, True]
    answers = slip.slips_of(network, markers, [slip.SlipLines.none()] * 2)
    for is_upper, answer in zip(upper, answers, strict=True):
        away = answer.optima[0].slip - slips[0 if is_upper else 1]
        assert answer.odds > 20
        assert np.linalg.norm(away) < 4.0 + 2.0 * np.sqrt(np.trace(answer.optima[0].covariance))
    names = {is_upper: fault.fault_id for is_upper, fault in zip(upper, found.faults, strict=True)}
    ended = slip.FaultNetwork.of(found, {names[False]: names[True]})
    lower = found.faults[upper.index(False)]
    over = np.array([[0.0, 0.0, 150.0], [0.0, 0.0, -20.0]])  # the lower fault's picks all lie under the upper one
    np.testing.assert_array_equal(np.isnan(ended.offset(lower, over)[0]), [True, False])
    np.testing.assert_array_equal(np.isnan(network.offset(lower, over)[0]), [False, False])


# ------------------------------------------------------------------------------------------------ projects and commands


@pytest.fixture(scope="module")
def tables():
    return drilled_project(3, FAULT, slip_of_rake(*FAULT, 25.0, -70), plane(40, 230))


def study(tables, **sections):
    return Study.of_tables(north="grid", dip_sign="negative_down", line="low", **tables, **sections)


def test_a_project_says_what_its_fault_did(tables):
    true = slip_of_rake(*FAULT, 25.0, -70)
    (found,) = study(tables, slip={"markers": ["rock.rock=dyke"]}).slip()
    assert found.lines >= 4
    assert found.markers == ("rock.rock=dyke",)
    axes, best = slip.fault_axes(found.normal), found.optima[0]
    away = axes @ (true - best.slip)
    assert away @ np.linalg.solve(axes @ best.covariance @ axes.T, away) < 9.21  # chi², 2 degrees of freedom, 99 %
    assert found.odds > 20


def test_the_command_writes_the_contracts_columns(tables, tmp_path):
    folder = tmp_path / "p"
    folder.mkdir()
    for name, frame in (*((k, v) for k, v in tables.items() if k != "intervals"), *tables["intervals"].items()):
        frame.to_csv(folder / f"{name}.csv", index=False)
    toml = '[frame]\nnorth = "grid"\ndip_sign = "negative_down"\n[core]\nline = "low"\n[tables]\n'
    toml += "".join(f'{name} = "{name}.csv"\n' for name in tables if name != "intervals")
    (folder / "project.toml").write_text(toml + '[tables.intervals]\nrock = "rock.csv"\n')
    done = lowside("slip", folder, "--out", tmp_path / "bare.csv")
    assert done.returncode == 0, done.stderr
    assert "No marker is named" in done.stderr
    with (folder / "project.toml").open("a") as file:
        file.write('[slip]\nmarkers = ["rock.rock=dyke"]\n')
    done = lowside("slip", folder, "--out", tmp_path / "slip.csv", "--covariance", tmp_path / "more.csv")
    assert done.returncode == 0, done.stderr
    frame, more = pd.read_csv(tmp_path / "slip.csv"), pd.read_csv(tmp_path / "more.csv")
    contract = (
        "fault_id, markers, slip_e, slip_n, slip_u, sigma_e, sigma_n, sigma_u, net_slip, net_slip_sigma, dip_slip, "
        "strike_slip, rake, throw, heave, unknown_trend, unknown_plunge, picks, p_value, odds"
    )
    assert list(frame.columns) == contract.split(", ")
    assert frame["net_slip"].iloc[0] == pytest.approx(25, abs=10)
    assert np.sqrt(more["var_u"].iloc[0]) == pytest.approx(frame["sigma_u"].iloc[0], abs=1e-5)
    assert "down the dip" in done.stderr


def test_the_lost_piece_is_where_it_truly_is(tables):
    """Three holes whose dyke nobody logged: the truth is the middle of what was taken out, known to a centimetre."""
    rock = tables["intervals"]["rock"]
    dyke = rock[rock["rock"] == "dyke"].assign(middle=lambda f: (f["depth_from"] + f["depth_to"]) / 2)
    blind = sorted(dyke["hole_id"].unique())[2::5]
    silent = rock.assign(rock=rock["rock"].where(~rock["hole_id"].isin(blind), "schist"))
    asked = study(tables | {"intervals": {"rock": silent}}, slip={"markers": ["rock.rock=dyke"]})
    found, slips = asked.lost("rock.rock=dyke")
    assert slips[0].odds > 20
    assert list(found.columns) == list(slip.LOST_COLUMNS)
    truth = dyke[dyke["hole_id"].isin(blind)]
    assert len(truth) >= 2
    for hole, middle in zip(truth["hole_id"], truth["middle"], strict=True):
        here = found[(found["hole_id"] == hole) & found["depth_from"].lt(middle) & found["depth_to"].gt(middle)]
        assert here["status"].tolist() == ["not_logged"], (hole, middle)
        assert here["sigma"].iloc[0] < 12
    seen = found[found["status"] == "logged"]
    assert len(seen) >= 8
    assert (seen["expected_depth"] - seen["logged_depth"]).abs().max() < 12
    assert set(seen["block"]) == {"above F1", "below F1"}
    said = slip.lost_words(found, "rock.rock=dyke", slips, blind)
    assert any("isn't logged" in sentence for sentence in said)


def test_a_marker_that_an_unknown_slip_would_move_is_refused(tables):
    """Without its gammas the dyke alone can't say how far a bed that lies across has moved."""
    collars = tables["collars"]
    level = collars.assign(depth=collars["elevation"] / -np.sin(np.deg2rad(collars["dip"])), kind="bed")
    bare = pd.concat([tables["structures"].assign(gamma=np.nan), level[["hole_id", "depth", "kind"]]])
    asked = study(tables | {"structures": bare}, slip={"markers": ["rock.rock=dyke"]})
    (known,) = asked.slip()
    assert not known.optima[0].complete
    found, _ = asked.lost("rock.rock=dyke")
    assert len(found)
    with pytest.raises(DataProblem, match="is unknown, and that moves this marker"):
        asked.lost("bed")


@pytest.mark.parametrize(
    ("marker", "message"),
    [
        ("vein", "no structure of kind 'vein'"),
        ("rocks.rock=dyke", "id you mean 'rock'"),
        ("rock.colour=dyke", "no such column"),
        ("rock.rock=dike", "id you mean 'dyke'"),
        ("rock.rock:dyke", "without its two sides"),
        ("rock.rock:dyke,marble", "no hole passes from 'dyke' to 'marble'"),
    ],
)
def test_a_marker_that_isnt_there_is_refused(tables, marker, message):
    with pytest.raises(DataProblem, match=message):
        study(tables).marker(marker)


def test_a_circle_of_faults_is_refused_with_its_members():
    raw = {
        "name": "x",
        "frame": {"north": "grid", "dip_sign": "negative_down"},
        "tables": {"collars": "c.csv"},
        "faults": {"F1": {"ends_at": "F3"}, "F3": {"ends_at": "F2"}, "F2": {"ends_at": "F3"}},
    }
    with pytest.raises(DataProblem, match="circle") as refused:
        settings_of(raw)
    assert refused.value.value == "F3 ends at F2 ends at F3"
    with pytest.raises(DataProblem, match="means nothing"):
        settings_of(raw | {"faults": {"F1": {"end_at": "F2"}}})
    assert settings_of(raw | {"faults": {"F2": {"ends_at": "F1"}}}).faults["F2"].ends_at == "F1"


def test_a_fault_and_a_sense_that_mean_nothing_are_refused(tables):
    with pytest.raises(DataProblem, match="isn't in the line-up"):
        study(tables, faults={"F9": {"ends_at": "F1"}}).slip()
    wrong = tables["structures"].assign(sense="normal")
    wrong.loc[wrong["gamma"].notna(), "sense"] = "nromal"
    with pytest.raises(DataProblem, match="sense of a slip line") as refused:
        study(tables | {"structures": wrong}).slip()
    assert "normal" in refused.value.hint
