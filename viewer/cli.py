"""The ``lowside`` command.

Each command loads, computes and writes; what is wrong with the input comes up as a
:class:`~desurvey.problems.DataProblem` and is said here, in one place. Exit status: 0 done, 1 done, but the input has
findings of severity error, 2 unusable input or arguments, or a machine that couldn't; 128 and the number of the signal
when one ended it.
"""

from __future__ import annotations

import contextlib
import functools
import inspect
import io
import itertools
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import metadata
from pathlib import Path
from typing import Annotated, Any, NoReturn, get_type_hints

import typer
from typer.core import TyperGroup

from desurvey.outputs import intending, said
from desurvey.problems import DataProblem, shortened
from viewer.commands import (
    archive,
    campaign,
    checking,
    engine,
    figures,
    handover,
    judging,
    machine,
    reading,
    seeing,
    surfacing,
)
from viewer.commands.shared import QUIET, Quiet, say

__all__ = ["app", "commands", "main"]


@contextmanager
def _answered() -> Iterator[None]:
    """Turn what the machine can't do into the one message that a person gets."""
    try:
        yield
    except BrokenPipeError as error:
        raise DataProblem(GONE) from error
    except SystemExit as end:  # rich answers a broken pipe by itself, with the status that means done
        if isinstance(end.__context__, BrokenPipeError):
            raise DataProblem(GONE) from end
        raise
    except OSError as error:
        name = shortened(error.filename or "", MOST_LETTERS)
        raise DataProblem(f"the machine says: {said(error)}", file=name) from error
    except MemoryError as error:
        raise DataProblem("the memory of this machine isn't enough", hint=LESS) from error
    except ImportError as error:
        if "allocate memory" not in str(error) and "failed to map" not in str(error):
            raise
        raise DataProblem("the memory of this machine isn't enough to load a library", hint=LESS) from error


GONE = "what reads the output has gone away"

MOST_LETTERS = 200
"""Letters of a path in a message of the machine."""

LESS = "close other programs, or work on fewer holes at a time"


class _Commands(TyperGroup):
    """The commands, each of which ends with one message whatever the machine does."""

    def make_context(self, *arguments: Any, **more: Any) -> Any:
        with _answered():
            return super().make_context(*arguments, **more)

    def invoke(self, ctx: Any) -> Any:
        with _answered():
            return super().invoke(ctx)


HELP = ["-h", "--help"]

app = typer.Typer(
    name="lowside",
    cls=_Commands,
    invoke_without_command=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": HELP},
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lowside {metadata.version('lowside')}")
        raise typer.Exit


@app.callback()
def lowside(
    context: typer.Context,
    _version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version and stop.")
    ] = False,
) -> None:
    """From oriented drill core to structures in space.

    A project is a folder with a [bold]project.toml[/bold] and tables of collars, surveys, runs and structures. Plain
    [bold]lowside[/bold] opens the start page, which makes one of a folder of tables; from a terminal [bold]lowside
    adopt FOLDER[/bold] does. Then [bold]lowside check PROJECT[/bold].

    Orientations and predicted depths are estimates with the stated uncertainty. Decisions on ground support, slopes,
    drilling hazards and public reporting belong to licensed or competent persons under local codes.
    """
    if context.invoked_subcommand is None:
        checking.start()


PANELS = {
    "Is the data sound?": (checking, engine),
    "What do the readings say together?": (judging, campaign, surfacing),
    "Show it.": (seeing, figures, handover, archive),
    "This machine": (machine,),
    "Read.": (reading,),
}
"""Panels of the help, in the order in which a person meets them, with the modules whose commands stand in each."""

for panel, parts in PANELS.items():
    there = len(app.registered_commands)
    for part in parts:
        part.add_to(app)
    for added in app.registered_commands[there:]:
        added.rich_help_panel = panel
for nested in app.registered_groups:
    nested.rich_help_panel = "Show it."


