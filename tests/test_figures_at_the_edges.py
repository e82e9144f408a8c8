"""Figures, report and exports of projects at the edge: no hole that can be placed, vertical, rising and lost holes."""

from __future__ import annotations

import numpy as np
import pytest

import desurvey
from desurvey import traces
from desurvey.exchange.formats import endings, export
from desurvey.problems import DataProblem
from tests.projects import TABLES, write_project
from viewer.figures.collect import content_of
from viewer.figures.net import draw_net, net_of
from viewer.figures.plan import Level, draw_plan
from viewer.figures.section import draw_section
from viewer.figures.slab import along_line
from viewer.report import WantedDrawings, compose, render

HEADING = TABLES["collars"].splitlines()[0] + "\n"
NO_EASTING = HEADING + "A,,2000,100,120,90,-60,2026-05-01\nB,,2000,101,80,90,-60,2026-05-03\n"
SHORT = HEADING + "A,1000,2000,100,0.5,90,-60,2026-05-01\nB,1100,2000,101,80,90,-60,2026-05-03\n"

PROJECTS = {
    "no hole can be placed": {"collars": NO_EASTING},
    "no collars": {"collars": HEADING},
    "vertical": {"surveys": "hole_id,depth,azimuth,dip\nA,0,0,-90\nB,0,0,-90\n"},
    "rising": {"surveys": "hole_id,depth,azimuth,dip\nA,0,90,60\nB,0,10,0\n"},
    "shorter than its surveys": {"collars": SHORT},
}


@pytest.fixture(params=PROJECTS)
def study(request, tmp_path):
    return desurvey.open(write_project(tmp_path / "p", **PROJECTS[request.param]))


def test_figures_are_drawn(study):
    content = content_of(study, heading="At the edge", bars="lithology")
    assert draw_plan(content).axes
    assert draw_plan(content, Level(50.0, 20.0)).axes
    assert draw_section(content, along_line((900.0, 1900.0), (1200.0, 2100.0), 50.0)).axes
    everything = np.ones(len(study.structures.table), dtype=bool)
    assert draw_net(net_of(study, ~content.planned, everything, content.title)).axes


def test_the_report_is_written(study):
    assert "Competent person" in render(compose(study, WantedDrawings()))


@pytest.mark.parametrize("ending", [e for e in endings("model") if e not in {".geojson", ".las"}])
def test_exports_are_written(study, ending, tmp_path):
    export(study.model(), tmp_path / f"x{ending}")
    assert (tmp_path / f"x{ending}").stat().st_size > 0


def test_las_files_are_written_where_a_structure_lies_on_a_hole(study, tmp_path):
    if len(study.model().placed[0]):
        export(study.model(), tmp_path / "x.las")
        assert list(tmp_path.glob("x-*.las"))
    else:
        with pytest.raises(DataProblem, match=r"nothing to write as \.las"):
            export(study.model(), tmp_path / "x.las")


def test_points_along_no_holes_are_none(tmp_path):
    # a step along no holes at all used to end in a broadcasting error
    study = desurvey.open(write_project(tmp_path / "p", collars=HEADING))
    assert len(traces.trace_frame(study.holes, step=5.0)) == 0
