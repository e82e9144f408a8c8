"""Each figure as a whole against a picture of it that a person has looked at.

The pictures are 50 dots to the inch, so that what differs between versions of matplotlib in a letter's rim does not
count; a moved line, a lost legend or a wrong colour does. After a wanted change, look at what the failing test has
written, and put it in the place of the old picture.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from desurvey import curvature
from tests.fences import TITLE, fence_content
from tests.test_holelog import log_of
from viewer.figures.holelog import draw_log
from viewer.figures.net import Net, NetLook, draw_net
from viewer.figures.plan import Level, draw_plan
from viewer.figures.section import draw_section
from viewer.figures.sheet import style
from viewer.figures.slab import through_holes
from viewer.figures.strip import draw_strip

PICTURES = Path(__file__).parent / "pictures"
DPI = 50
TOLERANCE = 5.0
"""Root-mean-square difference in grey levels of 255, of the worst part, dots averaged over 3 × 3. Measured when this
was written: one name moved by 20 m gives 14, all letters 2 % larger give 7, the same figure drawn twice 0."""
PARTS = 8
"""The picture is compared in PARTS × PARTS parts, so that a small wrong thing isn't lost in a large white sheet."""


def section():
    content = fence_content(6)
    return draw_section(content, through_holes(content.traces, np.arange(6), 50.0))


def plan():
    return draw_plan(fence_content(12, fences=3), Level(270.0, 40.0))


def net():
    rng = np.random.default_rng(8)
    normal = np.concatenate([rng.normal([0.5, 0.2, 0.8], 0.08, (60, 3)), rng.normal([-0.7, 0.4, 0.4], 0.1, (40, 3))])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    hole = curvature.tangent(np.array([1.2]), np.array([-1.0]))
    kind = np.repeat(["foliation", "joint"], [60, 40])
    drawn = Net(
        normal,
        np.repeat(hole, 100, axis=0),
        kind,
        np.zeros(len(kind), dtype=bool),
        normal[:3],
        hole,
        np.array([35.0]),
        hole,
        TITLE,
    )
    return draw_net(drawn, NetLook(cones=True))


FIGURES = {
    "section": section,
    "plan": plan,
    "net": net,
    "holelog": lambda: draw_log(log_of()),
    "strip": lambda: draw_strip(47.6, "N"),
}


def picture(figure):
    content = io.BytesIO()
    with style():
        figure.savefig(content, format="png", dpi=DPI)
    return Image.open(content).convert("L")


def blurred(image):
    values = np.asarray(image, dtype=float)
    padded = np.pad(values, 1, mode="edge")
    rows, columns = values.shape
    return sum(padded[i : i + rows, j : j + columns] for i in range(3) for j in range(3)) / 9


def worst_part(one, other):
    """Return the root-mean-square difference of the part in which two pictures differ most."""
    square = (blurred(one) - blurred(other)) ** 2
    parts = [part for band in np.array_split(square, PARTS) for part in np.array_split(band, PARTS, axis=1)]
    return max(float(np.sqrt(part.mean())) for part in parts)


@pytest.mark.parametrize("name", FIGURES)
def test_a_figure_looks_as_it_did_when_it_was_looked_at(name, tmp_path):
    found = picture(FIGURES[name]())
    kept = PICTURES / f"{name}.png"
    if not kept.is_file():
        found.save(tmp_path / kept.name)
        pytest.fail(f"there is no picture to compare with: look at {tmp_path / kept.name} and keep it as {kept}")
    expected = Image.open(kept).convert("L")
    assert found.size == expected.size
    difference = worst_part(found, expected)
    if difference > TOLERANCE:
        found.save(tmp_path / kept.name)
    assert difference <= TOLERANCE, f"it differs: see {tmp_path / kept.name}"


def test_the_comparison_sees_one_name_moved():
    content = fence_content(6)
    slab = through_holes(content.traces, np.arange(6), 50.0)
    before = draw_section(content, slab)
    after = draw_section(content, slab)
    name = next(t for t in after.findobj(lambda artist: getattr(artist, "get_gid", str)() == "hole name"))
    x, y = name.get_position()
    name.set_position((x, y + 20.0))
    assert worst_part(picture(before), picture(after)) > TOLERANCE
    assert worst_part(picture(before), picture(draw_section(content, slab))) == 0.0
