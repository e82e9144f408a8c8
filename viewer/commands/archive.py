"""A survey's whole archive, partition by partition: ``archive divide``, ``trace``, ``orient``, ``check``, ``scene``."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from viewer.commands.shared import ProjectFolder, finish, say

if TYPE_CHECKING:
    from desurvey.archive import Outcome

__all__ = ["add_to"]

ArchiveFolder = Annotated[
    Path, typer.Argument(metavar="ARCHIVE", help="Folder with a project.toml and folders of .parquet files.")
]
Into = Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="Folder to write into.", show_default=False)]
Workers = Annotated[int, typer.Option("--workers", metavar="N", min=1, help="Processes on this machine.")]
Scheduler = Annotated[
    str, typer.Option("--scheduler", metavar="ADDRESS", help="A running Dask cluster instead, such as tcp://host:8786.")
]

SHOWN = 10
"""Failed partitions that are named before the rest is counted."""


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    archive = typer.Typer(
        name="archive",
        no_args_is_help=True,
        help="Work on very many holes, in partitions, on one machine or a cluster; goes on where it was cut off.",
    )
    for command in (divide, trace, orient, check, scene):
        archive.command()(command)
    app.add_typer(archive)


def divide(
    project: ProjectFolder,
    out: Into,
    holes: Annotated[int, typer.Option("--holes", metavar="N", min=1, help="Holes in a partition.")] = 1000,
) -> None:
    """Make an archive of a project: its tables as Parquet, in partitions of whole holes.

    Example: lowside archive divide demo_project --out archive --holes 10
    """
    from desurvey import archive

    made, findings = archive.divide(project, out, holes)
    say(f"{len(made.partitions)} partitions written to {out}")
    finish(findings)


def trace(archive: ArchiveFolder, out: Into, workers: Workers = 1, scheduler: Scheduler = "") -> None:
    """Desurvey every partition; the tables go to DIR/traces.

    Example: lowside archive trace archive --out results --workers 2
    """
    _end(_run(archive, "trace", out, workers, scheduler))


def orient(archive: ArchiveFolder, out: Into, workers: Workers = 1, scheduler: Scheduler = "") -> None:
    """Orient the structures of every partition; the tables go to DIR/structures.

    Example: lowside archive orient archive --out results
    """
    _end(_run(archive, "orient", out, workers, scheduler))


def check(archive: ArchiveFolder, out: Into, workers: Workers = 1, scheduler: Scheduler = "") -> None:
    """Check every partition; the findings go to DIR/findings. Holes of two partitions aren't held side by side.

    Example: lowside archive check archive --out results
    """
    _end(_run(archive, "check", out, workers, scheduler))


def scene(archive: ArchiveFolder, out: Into, workers: Workers = 1, scheduler: Scheduler = "") -> None:
    """Write holes and discs of every partition for a parallel renderer: DIR/scene.vtm and the pieces it names.

    Example: lowside archive scene archive --out results
    """
    from desurvey.archive import index_scene

    outcome = _run(archive, "scene", out, workers, scheduler)
    say(f"scene of the finished partitions written to {index_scene(out)}")
    _end(outcome)


def _run(
    folder: Path, work: Literal["trace", "orient", "check", "scene"], out: Path, workers: int, scheduler: str
) -> Outcome:
    """Do a work with every partition, and say how many are done."""
    from desurvey import archive

    opened = archive.open_archive(folder)
    with _counting(len(opened.partitions)) as told:
        outcome = archive.run(opened, work, out, workers=workers, scheduler=scheduler, told=told)
    skipped = f", {len(outcome.skipped)} were finished before" if outcome.skipped else ""
    say(f"{len(outcome.done)} of {len(opened.partitions)} partitions done{skipped}")
    return outcome


def _end(outcome: Outcome) -> None:
    """Name the partitions that have failed, if any, and exit with 1."""
    for partition, cause in sorted(outcome.failed.items())[:SHOWN]:
        say(f"  partition {partition} failed: {cause}")
    if len(outcome.failed) > SHOWN:
        say(f"  … and {len(outcome.failed) - SHOWN} more failed")
    if outcome.failed:
        raise typer.Exit(1)


@contextmanager
def _counting(count: int) -> Iterator[Callable[[int, int], None] | None]:
    """Show on a terminal how many partitions are finished; stay silent elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("Partitions", total=count)
        yield lambda done, _: progress.update(task, completed=done)
