"""What all commands share: their arguments, how they load a project, and how they speak."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from desurvey.problems import Finding
from desurvey.progress import silent

if TYPE_CHECKING:
    from desurvey.orient import Oriented
    from desurvey.progress import Progress
    from desurvey.project import Project
    from desurvey.traces import Traces
    from viewer.faults import Answers

__all__ = ["Out", "ProjectFolder", "finish", "lined_up", "loaded", "oriented", "say", "traced", "working"]

ProjectFolder = Annotated[
    Path, typer.Argument(metavar="PROJECT", help="Folder with a project.toml.", show_default=False)
]
Out = Annotated[Path, typer.Option("--out", "-o", metavar="FILE", help="Where to write.", show_default=False)]

SHOWN = 5
"""Findings that a command other than ``check`` quotes before it points to ``check``."""


def say(text: str) -> None:
    """Say something to the person, beside the output: on stderr."""
    print(text, file=sys.stderr)


@contextmanager
def working(what: str) -> Iterator[Progress]:
    """Show on a terminal that something is being done, and how far it is once told; stay silent elsewhere."""
    if not sys.stderr.isatty():
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


def loaded(folder: Path) -> Project:
    """Return the project in a folder."""
    from desurvey.project import load_project

    with working("Reading the tables"):
        return load_project(folder)


def traced(folder: Path) -> tuple[Project, Traces]:
    """Return the project in a folder and its holes in space."""
    from desurvey import traces

    project = loaded(folder)
    with working("Desurveying"):
        return project, traces.build(project)


def oriented(folder: Path) -> tuple[Project, Traces, Oriented]:
    """Return the project in a folder, its holes in space and its structures in true orientation."""
    from desurvey import orient

    project, traces = traced(folder)
    with working("Orienting"):
        return project, traces, orient.oriented(project, traces)


def lined_up(project: Project, traces: Traces) -> Answers | None:
    """Return what the line-up of the fault picks answers; None when none is logged."""
    from viewer.faults import answers_of

    with working("Lining up the picks") as progress:
        return answers_of(project, traces, progress=progress)


def finish(findings: Iterable[Finding]) -> None:
    """Say the errors that the input has, if any, and exit with 1."""
    errors = [finding for finding in findings if finding.severity == "error"]
    if not errors:
        return
    say(f"{len(errors)} finding{'s' if len(errors) > 1 else ''} of severity error in the input:")
    for finding in errors[:SHOWN]:
        say(f"  {finding}")
    if len(errors) > SHOWN:
        say(f"  … and {len(errors) - SHOWN} more: see lowside check")
    raise typer.Exit(1)
