"""``project.toml`` → checked settings.

Conventions have no default: what surveys are measured from, the sign of dip and the side that the orientation line
marks are stated in the file, or the project is refused with the lines to add.
"""

from __future__ import annotations

import re
import tomllib
import types
import typing
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar

from desurvey.outputs import protect
from desurvey.problems import DataProblem, nearest
from desurvey.shown import shown
from desurvey.tables import INTERVALS, TABLES
from desurvey.tables.cleaning import Reading
from desurvey.tables.databases import database_file, in_database
from desurvey.tables.files import is_file
from desurvey.tables.repairs import Repairs
from desurvey.tables.schema import FACTORS, UNITS, choice_of

__all__ = [
    "FILE",
    "Core",
    "FaultEnd",
    "Frame",
    "HistoryPlace",
    "Names",
    "Settings",
    "extended",
    "options",
    "raw_settings",
    "read_settings",
    "settings_of",
]

FILE = "project.toml"

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Frame:
    """``[frame]``: what positions and directions are measured in and from.

    Attributes
    ----------
    north : {"grid", "true", "magnetic"}
        What survey rows that do not say are measured from.
    dip_sign : {"negative_down", "positive_down"}
        Sign of dip in collars and surveys.
    crs : str
        Projected coordinate reference system in metres, e.g. ``EPSG:32633``; blank: none is stated.
    declination, convergence : float or None
        Degrees, positive east; given values win over the model and the projection.
    depth_unit : {"metres", "feet"}
        Unit of depths along the hole (and of recovered core) in files whose headings don't say.
    """

    north: Literal["grid", "true", "magnetic"]
    dip_sign: Literal["negative_down", "positive_down"]
    crs: str = ""
    declination: float | None = field(default=None, metadata={"low": -180.0, "high": 180.0})
    convergence: float | None = field(default=None, metadata={"low": -180.0, "high": 180.0})
    depth_unit: Literal["metres", "feet"] = "metres"

    @property
    def down(self) -> float:
        """Sign of a dip that points down."""
        return -1.0 if self.dip_sign == "negative_down" else 1.0


@dataclass(frozen=True, slots=True)
class Core:
    """``[core]``: how core is oriented.

    Attributes
    ----------
    line : {"low", "high", "north"} or None
        What the orientation line marks, unless a row says. None: every row has to say.
    """

    line: Literal["low", "high", "north"] | None = None


@dataclass(frozen=True, slots=True)
class HistoryPlace:
    """``[history]``: where states of the study are kept, and when (:mod:`desurvey.campaign`).

    Attributes
    ----------
    dir : str
        Folder, seen from the project's.
    each : {"keep", "day"}
        Whether a state is filed only by ``lowside keep``, or also by itself, on the first opening of a day.
    """

    dir: str = "history"
    each: Literal["keep", "day"] = "keep"


@dataclass(frozen=True, slots=True)
class FaultEnd:
    """A line of ``[faults]``: ``F2 = { ends_at = "F1" }``.

    Attributes
    ----------
    ends_at : str
        Name of the fault at which it ends.
    """

    ends_at: str


@shown
@dataclass(frozen=True, slots=True)
class Names:
    """``[repairs]``, beside its sections ``[repairs.TABLE]`` (:class:`desurvey.tables.repairs.Repairs`).

    Attributes
    ----------
    match_names : {"ignore_case", "ignore_punctuation"}
        When two spellings are one hole: where they differ in case and blanks only, or also in ``-``, ``_``, ``/``,
        ``.`` and zeros before a number.
    names : mapping of str to str
        ``[repairs.names] "name in a table" = "name in the collars"``.
    """

    match_names: Literal["ignore_case", "ignore_punctuation"] = "ignore_case"
    names: Mapping[str, str] = field(default_factory=dict)


