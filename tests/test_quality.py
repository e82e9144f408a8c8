"""Control charts and changes, against numbers worked out by hand, scipy, and campaigns with a known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import desurvey
from desurvey.campaign.quality import Measure, changes_of, chart, holm, quality, relogged
from tests.command import lowside
from tests.worlds.drilled import drilled


def measure(value, kind="value", **columns):
    rows = pd.DataFrame({"hole_id": "A", "time": np.nan, "value": np.asarray(value, dtype=float)})
    return Measure("m", "u", kind, rows.assign(**columns))


def test_individuals_chart_by_the_handbooks_example():
    """NIST/SEMATECH e-Handbook 6.3.2.2, ten batches: centre 50.81, moving range 1.8778, limits 45.82 and 55.80."""
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    got = chart(measure(flow, time=np.arange(10.0)), "time")
    assert got["centre"].iloc[0] == pytest.approx(50.81)
    assert got["low"].iloc[0] == pytest.approx(45.82, abs=0.005)
    assert got["high"].iloc[0] == pytest.approx(55.80, abs=0.005)
    assert not got["outside"].any()


def test_shares_and_counts_have_their_own_limits():
    """A share of 0.9 of ten runs: P(at most 5) = 0.0016 and P(at most 4) = 0.00015, so 5 is the lower limit."""
    assert stats.binom.cdf(4, 10, 0.9) < 0.00135 < stats.binom.cdf(5, 10, 0.9)
    value = np.tile([1.0] * 9 + [0.0], 20)
    got = chart(measure(value, "share", time=np.repeat(np.arange(20.0), 10)), "time")
    assert got["low"].iloc[0] == pytest.approx(0.5)
    value[:10] = [1, 1, 1, 1, 0, 0, 0, 0, 0, 0]
    assert chart(measure(value, "share", time=np.repeat(np.arange(20.0), 10)), "time")["outside"].sum() == 1


def test_holm_against_the_definition():
    p = np.array([0.001, 0.2, 0.02, 0.04])
    assert holm(p) == pytest.approx([0.004, 0.2, 0.06, 0.08])


@pytest.fixture(scope="module")
def honest():
    """Give campaigns in which nothing has changed, with holes that differ as rock does."""
    return [quality(desurvey.Study.of_tables(**drilled(seed))) for seed in range(8)]


def test_honest_campaigns_raise_no_alarm_beyond_the_stated_rate(honest):
    """8 campaigns at 5 %: 2 or fewer have a name with 99 % (binomial). Points leave their limits at 0.0027 or less."""
    accused = sum(bool(one.changes) for one in honest)
    assert stats.binom.sf(2, 8, 0.05) < 0.01
    assert accused <= 2
    days = pd.concat([one.charts[one.charts["by"] == "time"] for one in honest])
    outside, points = int(days["outside"].sum()), len(days)
    assert points > 4000
    assert outside <= stats.binom.isf(0.001, points, 0.0027)


def test_a_tool_that_turns_is_named_with_its_day_and_angle():
    """Tool 2 sits 7° clockwise of tool 1 from day 60 on, planted in the offsets by their definition."""
    got = quality(desurvey.Study.of_tables(**drilled(3, turned=("T2", 60, 7.0))))
    turns = [one for one in got.changes if one.measure == "line offset" and one.by == "tool" and one.since]
    (one,) = turns
    assert (one.group, one.than) == ("T2", "T1")
    assert abs(np.datetime64(one.since) - (np.datetime64("2026-01-01") + 60)) <= np.timedelta64(6, "D")
    assert abs(one.effect - 7.0) < 3.0 * one.sigma < 4.0
    assert "clockwise of tool T1" in one.said
    assert {one.by for one in got.changes} == {"tool"}


def test_the_sigma_of_a_turn_is_what_it_scatters_by():
    """Errors of both runs are in an offset: 60 campaigns whose tools alternate scatter as their σ says."""
    found = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        tool = np.arange(80) % 2
        line = rng.normal(0.0, 4.0, 80) + 5.0 * tool  # 40 of 79 offsets are of T2, which T1 is held against
        rows = {"tool": np.array(["T1", "T2"])[tool][1:], "above_tool": np.array(["T1", "T2"])[tool][:-1]}
        one = measure(np.diff(line), "offset", follows=np.arange(79) > 0, **rows)
        found += [(c.effect, c.sigma) for c in changes_of((one,))[0] if not c.since]
    effect, sigma = np.array(found).T
    assert len(effect) == 60
    assert effect.mean() == pytest.approx(-5.0, abs=3 * sigma.mean() / np.sqrt(60))
    low, high = np.sqrt(stats.chi2.ppf([0.001, 0.999], 59) / 59)
    assert low < effect.std(ddof=1) / sigma.mean() < high


def test_recovery_that_is_the_rocks_is_nobodys():
    """Two crews, each in holes of their own; holes differ and crews don't. A t-test without holes would name a crew."""
    rng = np.random.default_rng(1)
    named = naive = 0
    for _ in range(40):
        hole = np.repeat(np.arange(6), 30)
        y = rng.normal(0.0, 0.05, 6)[hole] + rng.normal(0.0, 0.03, 180)
        crew = np.where(hole < 3, "a", "b")
        one = measure(y, hole_id=[f"H{h}" for h in hole], crew=crew)
        named += bool(changes_of((one,))[0])
        naive += stats.ttest_ind(y[crew == "a"], y[crew == "b"]).pvalue < 0.05
    assert naive > 20
    assert named <= stats.binom.isf(0.001, 40, 0.05)


