"""What stands in for the scene while the camera moves: fewer cells of the same things, and all of them at rest."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest
import pyvista as pv

import desurvey
from tests.benches import fan, written
from viewer import scene
from viewer.app.painter import Painter
from viewer.scene import detail
from viewer.screen import draws_in_software, prefer_off_screen

HOLES = 60


@pytest.fixture(scope="module")
def fenced(tmp_path_factory):
    """Return the scene of 60 holes of 200 m with 120 discs."""
    return scene.build(desurvey.open(written(tmp_path_factory.mktemp("detail") / "fan", fan(HOLES))))


@pytest.fixture
def small(monkeypatch):
    """Make the limits so low that this scene exceeds them."""
    for name, limit in {"FULL_DISCS": 50, "DISCS": 50, "FULL_PIECES": 100, "PIECES": 700}.items():
        monkeypatch.setattr(detail, name, limit)


def test_every_third_disc_turns_where_it_lies_in_nearly_its_colour(fenced, small):
    quick, full = detail.quick_discs(fenced), fenced.discs
    assert quick.n_cells == 40
    centres = np.asarray(quick.cell_centers().points)
    np.testing.assert_allclose(centres, full.centre[::3], atol=1e-2)
    spokes = np.asarray(quick.points).reshape(40, -1, 3) - full.centre[::3, None]
    np.testing.assert_allclose(np.einsum("ijk,ik->ij", spokes, full.normal[::3]), 0.0, atol=1e-2)
    colour = np.asarray(quick.point_data["rgb"]).reshape(40, -1, 3)[:, 0]
    assert np.abs(colour / np.maximum(full.mesh.cell_data["rgb"][::3], 1) - detail.UNLIT).max() < 0.03


def test_turning_holes_keep_their_ends(fenced, small):
    quick, full = detail.quick_holes(fenced), fenced.drilled
    assert quick.n_cells < 700 < full.n_cells
    ends = np.asarray(full.points).reshape(-1, 2, 3)
    hole = np.asarray(full.cell_data["hole"])
    first, last = np.searchsorted(hole, np.arange(HOLES)), np.searchsorted(hole, np.arange(HOLES), side="right") - 1
    lines = np.asarray(quick.points).reshape(-1, 2, 3)
    for wanted, there in ((ends[first, 0], lines[:, 0]), (ends[last, 1], lines[:, 1])):
        assert {tuple(point) for point in wanted.tolist()} <= {tuple(point) for point in there.tolist()}
    joined = (lines[1:, 0] == lines[:-1, 1]).all(axis=1)
    assert (~joined).sum() == HOLES - 1  # whole from collar to end, and cut only from hole to hole


def test_quick_layers_stand_in_and_go(fenced, small):
    prefer_off_screen()
    plotter = pv.Plotter(off_screen=True, window_size=[200, 150])
    try:
        scene.draw(fenced, plotter)
        detail.add_quick(fenced, plotter)
        for moving in (True, False):
            detail.show_quick(plotter, moving, samples=4)
            shown = {name for name, actor in plotter.actors.items() if actor.GetVisibility()}
            assert set(detail.QUICK.values()).isdisjoint(shown) is not moving
            assert set(detail.QUICK).isdisjoint(shown) is moving
            assert plotter.render_window.GetMultiSamples() == (0 if moving else 4)
    finally:
        plotter.close()


def test_a_small_scene_turns_in_full(fenced):
    prefer_off_screen()
    plotter = pv.Plotter(off_screen=True, window_size=[200, 150])
    try:
        scene.draw(fenced, plotter)
        detail.add_quick(fenced, plotter)
        assert detail.QUICK["discs"] not in plotter.actors
        detail.show_quick(plotter, quick=True, samples=4)
        assert plotter.actors["discs"].GetVisibility()
    finally:
        plotter.close()


CAPABILITIES = "EGL vendor string:  {vendor}\nOpenGL vendor string:  {vendor}\nOpenGL renderer string:  {renderer}\n"


@pytest.mark.parametrize(
    ("vendor", "renderer", "software"),
    [
        ("Mesa/X.org", "llvmpipe (LLVM 15.0.6, 256 bits)", True),  # what this program's own test machine says
        ("Google Inc. (Google)", "ANGLE (Google, Vulkan 1.3.0 (SwiftShader Device), SwiftShader driver)", True),
        ("Microsoft Corporation", "GDI Generic", True),
        ("NVIDIA Corporation", "NVIDIA H100 80GB HBM3/PCIe/SSE2", False),
        ("Intel", "Mesa Intel(R) UHD Graphics 620 (KBL GT2)", False),
        ("Apple", "Apple M1", False),
    ],
)
def test_a_renderer_on_the_processor_is_known_by_its_name(vendor, renderer, software):
    """The names are from memory, but for the first, which Mesa gave while this was written."""
    assert draws_in_software(CAPABILITIES.format(vendor=vendor, renderer=renderer)) is software
    assert draws_in_software("no context")


def test_painter_says_whether_a_card_draws():
    """Mesa's own word for drawing on the processor, where it is what VTK found."""
    painter = Painter()
    prefer_off_screen()
    plotter = pv.Plotter(off_screen=True, window_size=[8, 8])
    plotter.render_window.Render()
    said = plotter.render_window.ReportCapabilities()
    plotter.close()
    assert painter.has_card() is ("llvmpipe" not in said)
    asyncio.run(painter.close())
