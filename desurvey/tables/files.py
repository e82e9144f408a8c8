"""Names in ``project.toml`` → the bytes of a file, also of one inside a ``.zip``."""

from __future__ import annotations

import lzma
import struct
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from desurvey.problems import DataProblem, nearest

__all__ = ["LARGEST_MEMBER", "NO_FILE", "Source", "find_source", "is_file"]

NO_FILE = "there is no such file"

DAMAGED = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error)
"""What unpacking a damaged archive can raise."""

LARGEST_MEMBER = 1 << 30
"""Bytes that a file in an archive may unpack to: one gibibyte, beyond any table of a drilling programme."""


@dataclass(frozen=True, slots=True)
class Source:
    """A file, found and read.

    Attributes
    ----------
    name : str
        As the project names it, for messages.
    ending : str
        Of the file, or of the member of the archive: lower case with its point.
    data : bytes
        What it holds.
    sheet : str
        The sheet of a workbook that was named behind a ``#``, or an empty string.
    """

    name: str
    ending: str
    data: bytes
    sheet: str = ""


def find_source(path: Path, name: str) -> Source:
    """Return the file that a path names.

    Parameters
    ----------
    path : Path
        Of a file. A member of an archive is named behind it (``field.zip/collars.csv``; an archive of one file needs no
        more than its own name), a sheet of a workbook behind a ``#`` (``log.xlsx#surveys``).
    name : str
        The same as the project writes it, for messages.

    Raises
    ------
    DataProblem
        When there is no such file, or it can't be read.
    """
    text, sheet = str(path), ""
    if "#" in path.name and not is_file(path):
        text, _, sheet = text.rpartition("#")
    path = Path(text)
    try:
        archive = _archive_of(path)
        if archive is not None:
            return _unpacked(archive, path, name, sheet)
        if path.is_dir():
            raise DataProblem(
                "this is a folder, not a table", file=name, hint="name a file in project.toml under [tables]"
            )
        if not path.is_file():
            raise DataProblem(NO_FILE, file=name, hint=_missing_hint(path))
        return Source(name, path.suffix.lower(), path.read_bytes(), sheet)
    except (OSError, ValueError) as error:
        raise DataProblem("the file can't be read", file=name, value=error) from error


def is_file(path: Path) -> bool:
    """Return whether a path is a file; a name that can't be one isn't."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _archive_of(path: Path) -> Path | None:
    """Return the archive that a path leads into, or is."""
    for place in (path, *path.parents):
        if place.suffix.lower() == ".zip" and place.is_file():
            return place
    return None


def _unpacked(archive: Path, path: Path, name: str, sheet: str) -> Source:
    try:
        with zipfile.ZipFile(archive) as file:
            members = [info for info in file.infolist() if not info.is_dir()]
            member = _member(members, PurePosixPath(path.relative_to(archive)), name)
            if member.file_size > LARGEST_MEMBER:
                raise DataProblem("the file unpacks to more than one gibibyte", file=name)
            return Source(name, PurePosixPath(member.filename).suffix.lower(), file.read(member), sheet)
    except (*DAMAGED, NotImplementedError, RuntimeError, EOFError) as error:
        raise DataProblem("the archive can't be unpacked", file=name, value=error) from error


def _member(members: list[zipfile.ZipInfo], wanted: PurePosixPath, name: str) -> zipfile.ZipInfo:
    """Return the member of an archive that is wanted, or its only one."""
    names = [member.filename for member in members]
    if str(wanted) == ".":
        if len(members) == 1:
            return members[0]
        hint = f"write {name}/{names[0]}" if names else ""
        raise DataProblem(f"the archive holds {len(members)} files, and none is named", file=name, hint=hint)
    for member in members:
        if member.filename.lower() == str(wanted).lower():
            return member
    hint = nearest(str(wanted), names) or f"it holds {', '.join(names[:5])}"
    raise DataProblem("the archive has no such file", file=name, hint=hint)


def _missing_hint(path: Path) -> str:
    if not path.parent.is_dir():
        return f"the folder {path.parent.name}/ isn't there either"
    return nearest(path.name, [file.name for file in path.parent.iterdir()]) or "check its name in project.toml"
