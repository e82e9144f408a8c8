"""Tables in, tables out: ``trace``, ``orient`` and ``sets``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from viewer.commands.shared import Out, on_study, say, suspecting, working, write

if TYPE_CHECKING:
    from desurvey.study import Study

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (trace, orient, sets):
        app.command()(command)


@on_study("lowside orient {project} --out oriented.csv")
def trace(
    study: Study,
    out: Out,
    step: Annotated[
        float | None, typer.Option("--step", metavar="M", help="A point every M metres instead of at the stations.")
    ] = None,
    norths: Annotated[
        Path | None,
        typer.Option("--norths", metavar="FILE", help="Also write what was applied to each survey row's azimuth."),
    ] = None,
) -> None:
    """Desurvey all holes by minimum curvature: positions, directions, dogleg severity and their uncertainty.

    Example: lowside trace demo_project --out traces.csv --step 5
    """
    with working("Desurveying"):
        write(study, study.traces_table(step), out)
        if norths is not None:
            write(study, study.logged.norths, norths)
    say(f"{len(study.holes.hole_ids)} of {len(study.logged.collars)} holes written to {out}")


@on_study("lowside suspects {project} --out suspects.csv")
def orient(
    study: Study,
    out: Out,
    accept: Annotated[
        Path | None,
        typer.Option(
            "--accept", metavar="FILE", help="Put right the suspects that you left in this file too, marked so."
        ),
    ] = None,
) -> None:
    """Turn core angles into true orientations with their uncertainty.

    Every row of the structures table comes out, in its order. One without an orientation says why not.

    Example: lowside orient demo_project --out oriented.csv
    """
    if accept is not None:
        study = suspecting(study, accept)
        study = study.accepting(study.all_suspects()["key"])
    with working("Orienting"):
        write(study, study.oriented_table(), out)
    structures = study.structures
    say(f"{int(structures.usable.sum())} of {len(structures.table)} structures oriented, written to {out}")


@on_study("lowside net {project} --weighted --out net.pdf")
def sets(
    study: Study,
    out: Out,
    domains: Annotated[
        str,
        typer.Option(
            "--domains", metavar="TABLE[.COLUMN]", help="Tell each set for each value of these intervals besides."
        ),
    ] = "",
) -> None:
    """Find the sets of each kind: mean plane, spread, frequency and spacing, with their 95 % intervals.

    Weighted against the bias of the holes. Where core runs along a set, the interval is wide, or has no upper end.

    Example: lowside sets demo_project --out sets.csv --domains lithology.rock
    """
    with working("Looking for sets"):
        table = study.sets_table(domains=domains)
        write(study, table, out)
    count = int((table["domain"] == "all").sum())
    say(f"{count} set{'' if count == 1 else 's'} written to {out}")
