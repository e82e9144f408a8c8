"""Colours, fonts and lengths that every picture of the program shares: scene, app, nets, sections and reports.

Classes (kinds of structure, rock types) take the Okabe-Ito colours, which people with the common forms of colour
blindness can tell apart; continuous values take *viridis* (or *cividis*), and angles that run round a circle the cyclic
*twilight*. The module holds plain values and imports no graphics library, so that it costs nothing to import.

References
----------
Okabe & Ito (2008), *Color Universal Design: how to make figures and presentations that are friendly to colorblind
people*: the eight colours, as RGB 0-255 triples (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

if TYPE_CHECKING:
    from desurvey.lineup import Fault

__all__ = [
    "ANGLE_COLUMNS",
    "CLASS_COLOURS",
    "CONTINUOUS",
    "CYCLIC",
    "DARK",
    "FONT",
    "FONT_SIZE_PT",
    "GREY",
    "IN_NO_SET",
    "LIGHT",
    "NOT_SORTED",
    "OKABE_ITO",
    "OTHER",
    "PAPERS",
    "PLANNED",
    "PUT_RIGHT",
    "ROCK_COLOURS",
    "SUSPECT",
    "SUSPECT_HOLE",
    "UNITS",
    "Look",
    "Paper",
    "class_colours",
    "fault_colours",
    "colour_map",
    "figure_settings",
    "heading",
    "nice_step",
]

OKABE_ITO: Final = MappingProxyType(
    {
        "black": "#000000",
        "orange": "#E69F00",
        "sky blue": "#56B4E9",
        "bluish green": "#009E73",
        "yellow": "#F0E442",
        "blue": "#0072B2",
        "vermilion": "#D55E00",
        "reddish purple": "#CC79A7",
    }
)
"""The palette by its colours' names."""

CLASS_COLOURS: Final = tuple(
    OKABE_ITO[name]
    for name in ("blue", "orange", "bluish green", "reddish purple", "sky blue", "vermilion", "yellow", "black")
)
"""The palette in the order in which classes without a colour of their own take it."""

ROCK_COLOURS: Final = (
    "#C8B68B", "#7D8B8F", "#B7C2A8", "#8C7460", "#D8CFC4", "#9C9AA8", "#5F6B5A", "#E0C7B8",
)  # fmt: skip
"""Rocks along holes: colours of earth, so that none is taken for a kind of structure on them."""

KIND_COLOURS: Final = MappingProxyType(
    {
        "fault": OKABE_ITO["vermilion"],
        "foliation": OKABE_ITO["blue"],
        "bedding": OKABE_ITO["bluish green"],
        "joint": OKABE_ITO["sky blue"],
        "vein": OKABE_ITO["yellow"],
        "contact": OKABE_ITO["reddish purple"],
        "dyke": OKABE_ITO["orange"],
    }
)
"""Kinds of structure that look the same in every picture of every project."""

OTHER: Final = "#999999"
"""Classes beyond the eight colours, and values that are missing."""

IN_NO_SET: Final = "in no set"
"""Structures that belong to no set of orientations."""

NOT_SORTED: Final = "of another kind"
"""Structures among which no sets were looked for."""

GREY: Final = (IN_NO_SET, NOT_SORTED)
"""Classes that are grey in every picture, and come last."""

PLANNED: Final = "#7A7A7A"
"""Planned holes: grey and dashed, for nothing in them has been seen yet."""

SUSPECT: Final = OKABE_ITO["vermilion"]
"""Readings that a suspect accuses, in every picture about suspicion."""

SUSPECT_HOLE: Final = "#F0B58C"
"""Lengths of hole that a suspect accuses: vermilion, paler than the readings on them."""

PUT_RIGHT: Final = OKABE_ITO["bluish green"]
"""Readings that are shown as a suspect explains them."""

CONTINUOUS: Final = "viridis"
"""Colour map of continuous values (matplotlib's name, which PyVista knows too)."""

CYCLIC: Final = "twilight"
"""Colour map of angles that come round to where they began."""

ANGLE_COLUMNS: Final = frozenset({"azimuth", "beta", "gamma", "dip_direction", "trend", "line_offset", "roll_deg"})
"""Columns whose values run round a circle of 360°."""

UNITS: Final = MappingProxyType(
    {
        "depth": "m",
        "depth_from": "m",
        "depth_to": "m",
        "easting": "m",
        "northing": "m",
        "elevation": "m",
        "azimuth": "°",
        "dip": "°",
        "alpha": "°",
        "beta": "°",
        "gamma": "°",
        "dip_direction": "°",
        "trend": "°",
        "plunge": "°",
        "pole_sigma": "°",
        "line_offset": "°",
        "dogleg_30m": "°/30 m",
        "recovered": "m",
        "field_nt": "nT",
        "field_dip": "°",
        "sigma_e": "m",
        "sigma_n": "m",
        "sigma_u": "m",
    }
)
"""Units of the canonical columns; a project's own columns say theirs in their names."""

Paper = Literal["A4", "A3", "letter", "tabloid"]

PAPERS: Final = MappingProxyType(
    {"A4": (297.0, 210.0), "A3": (420.0, 297.0), "letter": (279.4, 215.9), "tabloid": (431.8, 279.4)}
)
"""Long and short side of the sheets that figures are printed on, millimetres (ISO 216; ASME Y14.1, sizes A and B)."""

