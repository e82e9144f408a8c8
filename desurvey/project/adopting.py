"""A folder of tables as it stands → what each file and column is taken for and why, what is open, what is offered.

:func:`look` is a pure function of the folder and of what has been said so far, which has the shape of a project.toml:
whoever changes a guess says more and looks again. Nothing is written but by :func:`adopt`.

What azimuths are measured from, the sign of dips and the side of the orientation line are conventions: tables can speak
for one, never decide it. So they stay open until they are said.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import tomlkit
import tomlkit.exceptions
from tomlkit.container import Container
from tomlkit.items import Table as TomlTable

from desurvey import north
from desurvey.outputs import replacing
from desurvey.problems import DataProblem, Finding, Rule
from desurvey.project.candidates import Candidate, Fit, candidates, crs_named, fit, head_texts, home, numbers_of
from desurvey.project.causes import Cause, causes_of
from desurvey.project.loading import Project, project_of
from desurvey.project.settings import FILE, extended, raw_settings, settings_of
from desurvey.shown import shown
from desurvey.tables import TABLES
from desurvey.tables.columns import plain_text
from desurvey.tables.names import name_key
from desurvey.tables.schema import choice_of, plain_heading

__all__ = ["RULES", "ColumnSeen", "FileSeen", "Look", "Question", "adopt", "look", "merged", "unused_tables"]

UNUSED_TABLE = Rule(
    "unused_table",
    "warning",
    "the file looks like a table of the project that isn't named in it",
    'Name it under [tables] beside the first: TABLE = ["first.csv", "second.csv"]; or move it to another folder',
)

RULES = (UNUSED_TABLE,)

LEAST = 1.0
"""Score from which a candidate is taken for a table."""

SAME_ROWS = 0.5
"""Share of rows that stand in another file too, from which a file is a copy of it and no more of the table."""

FIRST_ROWS = 5

SIDES = ("low", "high", "north")
NORTHS = ("grid", "true", "magnetic")
SIGNS = ("negative_down", "positive_down")


@shown
@dataclass(frozen=True, slots=True)
class ColumnSeen:
    """A column of a file, and what it is taken for.

    Attributes
    ----------
    heading : str
    means : str
        The canonical column, blank for one that is kept as it is.
    why : str
    guess : bool
        Whether a person should look at it.
    cells : tuple of str
        Its first cells.
    """

    heading: str
    means: str
    why: str
    guess: bool
    cells: tuple[str, ...]


@shown
@dataclass(frozen=True, slots=True)
class FileSeen:
    """A file, a sheet or a member of an archive, and what it is taken for.

    Attributes
    ----------
    name : str
        As project.toml writes it.
    table : str
        The table, blank for a file that isn't used.
    why : str
    guess : bool
        Whether a person should look at it.
    heading_row, rows : int
        Row number of the headings, and rows below it; 0 when it can't be read.
    columns : tuple of ColumnSeen
    missing : tuple of str
        Columns that its table needs and no heading means.
    """

    name: str
    table: str
    why: str
    guess: bool
    heading_row: int = 0
    rows: int = 0
    columns: tuple[ColumnSeen, ...] = ()
    missing: tuple[str, ...] = ()


@shown
@dataclass(frozen=True, slots=True)
class Question:
    """A convention that no table can decide.

    Attributes
    ----------
    key : str
        Where its answer stands in project.toml: ``frame.north``.
    asks : str
    answers : mapping of str to str
        What can be answered → what it would mean here; empty where any text can be.
    speaks : str
        What the data say about it.
    guess : str
        The answer that they speak for; blank for none.
    said : str
        What a person has answered; blank while it is open.
    needed : bool
        Whether results are missing or wrong without an answer.
    """

    key: str
    asks: str
    answers: Mapping[str, str]
    speaks: str
    guess: str = ""
    said: str = ""
    needed: bool = True

    @property
    def open(self) -> bool:
        """Whether it has to be answered yet."""
        return self.needed and not self.said


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What stands in a folder, and the project that it would make.

    Attributes
    ----------
    folder : Path
    said : mapping
        What a person has said, in project.toml and by choosing.
    raw : mapping
        The same with all guesses: a whole project.toml, but for what stands in the file that it extends.
    files : tuple of FileSeen
        Every file, sheet and member of an archive that has the ending of a table.
    questions : tuple of Question
    repairs : tuple of Cause
        What the tables would be wrong in, by cause, the offered cures with each.
    left : tuple of Finding
        Findings without a common cause.
    project : Project or None
        As it would be read; None when something needed isn't known.
    problem : str
        Why it can't be read.
    text : str
        The project.toml that stands there, or a new one's first lines.
    """

    folder: Path
    said: Mapping[str, Any]
    raw: Mapping[str, Any]
    files: tuple[FileSeen, ...]
    questions: tuple[Question, ...]
    repairs: tuple[Cause, ...]
    left: tuple[Finding, ...]
    project: Project | None
    problem: str
    text: str = field(repr=False)

    @property
    def guesses(self) -> tuple[str, ...]:
        """Everything that isn't certain, a sentence each."""
        out = []
        for file in self.files:
            if file.guess:
                out.append(f"{file.name} {file.why}")
            if file.table:
                out += [
                    f"the heading '{column.heading}' there means {column.means}"
                    for column in file.columns
                    if column.guess
                ]
                out += [f"no heading there means {column}, which it needs" for column in file.missing]
                feet = [column.heading for column in file.columns if column.why.endswith(", in ft")]
                out += [f"the file says that {', '.join(feet)} are in feet: turned to metres"] if feet else []
        out += [question.speaks for question in self.questions if question.open and question.speaks]
        if "kinds" not in self.said:
            kinds = self.raw.get("kinds", {})
            out += [f"structures logged {', '.join(words)} are of kind '{kind}'" for kind, words in kinds.items()]
        return tuple(out)

    @property
    def sure(self) -> bool:
        """Whether nothing is a guess and no question is open."""
        files = any(file.guess or file.missing or any(one.guess for one in file.columns) for file in self.files)
        return not files and not any(question.open for question in self.questions) and self.project is not None

    @property
    def offered(self) -> tuple[Cause, ...]:
        """Causes with one cure, which can be accepted as it is."""
        return tuple(cause for cause in self.repairs if len(cause.cures) == 1)

    def toml(self) -> str:
        """Return the project.toml that results; comments, order and keys that a person wrote stay."""
        return merged(self.text, self.raw)


