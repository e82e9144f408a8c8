"""Tables in, tables out: ``check``, ``trace`` and ``orient``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from viewer.commands.shared import Out, ProjectFolder, finish, loaded, say, traced, working

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (check, trace, orient):
        app.command()(command)


def check(
    project: ProjectFolder,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="FILE", help="Write the findings as .csv or .parquet too.")
    ] = None,
) -> None:
    """Read everything and say what is wrong with it, worst first.

    Exit status 1 when a finding is an error: a row, a hole or a table that can't be used as it stands.
    """
    from viewer.commands.findings import findings_table, print_findings

    data = loaded(project)
    if out is not None:
        from desurvey.exchange import write_table

        write_table(findings_table(data.findings), out)
    print_findings(data)
    if any(finding.severity == "error" for finding in data.findings):
        raise typer.Exit(1)


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


def orient(project: ProjectFolder, out: Out) -> None:
    """Turn core angles into true orientations with their uncertainty.

    Every row of the structures table comes out, in its order. One without an orientation says why not.
    """
    from desurvey import spread
    from desurvey.exchange import write_table
    from desurvey.orient import oriented

    data, holes = traced(project)
    data.require("structures", "runs")
    with working("Orienting"):
        structures = oriented(data, holes)
        known = spread.structure_spread(structures, spread.project_spread(data, holes))
        write_table(spread.orientation_table(structures, known), out)
    say(f"{int(structures.usable.sum())} of {len(structures.table)} structures oriented, written to {out}")
    finish(data.findings)