FONT: Final = "DejaVu Sans"
"""The font that matplotlib brings along: the same letters, degree signs and Greek on every machine."""

FONT_SIZE_PT: Final = 9.0
"""Text of printed figures."""


class Look(NamedTuple):
    """Colours of a background and of what is written on it.

    Attributes
    ----------
    background, surface : str
        Behind the scene, and of cards and panels on it.
    text, quiet : str
        Text, and lesser text; each at least 4.5:1 against both backgrounds (the AA rule of WCAG 2.1).
    grid : str
        Lines of the ground grid.
    trace : str
        Holes that no value colours.
    accent : str
        What is picked.
    quiet_disc, quiet_hole : str
        Discs and holes that are context only; each at least 1.3:1 against the background, to be seen and no more.
    unrelated : str
        What a question is about and has no answer of its own: picks of no fault, what was set aside.
    expected : str
        Where a reading is expected to lie.
    """

    background: str
    surface: str
    text: str
    quiet: str
    grid: str
    trace: str
    accent: str
    quiet_disc: str
    quiet_hole: str
    unrelated: str
    expected: str


LIGHT: Final = Look(
    "#FFFFFF", "#F5F6F7", "#1B1F23", "#57606A", "#C4CAD0", "#4A4F55", "#B4006E", "#AEB6BE", "#CDD2D8", "#6B737B",
    "#0072B2",
)  # fmt: skip
"""The look of print and of a bright room."""

DARK: Final = Look(
    "#15181C", "#20252B", "#F0F2F4", "#A9B2BB", "#454D55", "#B8BEC4", "#FF7AC6", "#5A636C", "#434B53", "#98A1AA",
    "#56B4E9",
)  # fmt: skip
"""The look of a core shed at night."""


def class_colours(classes: Iterable[str]) -> dict[str, str]:
    """Return a colour for each class, the same whatever the order of the rows.

    Kinds of structure known to the trade have a colour of their own; the others take what is left of the palette in
    alphabetical order, and grey when nothing is left.

    Parameters
    ----------
    classes : iterable of str
        Names, repeated as often as they like.

    Returns
    -------
    dict
        Class → ``#RRGGBB``, in alphabetical order of the classes.

    Examples
    --------
    >>> class_colours(["fault", "shear", "fault"])
    {'fault': '#D55E00', 'shear': '#0072B2'}
    """
    names = sorted(set(classes))
    own = {name: KIND_COLOURS[name.lower()] for name in names if name.lower() in KIND_COLOURS}
    own |= {name: OTHER for name in names if name in GREY}
    left = iter([colour for colour in CLASS_COLOURS if colour not in own.values()])
    return {name: own.get(name) or next(left, OTHER) for name in names}


def fault_colours(faults: Iterable[Fault]) -> dict[str, str]:
    """Return the colour of each fault by its name: the same in every picture, and as lasting as the name."""
    return {fault.fault_id: CLASS_COLOURS[fault.colour % len(CLASS_COLOURS)] for fault in faults}


def colour_map(column: str) -> str:
    """Return the name of the colour map for the values of a column.

    Examples
    --------
    >>> colour_map("beta"), colour_map("au_ppm")
    ('twilight', 'viridis')
    """
    return CYCLIC if column in ANGLE_COLUMNS else CONTINUOUS


def heading(column: str) -> str:
    """Return a column's name as a person reads it, with its unit where that is known.

    Examples
    --------
    >>> heading("dip_direction"), heading("au_ppm")
    ('dip direction (°)', 'au ppm')
    """
    name = column.replace("_", " ")
    return f"{name} ({UNITS[column]})" if column in UNITS else name


def nice_step(length: float, parts: int = 5) -> float:
    """Return a round step (1, 2 or 5 times a power of ten) that cuts a length into about so many parts.

    Parameters
    ----------
    length : float
        Length to be cut, in any unit; more than 0.
    parts : int
        Wished number of parts; the answer gives at most about twice and at least about half as many.

    Examples
    --------
    >>> nice_step(430.0), nice_step(0.9)
    (100.0, 0.2)
    """
    if not (math.isfinite(length) and length > 0):
        raise ValueError(f"length must be more than 0, found {length}")
    rough = length / parts
    power = 10.0 ** math.floor(math.log10(rough))
    return min((1.0, 2.0, 5.0, 10.0), key=lambda factor: abs(math.log(factor * power / rough))) * power


def figure_settings(look: Literal["light", "dark"] = "light") -> dict[str, object]:
    """Return settings for ``matplotlib.rc_context`` that give every figure the same look.

    Text stays text in SVG and PDF, so that a reader can search it.
    """
    colours = LIGHT if look == "light" else DARK
    return {
        "font.family": FONT,
        "font.size": FONT_SIZE_PT,
        "axes.titlesize": FONT_SIZE_PT + 2,
        "axes.labelsize": FONT_SIZE_PT,
        "axes.edgecolor": colours.quiet,
        "axes.labelcolor": colours.text,
        "axes.facecolor": colours.background,
        "axes.linewidth": 0.8,
        "figure.facecolor": colours.background,
        "savefig.facecolor": colours.background,
        "text.color": colours.text,
        "xtick.color": colours.text,
        "ytick.color": colours.text,
        "grid.color": colours.grid,
        "grid.linewidth": 0.5,
        "image.cmap": CONTINUOUS,
        "svg.fonttype": "none",
        "pdf.fonttype": 42,
    }
