"""Files that are either whole or not there, and never a person's input: the one gate for everything that is written.

Every output is written beside its place and then moved into it. Reading the settings of a project tells the gate which
files the project is made of (:func:`protect`); from then on nothing is written over one of them, by whatever name.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import platform
import sys
import time
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from uuid import uuid4

from desurvey.problems import DataProblem

__all__ = ["KEPT", "date_of_issue", "intending", "protect", "replacing", "resting_on", "said"]

KEPT = ("decisions.toml", "audit.jsonl", "relog.toml", "faults.toml", "views.json")
"""What the program itself keeps beside a project's tables: written by the parts that own it, never by an output."""

STALE_S = 86_400.0
"""Age from which a half-written file is nobody's, wherever its writer ran, seconds: no output takes a day."""

REMEMBERED = 64
"""Projects whose files are known at a time, the last ones: asking after them costs a millisecond."""

_inputs: dict[Path, tuple[Path, ...]] = {}
"""Folder of each project whose settings were read → the files it is made of, there or not, links followed."""


_intended: ContextVar[tuple[Path, ...]] = ContextVar("intended", default=())


@contextmanager
def intending(paths: Iterable[Path]) -> Iterator[None]:
    """Say where outputs will go, so that an input among them is refused when the project is opened, not after the work.

    Not needed for safety: :func:`replacing` refuses it in any case.
    """
    token = _intended.set(tuple(paths))
    try:
        yield
    finally:
        _intended.reset(token)


def protect(folder: Path, names: Iterable[str]) -> None:
    """Let nothing be written over the files of a project any more.

    Parameters
    ----------
    folder : Path
        Of the project. What was said of it before is forgotten.
    names : iterable of str
        Files and folders as ``project.toml`` writes them: members of archives and sheets of workbooks stand for the
        file that holds them, a folder for all that lies in it.

    Raises
    ------
    DataProblem
        When one of them is where an output is to go (:func:`intending`).
    """
    folder = _real(folder)
    _inputs.pop(folder, None)
    _inputs[folder] = tuple(_real(_on_disk(folder / name)) for name in (*names, *KEPT))
    for oldest in list(_inputs)[:-REMEMBERED]:
        del _inputs[oldest]
    for path in _intended.get():
        _refuse_input(path)


@contextmanager
def replacing(path: Path | str, *, own: bool = False) -> Iterator[Path]:
    """Give a path to write to; move the file to its place when that went well, else leave no trace.

    Parameters
    ----------
    path : path
        Where the file goes. One that is there already stays whole until the new one is.
    own : bool
        Whether this is a file that the program itself keeps in a project (:data:`KEPT`, or ``project.toml``) and the
        caller is the part that owns it.

    Raises
    ------
    DataProblem
        When the place is one of a project's inputs, the folder isn't there, or the file can't be written.

    Notes
    -----
    What a writer that was killed has left behind is cleared by the next one that writes the same file. Two writers at
    once don't meet: the later one's file stands, whole.
    """
    path = Path(path)
    with _told(path):
        _refuse_place(path)
        if not own:
            _refuse_input(path)
        mark = f".{zlib.crc32(os.fsencode(path.name)):08x}-"
        _clear(path.parent, mark)
        partial = path.with_name(f"{mark}{_machine()}-{os.getpid()}-{uuid4().hex[:8]}.tmp{path.suffix}")
        partial.touch(exist_ok=False)
        try:
            yield partial
            _put(partial, path)
        finally:
            with contextlib.suppress(OSError):
                partial.unlink(missing_ok=True)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what the operating system says while a file is written into one message about that file."""
    try:
        yield
    except OSError as error:
        raise DataProblem("the file can't be written", file=str(path), value=said(error)) from error


def said(error: OSError) -> str:
    """Return what the operating system says, in its own words and without the file's name."""
    return os.strerror(error.errno) if error.errno else str(error)