@shown
@dataclass(frozen=True, slots=True)
class Settings:
    """A checked ``project.toml``.

    Attributes
    ----------
    name : str
        Of the project.
    frame : Frame
    core : Core
    tables : mapping
        Table name → its files, mostly one: ``structures = "a.csv"`` or ``["a.csv", "b.xlsx#Sheet2"]``.
    intervals : mapping
        Interval table name → its files.
    columns : mapping
        Table name → {canonical column → the headings that mean it}: ``kind = "Type"`` or ``["Type", "Feature"]``.
    units : mapping
        ``[units.TABLE]``: table name → {column → unit}, with ``""`` for all lengths along the hole, as
        ``[units] TABLE = "feet"`` says it. Units: :data:`desurvey.tables.schema.UNITS`.
    repairs : mapping
        Table name → :class:`desurvey.tables.repairs.Repairs`.
    names : Names
    sections : mapping
        Sections that belong to one module each, as they stand; see :func:`options`.
    kinds : mapping
        Kind of structure → the words for it in the structures table, in lower case.
    history : HistoryPlace
    faults : mapping of str to FaultEnd
        Fault → where it ends.
    source : str
        SQLAlchemy URL of the database that holds the tables which aren't files (:mod:`desurvey.tables.databases`).
    extends : str
        The file whose settings hold where this project says nothing, such as a company's; blank for none.
    """

    name: str
    frame: Frame
    core: Core
    tables: Mapping[str, tuple[str, ...]]
    intervals: Mapping[str, tuple[str, ...]]
    columns: Mapping[str, Mapping[str, tuple[str, ...]]]
    units: Mapping[str, Mapping[str, str]]
    repairs: Mapping[str, Repairs]
    names: Names
    sections: Mapping[str, Mapping[str, Any]]
    kinds: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    history: HistoryPlace = field(default_factory=HistoryPlace)
    faults: Mapping[str, FaultEnd] = field(default_factory=dict)
    source: str = ""
    extends: str = ""

    def files(self, table: str) -> tuple[str, ...]:
        """Return the files of a table, none where the project names none."""
        return self.tables.get(table) or self.intervals.get(table) or ()

    @property
    def all_files(self) -> list[str]:
        """Every file that the project names, sheets with theirs."""
        tables = [name for files in (*self.tables.values(), *self.intervals.values()) for name in files]
        own = [name for name in tables if not in_database(self.source, name)]
        return [*own, *(name for name in (database_file(self.source), self.extends) if name)]

    def reading(self, table: str) -> Reading:
        """Return what the project says about how a table is to be read."""
        along = {"": "feet"} if self.frame.depth_unit == "feet" else {}
        units = along | dict(self.units.get(table, {}))
        return Reading(self.columns.get(table, {}), units, self.repairs.get(table, Repairs()), self.frame.down)


OWN_SECTIONS = ("spread", "suspects", "lineup", "surface", "slip", "aim", "checks")
"""Sections whose keys are known to the module of that name."""

NAMES_ONLY = ("name", "extends")
"""Keys that are texts and no sections."""

SECTIONS = (
    *NAMES_ONLY,
    "frame",
    "core",
    "tables",
    "columns",
    "units",
    "repairs",
    "kinds",
    "history",
    "faults",
    *OWN_SECTIONS,
)

WHY = {
    "frame.north": 'say what survey azimuths are measured from: add north = "grid" (or "true" or "magnetic")',
    "frame.dip_sign": 'say how dips are written: add dip_sign = "negative_down" (−60 points down) or "positive_down"',
}
"""What to add where a convention isn't stated."""


def read_settings(folder: Path, moved: Mapping[str, str] | None = None) -> Settings:
    """Read and check the ``project.toml`` of a project folder.

    Parameters
    ----------
    folder : Path
        The project's.
    moved : mapping of str to str, optional
        File as the ``project.toml`` names it → where it lies instead, for a project that was put together elsewhere.

    Raises
    ------
    DataProblem
        When it is missing, isn't TOML, has an unknown key (the nearest right one is named) or a wrong value, or leaves
        a convention unsaid.
    """
    raw = extended(folder, _renamed(raw_settings(folder), moved or {}))
    history = raw.get("history", {})
    kept = history.get("dir", HistoryPlace().dir) if isinstance(history, dict) else HistoryPlace().dir
    tables = raw.get("tables", {})
    database = database_file(str(tables.get("source", ""))) if isinstance(tables, dict) else ""
    protect(folder, [FILE, str(kept), *_files_named(folder, raw), *([database] if database else [])])
    return settings_of({"name": folder.resolve().name, **raw})


