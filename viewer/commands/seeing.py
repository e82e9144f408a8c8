"""The picture in 3D: ``view``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from viewer.commands.shared import ProjectFolder, finish, say, traced, working

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command()(view)


def view(
    project: ProjectFolder,
    shot: Annotated[
        Path | None, typer.Option("--shot", metavar="F.png", help="Write one still picture instead.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="F.html", help="Write one page that works offline instead.")
    ] = None,
    holes_by: Annotated[
        str,
        typer.Option(
            "--holes-by", metavar="COLUMN", help="Colour holes by TABLE.COLUMN of the intervals, or by dip, azimuth …"
        ),
    ] = "",
    discs_by: Annotated[
        str, typer.Option("--discs-by", metavar="COLUMN", help="Colour discs by a column of the structures.")
    ] = "kind",
    size: Annotated[tuple[int, int], typer.Option("--size", metavar="W H", help="Pixels of the still.")] = (1600, 1000),
    look: Annotated[Literal["light", "dark"], typer.Option("--look", help="Background of the still.")] = "light",
) -> None:
    """Show holes as tubes and structures as discs in their true orientation.

    Opens a window where there is a screen. Drawing a still needs no screen.
    """
    from desurvey.orient import oriented
    from viewer import scene

    data, holes = traced(project)
    with working("Building the scene"):
        built = scene.build(data, holes, oriented(data, holes), holes_by=holes_by, discs_by=discs_by)
    if shot is not None:
        from viewer.still import still

        with working("Drawing"):
            say(f"picture written to {still(built, shot, size=size, look=look)}")
    if html is not None:
        from viewer.page import page

        with working("Writing the page"):
            say(f"page written to {page(built, html)}")
    if shot is None and html is None:
        from viewer.window import window

        window(built)
    finish(data.findings)
