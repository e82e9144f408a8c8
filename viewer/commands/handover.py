"""What leaves for other programs and other people: ``export``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from viewer.commands.shared import Out, ProjectFolder, finish, oriented, say, working

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command()(export)


def export(
    project: ProjectFolder,
    out: Out,
    table: Annotated[
        str, typer.Option("--table", metavar="NAME", help="Which table, for .csv and .parquet.")
    ] = "structures",
    lineup: Annotated[
        Path | None, typer.Option("--lineup", metavar="DIR", help="Folder that lowside lineup has written.")
    ] = None,
) -> None:
    """Write holes, structures, faults and tables in an open format, by the name's ending.

    .omf .dxf .glb .vtp .vtm .gpkg .geojson hold shapes in space; .xlsx holds all tables, .csv and .parquet one of them.
    """
    from desurvey.exchange import exporting
    from desurvey.exchange.model import model_of
    from viewer.collect import fault_meshes, read_answers

    exporting.check_ending(out)
    data, traces, structures = oriented(project)
    with working("Writing"):
        answers = None if lineup is None else read_answers(lineup)
        meshes = {} if answers is None else fault_meshes(traces, answers)
        tables = {} if answers is None else answers.tables
        exporting.export(model_of(data, traces, structures, meshes=meshes, tables=tables), out, table=table)
    say(f"{data.name} written to {out}")
    finish(data.findings)
