"""A folder of tables → a ``project.toml`` for it, with every guess said.

Two things can't be seen in any table and matter most: what azimuths are measured from, and which side of the core the
line marks. The first has to stand in the file and is guessed as grid north where nothing speaks for another; the second
is left for the person to write.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np

from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from desurvey.project.candidates import Candidate, Fit, candidates, fit, numbers_of
from desurvey.project.settings import FILE
from desurvey.shown import shown
from desurvey.tables import TABLES
from desurvey.tables.columns import plain_text
from desurvey.tables.schema import choice_of, plain_heading

__all__ = ["Proposal", "adopt", "propose"]

LEAST = 1.0
"""Score from which a candidate is taken for a table."""

ONE_SIGN = 0.9
"""Share of dips with one sign from which that is the sign of down; some holes are drilled upwards."""


@shown
@dataclass(frozen=True, slots=True)
class Proposal:
    """A project.toml that could be.

    Attributes
    ----------
    text : str
        The file.
    guesses : tuple of str
        Everything in it that isn't certain, a sentence each.
    """

    text: str
    guesses: tuple[str, ...]


def adopt(folder: Path | str) -> Proposal:
    """Write a ``project.toml`` into a folder that has none.

    Raises
    ------
    DataProblem
        When the folder has one already (it is never overwritten), can't be written, or holds nothing like collars.
    """
    folder = Path(folder)
    path = folder / FILE
    if path.exists() or path.is_symlink():
        raise DataProblem(
            f"the folder has a {FILE} already, and it is never overwritten",
            file=str(path),
            hint="rename it to have another one proposed",
        )
    proposal = propose(folder)
    with replacing(path, own=True) as partial:
        partial.write_text(proposal.text, encoding="utf-8")
    return proposal


def propose(folder: Path | str) -> Proposal:
    """Return a ``project.toml`` for a folder of tables.

    Raises
    ------
    DataProblem
        When there is no such folder, or nothing in it looks like collars.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise DataProblem("there is no such folder", file=str(folder))
    there = candidates(folder)
    tables = _assigned(there)
    if "collars" not in tables:
        seen = ", ".join(candidate.name for candidate in there[:10]) or "no table at all"
        raise DataProblem(
            "nothing in the folder looks like collars: a table with hole, easting, northing, elevation and depth",
            file=str(folder),
            hint=f"seen were {seen}",
        )
    intervals = _intervals(there, tables)
    guesses = [*_said(tables), *(f"{found.name} is the interval table '{name}'" for name, found in intervals.items())]
    north, why_north = _north(tables)
    sign, why_sign = _dip_sign(tables)
    kinds = _kinds(tables)
    guesses += [why_north, why_sign, *_line(tables)]
    guesses += [f"structures logged {', '.join(words)} are of kind '{kind}'" for kind, words in kinds.items()]
    name = folder.resolve().name.replace("_", " ").strip() or "Project"
    text = _file(name, north, why_north, sign, why_sign, tables, intervals, kinds)
    return Proposal(text, tuple(guesses))


# -------------------------------------------------------------------------------------------------------- the tables

Assigned = dict[str, tuple[Candidate, Fit]]


def _assigned(there: list[Candidate]) -> Assigned:
    """Return the best candidate for each table, each candidate once, the surest pair first."""
    fits = [(fit(candidate, table), candidate, table) for candidate in there for table in TABLES]
    fits = [item for item in fits if item[0].score >= LEAST]
    out: Assigned = {}
    taken: set[str] = set()
    for found, candidate, table in sorted(fits, key=lambda item: -item[0].score):
        if table not in out and candidate.name not in taken:
            out[table] = (candidate, found)
            taken.add(candidate.name)
    return {table: out[table] for table in TABLES if table in out}


def _intervals(there: list[Candidate], tables: Assigned) -> dict[str, Candidate]:
    """Return the other tables beside the collars that have depths from and to."""
    taken = {candidate.name for candidate, _ in tables.values()}
    home = _home(tables["collars"][0].name)
    out: dict[str, Candidate] = {}
    for candidate in there:
        if candidate.name in taken or _home(candidate.name) != home or candidate.cells is None:
            continue
        if candidate.name.lower().endswith(".las") or not fit(candidate, "intervals").missing:
            name = re.sub(r"[^a-z0-9_]", "", plain_heading(candidate.stem)) or "intervals"
            while name in out or name in TABLES:
                name += "_2"
            out[name] = candidate
    return out


def _home(name: str) -> str:
    """Return the folder, workbook or archive that a table lies in."""
    file, _, sheet = name.partition("#")
    return file if sheet else str(PurePosixPath(file).parent)


def _said(tables: Assigned) -> list[str]:
    """Return what was guessed about the tables and their headings."""
    out = []
    for table, (candidate, found) in tables.items():
        if candidate.cells is None:
            out.append(f"{candidate.name} is the table '{table}' by its name; it can't be read: {candidate.problem}")
            continue
        out.append(f"{candidate.name} is the table '{table}'")
        out += [f"the heading '{heading}' there means {column}" for column, heading in found.guessed.items()]
        out += [f"no heading there means {column}, which it needs" for column in found.missing]
        feet = [heading for heading, unit in candidate.cells.units.items() if unit == "ft"]
        out += [f"the file says that {', '.join(feet)} are in feet: depths are turned to metres"] if feet else []
    return out


# --------------------------------------------------------------------------------------------------- the conventions


