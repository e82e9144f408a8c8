"""Tables in, tables out: ``trace`` and ``orient``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from viewer.commands.shared import Out, ProjectFolder, finish, say, traced, working

if TYPE_CHECKING:
    from desurvey.project import Project
    from desurvey.traces import Traces

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (trace, orient):
        app.command()(command)


def trace(
    project: ProjectFolder,
    out: Out,
    step: Annotated[
        float | None, typer.Option("--step", metavar="M", help="A point every M metres instead of at the stations.")
    ] = None,
    norths: Annotated[
        Path | None,
        typer.Option("--norths", metavar="FILE", help="Also write what was applied to each survey row's azimuth."),
    ] = None,
) -> None:
    """Desurvey all holes by minimum curvature: positions, directions, dogleg severity and their uncertainty."""
    from desurvey import spread
    from desurvey.exchange import write_table

    data, holes = traced(project)
    with working("Writing"):
        write_table(spread.trace_table(holes, spread.project_spread(data, holes), step), out)
        if norths is not None:
            write_table(data.norths, norths)
    say(f"{len(holes.hole_ids)} of {len(data.collars)} holes written to {out}")
    finish(data.findings)


def orient(
    project: ProjectFolder,
    out: Out,
    accept: Annotated[
        Path | None,
        typer.Option("--accept", metavar="FILE", help="Put right the suspects that you left in this file, marked so."),
    ] = None,
) -> None:
    """Turn core angles into true orientations with their uncertainty.

    Every row of the structures table comes out, in its order. One without an orientation says why not.
    """
    from desurvey import spread
    from desurvey.exchange import write_table
    from desurvey.orient import oriented

    data, holes = traced(project)
    if accept is not None:
        data, holes = _put_right(data, accept)
    with working("Orienting"):
        structures = oriented(data, holes)
        known = spread.structure_spread(structures, spread.project_spread(data, holes))
        write_table(spread.orientation_table(structures, known), out)
    say(f"{int(structures.usable.sum())} of {len(structures.table)} structures oriented, written to {out}")
    finish(data.findings)


def _put_right(data: Project, accept: Path) -> tuple[Project, Traces]:
    """Return the project with the accepted suspects put right, and its holes in space."""
    from desurvey import suspects, traces
    from desurvey.exchange import read_table

    data = suspects.accept(data, read_table(accept), accept.name)
    return data, traces.build(data)
