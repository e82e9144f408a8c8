"""The printed sheet that every figure stands on: paper, frame, side column, title block; all lengths in millimetres.

A sheet is a matplotlib figure of the paper's true size. Its *frame* holds the drawing, its *side* column the legend,
north and notes, its *block* along the foot says what, when, from which data and under which conventions. Nothing here
keeps state between figures (no pyplot), and a figure saved twice is the same to the byte.
"""

from __future__ import annotations

import functools
import html
import io
import itertools
import math
import re
from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import Rectangle
from matplotlib.textpath import text_to_path

from desurvey.outputs import date_of_issue, replacing
from desurvey.problems import DataProblem
from viewer import theme
from viewer.theme import PAPERS, Paper

__all__ = [
    "Box",
    "Orientation",
    "PaperSheet",
    "Title",
    "blank",
    "axes_at",
    "draw_title",
    "figure_bytes",
    "figure_markup",
    "figure_of_paper",
    "in_millimetres",
    "lines_down",
    "round_scale",
    "save",
    "save_all",
    "style",
    "text_size",
    "with_lines",
    "wrapped",
]

Orientation = Literal["landscape", "portrait"]

MARGIN: Final = 10.0
BLOCK_HEIGHT: Final = 22.0
SIDE_WIDTH: Final = 52.0
GAP: Final = 4.0
MM_PER_INCH: Final = 25.4
POINT_MM: Final = MM_PER_INCH / 72.0

BODY_PT: Final = 7.5
SMALL_PT: Final = 6.0

SCALE_STEPS: Final = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.5, 10.0)
"""Leading figures of the scales that a drawing may take (1:500, 1:750, 1:1000, …)."""

METADATA: Final[dict[str, dict[str, str | None]]] = {
    ".pdf": {"Creator": "lowside", "CreationDate": None},
    ".svg": {"Creator": "lowside", "Date": None},
    ".png": {"Software": "lowside"},
}
"""What a file says of itself, by its ending: nothing that changes from one run to the next."""

PNG_DPI: Final = 200


class Box(NamedTuple):
    """A rectangle on the paper, millimetres from its lower left corner."""

    left: float
    bottom: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Title:
    """What the title block says.

    Attributes
    ----------
    project, heading : str
        Name of the project, and what the figure shows.
    crs, convention : str
        Coordinate system, and the conventions under which the data were read.
    lines : tuple of str
        What else belongs to this figure (vertical exaggeration, thickness).
    date : str
        Date of issue; today's when it is empty (see :func:`desurvey.outputs.date_of_issue`).
    basis : str
        Whether data are drawn as logged or as decided, and how many suspects are marked.
    """

    project: str
    heading: str
    crs: str = ""
    convention: str = ""
    lines: tuple[str, ...] = ()
    date: str = ""
    basis: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class PaperSheet:
    """A blank sheet with its parts.

    Attributes
    ----------
    figure : Figure
        Of the paper's true size.
    frame : Box
        Where the drawing goes.
    side, block : Axes
        Legend column and title block; their data coordinates are millimetres from their lower left corners.
    paper : str
        Name and orientation for the title block.
    """

    figure: Figure
    frame: Box
    side: Axes
    block: Axes
    paper: str


def style() -> AbstractContextManager[None]:
    """Return the context in which figures are made and saved: the shared theme, and no random identifiers."""
    settings: Any = {  # the stubs want a dictionary of literal keys
        **theme.figure_settings("light"),
        "font.size": BODY_PT,
        "axes.titlesize": BODY_PT + 1.5,
        "axes.labelsize": BODY_PT,
        "xtick.labelsize": SMALL_PT,
        "ytick.labelsize": SMALL_PT,
        "axes.linewidth": 0.6,
        "xtick.major.width": 0.5,
        "ytick.major.width": 0.5,
        "xtick.major.size": 2.5,
        "ytick.major.size": 2.5,
        "svg.hashsalt": "lowside",
        "path.simplify": False,
    }
    return matplotlib.rc_context(settings)


def blank(paper: Paper = "A4", orientation: Orientation = "landscape") -> PaperSheet:
    """Return a blank sheet.

    Parameters
    ----------
    paper : {"A4", "A3", "letter", "tabloid"}
        Size.
    orientation : {"landscape", "portrait"}
        Which way it stands.
    """
    figure = figure_of_paper(paper, orientation)
    width, height = (figure.get_size_inches() * MM_PER_INCH).tolist()
    above = MARGIN + BLOCK_HEIGHT + GAP
    side = Box(width - MARGIN - SIDE_WIDTH, above, SIDE_WIDTH, height - MARGIN - above)
    frame = Box(MARGIN, above, side.left - GAP - MARGIN, side.height)
    block = Box(MARGIN, MARGIN, width - 2 * MARGIN, BLOCK_HEIGHT)
    return PaperSheet(
        figure, frame, in_millimetres(figure, side), in_millimetres(figure, block), f"{paper} {orientation}"
    )