def look(folder: Path | str, choices: Mapping[str, Any] | None = None) -> Look:
    """Return what stands in a folder of tables, with every guess, its reason, and what is open.

    Parameters
    ----------
    folder : path
        With or without a project.toml.
    choices : mapping, optional
        What has been said beside that file, in its shape: ``{"frame": {"north": "grid"}, "tables": {"runs": ""}}``. A
        table that is said to be ``""`` is none. The cures of causes have this shape too.

    Raises
    ------
    DataProblem
        When there is no such folder, or nothing in it looks like collars.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise DataProblem("there is no such folder", file=str(folder))
    path = folder / FILE
    there = raw_settings(folder) if path.is_file() else {}
    shared = extended(folder, {"extends": there["extends"]}) if there.get("extends") else {}
    said = with_choices(with_choices(shared, there), choices or {})
    found = candidates(folder)
    roles = _roles(found, said)
    if not roles.tables.get("collars"):
        seen = ", ".join(candidate.name for candidate in found[:10]) or "no table at all"
        raise DataProblem(
            "nothing in the folder looks like collars: a table with hole, easting, northing, elevation and depth",
            file=str(folder),
            hint=f"seen were {seen}",
        )
    questions = _questions(folder, roles, said)
    raw = _whole(folder, said, roles, questions)
    project, problem = None, ""
    try:
        project = project_of(folder, settings_of(raw))
    except DataProblem as error:
        problem = str(error)
    causes, left = causes_of(project, project.findings) if project else ([], [])
    text = path.read_text(encoding="utf-8-sig") if there else _first_lines(raw, questions)
    seen_files = tuple(_seen(candidate, roles, said) for candidate in found)
    own = _beyond(raw, {key: value for key, value in shared.items() if key != "extends"})
    return Look(folder, said, own, seen_files, questions, tuple(causes), tuple(left), project, problem, text)


def _beyond(raw: Mapping[str, Any], shared: Mapping[str, Any]) -> dict[str, Any]:
    """Return what settings say beyond those that they extend: those needn't stand in a project's own file again."""
    out = {}
    for key, value in raw.items():
        if isinstance(value, Mapping) and isinstance(shared.get(key), Mapping):
            rest = _beyond(value, shared[key])
            if rest:
                out[key] = rest
        elif key not in shared or value != shared[key]:
            out[key] = value
    return out


def adopt(folder: Path | str, choices: Mapping[str, Any] | None = None) -> Look:
    """Write the ``project.toml`` that a look at a folder gives, keeping all that a person wrote into one that is there.

    Raises
    ------
    DataProblem
        When it can't be written, is a link, or holds nothing like collars.
    """
    path = Path(folder) / FILE
    if path.is_symlink():
        raise DataProblem(f"{FILE} is a link, and is never overwritten", file=str(path))
    seen = look(folder, choices)
    text = seen.toml()
    if not path.is_file() or path.read_text(encoding="utf-8-sig") != text:
        with replacing(path, own=True) as partial:
            partial.write_text(text, encoding="utf-8", newline="")
    return seen


def unused_tables(project: Project) -> list[Finding]:
    """Return tables beside those of a project that nobody uses: a second sheet of structures above all."""
    out = []
    for candidate in candidates(project.folder, beside=project.settings.all_files):
        if candidate.cells is None:
            continue
        fits = {table: fit(candidate, table) for table in TABLES}
        table = max(fits, key=lambda name: fits[name].score)
        if fits[table].missing or not fits[table].score or not len(candidate.cells.rows):
            continue
        message = f"{candidate.name} ({len(candidate.cells.rows)} rows) looks like {table} and isn't used"
        out.append(UNUSED_TABLE.found(message, table=table, file=candidate.name))
    return out


# ------------------------------------------------------------------------------------------------------ which is which


@dataclass(frozen=True, slots=True)
class _Roles:
    """Which candidates are which table, and why."""

    tables: dict[str, list[tuple[Candidate, Fit]]]
    intervals: dict[str, list[Candidate]]
    why: dict[str, str]
    guessed: set[str]


def _roles(found: list[Candidate], said: Mapping[str, Any]) -> _Roles:
    """Return what was said, then the best candidate for each table left, then more files of the same table."""
    by_name = {candidate.name: candidate for candidate in found}
    given = said.get("tables", {})
    mapped = {
        table: _texts_of(columns) for table, columns in said.get("columns", {}).items() if isinstance(columns, dict)
    }
    roles = _Roles({}, {}, {}, set())
    for table, names in given.items():
        if table in TABLES:
            own = [by_name.get(name, Candidate(name, None, "isn't there")) for name in _list(names)]
            roles.tables[table] = [(one, fit(one, table, mapped.get(table))) for one in own]
            roles.why.update((one.name, f"is the table '{table}', as project.toml says") for one in own)
    taken = {one.name for pairs in roles.tables.values() for one, _ in pairs}
    taken |= {name for names in given.get("intervals", {}).values() for name in _list(names)}
    fits = [
        (fit(one, table, mapped.get(table)), one, table)
        for one in found
        if one.name not in taken
        for table in TABLES
        if table not in roles.tables
    ]
    for its, one, table in sorted((item for item in fits if item[0].score >= LEAST), key=lambda item: -item[0].score):
        if table not in roles.tables and one.name not in taken:
            roles.tables[table] = [(one, its)]
            roles.why[one.name] = f"is the table '{table}'" + (
                "" if one.cells is not None else f" by its name; it can't be read: {one.problem}"
            )
            taken.add(one.name)
    if roles.tables.get("collars"):
        _known_by_names(found, roles, given, mapped, taken)
        _more_files(found, roles, given, mapped, taken)
        _more_intervals(found, roles, given, taken)
    return roles


def _known_by_names(
    found: list[Candidate],
    roles: _Roles,
    given: Mapping[str, Any],
    mapped: Mapping[str, Mapping[str, tuple[str, ...]]],
    taken: set[str],
) -> None:
    """Look again for tables whose column of hole names nobody knows by its heading, by the names in it."""
    holes = _holes(roles)
    for table in TABLES:
        if table == "collars" or table in given:
            continue
        now = roles.tables.get(table)
        if now and not now[0][1].missing:
            continue
        fits = [(fit(one, table, mapped.get(table), holes), one) for one in found if one.name not in taken or now]
        own = now[0][0].name if now else ""
        fits = [pair for pair in fits if pair[0].score and not pair[0].missing]
        fits = [(its, one) for its, one in fits if one.name not in taken or one.name == own]
        if fits:
            its, one = max(fits, key=lambda pair: pair[0].score)
            roles.tables[table] = [(one, its)]
            roles.why[one.name] = f"is the table '{table}'"
            taken.add(one.name)


def _holes(roles: _Roles) -> list[str]:
    holes: list[str] = []
    for one, its in roles.tables.get("collars", []):
        if one.cells is not None and "hole_id" in its.columns:
            holes += [name for name in plain_text(one.cells.columns[its.columns["hole_id"]]) if name]
    return list(dict.fromkeys(holes))


def _more_files(
    found: list[Candidate],
    roles: _Roles,
    given: Mapping[str, Any],
    mapped: Mapping[str, Mapping[str, tuple[str, ...]]],
    taken: set[str],
) -> None:
    """Add files that are as whole a table as the first, beside it, unless they hold the same rows."""
    holes = _holes(roles)
    for one in found:
        if one.name in taken or one.cells is None or not len(one.cells.rows):
            continue
        fits = {table: fit(one, table, mapped.get(table), holes) for table in TABLES if roles.tables.get(table)}
        whole = {table: its for table, its in fits.items() if its.score and not its.missing}
        if not whole:
            continue
        table = max(whole, key=lambda name: whole[name].score)
        first = roles.tables[table][0]
        beside = home(one.name) == home(first[0].name)
        if table in given or not beside or first[0].cells is None:
            roles.why[one.name] = f"looks like {table}, and isn't used: that is {first[0].name}"
            if beside:
                roles.guessed.add(one.name)
            continue
        twice = max(_shared(other, (one, whole[table]), table) for other in roles.tables[table])
        if twice > SAME_ROWS:
            roles.why[one.name] = f"isn't used: {twice:.0%} of its rows stand in {first[0].name} too"
            roles.guessed.add(one.name)
            continue
        roles.tables[table].append((one, whole[table]))
        roles.why[one.name] = f"is more of the table '{table}', beside {first[0].name}"
        taken.add(one.name)


def _shared(one: tuple[Candidate, Fit], other: tuple[Candidate, Fit], table: str) -> float:
    """Return the share of rows of a file whose hole and depth stand in another one too."""
    keys = [_keys(*pair, table) for pair in (one, other)]
    return len(keys[0] & keys[1]) / max(len(keys[1]), 1)


def _keys(candidate: Candidate, found: Fit, table: str) -> set[tuple[str, float]]:
    if candidate.cells is None or "hole_id" not in found.columns:
        return set()
    column = "depth_from" if table == "runs" else "depth"
    names = [name_key(name) for name in plain_text(candidate.cells.columns[found.columns["hole_id"]])]
    if table == "collars":
        return {(name, 0.0) for name in names if name}
    wanted = next(one for one in TABLES[table] if one.name == column)
    return set(zip(names, numbers_of(candidate.cells, found.columns[column], wanted).tolist(), strict=False))


def _more_intervals(found: list[Candidate], roles: _Roles, given: Mapping[str, Any], taken: set[str]) -> None:
    """Add the other tables beside the collars that have depths from and to."""
    for name, files in given.get("intervals", {}).items():
        by_name = {candidate.name: candidate for candidate in found}
        own = [by_name.get(file, Candidate(file, None, "isn't there")) for file in _list(files)]
        roles.intervals[name] = own
        roles.why.update((one.name, f"is the interval table '{name}', as project.toml says") for one in own)
    place, used = home(roles.tables["collars"][0][0].name), {*roles.tables, *roles.intervals, *TABLES}
    if "intervals" in given:
        return
    for candidate in found:
        if candidate.name in {*taken, *roles.why} or home(candidate.name) != place or candidate.cells is None:
            continue
        if candidate.name.lower().endswith(".las") or not fit(candidate, "intervals").missing:
            name = re.sub(r"[^a-z0-9_]", "", plain_heading(candidate.stem)) or "intervals"
            while name in used:
                name += "_2"
            used.add(name)
            roles.intervals[name] = [candidate]
            roles.why[candidate.name] = f"is the interval table '{name}'"


def _list(names: Any) -> list[str]:
    return [name for name in (names if isinstance(names, list | tuple) else [names]) if isinstance(name, str) and name]


def _texts_of(columns: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    return {column: tuple(_list(headings)) for column, headings in columns.items() if _list(headings)}


def _seen(candidate: Candidate, roles: _Roles, said: Mapping[str, Any]) -> FileSeen:
    """Return a candidate as a person looks at it."""
    table = next((name for name, pairs in roles.tables.items() for one, _ in pairs if one is candidate), "")
    interval = next((name for name, ones in roles.intervals.items() if any(one is candidate for one in ones)), "")
    why = roles.why.get(candidate.name, "")
    if candidate.cells is None:
        why = why or f"isn't used: it can't be read ({candidate.problem})"
        return FileSeen(candidate.name, table or interval, why, guess=bool(table))
    found = next((its for one, its in roles.tables.get(table, []) if one is candidate), None)
    if found is None:
        found = fit(candidate, "intervals") if interval else Fit(0.0, {}, {}, ())
    if not why:
        nearest = min((fit(candidate, name) for name in TABLES), key=lambda its: len(its.missing) - its.score)
        lacks = f"no heading means {', '.join(nearest.missing)}" if nearest.missing else "another file fits better"
        why = f"isn't used: {lacks}"
    asked = set(said.get("columns", {}).get(table, {}))
    names = {heading: column for column, heading in found.columns.items()}
    columns = tuple(
        _column_seen(candidate, heading, names.get(heading, ""), found, asked) for heading in candidate.cells.columns
    )
    missing = found.missing if table else ()
    known = candidate.name in _said_files(said)
    guess = (candidate.name in roles.guessed or bool(table or interval)) and not known
    place = candidate.cells.heading_row, len(candidate.cells.rows)
    return FileSeen(candidate.name, table or interval, why, guess, *place, columns, missing)


def _said_files(said: Mapping[str, Any]) -> set[str]:
    given = said.get("tables", {})
    whole = [*given.values(), *(given.get("intervals", {}) or {}).values()]
    return {name for names in whole if not isinstance(names, dict) for name in _list(names)}


def _column_seen(candidate: Candidate, heading: str, means: str, found: Fit, asked: set[str]) -> ColumnSeen:
    assert candidate.cells is not None
    cells = tuple(str(cell) for cell in plain_text(candidate.cells.columns[heading].slice(0, FIRST_ROWS)))
    unit = candidate.cells.units.get(heading, "")
    guess = means in found.guessed and means not in asked
    why = "as project.toml says" if means in asked else "a usual heading"
    if guess:
        why = (
            "its cells are names of the collars"
            if means == "hole_id"
            else "nearly a usual heading, or the fullest of several"
        )
    if not means:
        why = "kept as it is"
    return ColumnSeen(heading, means, why + (f", in {unit}" if means and unit else ""), guess, cells)


# ---------------------------------------------------------------------------------------------------- the questions


def _questions(folder: Path, roles: _Roles, said: Mapping[str, Any]) -> tuple[Question, ...]:
    frame, core = said.get("frame", {}), said.get("core", {})
    word, why = _north(roles)
    answers = {
        "grid": "azimuths are used as they stand",
        "true": "azimuths are turned by the convergence of the grid",
        "magnetic": "azimuths are turned by declination and convergence",
    }
    asks = "What are survey azimuths measured from?"
    questions = [Question("frame.north", asks, answers, why, word, _answer(frame, "north", NORTHS))]
    sign, why = _dip_sign(roles)
    answers = {
        "negative_down": "a dip of −60 points down, one of 60 up",
        "positive_down": "a dip of 60 points down, one of −60 up",
    }
    asks = "How are dips of holes written?"
    questions.append(Question("frame.dip_sign", asks, answers, why, sign, _answer(frame, "dip_sign", SIGNS)))
    if any("beta" in its.columns for _, its in roles.tables.get("structures", [])):
        rows_say = [one.name for pairs in roles.tables.values() for one, its in pairs if "line" in its.columns]
        why = (
            f"rows of {' and '.join(rows_say)} say which side the orientation line marks"
            if rows_say
            else "which side of the core the line marks can't be guessed: ask whoever marked it"
        )
        answers = {
            "low": "it runs along the bottom of the core",
            "high": "it runs along the top of the core",
            "north": "it faces north, in steep holes",
        }
        asks = "What does the orientation line mark?"
        said_line = _answer(core, "line", SIDES)
        questions.append(Question("core.line", asks, answers, why, "", said_line, needed=not rows_say))
    named = [code for one, _ in roles.tables["collars"] if (code := crs_named(head_texts(folder, one)))]
    crs, where = named[0] if named else ("", "")
    place = _on_the_globe(roles, frame.get("crs", "") or crs)
    why = f"'{where}' stands in the file: {crs}{place}" if crs else f"nothing in the files names it{place}"
    asks = "Which coordinate system are eastings and northings in?"
    needed = (frame.get("north") or word) != "grid" and "convergence" not in frame
    questions.append(Question("frame.crs", asks, {}, why, crs, str(frame.get("crs", "")), needed=needed))
    return tuple(questions)


def _answer(section: Mapping[str, Any], key: str, choices: tuple[str, ...]) -> str:
    value = section.get(key, "")
    meant = choice_of(value, choices) if isinstance(value, str) else ""
    return meant if meant in choices else ""


def _north(roles: _Roles) -> tuple[str, str]:
    """Return what azimuths are measured from as far as tables tell, and why that is thought."""
    candidate, found = (roles.tables.get("surveys") or roles.tables["collars"])[0]
    heading = plain_heading(found.columns.get("azimuth", ""))
    for word in ("magnetic", "mag", "true", "grid"):
        if word in heading.split("_"):
            meant = {"mag": "magnetic"}.get(word, word)
            return meant, f"azimuths are from {meant} north, as their heading says"
    if candidate.cells is not None and "north" in found.columns:
        words = [
            choice_of(word, NORTHS) for word in plain_text(candidate.cells.columns[found.columns["north"]]) if word
        ]
        said = [word for word in NORTHS if word in words]
        if len(said) == 1:
            return said[0], f"azimuths are from {said[0]} north, as the rows of {candidate.name} say"
    return "grid", "azimuths are from grid north: nothing says so, ask whoever surveyed the holes"


def _dip_sign(roles: _Roles) -> tuple[str, str]:
    """Return how dips are written as far as they tell, and why that is thought."""
    pairs = [(table, pair) for table in ("collars", "surveys") for pair in roles.tables.get(table, [])]
    dips = np.concatenate([_dips(table, *pair) for table, pair in pairs] or [np.empty(0)])
    dips = dips[np.isfinite(dips) & (dips != 0.0)]
    if not len(dips):
        return "negative_down", "dips are negative down: there is no dip to tell by"
    down = float((dips < 0.0).mean())
    sign = "negative_down" if down >= 0.5 else "positive_down"
    share, words = max(down, 1.0 - down), "negative" if sign == "negative_down" else "positive"
    usual = float(np.median(np.abs(dips)))
    doubt = "or all holes go up" if share == 1.0 else "the others would point upwards, check them"
    either = f"{'−' if words == 'negative' else ''}{usual:.0f} is down here, {doubt}"
    return sign, f"dips are {words} down: {share:.0%} of {len(dips)} are {words}; {either}"


def _dips(table: str, candidate: Candidate, found: Fit) -> npt.NDArray[np.float64]:
    if candidate.cells is None or "dip" not in found.columns:
        return np.empty(0)
    return numbers_of(candidate.cells, found.columns["dip"], next(one for one in TABLES[table] if one.name == "dip"))


def _on_the_globe(roles: _Roles, crs: str) -> str:
    """Return where the middle of the collars would lie, in words; nothing where that can't be told."""
    candidate, found = roles.tables["collars"][0]
    if not crs or candidate.cells is None or not {"easting", "northing"} <= set(found.columns):
        return ""
    middle = []
    for name in ("easting", "northing"):
        column = next(one for one in TABLES["collars"] if one.name == name)
        middle.append(np.nanmedian(numbers_of(candidate.cells, found.columns[name], column)))
    try:
        place = north.places(crs, *(np.array([value]) for value in (*middle, 0.0)))
    except DataProblem:
        return ""
    latitude, longitude = float(place.latitude[0]), float(place.longitude[0])
    if not np.isfinite([latitude, longitude]).all():
        return ", where the collars would lie nowhere on the globe"
    sides = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    return f", the collars about {abs(latitude):.3f}° {sides[0]}, {abs(longitude):.3f}° {sides[1]}"