def extended(folder: Path, raw: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a ``project.toml`` says with what the file says that it ``extends``, over which it wins.

    ``extends = "../company.toml"`` names that file as seen from the project's folder; files that stand in it are seen
    from there too. It extends nothing itself.

    Raises
    ------
    DataProblem
        When that file is missing, isn't TOML, or extends another one.
    """
    name = _checked(raw.get("extends", ""), str, "extends", {})
    if not name:
        return dict(raw)
    if not is_file(folder / name):
        raise DataProblem("the file that the project extends isn't there", file=FILE, column="extends", value=name)
    below = _parsed(folder / name, name)
    if "extends" in below:
        raise DataProblem("a file that is extended extends nothing itself", file=name, column="extends")
    return _over(below, raw)


def _over(below: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """Return settings over others: sections are joined, single values win."""
    joined = {
        key: _over(below[key], value) if isinstance(value, Mapping) and isinstance(below.get(key), Mapping) else value
        for key, value in own.items()
    }
    return {**below, **joined}


def settings_of(raw: Mapping[str, Any]) -> Settings:
    """Return what a ``project.toml`` says, checked: :func:`read_settings` of one that has been parsed."""
    _refuse_unknown(raw, SECTIONS, "")
    for key in SECTIONS[len(NAMES_ONLY) :]:
        if not isinstance(raw.get(key, {}), dict):
            raise DataProblem(f"[{key}] must be a section", file=FILE, column=key, value=raw[key])
    tables, intervals = _table_files(raw.get("tables", {}))
    return Settings(
        name=_checked(raw["name"], str, "name", {}),
        frame=options("frame", raw.get("frame", {}), Frame),
        core=options("core", raw.get("core", {}), Core),
        tables=tables,
        intervals=intervals,
        columns=_column_maps(raw.get("columns", {}), intervals),
        units=_units(raw.get("units", {}), intervals),
        repairs=_repairs(raw.get("repairs", {}), intervals),
        names=options("repairs", {key: value for key, value in raw.get("repairs", {}).items() if key in NAMES}, Names),
        sections={key: raw.get(key, {}) for key in OWN_SECTIONS},
        kinds=_kinds(raw.get("kinds", {})),
        history=options("history", raw.get("history", {}), HistoryPlace),
        faults=_faults(raw.get("faults", {})),
        source=_checked(raw.get("tables", {}).get("source", ""), str, "tables.source", {}),
        extends=_checked(raw.get("extends", ""), str, "extends", {}),
    )


def options(section: str, given: Mapping[str, Any], kind: type[T]) -> T:
    """Return a section of ``project.toml`` as a frozen dataclass.

    Parameters
    ----------
    section : str
        Its name, for messages.
    given : mapping
        What stands in the file.
    kind : dataclass type
        Its fields are the keys. Understood types: str, bool, int, float, ``Literal`` of str, lists (as ``tuple[...]``),
        another dataclass (a nested section), and each of these ``| None``. A field without a default must be given.
        ``metadata={"low": …, "high": …}`` limits a number.

    Raises
    ------
    DataProblem
        Unknown key (with the nearest right one), wrong type, value out of range, or missing.
    """
    names = [item.name for item in fields(kind)]  # type: ignore[arg-type]
    _refuse_unknown(given, names, section)
    hints = typing.get_type_hints(kind)
    values = {}
    for item in fields(kind):  # type: ignore[arg-type]
        key = f"{section}.{item.name}"
        if item.name in given:
            values[item.name] = _checked(given[item.name], hints[item.name], key, item.metadata)
        elif item.default is MISSING and item.default_factory is MISSING:
            raise DataProblem(f"'{item.name}' is missing in [{section}]", file=FILE, hint=WHY.get(key, ""))
    return kind(**values)


def raw_settings(folder: Path) -> dict[str, Any]:
    """Return what the ``project.toml`` of a folder holds, unchecked.

    Raises
    ------
    DataProblem
        When it is missing or isn't TOML.
    """
    path = folder / FILE
    if not folder.is_dir():
        raise DataProblem("there is no such project folder", file=str(folder))
    if not path.is_file():
        raise DataProblem(
            f"the folder has no {FILE}",
            file=str(folder),
            hint=f"if your tables are there, write one with: lowside adopt {folder}",
        )
    return _parsed(path, FILE)


def _parsed(path: Path, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"at line (\d+)", str(error))
        row = int(line.group(1)) if line else None
        raise DataProblem("this isn't TOML", file=name, row=row, value=str(error)) from error
    except RecursionError as error:
        raise DataProblem("the file is nested too deeply", file=name) from error
    except (UnicodeDecodeError, OSError) as error:
        raise DataProblem("the file can't be read as UTF-8 text", file=name, value=str(error)) from error


def _renamed(value: Any, moved: Mapping[str, str]) -> Any:
    """Return what a ``project.toml`` holds with the names of files exchanged, those of their sheets and members too."""
    if isinstance(value, dict):
        return {key: _renamed(inner, moved) for key, inner in value.items()}
    if isinstance(value, list):
        return [_renamed(inner, moved) for inner in value]
    if isinstance(value, str):
        for name, place in moved.items():
            if value == name or value.startswith((f"{name}#", f"{name}/")):
                return place + value[len(name) :]
    return value


def _files_named(folder: Path, raw: dict[str, Any]) -> Iterator[str]:
    """Give every text of the file that is the name of a table, or of a file that is there, under whatever key."""
    left: list[tuple[Any, bool]] = [(raw, False)]
    while left:
        value, table = left.pop()
        if isinstance(value, dict):
            left += [(inner, table or key == "tables") for key, inner in value.items()]
        elif isinstance(value, list):
            left += [(inner, table) for inner in value]
        elif isinstance(value, str) and value not in {"", "."} and (table or is_file(folder / value)):
            yield value


def _refuse_unknown(given: Mapping[str, Any], known: typing.Iterable[str], section: str) -> None:
    known = list(known)
    for key in given:
        if key not in known:
            where = f"[{section}]" if section else "the file"
            hint = nearest(key, known) or f"known are {', '.join(known)}"
            raise DataProblem(f"{where} has a key that means nothing", file=FILE, value=key, hint=hint)


def _table_files(raw: Mapping[str, Any]) -> tuple[dict[str, tuple[str, ...]], dict[str, tuple[str, ...]]]:
    _refuse_unknown(raw, ["source", *TABLES, "intervals"], "tables")
    intervals = raw.get("intervals", {})
    if not isinstance(intervals, dict):
        raise DataProblem("[tables.intervals] must be a section: one name = file a line", file=FILE, value=intervals)
    for name in intervals:
        if name in TABLES or name in NAMES:
            raise DataProblem("an interval table can't have the name of another table", file=FILE, value=name)
    files = {key: _texts(value, f"tables.{key}") for key, value in raw.items() if key in TABLES}
    more = {key: _texts(value, f"tables.intervals.{key}") for key, value in intervals.items()}
    if "collars" not in files:
        raise DataProblem("[tables] names no collars", file=FILE, hint='add collars = "collars.csv"')
    return files, more


def _texts(value: Any, key: str) -> tuple[str, ...]:
    """Return one text or a list of texts as a tuple."""
    texts: tuple[str, ...] = _checked(value if isinstance(value, list) else [value], tuple[str, ...], key, {})
    if not texts:
        raise DataProblem(f"'{key}' is an empty list", file=FILE, hint="take the line out")
    return texts


def _by_table(raw: Mapping[str, Any], intervals: Mapping[str, Any], section: str) -> dict[str, dict[str, Any]]:
    """Return the sections of a section, one a table, with known names of tables and columns only."""
    _refuse_unknown(raw, [*TABLES, *intervals], section)
    for table, given in raw.items():
        if not isinstance(given, dict):
            raise DataProblem(f"[{section}.{table}] must be a section", file=FILE, value=given)
    return dict(raw)


def _columns_of(table: str) -> list[str]:
    return [column.name for column in TABLES.get(table, INTERVALS)]


def _column_maps(raw: Mapping[str, Any], intervals: Mapping[str, Any]) -> dict[str, dict[str, tuple[str, ...]]]:
    maps = {}
    for table, given in _by_table(raw, intervals, "columns").items():
        if table in TABLES:
            _refuse_unknown(given, _columns_of(table), f"columns.{table}")
        maps[table] = {key: _texts(value, f"columns.{table}.{key}") for key, value in given.items()}
    return maps


def _kinds(raw: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    """Return the words for each kind of structure; a word can't stand for two kinds."""
    kinds: dict[str, tuple[str, ...]] = {}
    taken: dict[str, str] = {}
    for given, words in raw.items():
        kind = given.strip().casefold()
        own = [word.strip().casefold() for word in _checked(words, tuple[str, ...], f"kinds.{given}", {})]
        for word in dict.fromkeys([kind, *own]):
            if taken.setdefault(word, kind) != kind or kind in kinds:
                raise DataProblem("[kinds] gives one word to two kinds", file=FILE, column=f"kinds.{given}", value=word)
        kinds[kind] = tuple(own)
    return kinds


def _faults(raw: Mapping[str, Any]) -> dict[str, FaultEnd]:
    """Return which faults end at which; none may end at itself, by way of others either."""
    ends: dict[str, FaultEnd] = _mapping(raw, FaultEnd, "faults")
    for name in ends:
        way = [name]
        while way[-1] in ends:
            way.append(ends[way[-1]].ends_at)
            if way[-1] in way[:-1]:
                circle = way[way.index(way[-1]) :]
                hint = "the younger of two faults cuts the older one off: take one of the lines out"
                raise DataProblem(
                    "[faults] goes round in a circle",
                    file=FILE,
                    column="faults",
                    value=" ends at ".join(circle),
                    hint=hint,
                )
    return ends


def _units(raw: Mapping[str, Any], intervals: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    whole = {table: value if isinstance(value, dict) else {"": value} for table, value in raw.items()}
    units: dict[str, dict[str, str]] = {}
    for table, given in _by_table(whole, intervals, "units").items():
        _refuse_unknown(given, ["", *_columns_of(table)], f"units.{table}")
        lengths = tuple(unit for unit, (measures, _) in FACTORS.items() if measures == "m")
        units[table] = {
            column: _choice(unit, UNITS if column else lengths, f"units.{table}.{column}".rstrip("."))
            for column, unit in given.items()
        }
    return units


NAMES = ("match_names", "names")
"""Keys of ``[repairs]`` that speak of the names of holes and not of a table."""


def _repairs(raw: Mapping[str, Any], intervals: Mapping[str, Any]) -> dict[str, Repairs]:
    out = {}
    _refuse_unknown(raw, [*NAMES, *TABLES, *intervals], "repairs")
    for table, given in _by_table({key: raw[key] for key in raw if key not in NAMES}, intervals, "repairs").items():
        repairs: Repairs = options(f"repairs.{table}", given, Repairs)
        _refuse_unknown(dict.fromkeys(repairs.fill_down), _columns_of(table), f"repairs.{table}.fill_down")
        _refuse_unknown(repairs.values, _columns_of(table), f"repairs.{table}.values")
        out[table] = repairs
    return out


# ------------------------------------------------------------------------------------------------------ single values


def _checked(value: Any, hint: Any, key: str, limits: Mapping[str, Any]) -> Any:
    """Return a value of the file as the type that its key asks for."""
    if typing.get_origin(hint) in {types.UnionType, typing.Union}:
        hint = next(kind for kind in typing.get_args(hint) if kind is not types.NoneType)
    if typing.get_origin(hint) is Literal:
        return _choice(value, typing.get_args(hint), key)
    if typing.get_origin(hint) is Mapping:
        return _mapping(value, typing.get_args(hint)[1], key)
    if is_dataclass(hint) and isinstance(hint, type):
        if not isinstance(value, dict):
            raise DataProblem(f"[{key}] must be a section", file=FILE, value=value)
        return options(key, value, hint)
    if typing.get_origin(hint) is tuple:
        return _items(value, hint, key, limits)
    if hint is float:
        return _number(value, key, limits)
    if not isinstance(value, hint) or (hint is int and isinstance(value, bool)):
        words = {str: "text in quotes", bool: "true or false", int: "a whole number"}
        raise DataProblem(f"'{key}' must be {words.get(hint, hint.__name__)}", file=FILE, value=value)
    return _number(value, key, limits) if hint is int else value


def _mapping(value: Any, hint: Any, key: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise DataProblem(f"[{key}] must be a section: one word = meaning a line", file=FILE, value=value)
    return {word: _checked(item, hint, f"{key}.{word}", {}) for word, item in value.items()}


def _choice(value: Any, choices: tuple[Any, ...], key: str) -> Any:
    """Return one of some choices, which a word of the trade may stand for as it may in a table."""
    if isinstance(value, str) and value not in choices:
        value = next((choice for choice in [choice_of(value, choices)] if choice in choices), value)
    if value not in choices:
        expected = " or ".join(f'"{choice}"' for choice in choices)
        hint = nearest(str(value), [str(choice) for choice in choices])
        raise DataProblem(f"'{key}' must be {expected}", file=FILE, value=value, hint=hint)
    return value


def _items(value: Any, hint: Any, key: str, limits: Mapping[str, Any]) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise DataProblem(f"'{key}' must be a list in square brackets", file=FILE, value=value)
    return tuple(_checked(item, typing.get_args(hint)[0], key, limits) for item in value)


def _number(value: Any, key: str, limits: Mapping[str, Any]) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise DataProblem(f"'{key}' must be a number", file=FILE, value=value)
    low, high = limits.get("low", float("-inf")), limits.get("high", float("inf"))
    if not low <= value <= high:
        raise DataProblem(f"'{key}' must lie in {low:g} to {high:g}", file=FILE, value=value)
    return value
