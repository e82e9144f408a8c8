"""States of a study: what its tables held on a day, what was decided, and what followed from it; never changed.

A state is a small file of its own, which names pieces of what the project's files held. Pieces lie compressed under
the hash of what they hold, so what has not changed since yesterday is not stored again. Text is cut where its own lines
say so (content-defined chunking): a row added above moves no other cut. Everything is written whole or not at all, the
state itself last, under a lock; so a writer that is killed leaves pieces that nobody names, and no state is lost.

References
----------
Muthitacharoen, Chen, Mazières (2001), A low-bandwidth network file system, SOSP '01, section 3: cuts by content.
"""

from __future__ import annotations

import getpass
import hashlib
import json
import tempfile
import zlib
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from filelock import FileLock, Timeout

from desurvey import __version__, decisions
from desurvey.cache import engine_code
from desurvey.campaign import relog
from desurvey.campaign.results import Results, results_of
from desurvey.checks import limits_of
from desurvey.lineup.naming import FILE as NAMES
from desurvey.outputs import replacing, resting_on, said
from desurvey.problems import DataProblem
from desurvey.progress import part, silent
from desurvey.project import settings
from desurvey.project.loading import read_table
from desurvey.shown import shown
from desurvey.study import Study
from desurvey.tables import TABLES
from desurvey.tables.databases import database_file

if TYPE_CHECKING:
    import pandas as pd

    from desurvey.progress import Progress
    from desurvey.project import Project

__all__ = [
    "Kept",
    "KeptState",
    "States",
    "content_of",
    "keep",
    "keep_daily",
    "kept_results",
    "open_at",
    "state_at",
    "states",
    "tables_in",
    "tables_of",
]

OWN_FILES = (decisions.FILE, decisions.AUDIT, NAMES, relog.FILE)
"""The program's own files that belong to a state: what people decided, and what faults are called."""

PATIENCE_S = 10.0
"""Seconds to wait for somebody else who is keeping a state."""

HASH_LETTERS = 12
"""Letters of a state's hash in its name: 48 bits, for a few hundred states."""

CUT_EVERY = 48
"""Lines between cuts of a text, on average: pieces of one to three kilobytes compressed."""

LONGEST_PIECE = 512
"""Lines of a piece at most, for texts whose lines are all alike."""