def figure_of_paper(paper: Paper, orientation: Orientation) -> Figure:
    """Return an empty figure of the size of a sheet of paper.

    Raises
    ------
    DataProblem
        When the paper is another one.
    """
    if paper not in PAPERS:
        raise DataProblem(f"the paper must be {', '.join(PAPERS)}", value=paper)
    width, height = PAPERS[paper] if orientation == "landscape" else PAPERS[paper][::-1]
    figure = Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH))
    FigureCanvasAgg(figure)
    return figure


def axes_at(figure: Figure, box: Box, label: str = "") -> Axes:
    """Return new axes that fill a box on the paper."""
    width, height = figure.get_size_inches() * MM_PER_INCH
    return figure.add_axes((box.left / width, box.bottom / height, box.width / width, box.height / height), label=label)


def in_millimetres(figure: Figure, box: Box) -> Axes:
    """Return bare axes that fill a box, with millimetres as data coordinates."""
    axes = axes_at(figure, box, label=f"{box.left}-{box.bottom}")
    axes.set_xlim(0.0, box.width)
    axes.set_ylim(0.0, box.height)
    axes.set_axis_off()
    return axes


def round_scale(metres: float, millimetres: float) -> float:
    """Return the smallest round scale number at which a length on the ground fits on the paper.

    Parameters
    ----------
    metres : float
        Length on the ground.
    millimetres : float
        Length on the paper.

    Examples
    --------
    >>> round_scale(180.0, 200.0)      # 180 m on 200 mm: 1:1000
    1000.0
    """
    least = max(metres * 1000.0 / millimetres, 1.0)
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in SCALE_STEPS if step * power >= least * (1 - 1e-9))


def text_size(text: str, points: float = BODY_PT, weight: str = "normal") -> tuple[float, float]:
    """Return width and height (of any letter) in millimetres of one line of text as it will print."""
    return _width(text, weight) * points * POINT_MM, _extent("lp", weight)[1] * points * POINT_MM


def _width(text: str, weight: str) -> float:
    """Return the width of a text in letters of one point, word by word: most words come again and again."""
    words = text.split(" ")
    return sum(_extent(word, weight)[0] for word in words if word) + (len(words) - 1) * _extent(" ", weight)[0]


@functools.cache
def _extent(word: str, weight: str) -> tuple[float, float]:
    font = FontProperties(family=[theme.FONT], size=MEASURED_PT, weight=weight)
    width, height, _ = text_to_path.get_text_width_height_descent(word, font, ismath=False)
    return width / MEASURED_PT, height / MEASURED_PT


MEASURED_PT: Final = 10.0


def wrapped(text: str, millimetres: float, points: float = BODY_PT, weight: str = "normal") -> list[str]:
    """Return text broken at spaces into lines that fit a width on the paper.

    A single word wider than that is broken where it must be, so that nothing runs off the sheet.

    Examples
    --------
    >>> wrapped("12 structures outside 25 m", 30.0, points=7.5)
    ['12 structures outside', '25 m']
    """
    lines: list[str] = [""]
    for word in text.split(" "):  # a no-break space holds a number to its unit
        joined = f"{lines[-1]} {word}".strip()
        if text_size(joined, points, weight)[0] <= millimetres:
            lines[-1] = joined
            continue
        pieces = _broken(word, millimetres, points, weight)
        lines += pieces if lines[-1] else []
        if not lines[-1]:
            lines[-1:] = pieces
    return lines


def _broken(word: str, millimetres: float, points: float, weight: str) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_size(pieces[-1] + letter, points, weight)[0] > millimetres:
            pieces.append("")
        pieces[-1] += letter
    return pieces


def draw_title(sheet: PaperSheet, title: Title, scale: str) -> None:
    """Fill the title block along the foot of the sheet; the figure's label says the scale too."""
    sheet.figure.set_label(scale)
    axes = sheet.block
    width = axes.get_xlim()[1]
    edges = (0.0, 0.36 * width, width - 46.0, width)
    axes.add_patch(Rectangle((0, 0), width, BLOCK_HEIGHT, fill=False, lw=0.8, ec=theme.LIGHT.text, clip_on=False))
    for edge in edges[1:-1]:
        axes.plot([edge, edge], [0, BLOCK_HEIGHT], color=theme.LIGHT.text, lw=0.5)
    heading = [(title.project, BODY_PT + 2.5, "bold"), (title.heading, BODY_PT + 0.5, "normal")]
    facts = [f"Coordinates: {title.crs or 'not stated'}; metres", title.basis, title.convention, *title.lines]
    middle = [(fact, SMALL_PT + 0.3, "normal") for fact in facts if fact]
    last = [
        (scale, BODY_PT + 1.0, "bold"),
        (f"Sheet {sheet.paper}", SMALL_PT + 0.3, "normal"),
        (f"Date {title.date or date_of_issue()}", SMALL_PT + 0.3, "normal"),
        ("Drawn by lowside", SMALL_PT + 0.3, "normal"),
    ]
    for (left, right), cell in zip(itertools.pairwise(edges), (heading, middle, last), strict=True):
        lines_down(axes, left + 2.0, BLOCK_HEIGHT - 1.2, _fitting(cell, right - left - 3.5, BLOCK_HEIGHT - 2.0))