def _apart(command: Callable[..., None]) -> Callable[..., None]:
    """Return a command that refuses one file in two places: what it reads, it must not write, nor write twice."""

    @functools.wraps(command)
    def careful(quiet: bool = False, **given: Any) -> None:
        QUIET.set(quiet)
        named = {option: value for option, value in given.items() if isinstance(value, Path)}
        for (one, path), (other, same) in itertools.combinations(named.items(), 2):
            if os.path.realpath(path) == os.path.realpath(same) and not path.is_dir():
                raise DataProblem(f"--{one} and --{other} name the same file", value=str(path), hint="name two")
        with intending(named.values()):
            command(**given)

    hints = get_type_hints(command, include_extras=True)
    given = [one.replace(annotation=hints[one.name]) for one in inspect.signature(command).parameters.values()]
    more = inspect.Parameter("quiet", inspect.Parameter.KEYWORD_ONLY, annotation=Quiet, default=False)
    keyword = [one.replace(kind=inspect.Parameter.KEYWORD_ONLY) for one in given]
    careful.__signature__ = inspect.Signature([*keyword, more])  # type: ignore[attr-defined]
    careful.__annotations__ = {**hints, "quiet": Quiet}
    return careful


def _joined(text: str) -> str:
    """Return a docstring with the lines of each paragraph joined, for a terminal of any width to wrap."""
    return "\n\n".join(" ".join(part.split()) for part in inspect.cleandoc(text).split("\n\n"))


for known in (app, *(group.typer_instance for group in app.registered_groups)):
    for info in known.registered_commands if known is not None else ():
        if info.callback is not None:
            info.help = _joined(info.callback.__doc__ or "")
            info.callback = _apart(info.callback)
if app.registered_callback is not None:
    app.registered_callback.help = _joined(lowside.__doc__ or "")


@functools.cache
def commands() -> Any:
    """Return the commands, read from their functions once a process: as long as a small command's own work."""
    commands = typer.main.get_command(app)
    _without_types(commands)
    return commands


def _without_types(command: Any) -> None:
    """Leave out of the help of a command, and of those below it, that a switch is a bool."""
    context = command.context_class(command, help_option_names=HELP)
    for one in (*command.params, command.get_help_option(context)):
        if getattr(one, "is_flag", False) and one.metavar is None:
            one.metavar = ""
    for below in getattr(command, "commands", {}).values():
        _without_types(below)


def main() -> None:
    """Run the command line; say what stands in the way in one message and exit with 2."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal without σ or ° shows a stand-in
            stream.reconfigure(errors="backslashreplace")
    with _stopped_by_signals():
        try:
            try:
                commands()(prog_name="lowside")
            finally:  # it ends by SystemExit: what a full disk kept back comes up here, not after the status is set
                with _answered():
                    sys.stdout.flush()
        except DataProblem as problem:
            _refuse(str(problem))


def _refuse(message: str) -> NoReturn:
    """Say why nothing came of it, as far as anybody listens, and exit with 2."""
    with contextlib.suppress(OSError, ValueError):
        say(f"lowside: {message}", always=True)
        sys.stderr.flush()
    for stream in (sys.stdout, sys.stderr):  # Python would flush them once more at its end, and fail again
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
            continue
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    sys.exit(2)


@contextmanager
def _stopped_by_signals() -> Iterator[None]:
    """End on SIGTERM and SIGHUP as on an exception, so that nothing half-written stays behind."""
    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        names = []
    before = {number: signal.getsignal(number) for number in (signal.Signals[name] for name in names)}
    wanted = [number for number, handler in before.items() if handler == signal.SIG_DFL]  # nohup ignores SIGHUP
    for number in wanted:
        signal.signal(number, _stop)
    try:
        yield
    finally:
        for number in wanted:
            signal.signal(number, before[number])


def _stop(number: int, _frame: object) -> NoReturn:
    sys.exit(128 + number)