KIND_WORDS = {
    "fault": ("flt", "ft", "fz", "fault zone", "shear", "shear zone", "shr", "sz", "f"),
    "joint": ("jnt", "jn", "jt", "j"),
    "foliation": ("fol", "fo", "schistosity"),
    "bedding": ("bed", "bd", "bdg"),
    "vein": ("vn", "vein set", "v"),
    "contact": ("con", "cnt", "ct"),
}
"""Words and codes for kinds of structure (common practice, no source)."""


def _kinds(roles: _Roles) -> dict[str, list[str]]:
    """Return for each kind the words that it seems to be logged with.

    A single letter is taken for a kind only where nothing else is: F beside FLT may be a foliation or a fold.
    """
    cells = [
        plain_text(one.cells.columns[its.columns["kind"]])
        for one, its in roles.tables.get("structures", [])
        if one.cells is not None and "kind" in its.columns
    ]
    logged = sorted({str(word).strip() for column in cells for word in column} - {""})
    plain = {word.casefold() for word in logged}
    out = {}
    for kind, known in KIND_WORDS.items():
        words = [word for word in logged if word.casefold() in known]
        clear = [word for word in words if len(word) > 1]
        if words and (clear or kind not in plain):
            out[kind] = clear or words
    return out


# ---------------------------------------------------------------------------------------------------- the file


