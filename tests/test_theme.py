"""Colours and steps that the pictures share."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer import theme
from viewer.app.aiming import AIM_COLOUR

# Okabe & Ito's palette as RGB triples 0-255; the same eight colours are printed in Wong (2011), "Color blindness",
# Nature Methods 8:441, doi 10.1038/nmeth.1618 (from memory).
PUBLISHED = {
    "black": (0, 0, 0),
    "orange": (230, 159, 0),
    "sky blue": (86, 180, 233),
    "bluish green": (0, 158, 115),
    "yellow": (240, 228, 66),
    "blue": (0, 114, 178),
    "vermilion": (213, 94, 0),
    "reddish purple": (204, 121, 167),
}


def rgb(colour: str) -> tuple[int, ...]:
    return tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1, definition of terms."""
    share = np.array(rgb(colour)) / 255
    linear = np.where(share <= 0.03928, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_palette_is_the_published_one():
    assert {name: rgb(colour) for name, colour in theme.OKABE_ITO.items()} == PUBLISHED


@pytest.mark.parametrize("look", [theme.LIGHT, theme.DARK], ids=["light", "dark"])
def test_text_is_readable(look):
    """WCAG 2.1, success criterion 1.4.3 (AA): 4.5:1 for text; 1.4.11: 3:1 for lines that carry meaning."""
    for behind in (look.background, look.surface):
        assert contrast(look.text, behind) >= 4.5
        assert contrast(look.quiet, behind) >= 4.5
        assert contrast(look.trace, behind) >= 3.0
        assert contrast(look.accent, behind) >= 3.0


@pytest.mark.parametrize("look", [theme.LIGHT, theme.DARK], ids=["light", "dark"])
def test_lines_drawn_on_the_net_can_be_told_from_it(look):
    """WCAG 2.1, 1.4.11: 3:1 for what carries meaning; canvases are out of reach of tests/browser/test_app_access.py."""
    for colour in (AIM_COLOUR, look.quiet, look.accent):
        assert contrast(colour, look.surface) >= 3.0


def test_known_kinds_differ_and_never_change():
    alone = theme.class_colours(["fault"])
    many = theme.class_colours(["vein", "fault", "joint", "foliation", "bedding", "contact", "dyke"])
    assert many["fault"] == alone["fault"]
    assert all(one != other for one, other in combinations(many.values(), 2))


def test_ninth_class_is_grey():
    colours = theme.class_colours([f"rock {i}" for i in range(10)])
    assert len(set(list(colours.values())[:8])) == 8
    assert list(colours.values())[8:] == [theme.OTHER, theme.OTHER]


@given(st.floats(1e-6, 1e9))
def test_steps_are_round_and_few(length):
    step = theme.nice_step(length, 5)
    digits = float(f"{step:.12e}".split("e")[0])
    assert digits in (1.0, 2.0, 5.0)
    assert 2.5 <= length / step <= 10


@pytest.mark.parametrize("length", [0.0, -1.0, np.nan, np.inf])
def test_no_step_for_no_length(length):
    with pytest.raises(ValueError, match="more than 0"):
        theme.nice_step(length)


def test_colour_maps_and_settings_are_known_to_matplotlib():
    matplotlib = pytest.importorskip("matplotlib")
    for column in ("beta", "au_ppm"):
        assert theme.colour_map(column) in matplotlib.colormaps
    assert not set(theme.figure_settings()) - set(matplotlib.rcParams)