OUTSIDE = "outside"
"""Folder in a state's content for files that the project names outside of its own folder."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class KeptState:
    """One state as it was filed.

    Attributes
    ----------
    name : str
        Time and hash: what commands take for ``STATE``.
    when : str
        ISO 8601 time with its offset.
    who, note : str
        Person, and what was said of it.
    version : str
        Of the program, with a hash of the engine's code.
    files : mapping of str to tuple of str
        File of the project → hashes of its pieces, in order.
    results : mapping of str to tuple of str, or None
        The same of what followed from it; None where it was kept without.
    outside : mapping of str to str
        Name in the content → name in ``project.toml``, for files that lie elsewhere.
    project, history : Path
        Folders of the project, and of the history that it lies in.
    """

    name: str
    when: str
    who: str
    note: str
    version: str
    files: Mapping[str, tuple[str, ...]]
    results: Mapping[str, tuple[str, ...]] | None
    outside: Mapping[str, str]
    project: Path
    history: Path

    @property
    def time(self) -> datetime:
        """When it was kept."""
        return datetime.fromisoformat(self.when)


@shown
@dataclass(frozen=True, slots=True)
class States:
    """The states of a project, the oldest first, and the names of files among them that are damaged."""

    whole: tuple[KeptState, ...] = ()
    damaged: tuple[str, ...] = ()


@shown
@dataclass(frozen=True, slots=True)
class Kept:
    """What keeping a state led to.

    Attributes
    ----------
    state : KeptState
        Of the project as it stands; the last one where nothing has changed since.
    new : bool
        Whether it was filed just now.
    stored : int
        Bytes that were written for it.
    """

    state: KeptState
    new: bool
    stored: int


# ------------------------------------------------------------------------------------------------------------- keeping


def keep(
    study: Study, *, note: str = "", who: str = "", when: datetime | None = None, progress: Progress | None = None
) -> Kept:
    """File the state of a project with everything that follows from it.

    Parameters
    ----------
    study : Study
        Of a folder, as it now stands. Names of its faults are written down first.
    note : str
        For whoever looks for it later. A state with a note is filed even where nothing has changed.
    who : str
        The person; this machine's user by default.
    when : datetime, optional
        With its offset; now by default.

    Raises
    ------
    DataProblem
        When it isn't the study of a folder as it now stands, or the history can't be written.

    Notes
    -----
    The results that are filed are worked out of the very bytes that are filed: where a table is saved in between, they
    are those of the state and not of ``study``.
    """
    tell = progress or silent
    if not study.obeyed:
        raise DataProblem("a state is kept as decided", hint="leave out --as-logged")
    answers = study.lineup_or_none(progress=part(tell, 0.0, 0.8)) if study.can_be_judged else None
    named = study if answers is None else study.remembering(answers)
    filed = _filed(named, note, who, when, lambda past: results_of(named if past.key == named.key else past))
    tell(1.0)
    return filed


def keep_daily(study: Study) -> Kept | None:
    """File what the project's files hold, once a day, where ``[history] each = "day"`` asks for it.

    Nothing is worked out for it; a history that can't be written is no error here.
    """
    if study.logged.settings.history.each != "day" or study.as_of:
        return None
    today = datetime.now().astimezone().date().isoformat()
    try:
        if any(state.when[:10] == today for state in states(study.logged.folder).whole):
            return None
        return _filed(study, "", "", None, None)
    except DataProblem:
        return None


def _filed(study: Study, note: str, who: str, when: datetime | None, work: Any) -> Kept:
    if study.as_of or not study.logged.folder.is_dir():
        raise DataProblem("only a project folder as it now stands can be kept", file=str(study.logged.folder))
    source = study.logged.settings.source
    inside = PurePosixPath(database_file(source).replace("\\", "/"))
    if source and (inside == PurePosixPath() or inside.is_absolute() or ".." in inside.parts):
        hint = "export its tables to files beside project.toml, and name those under [tables]"
        raise DataProblem("a state keeps files, and these tables come from a database elsewhere", hint=hint)
    history = history_of(study.logged)
    with _locked(history):
        content, outside = _read(study.logged)
        moment = (when or datetime.now()).astimezone()
        results = None if work is None else work(_study_of(study.logged.folder, content, outside, moment.isoformat()))
        before = _states_in(study.logged.folder, history).whole
        written = _Pieces(history)
        names = {name: written.put(data) for name, data in sorted(content.items())}
        parts = None if results is None else {n: written.put(text) for n, text in results.as_texts().items()}
        last = before[-1] if before else None
        if last is not None and not note and last.files == names and (parts is None or last.results == parts):
            return Kept(last, new=False, stored=written.stored)
        head = {
            "format": 1,
            "when": moment.isoformat(timespec="milliseconds"),
            "who": who or _user(),
            "note": note,
            "version": f"{__version__} {engine_code()[:HASH_LETTERS]}",
            "outside": outside,
            "files": names,
            "results": parts,
        }
        data = json.dumps(head, ensure_ascii=False, indent=0, sort_keys=True).encode()
        stamp = moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
        path = history / "states" / f"{stamp}-{_hash(data)[:HASH_LETTERS]}.json"
        if not path.exists():
            _write(path, data)
        return Kept(_state(study.logged.folder, path), new=True, stored=written.stored + len(data))


@contextmanager
def _locked(history: Path) -> Iterator[None]:
    try:
        for folder in (history, history / "states", history / "pieces"):
            folder.mkdir(parents=True, exist_ok=True)
        with FileLock(history / ".lock", timeout=PATIENCE_S):
            yield
    except Timeout as error:
        raise DataProblem(
            "somebody else is keeping a state", file=str(history), hint="try again in a moment"
        ) from error
    except OSError as error:
        raise DataProblem("the history can't be written", file=str(history), value=said(error)) from error


def history_of(project: Project) -> Path:
    """Return the folder of a project's history, there or not."""
    return project.folder / project.settings.history.dir


def _read(project: Project) -> tuple[dict[str, bytes], dict[str, str]]:
    """Return what the files of a project hold, by their name in a state, and what lies outside of its folder."""
    folder = project.folder
    topography = limits_of(project).topography
    named = [*project.settings.all_files, *([topography] if topography else [])]
    content: dict[str, bytes] = {}
    outside: dict[str, str] = {}
    for name in dict.fromkeys([settings.FILE, *OWN_FILES, *(resting_on(folder, name) for name in named)]):
        path = folder / name
        inside = PurePosixPath(name.replace("\\", "/"))
        own = not Path(name).is_absolute() and ".." not in inside.parts
        files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
        for file in (one for one in files if one.is_file()):
            tail = file.relative_to(path).as_posix() if path.is_dir() else ""
            place = inside if own else PurePosixPath(OUTSIDE) / str(len(outside)) / inside.name
            content[(place / tail if tail else place).as_posix()] = file.read_bytes()
        if not own and files:
            outside[f"{OUTSIDE}/{len(outside)}/{inside.name}"] = name
    return content, outside