LINE_HEIGHT: Final = 1.3
"""Of a line, in heights of its letters."""


def _fitting(cell: Sequence[tuple[str, float, str]], width: float, height: float) -> list[tuple[str, float, str]]:
    """Return texts broken into lines of a width, in letters so small that all of them fit a height."""
    for shrink in np.linspace(1.0, 0.4, 13).tolist():
        lines = [
            (line, points * shrink, weight)
            for text, points, weight in cell
            for line in wrapped(text, width, points * shrink, weight)
        ]
        if sum(points * POINT_MM * LINE_HEIGHT for _, points, _ in lines) <= height:
            break
    return lines


def lines_down(axes: Axes, left: float, top: float, cell: Sequence[tuple[str, float, str]]) -> None:
    """Write lines of (text, points, weight) below each other from ``top``, in axes of millimetres."""
    for text, points, weight in cell:
        axes.text(left, top, text, fontsize=points, fontweight=weight, va="top", ha="left")
        top -= points * POINT_MM * LINE_HEIGHT


def save(figure: Figure, path: Path | str) -> None:
    """Write a figure as PDF, SVG or PNG by the ending of its name; the old file stays if that fails.

    Raises
    ------
    DataProblem
        When the ending is another one.
    """
    path = Path(path)
    content = figure_bytes(figure, path.suffix)
    with replacing(path) as partial:
        partial.write_bytes(content)


def save_all(figures: Iterable[Figure], path: Path | str) -> int:
    """Write figures as the pages of one PDF, each of its own paper; return how many there are.

    Raises
    ------
    DataProblem
        When the name doesn't end in .pdf.
    """
    path = Path(path)
    if path.suffix.lower() != ".pdf":
        raise DataProblem("several sheets in one file need a name that ends in .pdf", value=path.name)
    content, count = io.BytesIO(), 0
    with style(), PdfPages(content, metadata=dict(METADATA[".pdf"])) as pages:
        for figure in figures:
            pages.savefig(figure)
            count += 1
    with replacing(path) as partial:
        partial.write_bytes(content.getvalue())
    return count


def figure_bytes(figure: Figure, ending: str) -> bytes:
    """Return a figure as the content of a file with that ending, without dates or random identifiers."""
    ending = ending.lower()
    if ending not in METADATA:
        raise DataProblem("a figure's name must end in .pdf, .svg or .png", value=ending or "no ending")
    content = io.BytesIO()
    with style():
        figure.savefig(content, format=ending[1:], dpi=PNG_DPI, metadata=dict(METADATA[ending]))
    return content.getvalue()


TRIMMED_MM: Final = 7.0
"""Of the empty margin that a sheet on a page of a larger document leaves to that page."""


def figure_markup(figure: Figure, alternative: str, *, rim: float = TRIMMED_MM) -> str:
    """Return a figure as an SVG element for a page of HTML: its text stays text, and its size is in millimetres.

    A ``rim`` of so many millimetres is left to the page, which has its own margins there. Identifiers are those of what
    they name (matplotlib makes them of the content), so that figures share a page without mixing up.
    """
    text = figure_bytes(figure, ".svg").decode()
    text = text[text.index("<g id=") :]
    text = re.sub(r' id="(?![mpCh][0-9a-f_]{6,})[^"]*"', "", re.sub(r"<!--.*?-->\n?", "", text, flags=re.S))
    text = re.sub(
        r' d="[^"]*"', lambda path: re.sub(r"(\.\d\d)\d+", r"\1", path[0]), text
    )  # hundredths of a point: 4 µm
    width, height = (figure.get_size_inches() * MM_PER_INCH - 2 * rim).tolist()
    rim, points = rim / POINT_MM, (width / POINT_MM, height / POINT_MM)
    view = f"{rim:.4f} {rim:.4f} {points[0]:.4f} {points[1]:.4f}"
    said = html.escape(alternative)
    head = f'<svg role="img" aria-label="{said}" width="{width:.2f}mm" height="{height:.2f}mm" viewBox="{view}">'
    return f"{head}<title>{said}</title>{text}"


def with_lines(title: Title, *lines: str) -> Title:
    """Return a title with further lines."""
    return replace(title, lines=(*title.lines, *(line for line in lines if line)))