def _north(tables: Assigned) -> tuple[str, str]:
    """Return what azimuths are measured from, and why that is thought."""
    candidate, found = tables.get("surveys", tables["collars"])
    heading = plain_heading(found.columns.get("azimuth", ""))
    for word in ("magnetic", "mag", "true", "grid"):
        if word in heading.split("_"):
            north = {"mag": "magnetic"}.get(word, word)
            return north, f"azimuths are from {north} north, as their heading says"
    if candidate.cells is not None and "north" in found.columns:
        words = [
            choice_of(word, ("grid", "true", "magnetic"))
            for word in plain_text(candidate.cells.columns[found.columns["north"]])
            if word
        ]
        said = [word for word in ("grid", "true", "magnetic") if word in words]
        if len(said) == 1:
            return said[0], f"azimuths are from {said[0]} north, as the rows of {candidate.name} say"
    return "grid", "azimuths are from grid north: nothing says so, ask whoever surveyed the holes"


def _dip_sign(tables: Assigned) -> tuple[str, str]:
    """Return how dips are written, and why that is thought."""
    dips = np.concatenate([_dips(table, *tables[table]) for table in ("collars", "surveys") if table in tables])
    dips = dips[np.isfinite(dips) & (dips != 0.0)]
    if not len(dips):
        return "negative_down", "dips are negative down: there is no dip to tell by"
    down = float((dips < 0.0).mean())
    sign = "negative_down" if down >= 0.5 else "positive_down"
    share = max(down, 1.0 - down)
    words = "negative" if sign == "negative_down" else "positive"
    doubt = "" if share >= ONE_SIGN else "; the others would point upwards, check them"
    return sign, f"dips are {words} down: {share:.0%} of {len(dips)} are {words}{doubt}"


def _dips(table: str, candidate: Candidate, found: Fit) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    if candidate.cells is None or "dip" not in found.columns:
        return np.empty(0)
    column = next(column for column in TABLES[table] if column.name == "dip")
    return numbers_of(candidate.cells, found.columns["dip"], column)


def _line(tables: Assigned) -> list[str]:
    """Return what is to be said about the side that the line marks, where betas depend on it."""
    beta = any("beta" in found.columns for _, found in tables.values())
    if not beta:
        return []
    rows_say = [candidate.name for candidate, found in tables.values() if "line" in found.columns]
    if rows_say:
        return [f"rows of {' and '.join(rows_say)} say which side the orientation line marks"]
    return ["which side of the core the line marks can't be guessed: write it under [core] before anything is oriented"]


KIND_WORDS = {
    "fault": ("flt", "ft", "fz", "fault zone", "shear", "shear zone", "shr", "sz", "f"),
    "joint": ("jnt", "jn", "jt", "j"),
    "foliation": ("fol", "fo", "schistosity"),
    "bedding": ("bed", "bd", "bdg"),
    "vein": ("vn", "vein set", "v"),
    "contact": ("con", "cnt", "ct"),
}
"""Words and codes for kinds of structure (common practice, no source)."""


def _kinds(tables: Assigned) -> dict[str, list[str]]:
    """Return for each kind the words that it seems to be logged with.

    A single letter is taken for a kind only where nothing else is: F beside FLT may be a foliation or a fold.
    """
    candidate, found = tables.get("structures", (None, None))
    if candidate is None or found is None or candidate.cells is None or "kind" not in found.columns:
        return {}
    logged = sorted({word.strip() for word in plain_text(candidate.cells.columns[found.columns["kind"]])} - {""})
    plain = {word: word.casefold() for word in logged}
    out = {}
    for kind, known in KIND_WORDS.items():
        words = [word for word in logged if plain[word] in known]
        clear = [word for word in words if len(word) > 1]
        if words and (clear or kind not in plain.values()):
            out[kind] = clear or words
    return out


# ------------------------------------------------------------------------------------------------------------ the file


def _file(
    name: str,
    north: str,
    why_north: str,
    sign: str,
    why_sign: str,
    tables: Assigned,
    intervals: dict[str, Candidate],
    kinds: dict[str, list[str]],
) -> str:
    lines = [
        "# Proposed by lowside adopt. Read every line: what is marked as a guess is one.",
        f"name = {_quoted(name)}",
        "",
        "[frame]",
        '# crs = "EPSG:…"  # the coordinate system; convergence and declination come from it',
        f'north = "{north}"  # a guess: {_comment(why_north)}',
        f'dip_sign = "{sign}"  # a guess: {_comment(why_sign)}',
        "",
        "[core]",
        '# line = "low"  # or "high" or "north": what the orientation line marks, unless a row says',
        "",
        "[tables]",
        *(f"{table} = {_quoted(candidate.name)}" for table, (candidate, _) in tables.items()),
    ]
    if intervals:
        lines += ["", "[tables.intervals]"]
        lines += [f"{key} = {_quoted(candidate.name)}" for key, candidate in intervals.items()]
    for table, (_, found) in tables.items():
        if found.guessed:
            lines += ["", f"[columns.{table}]  # guesses"]
            lines += [f"{column} = {_quoted(heading)}" for column, heading in found.guessed.items()]
    if kinds:
        lines += ["", "[kinds]  # guesses: the words that stand for one kind of structure"]
        lines += [f"{kind} = [{', '.join(map(_quoted, words))}]" for kind, words in kinds.items()]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return a text as TOML writes it; JSON's strings are TOML's, but for one control character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)
