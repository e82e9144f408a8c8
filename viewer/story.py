"""A story of kept views: slides to show, and one page that plays it offline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from textwrap import wrap
from typing import Literal

import numpy as np
import numpy.typing as npt
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from PIL import Image

from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from viewer import theme
from viewer.page import story_page
from viewer.scene import Scene
from viewer.scene.camera import Camera
from viewer.scene.marks import Marks
from viewer.still import still

__all__ = ["Slide", "write_page", "write_slides"]

WIDE = 16 / 9
CAPTION = 0.17
"""Height of title and sentence, in parts of a slide."""

HEIGHT = 1080
"""Lines of a slide, those of a common screen; 2160 is as good."""

LETTERS = 110
"""Letters of a line of the sentence."""

LINE = 46
"""Letters of a line beside the picture."""

INCHES = 7.5
"""Height of a slide's page in the PDF, inches: that of a 16:9 slide (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Slide:
    """A view of a story.

    Attributes
    ----------
    title, said : str
        What stands above the picture.
    scene : Scene
        All that the view shows; views with the same filters share it.
    drawn : Scene
        The scene as its question draws it (:mod:`viewer.scene.pictures`), or one fault of it alone.
    light : Scene
        The scene as its question draws it before a light background, every fault of it.
    fault : str
        The fault that stands alone, empty for none.
    camera : Camera
    look : {"light", "dark"}
    notes : tuple of str
        What else has to be said: filters, and what is not shown as logged.
    """

    title: str
    said: str
    scene: Scene
    drawn: Scene
    light: Scene
    fault: str
    camera: Camera
    look: Literal["light", "dark"] = "light"
    notes: tuple[str, ...] = ()


def write_slides(slides: Sequence[Slide], folder: Path, *, pdf: Path, height: int = HEIGHT) -> list[Path]:
    """Write a story as 16:9 slides, one PNG each, and all of them as one PDF; return the pictures.

    Parameters
    ----------
    slides : sequence of Slide
    folder : Path
        Where ``01.png``, ``02.png`` … are written; it is made where it is missing.
    pdf : Path
        The file with all of them.
    height : int
        Lines of a picture.
    """
    _need(slides)
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{number:02d}.png" for number in range(1, len(slides) + 1)]
    with replacing(pdf) as partial, PdfPages(partial, metadata={"Title": slides[0].scene.title}) as pages:
        for number, (slide, path) in enumerate(zip(slides, paths, strict=True), start=1):
            figure = _figure(slide, f"{number} of {len(slides)}", height)
            with replacing(path) as picture:
                figure.savefig(picture, dpi=height / INCHES, format="png")
            pages.savefig(figure, dpi=height / INCHES)
    return paths


def _figure(slide: Slide, place: str, height: int) -> Figure:
    """Return a slide: its title and sentence above the picture of the scene."""
    colours = theme.DARK if slide.look == "dark" else theme.LIGHT
    lines = round(height * (1 - CAPTION))
    size = (round(height * WIDE), lines)
    drawn = _drawn(slide, size)
    figure = Figure(figsize=(INCHES * WIDE, INCHES), facecolor=colours.background)
    axes = figure.add_axes((0.0, 0.0, 1.0, lines / height))
    axes.imshow(drawn, aspect="auto")
    axes.set_axis_off()
    figure.text(0.03, 0.965, slide.title, size=24, weight="bold", color=colours.text, va="top", parse_math=False)
    said = "\n".join(wrap(slide.said, LETTERS))
    figure.text(0.03, 0.895, said, size=14, color=colours.text, va="top", parse_math=False)
    figure.text(0.97, 0.965, place, size=11, color=colours.quiet, va="top", ha="right")
    return figure


def _drawn(slide: Slide, size: tuple[int, int]) -> npt.NDArray[np.uint8]:
    """Return the pixels of a slide's picture."""
    with TemporaryDirectory() as folder:
        path = still(
            slide.drawn, Path(folder) / "scene.png", size=size, look=slide.look, camera=slide.camera,
            marks=Marks(said=tuple(line for said in slide.notes for line in wrap(said, LINE))),
        )  # fmt: skip
        with Image.open(path) as image:
            return np.asarray(image.convert("RGB"))


def write_page(slides: Sequence[Slide], path: Path) -> Path:
    """Write a story as one HTML page that plays it without a network, cards included, and return its path."""
    _need(slides)
    return story_page(slides, path)


def _need(slides: Sequence[Slide]) -> None:
    if not slides:
        raise DataProblem("a story needs a kept view", hint="keep views first: 'keep view' below the scene")