class _Pieces:
    """Where pieces are put: each once, and again where the one that is there is damaged."""

    def __init__(self, history: Path) -> None:
        self.folder = history / "pieces"
        self.stored = 0

    def put(self, data: bytes) -> tuple[str, ...]:
        """Store what isn't there yet, and return the hashes of the pieces."""
        names = []
        for piece in _cut(data):
            name = _hash(piece)
            path = _piece_path(self.folder, name)
            if _unpacked(path) != piece:
                path.parent.mkdir(exist_ok=True)
                packed = zlib.compress(piece, 9)
                _write(path, packed)
                self.stored += len(packed)
            names.append(name)
        return tuple(names)


def _cut(data: bytes) -> Iterator[bytes]:
    """Cut a text behind lines whose own content says so; anything else stays one piece."""
    if b"\0" in data[:8192] or not data:
        yield data
        return
    piece: list[bytes] = []
    for line in data.splitlines(keepends=True):
        piece.append(line)
        if zlib.crc32(line) % CUT_EVERY == 0 or len(piece) == LONGEST_PIECE:
            yield b"".join(piece)
            piece = []
    if piece:
        yield b"".join(piece)


def _piece_path(pieces: Path, name: str) -> Path:
    return pieces / name[:2] / name[2:]


def _unpacked(path: Path) -> bytes | None:
    """Return what a piece holds; None where it isn't there or can't be read."""
    try:
        return zlib.decompress(path.read_bytes())
    except (OSError, zlib.error):
        return None


def _write(path: Path, data: bytes) -> None:
    with replacing(path, own=True) as partial:
        partial.write_bytes(data)


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


# ------------------------------------------------------------------------------------------------------------- reading


def states(folder: Path | str) -> States:
    """Return the states of a project, and name the files of its history that aren't as they were written.

    Pieces aren't looked at here: a state whose pieces are damaged says so when it is read (:func:`content_of`).
    """
    return _states_in(Path(folder), _history(Path(folder)))


def _history(folder: Path) -> Path:
    """Return a project's history, also where today's ``project.toml`` can't be used."""
    try:
        raw = settings.raw_settings(folder).get("history", {})
    except DataProblem:
        raw = {}
    name = raw.get("dir") if isinstance(raw, dict) else None
    return folder / (name if isinstance(name, str) else settings.HistoryPlace().dir)


def _states_in(project: Path, history: Path) -> States:
    whole, damaged = [], []
    for path in sorted((history / "states").glob("*.json")):
        try:
            whole.append(_state(project, path))
        except DataProblem:
            damaged.append(path.name)
    return States(tuple(sorted(whole, key=lambda one: one.time)), tuple(damaged))


def _state(project: Path, path: Path) -> KeptState:
    """Return a state, whose name carries the hash of its file."""
    try:
        data = path.read_bytes()
        head = json.loads(data) if _hash(data)[:HASH_LETTERS] == path.stem.rpartition("-")[2] else None
    except (OSError, ValueError):
        head = None
    if head is None:
        raise DataProblem("this state is damaged, or was changed after it was kept", file=path.name)
    files, parts = (
        None if head[key] is None else {name: tuple(pieces) for name, pieces in head[key].items()}
        for key in ("files", "results")
    )
    when, who, note, version = (head[key] for key in ("when", "who", "note", "version"))
    return KeptState(path.stem, when, who, note, version, files or {}, parts, head["outside"], project, path.parents[1])


def state_at(folder: Path | str, which: str = "") -> KeptState:
    """Return a state of a project.

    Parameters
    ----------
    folder : path
        Of the project.
    which : str
        A day or a time (ISO 8601; the last state up to its end), the name of a state or the beginning or hash of one;
        empty: the last one.

    Raises
    ------
    DataProblem
        When there is none: says which there are.
    """
    known = states(folder)
    if not known.whole:
        value = f"{len(known.damaged)} damaged files" if known.damaged else None
        raise DataProblem(
            "no state is kept", file=str(folder), value=value, hint=f"keep one with lowside keep {folder}"
        )
    if not which:
        return known.whole[-1]
    named = [one for one in known.whole if one.name.startswith(which) or one.name.rpartition("-")[2] == which]
    if len(named) == 1:
        return named[0]
    first, last = known.whole[0], known.whole[-1]
    until = _moment(which)
    if until is None:
        hurt = [name for name in known.damaged if name.startswith(which)]
        if hurt:
            raise DataProblem("this state is damaged", file=hurt[0], hint="the others stand")
        hint = f"give a day such as {last.when[:10]}, or a name such as {last.name}"
        raise DataProblem("there is no such state", column="STATE", value=which, hint=hint)
    before = [one for one in known.whole if one.when[: len(until)] <= until]
    if not before:
        raise DataProblem(
            "no state is as old as that", column="STATE", value=which, hint=f"the first is of {first.when}"
        )
    return before[-1]


