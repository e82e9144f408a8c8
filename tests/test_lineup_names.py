"""Names that faults keep from one line-up to the next, in ``faults.toml``."""

from __future__ import annotations

import functools
import tomllib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from desurvey import lineup
from desurvey.lineup import Remembered, handed_on, read_names, write_names
from desurvey.lineup.naming import FILE, Named
from desurvey.problems import DataProblem
from tests.command import lowside
from tests.projects import PROJECT_TOML, write_project
from tests.test_lineup import UPPER, grid
from tests.worlds import sheeted
from viewer import theme

DEPTHS = (-100.0, -130.0, -160.0)


@functools.cache
def lined_up():
    """Return the line-up of three parallel faults of 9, 7 and 5 picks, in that order: F1, F2, F3."""
    trace, _ = grid()
    cuts = [sheeted.at_plane(trace, UPPER, np.array([0.0, 0.0, z])) for z in DEPTHS]
    holes = [np.arange(9), np.arange(7), np.arange(2, 7)]
    hole = np.concatenate(holes)
    depth = np.concatenate([cut[own] for cut, own in zip(cuts, holes, strict=True)])
    found = sheeted.lined_up(trace, sheeted.picks(trace, hole, depth, UPPER))
    assert [len(fault.rows) for fault in found.faults] == [9, 7, 5]
    return found


@pytest.fixture
def three():
    return lined_up()


def regrouped(found, groups):
    """Return a line-up whose faults have other picks, in the given order; all else is of the faults that there are."""
    faults = [
        replace(found.faults[n % 3], fault_id=f"F{n + 1}", colour=n, rows=np.array(rows))
        for n, rows in enumerate(groups)
    ]
    return replace(found, faults=tuple(faults))


A, B, C = range(9), range(9, 16), range(16, 21)


def names(found, *rows):
    return tuple(found.names[np.concatenate([np.array(one) for one in rows])].tolist())


def called(answer):
    return [fault.fault_id for fault in answer.lineup.faults]


def test_names_and_colours_follow_the_picks_and_not_the_size(three):
    first = handed_on(three, Remembered())
    assert called(first) == ["F1", "F2", "F3"]
    assert first.said == ()
    swapped = handed_on(regrouped(three, [[*B], [*A][:6], [*C]]), first.remembered)
    assert called(swapped) == ["F2", "F1", "F3"]
    colours = theme.fault_colours(swapped.lineup.faults)
    assert colours == theme.fault_colours(first.lineup.faults)
    assert len(swapped.said) == 1
    assert swapped.said[0].startswith("F1: 9 → 6 picks, p ")


def test_a_dead_name_is_not_given_to_another_fault_and_comes_back_to_its_own(three):
    first = handed_on(three, Remembered()).remembered
    without = handed_on(regrouped(three, [[*A], [*C]]), first)
    assert called(without) == ["F1", "F3"]
    assert without.said == ("F2 is gone.",)
    another = handed_on(regrouped(three, [[*A], [*C][:2]]), handed_on(regrouped(three, [[*A]]), first).remembered)
    assert called(another) == ["F1", "F3"]  # its picks are those of F3
    fresh = handed_on(
        regrouped(three, [[*A], [*B][:2] + [*C][:1]]),
        Remembered(tuple(replace(one, picks=("x",)) for one in first.faults)),
    )
    assert called(fresh) == ["F4", "F5"]
    back = handed_on(regrouped(three, [[*A], [*B], [*C]]), without.remembered)
    assert called(back) == ["F1", "F2", "F3"]
    assert back.said == ("F2 is there again.",)


def test_splits_and_mergers_are_said(three):
    first = handed_on(three, Remembered()).remembered
    split = handed_on(regrouped(three, [[*B], [*C], [*A][:5], [*A][5:]]), first)
    assert called(split) == ["F2", "F3", "F1", "F4"]
    assert split.said[-1] == "F4 is split off F1."
    merged = handed_on(regrouped(three, [[*A, *B], [*C]]), first)
    assert called(merged) == ["F1", "F3"]
    assert merged.said[0].startswith("F1: 9 → 16 picks")
    assert merged.said[1] == "F2 is part of F1 now."


def test_a_persons_own_name_lasts(three, tmp_path):
    named = handed_on(three, Remembered()).remembered.renamed("fault", {"F1": 'Main "north" fault', "F3": "F2b"})
    assert write_names(tmp_path, named)
    again = handed_on(regrouped(three, [[*C], [*A][1:], [*B]]), read_names(tmp_path))
    assert called(again) == ["F2b", 'Main "north" fault', "F2"]
    assert 'Main "north" fault: 9 picks' not in lineup.summary(again.lineup)
    assert 'Main "north" fault: ' in lineup.summary(again.lineup)
    pins = lineup.Pins.of({"P20": 'Main "north" fault'}, named.members("fault"))
    assert pins.where[0][1] == tuple(sorted(names(three, A)))
    for wrong, message in (({"F9": "x"}, "no such fault to name"), ({"F2": "F2b"}, "a name of its own")):
        with pytest.raises(DataProblem, match=message):
            named.renamed("fault", wrong)


def test_kinds_have_names_of_their_own(three):
    faults = handed_on(three, Remembered()).remembered
    veins = handed_on(replace(regrouped(three, [[*C]]), kind="Vein"), faults)
    assert called(veins) == ["F1"]
    assert {one.kind for one in veins.remembered.faults} == {"fault", "vein"}
    assert veins.remembered.of_kind("FAULT") == faults.faults