def with_choices(said: Mapping[str, Any], choices: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was said with what is said besides, which wins; lists grow, and sections are joined."""
    out = copy.deepcopy(dict(said))
    for key, value in choices.items():
        if isinstance(value, Mapping):
            out[key] = with_choices(out[key] if isinstance(out.get(key), Mapping) else {}, value)
        elif isinstance(value, list) and isinstance(out.get(key), list) and key in {"blanks", "fill_down", "skip_rows"}:
            out[key] = [*out[key], *(item for item in value if item not in out[key])]
        else:
            out[key] = value
    return out


def _whole(folder: Path, said: Mapping[str, Any], roles: _Roles, questions: tuple[Question, ...]) -> dict[str, Any]:
    """Return a whole project.toml: what was said, and a guess for what wasn't."""
    guessed: dict[str, Any] = {"name": folder.resolve().name.replace("_", " ").strip() or "Project"}
    for question in questions:
        section, _, key = question.key.partition(".")
        if question.guess:
            guessed.setdefault(section, {})[key] = question.guess
    tables: dict[str, Any] = {
        name: _one_or_all([one.name for one, _ in pairs]) for name, pairs in roles.tables.items() if pairs
    }
    if roles.intervals:
        tables["intervals"] = {name: _one_or_all([one.name for one in ones]) for name, ones in roles.intervals.items()}
    guessed["tables"] = tables
    columns = {
        name: {column: heading for _, its in pairs for column, heading in its.guessed.items()}
        for name, pairs in roles.tables.items()
    }
    guessed["columns"] = {name: given for name, given in columns.items() if given}
    if "kinds" not in said:
        guessed["kinds"] = _kinds(roles)
    whole = with_choices(guessed, said)
    whole["tables"] = {name: value for name, value in whole["tables"].items() if value != ""}
    return {key: value for key, value in whole.items() if value != {}}


def _one_or_all(names: list[str]) -> str | list[str]:
    return names[0] if len(names) == 1 else names


def _first_lines(raw: Mapping[str, Any], questions: tuple[Question, ...]) -> str:
    """Return the first lines of a new project.toml, with a comment at what nobody has said."""
    of = {question.key: question for question in questions}
    lines = [
        "# Proposed by lowside adopt. Read every line: what is marked as a guess is one.",
        f"name = {_quoted(raw['name'])}",
        "",
        "[frame]",
    ]
    for key in ("crs", "north", "dip_sign"):
        question = of[f"frame.{key}"]
        value = question.said or question.guess
        if value:
            said = "" if question.said else f"  # a guess: {_comment(question.speaks)}"
            lines.append(f"{key} = {_quoted(value)}{said}")
        else:
            lines.append('# crs = "EPSG:…"  # the coordinate system; convergence and declination come from it')
    lines += ["", "[core]"]
    if not raw.get("core"):
        lines.append('# line = "low"  # or "high" or "north": what the orientation line marks, unless a row says')
    lines += ["", "[tables]"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return tomlkit.dumps({"k": text}).partition("=")[2].strip()


def _comment(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)


def merged(text: str, values: Mapping[str, Any]) -> str:
    """Return a TOML text that says some values too; what it said besides stays, with comments and order.

    Parameters
    ----------
    text : str
        A project.toml.
    values : mapping
        In its shape.

    Raises
    ------
    DataProblem
        When the text isn't TOML.
    """
    try:
        document = tomlkit.parse(text)
    except tomlkit.exceptions.ParseError as error:
        raise DataProblem("this isn't TOML", file=FILE, value=str(error)) from error
    _merge(document, values)
    return tomlkit.dumps(document)


def _merge(into: Container | TomlTable, values: Mapping[str, Any]) -> None:
    plain = {key: value for key, value in values.items() if not isinstance(value, Mapping)}
    for key, value in plain.items():
        if key not in into or _unwrapped(into[key]) != value:
            into[key] = value
    for key, value in values.items():
        if not isinstance(value, Mapping) or not value:
            continue
        if key not in into:
            into[key] = tomlkit.table(is_super_table=all(isinstance(inner, Mapping) for inner in value.values()))
        _merge(into[key], value)


def _unwrapped(item: Any) -> Any:
    return item.unwrap() if hasattr(item, "unwrap") else item
