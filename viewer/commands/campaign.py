"""The study in time: states that are kept, and how right their predictions were."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from viewer.commands.shared import Out, on_study, say, suspects_of, working, write

if TYPE_CHECKING:
    from desurvey.study import Study

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (keep, score):
        app.command()(command)


@on_study("lowside score {project} --out score.csv, once predicted stretches are logged")
def keep(
    study: Study,
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="What to find this state by later.")] = "",
) -> None:
    r"""File the state of the study: tables, decisions, findings, suspects, faults, and predictions.

    It goes to history/ in the project, or where [bold]\[history][/bold] dir says; what hasn't changed since the last
    state isn't stored again, and no state is ever changed. Read one with --at in any command.
    """
    from desurvey import campaign

    suspects_of(study)
    with working("Lining up the picks, and keeping the state") as progress:
        kept = campaign.keep(study, note=note, progress=progress)
    for name in campaign.states(study.home).damaged:
        say(f"The state {name} is damaged; the others stand.")
    if kept.new:
        typer.echo(f"State {kept.state.name} kept, {kept.stored / 1000:.0f} kB.")
    else:
        typer.echo(f"Nothing has changed since the state {kept.state.name}.")


@on_study()
def score(study: Study, out: Out) -> None:
    """Say how right the predictions were that states had filed before their stretch of core was logged.

    Writes a row for every prediction that differs from the one before it of the same fault and hole. Counted is the
    last one of each before it was logged past. What is logged now is taken for true; corrections are said.
    """
    from desurvey import campaign

    suspects_of(study)
    with working("Reading the states") as progress:
        scored = campaign.score(study, progress=progress)
    write(study, scored.table, Path(out))
    typer.echo(scored.in_words())
