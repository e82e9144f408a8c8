"""Figures of the demo project: collected from its tables, and through the command line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pypdf
import pytest
from typer.testing import CliRunner

import desurvey
from desurvey import orient
from desurvey.lineup import line_up
from desurvey.problems import DataProblem
from desurvey.surface import fault_mesh
from tests.projects import PROJECT_TOML, TABLES, write_project
from viewer.cli import app
from viewer.figures import collect
from viewer.figures.net import chosen_rows, net_of
from viewer.figures.sheet import Title
from viewer.figures.slab import fences, slab_of

DEMO = Path(__file__).parent.parent / "demo_project"


@pytest.fixture(scope="module")
def demo():
    return desurvey.open(DEMO)


def test_content_holds_what_the_project_has(demo):
    trace, structures = demo.holes, demo.structures
    content = collect.content_of(demo, heading="All", bars="lithology")
    status = pd.read_csv(DEMO / "collars.csv").set_index("hole_id")["status"]
    assert content.planned.tolist() == (status.loc[trace.hole_ids.tolist()] == "planned").tolist()
    assert len(content.structures.depth) == structures.usable.sum()
    rocks = pd.read_csv(DEMO / "lithology.csv")
    assert content.bars.name == "rock"
    assert sorted(set(content.bars.value.tolist())) == sorted(rocks["rock"].unique())
    assert f"{int((~structures.usable).sum())} structures have no orientation" in content.absent[0]


def test_bars_of_numbers_and_unknown_names(demo):
    assert collect.bars_of(demo, "lithology.susceptibility").value.dtype.kind == "f"
    with pytest.raises(DataProblem, match="Did you mean 'lithology'"):
        collect.bars_of(demo, "litholgy")
    with pytest.raises(DataProblem, match="Did you mean 'susceptibility'"):
        collect.bars_of(demo, "lithology.suceptibility")


def test_faults_of_the_line_up_are_drawn_as_far_as_their_extent(demo):
    trace, answers = demo.holes, demo.lineup()
    content = collect.content_of(demo, heading="All", answers=answers)
    assert [surface.name for surface in content.surfaces] == answers.faults["fault_id"].tolist()
    for fault in answers.faults.itertuples():
        mesh = answers.meshes[fault.fault_id]
        edges = mesh.corners[:, 1:] - mesh.corners[:, :1]
        normal = np.cross(edges[:, 0], edges[:, 1])
        mean = (normal * np.sign(normal[:, 2:])).sum(axis=0)
        dip, direction = orient.dip_of_plane(mean[None] / np.linalg.norm(mean))
        assert dip[0] == pytest.approx(fault.dip, abs=1.5)
        assert direction[0] == pytest.approx(fault.dip_direction, abs=3.0)
        # the picks lie on the sheet, inside its outline
        own = answers.picks[answers.picks["fault_id"] == fault.fault_id]
        place = trace.at(own["hole_id"].to_numpy(dtype=str), own["depth"].to_numpy()).position
        near = np.linalg.norm(mesh.vertices[None] - place[:, None], axis=2).min(axis=1)
        assert near.max() < 60.0
        assert np.all(np.isfinite(mesh.sigma))
    shown = answers.windows["status"].isin(["logged", "not_logged", "planned", "not_drilled"])
    assert len(content.windows.hole) == shown.sum()


def test_a_mesh_of_a_plane_fault_lies_in_its_plane(demo):
    answer = line_up(demo.project, demo.holes)
    fault = next(fault for fault in answer.faults if fault.shape == "plane")
    mesh = fault_mesh(fault)
    away = (mesh.vertices - fault.centre) @ fault.normal
    assert np.abs(away).max() < 5.0  # waviness between the picks, not more
    outline = mesh.vertices[: len(fault.outline)]
    assert np.linalg.norm(outline - fault.outline, axis=1).max() < 1e-6


def test_a_project_without_faults_has_no_answers(tmp_path):
    tables = {"structures": TABLES["structures"].replace("fault", "joint")}
    study = desurvey.open(write_project(tmp_path / "p", **tables))
    assert study.lineup_or_none() is None


def test_the_ground_is_drawn_where_the_project_names_its_points(tmp_path):
    toml = PROJECT_TOML + '[checks]\ntopography = "ground.csv"\n'
    rows = "easting,northing,elevation\n900,1900,98\n1200,1900,99\n1200,2100,103\n900,2100,101\n"
    ground = collect.ground_of(desurvey.open(write_project(tmp_path / "p", toml=toml, ground=rows)))
    assert ground.vertices[:, 2].tolist() == [98.0, 99.0, 103.0, 101.0]
    corners = ground.vertices[ground.triangles]
    assert np.abs(np.cross(*np.moveaxis(np.diff(corners, axis=1), 1, 0))[:, 2]).sum() / 2 == pytest.approx(300 * 200)
    assert collect.ground_of(desurvey.open(write_project(tmp_path / "q"))) is None


def test_a_log_has_the_suspects_and_runs_of_its_hole(demo):
    log = collect.log_of(demo, "TH-05")
    accused = demo.suspects()["hole_id"].to_numpy()
    assert len(log.suspects) == (accused == "TH-05").sum() > 0
    runs = pd.read_csv(DEMO / "runs.csv")
    assert len(log.runs) == (runs["hole_id"] == "TH-05").sum()
    with pytest.raises(DataProblem, match="no such hole"):
        collect.log_of(demo, "XX-01")


def test_a_net_of_one_hole_shows_what_that_hole_is_blind_to(demo):
    trace, structures = demo.holes, demo.structures
    rows = chosen_rows(structures, "", "TH-12")  # a steep hole
    net = net_of(demo, trace.hole_ids == "TH-12", rows, Title("", ""))
    (hole,) = trace.index(["TH-12"]).tolist()
    depth = np.arange(0.0, trace.end[hole], 1.0)
    cosine = net.holes @ trace.at(np.full(len(depth), hole), depth).tangent.T
    within = np.cos(np.deg2rad(0.9))  # directions are taken every 10 m, in steps of some 0.6°
    assert (cosine.max(axis=0) > within).all()  # every piece of that hole …
    assert (cosine.max(axis=1) > within).all()  # … and of no other
    assert np.all(net.holes[:, 2] < -0.98)
    assert len(net.normal) == (rows & structures.usable).sum()


def test_structures_are_chosen_by_kind_and_hole(demo):
    rows = chosen_rows(demo.structures, "fault, vein", "TH-01")
    table = pd.read_csv(DEMO / "structures.csv")
    assert rows.tolist() == (table["kind"].isin(["fault", "vein"]) & (table["hole_id"] == "TH-01")).tolist()
    with pytest.raises(DataProblem, match=r"no such kind of structure.*Did you mean 'fault'"):
        chosen_rows(demo.structures, "fualt", "")


def test_a_section_is_asked_for_by_holes_or_by_a_line(demo):
    trace = demo.holes
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
        (["section", "--hole", "TH-01,TH-06", "--colour", "lithology", "--out", "s.pdf"], b"%PDF"),
        (["plan", "--out", "p.svg"], b"<?xml"),
        (["plan", "--elevation", "500", "--thickness", "40", "--paper", "A3", "--out", "p.png"], b"\x89PNG"),
        (["net", "--kind", "fault", "--alpha-only", "--weighted", "--out", "n.pdf"], b"%PDF"),
        (["net", "--projection", "equal-angle", "--hole", "TH-01", "--out", "n.svg"], b"<?xml"),
        (["holelog", "--hole", "TH-07", "--out", "h.pdf"], b"%PDF"),
    ],
)
def test_commands_write_what_the_name_ends_in(tmp_path, arguments, start):
    arguments = [str(tmp_path / a) if a[1:] in {".pdf", ".svg", ".png"} else a for a in arguments]
    result = CliRunner().invoke(app, [arguments[0], str(DEMO), *arguments[1:]])
    assert result.exit_code in {0, 1}, result.output  # 1: the demo has planted errors
    assert Path(arguments[-1]).read_bytes().startswith(start)


def test_all_fences_come_in_one_pdf(tmp_path, demo):
    out = tmp_path / "fences.pdf"
    done = CliRunner().invoke(app, ["section", str(DEMO), "--fences", "--no-faults", "--out", str(out)])
    assert done.exit_code in {0, 1}, done.output
    pages = [page.extract_text() for page in pypdf.PdfReader(out).pages]
    assert len(pages) == len(fences(demo.holes))
    for number, (page, holes) in enumerate(zip(pages, fences(demo.holes), strict=True), start=1):
        names = demo.holes.hole_ids[holes]
        assert f"Section {number}" in page or len(names) == 1
        assert all(name in page for name in names)
    refused = CliRunner().invoke(
        app, ["section", str(DEMO), "--fences", "--out", str(tmp_path / "f.png"), "--no-faults"]
    )
    assert "ends in .pdf" in str(refused.exception)
