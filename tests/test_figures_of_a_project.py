"""Figures of the demo project: collected from its tables, and through the command line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from desurvey import orient, traces
from desurvey.problems import DataProblem
from desurvey.project import load_project
from viewer import collect
from viewer.cli import app
from viewer.net import chosen_rows
from viewer.slab import slab_of

DEMO = Path(__file__).parent.parent / "demo_project"


@pytest.fixture(scope="module")
def demo():
    project = load_project(DEMO)
    trace = traces.build(project)
    return project, trace, orient.oriented(project, trace)


def test_content_holds_what_the_project_has(demo):
    project, trace, structures = demo
    content = collect.content_of(project, trace, structures, heading="All", bars="lithology")
    status = pd.read_csv(DEMO / "collars.csv").set_index("hole_id")["status"]
    assert content.planned.tolist() == (status.loc[trace.hole_ids.tolist()] == "planned").tolist()
    assert len(content.structures.depth) == structures.usable.sum()
    rocks = pd.read_csv(DEMO / "lithology.csv")
    assert content.bars.name == "rock"
    assert sorted(set(content.bars.value.tolist())) == sorted(rocks["rock"].unique())
    assert f"{int((~structures.usable).sum())} structures have no orientation" in content.absent[0]


def test_bars_of_numbers_and_unknown_names(demo):
    project, trace, _ = demo
    assert collect.bars_of(project, trace, "lithology.susceptibility").value.dtype.kind == "f"
    with pytest.raises(DataProblem, match="Did you mean 'lithology'"):
        collect.bars_of(project, trace, "litholgy")
    with pytest.raises(DataProblem, match="Did you mean 'susceptibility'"):
        collect.bars_of(project, trace, "lithology.suceptibility")


def test_answers_of_the_line_up_become_sheets_in_the_plane_of_their_fault(demo):
    project, trace, structures = demo
    place = trace.at(np.array([0, 1, 2]), np.array([50.0, 80.0, 120.0])).position
    picks = pd.DataFrame({"hole_id": ["TH-01", "TH-02", "TH-03"], "depth": [50.0, 80.0, 120.0], "fault_id": "F1"})
    centre = place.mean(axis=0)
    faults = pd.DataFrame([["F1", 60.0, 110.0, *centre]], columns=collect.NEEDED["faults"])
    windows = pd.DataFrame(
        [["F1", "TH-04", 40.0, 60.0, "not_logged"], ["F1", "TH-05", 40.0, 60.0, "outside"]],
        columns=collect.NEEDED["windows"],
    )
    answers = collect.Answers(faults, picks, windows)
    content = collect.content_of(project, trace, structures, heading="All", answers=answers)
    (sheet,) = content.surfaces
    edge = sheet.vertices[1:3] - sheet.vertices[0]
    normal = np.cross(*edge) / np.linalg.norm(np.cross(*edge))
    dip, direction = orient.dip_of_plane(normal[None])
    assert (dip[0], direction[0]) == pytest.approx((60.0, 110.0), abs=1e-9)
    assert content.windows.hole.tolist() == [3]


def test_tables_of_other_commands_are_checked(tmp_path, demo):
    project, trace, structures = demo
    path = tmp_path / "suspects.csv"
    with pytest.raises(DataProblem, match="Write it with lowside suspects"):
        collect.read_suspects(path)
    path.write_text("hole_id,depth_from\nTH-01,3\n")
    with pytest.raises(DataProblem, match=r"column 'depth_to'.*isn't the table that lowside suspects writes"):
        collect.read_suspects(path)
    path.write_text("hole_id,depth_from,depth_to,message\nTH-01,3,6,rolled\nTH-02,3,6,rolled\n")
    log = collect.log_of(project, trace, structures, "TH-01", suspects=collect.read_suspects(path))
    assert len(log.suspects) == 1
    assert len(log.runs) == (project.runs["hole_id"] == "TH-01").sum()
    with pytest.raises(DataProblem, match="no such hole"):
        collect.log_of(project, trace, structures, "XX-01")


def test_structures_are_chosen_by_kind_and_hole(demo):
    _, _, structures = demo
    rows = chosen_rows(structures, "fault, vein", "TH-01")
    table = pd.read_csv(DEMO / "structures.csv")
    assert rows.tolist() == (table["kind"].isin(["fault", "vein"]) & (table["hole_id"] == "TH-01")).tolist()
    with pytest.raises(DataProblem, match=r"no such kind of structure.*Did you mean 'fault'"):
        chosen_rows(structures, "fualt", "")


def test_a_section_is_asked_for_by_holes_or_by_a_line(demo):
    _, trace, _ = demo
    assert slab_of(trace, "TH-01, TH-02", "", 30.0).thickness == 30.0
    assert slab_of(trace, "", "0,0,10,10", 30.0).azimuth_deg == pytest.approx(45.0)
    with pytest.raises(DataProblem, match="either holes or a line"):
        slab_of(trace, "", "", 30.0)
    with pytest.raises(DataProblem, match="four numbers"):
        slab_of(trace, "", "1,2,3", 30.0)
    with pytest.raises(DataProblem, match=r"no such hole.*Did you mean 'TH-01'"):
        slab_of(trace, "th-01a", "", 30.0)


@pytest.mark.parametrize(
    ("arguments", "start"),
    [
        (["section", "--holes", "TH-01,TH-06", "--colour", "lithology", "--out", "s.pdf"], b"%PDF"),
        (["plan", "--out", "p.svg"], b"<?xml"),
        (["plan", "--elevation", "500", "--thickness", "40", "--paper", "A3", "--out", "p.png"], b"\x89PNG"),
        (["net", "--kind", "fault", "--alpha-only", "--weighted", "--out", "n.pdf"], b"%PDF"),
        (["net", "--projection", "equal-angle", "--holes", "TH-01", "--out", "n.svg"], b"<?xml"),
        (["holelog", "--hole", "TH-07", "--out", "h.pdf"], b"%PDF"),
    ],
)
def test_commands_write_what_the_name_ends_in(tmp_path, arguments, start):
    arguments = [str(tmp_path / a) if a[1:] in {".pdf", ".svg", ".png"} else a for a in arguments]
    result = CliRunner().invoke(app, [arguments[0], str(DEMO), *arguments[1:]])
    assert result.exit_code in {0, 1}, result.output  # 1: the demo has planted errors
    assert Path(arguments[-1]).read_bytes().startswith(start)
