"""The picture in 3D: ``view``."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from viewer.commands.checking import Browser, Port, start
from viewer.commands.shared import on_study, say, suspects_of, working

if TYPE_CHECKING:
    from desurvey.study import Study
    from viewer.scene import Scene

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command()(_or_start(view))


def _or_start(command: Callable[..., None]) -> Callable[..., None]:
    """Return the command that opens the start page where a folder has no project yet."""

    @functools.wraps(command)
    def careful(**given: Any) -> None:
        folder, more = given["project"], (given["shot"], given["html"], given["at"], given["window"])
        own = given["host"] == HOST and not given["token"] and given["token_file"] is None
        if own and not any(more) and folder.is_dir() and not (folder / "project.toml").exists():
            say(f"{folder} has no project yet: this is where to make one.")
            start(folder, given["port"], given["browser"])
        else:
            command(**given)

    return careful


HOST = "127.0.0.1"


@on_study()
def view(
    study: Study,
    shot: Annotated[
        Path | None, typer.Option("--shot", metavar="F.png", help="Write one still picture instead.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="F.html", help="Write one page that works offline instead.")
    ] = None,
    window: Annotated[bool, typer.Option("--window", help="Open a window of its own instead of the browser.")] = False,
    holes_by: Annotated[
        str,
        typer.Option("--colour", metavar="TABLE.COLUMN", help="Colour holes by intervals, or by dip, azimuth …"),
    ] = "",
    discs_by: Annotated[
        str, typer.Option("--colour-discs", metavar="COLUMN", help="Colour discs by a column of the structures.")
    ] = "kind",
    lineup: Annotated[
        str,
        typer.Option(
            "--kind",
            metavar="KIND",
            help="Line up picks of this kind (fault …), and show faults, windows and misfits; in a still or a page.",
        ),
    ] = "",
    size: Annotated[tuple[int, int], typer.Option("--size", metavar="W H", help="Pixels of the still.")] = (1600, 1000),
    look: Annotated[Literal["light", "dark"], typer.Option("--look", help="Background.")] = "light",
    host: Annotated[
        str, typer.Option("--host", help="Address to serve on; any but this machine's own needs --token.")
    ] = HOST,
    port: Port = 0,
    token: Annotated[
        str,
        typer.Option(
            "--token",
            envvar="LOWSIDE_TOKEN",
            help="What a browser has to know; a random one if not given.",
            show_default=False,
        ),
    ] = "",
    token_file: Annotated[
        Path | None,
        typer.Option(
            "--token-file", metavar="FILE", help="Read the token here: a process list shows the other option."
        ),
    ] = None,
    browser: Browser = True,
) -> None:
    """Show holes as tubes and structures as discs in their true orientation, and answer questions about them.

    Opens the viewer in the browser, served from this machine only, until Ctrl-C. A still and a page need no screen. For
    a folder without a project it opens the start page.

    Example: lowside view demo_project --kind fault --shot scene.png
    """
    if shot is None and html is None and not window:
        from viewer.app.serving import serve
        from viewer.app.view import View

        if token_file is not None:
            token = token_file.read_text(encoding="utf-8").strip()
        first = View(holes_by=holes_by, discs_by=discs_by, look=look)
        serve(study, host=host, port=port, token=token, open_browser=browser, view=first, say=say)
        return
    built = _built(study, holes_by, discs_by, lineup)
    if shot is not None:
        from viewer.still import still

        with working("Drawing"):
            say(f"picture written to {still(built, shot, size=size, look=look)}")
    if html is not None:
        from viewer.page import page

        with working("Writing the page"):
            say(f"page written to {page(built, html)}")
    if window:
        from viewer.window import window as open_window

        open_window(built)


def _built(study: Study, holes_by: str, discs_by: str, kind: str) -> Scene:
    """Return the scene of a study, with the line-up of a kind of structure where one is named."""
    from viewer import scene
    from viewer.figures.collect import ground_of
    from viewer.lacking import lacking
    from viewer.scene.faults import with_faults
    from viewer.scene.ground import with_ground

    shown = study.showable()
    with working("Building the scene"):
        built = with_ground(scene.build(shown, holes_by=holes_by, discs_by=discs_by), ground_of(study))
    for sentence in lacking(study):
        say(sentence)
    if not kind:
        return built
    suspects_of(study)
    with working("Lining up the picks") as progress:
        answers = study.lineup(kind, progress=progress)
        return with_faults(built, answers.found, answers.windows)