def test_relogged_core_gives_each_loggers_sigma():
    """Three loggers of 1°, 2° and 4° in alpha and twice that in beta log 300 structures each twice."""
    rng = np.random.default_rng(4)
    sigma = {"X": 1.0, "Y": 2.0, "Z": 4.0}
    rows = []
    for number in range(300):
        pair = [("X", "Y"), ("X", "Z"), ("Y", "Z")][number % 3]
        alpha, beta = rng.uniform(20, 60), rng.uniform(0, 360)
        for name in pair:
            angles = (alpha + rng.normal(0, sigma[name]), (beta + rng.normal(0, 2 * sigma[name])) % 360)
            rows.append(("A", 1.0 + number, "joint", *angles, f"S{number}{name}", name))
    columns = ["hole_id", "depth", "kind", "alpha", "beta", "structure_id", "logger"]
    got = relogged(pd.DataFrame(rows, columns=columns)).set_index("logger")
    assert got.loc["", "pairs"] == 300
    assert got.loc["", "alpha_low"] < np.sqrt((1 + 4 + 16) / 3) < got.loc["", "alpha_high"]
    for name, true in sigma.items():
        assert got.loc[name, "alpha_low"] < true < got.loc[name, "alpha_high"]
        assert got.loc[name, "beta_low"] < 2 * true < got.loc[name, "beta_high"]


def test_people_are_not_named_unless_asked():
    tables = drilled(3)
    tables["runs"]["logger"] = np.where(np.arange(len(tables["runs"])) % 2, "Kari Nordmann", "Ola Nordmann")
    study = desurvey.Study.of_tables(**tables)
    assert "Nordmann" not in quality(study).charts.to_csv()
    assert "Kari Nordmann" in quality(study, named=True).charts.to_csv()


def test_the_command_writes_charts_and_a_sheet(tmp_path):
    folder = tmp_path / "p"
    folder.mkdir()
    tables = drilled(3, turned=("T2", 60, 7.0))
    (folder / "project.toml").write_text(
        'name = "Drilled"\n[frame]\nnorth = "grid"\ndip_sign = "negative_down"\n[core]\nline = "low"\n[tables]\n'
        + "".join(f'{name} = "{name}.csv"\n' for name in ("collars", "surveys", "runs", "structures"))
    )
    for name in ("collars", "surveys", "runs", "structures"):
        tables[name].to_csv(folder / f"{name}.csv", index=False)
    done = lowside("quality", folder, "--out", tmp_path / "quality.csv", "--figure", tmp_path / "quality.png")
    assert done.returncode == 0, done.stderr
    assert "clockwise of tool T1" in done.stdout
    table = pd.read_csv(tmp_path / "quality.csv")
    assert table.columns.tolist() == [
        "measure",
        "by",
        "group",
        "time",
        "n",
        "value",
        "low",
        "centre",
        "high",
        "outside",
    ]
    assert (tmp_path / "quality.png").stat().st_size > 20_000
