"""The loop of looking at core again: listed, typed back, closed, and opened anew when a window moves away."""

from __future__ import annotations

import shutil

import pandas as pd
import pytest

import desurvey
from desurvey.audit import read_trail
from desurvey.campaign.relog import FILE, found_rows, read_results, relog_list
from tests.benches import layered, written
from tests.command import lowside


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """Give a world in which a fault of L04 isn't logged and a run of L04 is on the wrong side, with boxes of 4 m."""
    folder = written(tmp_path_factory.mktemp("relog") / "world", layered())
    toml = folder / "project.toml"
    toml.write_text(toml.read_text() + '[tables.intervals]\nboxes = "boxes.csv"\n')
    boxes = "".join(f"L04,{4 * n},{4 * n + 4},{n + 1},2\n" for n in range(48))
    (folder / "boxes.csv").write_text(f"hole_id,depth_from,depth_to,box,box_row\n{boxes}")
    rows = (folder / "structures.csv").read_text().split("\n")
    lost = [row for row in rows if ",L04," in row and ",fault," in row][-1]
    (folder / "structures.csv").write_text("\n".join(row for row in rows if row != lost))
    return folder, float(lost.split(",")[2])


def test_the_loop(world, tmp_path):
    folder, depth = shutil.copytree(world[0], tmp_path / "w"), world[1]
    tables = {path.name: path.read_bytes() for path in folder.glob("*.csv")}
    listed = relog_list(desurvey.open(folder)).set_index("hole_id")
    mine = listed.loc[["L04"]].set_index("key")
    (window,) = [key for key in mine.index if key.startswith("window ")]
    (run,) = [key for key in mine.index if key.startswith("run ")]
    assert mine.loc[window, "depth_from"] <= depth <= mine.loc[window, "depth_to"]
    first, last = (int(mine.loc[window, name] // 4) + 1 for name in ("depth_from", "depth_to"))
    assert mine.loc[window, "box"] == (f"{first} row 2 to {last} row 2" if first != last else f"{first} row 2")

    done = lowside("relog", folder, "--out", tmp_path / "sheet.html")
    assert done.returncode == 0, done.stderr
    assert window in (tmp_path / "sheet.html").read_text()
    lowside("relog", folder, "--out", tmp_path / "sheet.csv")
    sheet = pd.read_csv(tmp_path / "sheet.csv", dtype=str, keep_default_na=False)
    sheet.loc[sheet["key"] == window, "result"] = f"Found at {depth:.2f}"
    sheet.loc[sheet["key"] == run, "result"] = "line was wrong"
    sheet.to_csv(tmp_path / "filled.csv", index=False)
    assert lowside("relog", folder, "--read", tmp_path / "filled.csv").returncode == 2  # by whom?
    done = lowside("relog", folder, "--read", tmp_path / "filled.csv", "--by", "Bo", "--rows", tmp_path / "rows.csv")
    assert done.returncode == 0, done.stderr
    study = desurvey.open(folder)
    left = relog_list(study)["key"].tolist()
    assert window not in left
    assert run not in left
    assert study.decisions.keys("accepted") == {run}
    assert {path.name: path.read_bytes() for path in folder.glob("*.csv")} == tables
    paste = pd.read_csv(tmp_path / "rows.csv")
    assert paste[["hole_id", "depth", "kind"]].to_numpy().tolist() == [["L04", pytest.approx(depth), "fault"]]
    assert [one.what for one in read_trail(folder).entries] == ["decision", "relogged", "relogged"]  # by depth
    with (folder / "structures.csv").open("a") as file:
        file.write(f"BACK,L04,{depth:.2f},fault,,,\n")
    assert found_rows(desurvey.open(folder)).empty


def test_nothing_closes_a_window_only_while_it_lies_in_what_was_looked_at(world, tmp_path):
    folder = shutil.copytree(world[0], tmp_path / "w")
    study = desurvey.open(folder)
    (window,) = [key for key in relog_list(study)["key"] if key.startswith("window ") and key.endswith("L04")]
    for key, result in ((window, "line was wrong"), (window, "maybe"), ("window F9 L04", "nothing")):
        assert lowside("relog", folder, key, result, "--by", "Bo").returncode == 2
    assert lowside("relog", folder, window, "nothing", "--by", "Bo").returncode == 0
    study = desurvey.open(folder)
    assert window not in relog_list(study)["key"].tolist()
    (one,) = read_results(folder)
    path = folder / FILE
    path.write_text(path.read_text().replace(f"depth_to = {one.depth_to}", f"depth_to = {one.depth_to - 2.0}"))
    assert window in relog_list(study)["key"].tolist()  # as if the window had moved 2 m on
    path.write_text("looked = 3")
    assert lowside("relog", folder).returncode == 2