def _moment(text: str) -> str | None:
    """Return a day or a local time as far as it is said, to be compared with the beginning of ISO times."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return text[:10] if len(text) <= 10 else moment.replace(tzinfo=None).isoformat(timespec="seconds")


def content_of(state: KeptState) -> dict[str, bytes]:
    """Return what the files of the project held.

    Raises
    ------
    DataProblem
        When pieces are missing or damaged: names the file of the project that they belong to.
    """
    return {name: _joined(state, name, pieces) for name, pieces in state.files.items()}


def _joined(state: KeptState, name: str, pieces: tuple[str, ...]) -> bytes:
    found = [_unpacked(_piece_path(state.history / "pieces", piece)) for piece in pieces]
    for piece, data in zip(pieces, found, strict=True):
        if data is None or _hash(data) != piece:
            raise DataProblem(
                f"of the state {state.name} a piece of {name} is damaged or missing",
                file=str(_piece_path(state.history / "pieces", piece)),
                hint="states that don't need it stand; keeping one now stores it again if the tables still hold it",
            )
    return b"".join(data for data in found if data is not None)


def kept_results(state: KeptState, *, only: Collection[str] = (), progress: Progress | None = None) -> Results:
    """Return what followed from a state: as it was filed with it, else worked out of its tables now.

    ``only`` names the tables that are wanted, where not all are.
    """
    if state.results is not None:
        wanted = {name: pieces for name, pieces in state.results.items() if not only or name in only}
        return Results.of_texts({name: _joined(state, name, pieces) for name, pieces in wanted.items()})
    return results_of(_opened(state), progress=progress)


def open_at(folder: Path | str, which: str, *, as_logged: bool = False, fresh: bool = False) -> Study:
    """Return the study of a project as it stood: :func:`desurvey.open` with ``at``."""
    state = state_at(folder, which)
    with suppress(DataProblem):  # today's inputs are never written to either
        settings.read_settings(Path(folder))
    return _opened(state, as_logged=as_logged, fresh=fresh)


def _opened(state: KeptState, **options: bool) -> Study:
    return _study_of(state.project, content_of(state), state.outside, state.when, **options)


_folders: dict[str, tempfile.TemporaryDirectory[str]] = {}
"""Folders that hold the content of a state while this process runs, by the hash of that content."""


def tables_of(state: KeptState) -> dict[str, pd.DataFrame]:
    """Return the tables of a state by name, as they were written: before azimuths are turned to grid north.

    Empty where its ``project.toml`` can't be used.
    """
    folder = _unfolded(content_of(state))
    with suppress(DataProblem):
        return tables_in(
            folder, settings.read_settings(folder, {name: inside for inside, name in state.outside.items()})
        )
    return {}


def tables_in(folder: Path, said: settings.Settings) -> dict[str, pd.DataFrame]:
    """Return the tables of a folder by name, as they are written there."""
    names = [name for name in (*TABLES, *said.intervals) if said.files(name)]
    return {name: read_table(folder, said, name).frame for name in names}


def _study_of(
    project: Path, content: Mapping[str, bytes], outside: Mapping[str, str], as_of: str, **options: bool
) -> Study:
    """Return the study of what some files held, read from a folder of their own."""
    moved = {name: inside for inside, name in outside.items()}
    return Study.open(_unfolded(content), as_of=as_of, origin=project, moved=moved, **options)


def _unfolded(content: Mapping[str, bytes]) -> Path:
    """Return a folder with what some files held."""
    key = _hash(repr(sorted((name, _hash(data)) for name, data in content.items())).encode())
    if key not in _folders:
        place = tempfile.TemporaryDirectory(prefix="lowside-state-", ignore_cleanup_errors=True)
        for name, data in content.items():
            path = Path(place.name) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        _folders[key] = place
    return Path(_folders[key].name)
