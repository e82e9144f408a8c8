"""What the readings say together: ``suspects``."""

from __future__ import annotations

import typer

from viewer.commands.shared import Out, ProjectFolder, finish, say, traced, working

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command()(suspects)


def suspects(project: ProjectFolder, out: Out) -> None:
    """Weigh named blunders of readings, runs and holes against "as logged", and say what went wrong.

    Nothing is corrected. Delete the rows that you don't agree with, and hand the file to
    [bold]lowside orient PROJECT --accept suspects.csv[/bold].
    """
    from desurvey.exchange import write_table
    from desurvey.orient import oriented
    from desurvey.suspects import suspects as weigh

    data, holes = traced(project)
    with working("Weighing the readings against their neighbours"):
        found = weigh(data, holes, oriented(data, holes))
        write_table(found, out)
    for sentence in found["message"]:
        say(f"  {sentence}")
    say(f"{len(found)} suspect{'' if len(found) == 1 else 's'} written to {out}")
    finish(data.findings)
