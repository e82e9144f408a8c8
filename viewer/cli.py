"""The ``lowside`` command.

Each command loads, computes and writes; what is wrong with the input comes up as a
:class:`~desurvey.problems.DataProblem` and is said here, in one place. Exit status: 0 done, 1 done, but the input has
findings of severity error, 2 unusable input or arguments.
"""

from __future__ import annotations

import sys
from importlib import metadata
from typing import Annotated

import typer

from desurvey.problems import DataProblem
from viewer.commands import archive, checking, engine, figures, handover, judging, seeing, surfacing
from viewer.commands.shared import say

__all__ = ["app", "main"]

app = typer.Typer(
    name="lowside",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lowside {metadata.version('lowside')}")
        raise typer.Exit


@app.callback()
def lowside(
    _version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version and stop.")
    ] = False,
) -> None:
    """From oriented drill core to structures in space.

    Every command takes a project first: a folder with a [bold]project.toml[/bold] and tables of collars, surveys, runs
    and structures. Start with [bold]lowside check PROJECT[/bold].

    Orientations and predicted depths are estimates with the stated uncertainty. Decisions on ground support, slopes,
    drilling hazards and public reporting belong to licensed or competent persons under local codes.
    """


for part in (checking, engine, judging, surfacing, seeing, figures, handover, archive):
    part.add_to(app)


def main() -> None:
    """Run the command line; say what is wrong with the input in one message and exit with 2."""
    try:
        app()
    except DataProblem as problem:
        say(f"lowside: {problem}")
        sys.exit(2)
