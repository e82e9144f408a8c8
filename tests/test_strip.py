"""The core strip: lengths measured in the finished PDF, and the sense of beta against the engine."""

from __future__ import annotations

import io

import numpy as np
import pypdf
import pytest
from pypdf.generic import ContentStream
from typer.testing import CliRunner

from desurvey import orient
from desurvey.problems import DataProblem
from viewer.cli import app
from viewer.figures.sheet import figure_bytes
from viewer.figures.strip import CORE_SIZES_MM, EDGE_PT, RULER_MM, diameter_of, draw_strip

POINT_MM = 25.4 / 72.0


def drawn_lines(content, width):
    """Return page size and the straight lines drawn with a width of a PDF page, in millimetres, (n, 2, 2)."""
    reader = pypdf.PdfReader(io.BytesIO(content))
    page = reader.pages[0]
    stack, scale, line_width, lines, start = [], np.eye(3), 0.0, [], None
    for operands, operator in ContentStream(page.get_contents(), reader).operations:
        values = [float(value) for value in operands if isinstance(value, int | float)]
        if operator == b"q":
            stack.append((scale, line_width))
        elif operator == b"Q":
            scale, line_width = stack.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = values
            scale = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ scale
        elif operator == b"w":
            line_width = values[0]
        elif operator == b"m":
            start = np.array([*values, 1.0]) @ scale
        elif operator == b"l":
            end = np.array([*values, 1.0]) @ scale
            if abs(line_width - width) < 1e-6:
                lines.append([start[:2], end[:2]])
            start = end
    size = np.array([float(page.mediabox.width), float(page.mediabox.height)]) * POINT_MM
    return size, np.array(lines).reshape(-1, 2, 2) * POINT_MM


@pytest.mark.parametrize("size", ["B", "N", "H", "P"])
def test_the_printed_scale_is_as_long_as_the_core_is_round(size):
    page, lines = drawn_lines(figure_bytes(draw_strip(CORE_SIZES_MM[size], size), ".pdf"), EDGE_PT)
    assert page == pytest.approx([297.0, 210.0], abs=0.1)
    upright = lines[np.abs(lines[:, 0, 0] - lines[:, 1, 0]) < 1e-6]
    level = lines[np.abs(lines[:, 0, 1] - lines[:, 1, 1]) < 1e-6]
    across = np.unique(upright[:, 0, 0].round(3))
    # circumference = pi D; BQ 36.5 to PQ 85 mm: CHECK_VALUES section 5 (ASTM D6032/D6032M-17)
    assert across[1] - across[0] == pytest.approx(np.pi * CORE_SIZES_MM[size], abs=0.1)
    assert len(across) == 2
    assert np.all((lines >= 0) & (lines <= page))
    assert np.abs(level[:, 1, 0] - level[:, 0, 0]).max() == pytest.approx(RULER_MM, abs=0.1)


def test_diameters_are_those_of_the_tables():
    assert CORE_SIZES_MM == {"B": 36.5, "N": 47.6, "H": 63.5, "P": 85.0}
    # CHECK_VALUES section 5: 1 mm on the circumference is 3.14, 2.41, 1.80, 1.35 degrees
    assert [360 / (np.pi * d) for d in CORE_SIZES_MM.values()] == pytest.approx([3.14, 2.41, 1.80, 1.35], abs=0.005)


def test_beta_grows_to_the_right_as_the_engine_counts_it():
    # a strip held before the eye: up the page is down the hole, and what faces the eye is the line
    tangent, reference = np.array([[0.0, 1.0, 0.0]]), np.array([[0.0, 0.0, 1.0]])
    # the engine's down-hole apex at alpha 0 beta 90 is the opposite of the plane's normal
    apex = -orient.plane_normal(tangent, reference, [0.0], [90.0])[0]
    assert apex == pytest.approx([1.0, 0.0, 0.0])  # to the right
    axes = draw_strip(47.6).axes[0]
    place = {t.get_text(): t.get_position()[0] for t in axes.texts if t.get_text().isdigit() and t.get_rotation() == 90}
    assert place["90"] - place["10"] == pytest.approx(np.pi * 47.6 * 80 / 360)


@pytest.mark.parametrize(("diameter", "step"), [(85.0, 2), (36.5, 2), (20.0, 10)])
def test_ticks_stand_at_their_degrees(diameter, step):
    axes = draw_strip(diameter).axes[0]
    ticks = next(c for c in axes.collections if c.get_gid() == "ticks")
    x = np.array(ticks.get_segments())[:, 0, 0]
    degree = (x - (297.0 - np.pi * diameter - 7.0) / 2) / (np.pi * diameter) * 360
    assert degree == pytest.approx(np.arange(step, 360, step))
    assert np.diff(x).min() > 0.5  # on the paper, in millimetres: below that ticks run together
    length = np.abs(np.diff(np.array(ticks.get_segments())[:, :, 1], axis=1)).ravel()
    assert (length > 5.0).tolist() == (np.arange(step, 360, step) % 10 == 0).tolist()


@pytest.mark.parametrize(
    ("size", "diameter", "message"),
    [
        (None, None, "needs a core size or a diameter"),
        ("N", 47.6, "needs a core size or a diameter"),
        ("X", None, "core sizes are B, N, H, P"),
        (None, 120.0, "must lie in 15 to 86 mm"),
    ],
)
def test_what_can_not_be_printed_is_refused(size, diameter, message):
    with pytest.raises(DataProblem, match=message):
        diameter_of(size, diameter)


def test_the_command_needs_no_project(tmp_path):
    result = CliRunner().invoke(app, ["strip", "--size", "n", "--out", str(tmp_path / "n.pdf")])
    assert result.exit_code == 0, result.output
    assert "149.54 mm" in result.output
    assert (tmp_path / "n.pdf").read_bytes().startswith(b"%PDF")