text = st.text(st.characters(exclude_categories=["Cs"]), min_size=1).filter(str.strip)
memory = st.lists(
    st.builds(
        Named, text, st.integers(1, 99), st.sampled_from(["fault", "vein"]), st.integers(0, 30),
        st.lists(text, max_size=4).map(tuple), st.just(0.4125), st.just(0.5), st.booleans(),
    ),
    min_size=1, max_size=4, unique_by=lambda one: (one.kind, one.name),
).map(lambda faults: Remembered(tuple(faults)))  # fmt: skip


@given(memory)
def test_what_is_written_is_read_again(tmp_path_factory, remembered):
    folder = tmp_path_factory.mktemp("names")
    assert write_names(folder, remembered)
    assert read_names(folder) == remembered
    before = (folder / FILE).stat()
    said_anew = Remembered(tuple(replace(one, p_value=0.9) for one in remembered.faults))
    assert write_names(folder, said_anew)
    assert (folder / FILE).stat() == before
    assert sorted(path.name for path in folder.iterdir()) == [FILE]


partition = st.lists(st.integers(-1, 4), min_size=21, max_size=21).map(
    lambda numbers: [rows for n in range(5) if (rows := [row for row, number in enumerate(numbers) if number == n])]
)


@given(st.lists(partition, min_size=2, max_size=4))
def test_no_name_and_no_living_colour_is_given_twice(partitions):
    remembered = Remembered()
    for groups in partitions:
        before = {one.name: one.number for one in remembered.faults}
        answer = handed_on(regrouped(lined_up(), groups), remembered)
        remembered = answer.remembered
        living = [one for one in remembered.faults if not one.gone]
        assert sorted(one.name for one in living) == sorted(called(answer))
        for values in (
            [f.name for f in remembered.faults],
            [f.number for f in remembered.faults],
            [f.colour for f in living],
        ):
            assert len(set(values)) == len(values)
        assert before.items() <= {one.name: one.number for one in remembered.faults}.items()
        assert handed_on(answer.lineup, remembered).said == ()


def test_a_folder_that_cannot_be_written_is_no_error(tmp_path):
    one = Remembered((Named("F1", 1, "fault", 0, ("S1",)),))
    assert not write_names(tmp_path / "nowhere", one)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "text",
    ["fault = 3", "[[fault]]\nname = 'F1'", "[[fault]]\nname = 1\nnumber = 1\nkind = 'a'\ncolour = 0\npicks = []",
     "[[fault]]\nname = 'F1'\nnumber = 1\nkind = 'a'\ncolour = 0\npicks = [3]", "not toml", "fault = [3]",
     "[[fault]]\nname = 'F1'\nnumber = true\nkind = 'a'\ncolour = 0\npicks = []"],
)  # fmt: skip
def test_a_damaged_file_is_named(tmp_path, text):
    (tmp_path / FILE).write_text(text)
    with pytest.raises(DataProblem, match=r"faults\.toml"):
        read_names(tmp_path)


def test_the_file_says_what_it_is(three, tmp_path):
    write_names(tmp_path, handed_on(three, Remembered()).remembered)
    assert (tmp_path / FILE).read_text().startswith("# Names of the faults")
    block = tomllib.loads((tmp_path / FILE).read_text())["fault"][0]
    assert block["name"] == "F1"
    assert block["picks"] == sorted(names(three, A))
    assert (tmp_path / FILE).stat().st_mode & 0o777 == 0o644


def write_grid(folder, *more):
    """Write a project whose nine holes cut one plane, logged with its surveyed attitude, and further picks."""
    trace, depth = grid()
    collars = trace.position[trace.offsets[:-1]]
    rows = [f"H{h},{d:.2f},FLT,20,90,P{h}" for h, d in enumerate(depth)] + list(more)
    write_project(
        folder,
        PROJECT_TOML.replace("[tables.intervals]\nlithology", "#") + '[kinds]\nfault = ["FLT"]\n',
        collars="hole_id,easting,northing,elevation,depth,azimuth,dip\n"
        + "".join(f"H{h},{e},{n},{u},300,270,-80\n" for h, (e, n, u) in enumerate(collars)),
        surveys="hole_id,depth,azimuth,dip\n" + "".join(f"H{h},0,270,-80\n" for h in range(9)),
        runs="hole_id,depth_from,depth_to\nH0,0,3\n",
        structures="hole_id,depth,kind,dip,dip_direction,structure_id\n" + "\n".join(rows) + "\n",
        lithology=None,
    )
    return folder


def test_the_commands_keep_names_and_pin_by_them(tmp_path):
    folder, out = write_grid(tmp_path / "P", "H4,250.00,FLT,85,10,far"), tmp_path / "out"
    done = lowside("lineup", folder, "--out", out, "--name", "F1=Main fault")
    assert done.returncode == 0, done.stderr
    assert pd.read_csv(out / "faults.csv")["fault_id"].tolist() == ["Main fault"]
    done = lowside("decide", folder, "--pin", "far", "Main fault", "--why", "seen in the core")
    assert done.returncode == 0, done.stderr
    done = lowside("lineup", folder, "--out", out)
    assert done.returncode == 0, done.stderr
    picks = pd.read_csv(out / "picks.csv").set_index("structure_id")
    assert (picks["fault_id"] == "Main fault").all()
    assert picks["misfit_m"].abs().drop("far").max() < 0.5
    assert "far is in Main fault by a person's word" in done.stdout
    assert "Main fault: 9 → 10 picks" in done.stderr
    assert lowside("decide", folder, "--pin", "far", "none").returncode == 0
    done = lowside("lineup", folder, "--out", out)
    assert pd.read_csv(out / "picks.csv").set_index("structure_id")["fault_id"].isna().to_dict()["far"]
    assert lowside("lineup", folder, "--out", out, "--name", "F7=x").returncode == 2
