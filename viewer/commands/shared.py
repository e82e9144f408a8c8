"""What all commands share: their arguments, how they open a study, how they speak, and how they end."""

from __future__ import annotations

import functools
import inspect
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from desurvey.problems import Finding
from desurvey.progress import silent
from viewer import theme

if TYPE_CHECKING:
    import pandas as pd

    from desurvey.progress import Progress
    from desurvey.study import Answers, Study

__all__ = [
    "QUIET",
    "Holes",
    "Out",
    "Paper",
    "ProjectFolder",
    "Quiet",
    "SuspectsFile",
    "finish",
    "lined_up",
    "on_study",
    "say",
    "suspecting",
    "suspects_of",
    "working",
    "write",
]

ProjectFolder = Annotated[
    Path, typer.Argument(metavar="PROJECT", help="Folder with a project.toml.", show_default=False)
]
Out = Annotated[Path, typer.Option("--out", "-o", metavar="FILE", help="Where to write.", show_default=False)]
Paper = Annotated[theme.Paper, typer.Option("--paper", help="Size of the sheet.")]
At = Annotated[
    str,
    typer.Option("--at", metavar="WHEN", help="The study as it stood: a day, a time, or a state that was kept."),
]
AsLogged = Annotated[bool, typer.Option("--as-logged", help="Leave the project's decisions aside.")]
Fresh = Annotated[bool, typer.Option("--fresh", help="Work everything out anew, past what is kept of earlier runs.")]
SuspectsFile = Annotated[
    Path | None,
    typer.Option("--suspects", metavar="FILE", help="Take the suspects left in this table instead of looking anew."),
]

Holes = Annotated[
    list[str] | None,
    typer.Option("--hole", metavar="HOLE", help="Only this hole. Can be repeated.", show_default=False),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Say answers and what is wrong, no remarks.")]

QUIET: ContextVar[bool] = ContextVar("QUIET", default=False)
"""Whether the command that runs was told to be quiet."""

SHOWN = 5
"""Findings that a command other than ``check`` quotes before it points to ``check``."""


def say(text: str, *, always: bool = False) -> None:
    """Say something to the person, beside the output: on stderr, and with ``--quiet`` only what is ``always`` said."""
    if always or not QUIET.get():
        print(text, file=sys.stderr)


@contextmanager
def working(what: str) -> Iterator[Progress]:
    """Show on a terminal that something is being done, and how far it is once told; stay silent elsewhere."""
    if QUIET.get() or not sys.stderr.isatty():
        yield silent
        return
    from rich import progress as bars
    from rich.console import Console

    columns = (
        bars.SpinnerColumn(),
        bars.TextColumn("{task.description}"),
        bars.BarColumn(),
        bars.TaskProgressColumn(),
        bars.TimeElapsedColumn(),
    )
    with bars.Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(what, total=None)  # a bar that only moves to and fro
        yield lambda share: shown.update(task, total=1.0, completed=share)


def on_study(then: str = "", *, ends: bool = True) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Make a command of a function that takes a study first.

    The command takes a project folder, ``--at``, ``--as-logged`` and ``--fresh`` besides the function's own options; it
    opens the study, and says at the end on which decisions the output rests, what is wrong in the tables, and the next
    step.

    Parameters
    ----------
    then : str
        The next step in one line; ``{project}`` stands for the folder.
    ends : bool
        Whether errors in the tables are said, and make the exit status 1; ``check`` says them itself.
    """

    def made(function: Callable[..., None]) -> Callable[..., None]:
        def command(project: Path, at: str, as_logged: bool, fresh: bool, **rest: Any) -> None:
            import desurvey

            with working("Reading the tables"):
                study = desurvey.open(project, at=at, as_logged=as_logged, fresh=fresh)
            try:
                function(study, **rest)
            finally:
                if len(study.decisions) or study.as_of:
                    say(f"{study.basis}.")
            if then:
                say(f"Next: {then.format(project=project)}")
            if ends:
                finish(study.standing(study.logged.findings))

        ours = [
            inspect.Parameter("project", inspect.Parameter.KEYWORD_ONLY, annotation=ProjectFolder),
            inspect.Parameter("at", inspect.Parameter.KEYWORD_ONLY, annotation=At, default=""),
            inspect.Parameter("as_logged", inspect.Parameter.KEYWORD_ONLY, annotation=AsLogged, default=False),
            inspect.Parameter("fresh", inspect.Parameter.KEYWORD_ONLY, annotation=Fresh, default=False),
        ]
        whose = function.__globals__
        own = [
            one.replace(kind=inspect.Parameter.KEYWORD_ONLY, annotation=eval(one.annotation, whose))
            for one in list(inspect.signature(function).parameters.values())[1:]
        ]
        parameters = [ours[0], *own, *ours[1:]]
        functools.update_wrapper(command, function)
        del command.__wrapped__  # type: ignore[attr-defined]  # typer would look at the function's own signature
        command.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        command.__annotations__ = {one.name: one.annotation for one in parameters}
        return command

    return made


def write(study: Study, frame: pd.DataFrame, path: Path) -> None:
    """Write a table of a study; where decisions stand in the project, its last column says whether it obeys them."""
    from desurvey.exchange import write_table

    write_table(study.stamped(frame), path, study.facts())


def suspecting(study: Study, path: Path | None) -> Study:
    """Return the study with the suspects that a person left in a file; as it is without one."""
    from desurvey.exchange import read_table

    return study if path is None else study.suspecting(read_table(path), path.name)


def suspects_of(study: Study) -> pd.DataFrame:
    """Return the undecided suspects of a study, with a bar while they are looked for."""
    with working("Weighing the readings against their neighbours") as progress:
        return study.suspects(progress=progress)


def lined_up(study: Study, kind: str = "fault") -> Answers | None:
    """Return what the line-up of the picks of a kind answers; None, said, when none is logged."""
    suspects_of(study)
    with working("Lining up the picks") as progress:
        answers = study.lineup_or_none(kind, progress=progress)
    if answers is None:
        say(study.without_picks(kind))
    return answers


def finish(findings: Iterable[Finding]) -> None:
    """Say the errors that the input has, if any, and exit with 1."""
    errors = [finding for finding in findings if finding.severity == "error"]
    if not errors:
        return
    say(f"{len(errors)} finding{'s' if len(errors) > 1 else ''} of severity error in the input:", always=True)
    for finding in errors[:SHOWN]:
        say(f"  {finding}", always=True)
    if len(errors) > SHOWN:
        say(f"  … and {len(errors) - SHOWN} more: see lowside check", always=True)
    raise typer.Exit(1)