def _refuse_place(path: Path) -> None:
    """Refuse a place that no output belongs to."""
    if path.is_dir():
        raise DataProblem("the output must be a file, and this is a folder", file=str(path))
    if path.exists() and not path.is_file():
        raise DataProblem("the output must be a file, and this is a device", file=str(path))
    if not path.parent.is_dir():
        raise DataProblem("the folder to write into isn't there", file=str(path.parent), hint="make it first")


def _refuse_input(path: Path) -> None:
    """Refuse a place that is, by whatever name, a file that a project is made of, or lies in a folder that is."""
    real = _real(path)
    above, itself = {real, *real.parents}, _identity(path)
    for folder, files in list(_inputs.items()):
        for file in files:
            if file in above or (itself is not None and _identity(file) == itself):  # a hard link, or other letters
                raise DataProblem(
                    f"this is an input of the project in {folder}, and inputs are never written to",
                    file=str(path),
                    hint="choose another name for the output",
                )


def _identity(path: Path) -> tuple[int, int] | None:
    """Return what the file system knows a file by, whatever its name; None where there is none."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return found.st_dev, found.st_ino


def _real(path: Path) -> Path:
    """Return a path with all links followed; one that can't be a path as it is."""
    try:
        return Path(os.path.realpath(path))
    except (OSError, ValueError):
        return path


def _on_disk(path: Path) -> Path:
    """Return the file that holds what a project names: an archive for its members, a workbook for its sheets."""
    with contextlib.suppress(OSError, ValueError):
        if path.exists():
            return path
        for place in path.parents:
            if place.suffix.lower() == ".zip" and place.is_file():
                return place
        whole = path.with_name(path.name.rpartition("#")[0] or path.name)
        return whole if whole.is_file() else path
    return path


def resting_on(folder: Path, name: str) -> str:
    """Return the file that holds what a project names, as seen from its folder: an archive, a workbook, or itself."""
    path = _on_disk(folder / name)
    return str(path.relative_to(folder)) if path.is_relative_to(folder) else str(path)


def date_of_issue() -> str:
    """Return today's date, or that of ``SOURCE_DATE_EPOCH`` where it is set (the open convention for same bytes)."""
    seconds = os.environ.get("SOURCE_DATE_EPOCH")
    if seconds:
        return datetime.datetime.fromtimestamp(int(seconds), tz=datetime.UTC).date().isoformat()
    return datetime.datetime.now(tz=datetime.UTC).date().isoformat()


def _clear(folder: Path, mark: str) -> None:
    """Remove what writers of the same file have left behind that are no more."""
    for left in folder.glob(f"{mark}*"):
        machine, process = [*left.name.removeprefix(mark).split("-"), ""][:2]
        with contextlib.suppress(OSError):
            if time.time() - left.stat().st_mtime > STALE_S or (machine == _machine() and not _runs(process)):
                left.unlink()


def _runs(process: str) -> bool:
    """Return whether a process of this machine is there; where that can't be asked, it is taken to be."""
    if sys.platform == "win32":  # asking there would end it
        return True
    try:
        os.kill(int(process), 0)
    except (ProcessLookupError, OverflowError, ValueError):
        return False
    except PermissionError:
        pass
    return True


def _machine() -> str:
    return f"{zlib.crc32(platform.node().encode()):08x}"


def _put(partial: Path, path: Path) -> None:
    """Move a finished file to its place."""
    try:
        partial.replace(path)
    except PermissionError as error:
        raise DataProblem(
            "the file can't be replaced",
            file=str(path),
            value=said(error),
            hint="close it where it is open, in a spreadsheet program for instance, or choose another name",
        ) from error
    except FileExistsError as error:  # a file system on which nothing is moved over what is there
        raise DataProblem(
            "the file system can't put a new file in the place of an old one",
            file=str(path),
            hint="delete the old one first, or write elsewhere",
        ) from error
