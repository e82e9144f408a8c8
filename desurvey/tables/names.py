"""One spelling for each hole: that of the collars."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.problems import Finding, Rule, shortened
from desurvey.tables.cleaning import Table

__all__ = ["RULES", "bare_name", "name_key", "one_spelling"]

OTHER_SPELLING = Rule(
    "other_spelling",
    "note",
    "case and blanks make no other hole; the collar's spelling was taken",
    "Write the name in one way",
)
NAMES_ALIKE = Rule(
    "names_alike",
    "warning",
    "names that differ in case or blanks only are mixed up sooner or later",
    "Rename one of the holes, or delete the row that stands twice",
)

DECLARED_NAMES = Rule(
    "declared_names", "note", "project.toml says so under [repairs]", "Nothing, if it is right; else take the line out"
)

RULES = (OTHER_SPELLING, NAMES_ALIKE, DECLARED_NAMES)


Ints = npt.NDArray[np.intp]


def name_key(name: str) -> str:
    """Return a hole's name without case and without differences of blanks, the form in which names are compared.

    >>> name_key("th  01 ") == name_key("TH 01")
    True
    """
    return " ".join(name.split()).casefold()


def bare_name(name: str) -> str:
    """Return a name without punctuation and leading zeros, as a spreadsheet that takes it for a number leaves it.

    >>> bare_name("TH-007") == bare_name("th 7"), bare_name("001")
    (True, '1')
    """
    return re.sub(r"[\W_]+", "", re.sub(r"0*(\d+)", r"\1", name.casefold()))


def one_spelling(
    tables: Mapping[str, Table], meant: Mapping[str, str], *, ignore_punctuation: bool = False
) -> tuple[dict[str, Table], list[Finding]]:
    """Return the tables with hole names spelt as in the collars, and what was changed.

    A name that stands in the collars is left alone, also where others differ from it in case only.

    Parameters
    ----------
    tables : mapping
    meant : mapping of str to str
        Names in tables → names in the collars, as a person has said.
    ignore_punctuation : bool
        Whether names that differ in punctuation and leading zeros only are one, as a person has said.
    """
    known = pd.unique(tables["collars"].frame["hole_id"])
    spellings, bare = _grouped(known, name_key), _grouped(known, bare_name) if ignore_punctuation else {}
    said, collared = {name_key(name): hole for name, hole in meant.items()}, set(known)
    findings = _alike(tables["collars"], spellings)
    out = dict(tables)
    for key, table in tables.items():
        if key == "collars":
            continue
        codes, names = pd.factorize(table.frame["hole_id"])
        usual = {name: _only(spellings, name_key(name)) for name in names if name and name not in collared}
        declared = {
            name: said.get(name_key(name)) or _only(bare, bare_name(name)) for name, hole in usual.items() if not hole
        }
        out[key], respelt = _respelt(table, codes, list(names), usual, declared)
        findings += respelt
    return out, findings


def _grouped(names: Iterable[str], key: Callable[[str], str]) -> dict[str, list[str]]:
    groups: dict[str, list[str]] = {}
    for name in names:
        groups.setdefault(key(name), []).append(name)
    return groups


def _only(groups: Mapping[str, list[str]], key: str) -> str:
    """Return the one name of a group, blank where there are none or several."""
    names = groups.get(key, [])
    return names[0] if len(names) == 1 else ""


def _alike(collars: Table, spellings: Mapping[str, list[str]]) -> list[Finding]:
    findings = []
    for names in spellings.values():
        for name in names[1:]:
            place = int(np.flatnonzero(collars.frame["hole_id"] == name)[0])
            message = f"the hole is called almost like '{shortened(names[0])}'"
            findings.append(NAMES_ALIKE.found(message, **collars.at(place), hole_id=name))
    return findings


def _respelt(
    table: Table, codes: Ints, names: Sequence[str], usual: Mapping[str, str], declared: Mapping[str, str]
) -> tuple[Table, list[Finding]]:
    meant = np.array([usual.get(name) or declared.get(name) or name for name in names], dtype=object)
    changed = [place for place, name in enumerate(names) if meant[place] != name]
    if not changed:
        return table, []
    findings, rows = [], [np.flatnonzero(codes == place) for place in changed]
    for place, its in zip(changed, rows, strict=True):
        if usual.get(names[place]):
            message = (
                f"'{shortened(names[place])}' was taken for the hole ({len(its)} row{'s' if len(its) > 1 else ''})"
            )
            findings.append(OTHER_SPELLING.found(message, **table.at(int(its[0])), hole_id=meant[place]))
    by_rule = [
        (names[place], len(its)) for place, its in zip(changed, rows, strict=True) if not usual.get(names[place])
    ]
    if by_rule:
        count = sum(its for _, its in by_rule)
        said = ", ".join(f"'{shortened(name)}'" for name, _ in by_rule[:5]) + (" …" if len(by_rule) > 5 else "")
        message = f"{len(by_rule)} names in {count} rows were taken for those of the collars: {said}"
        findings.append(DECLARED_NAMES.found(message, table=table.name, file=table.file))
    frame = table.frame.assign(hole_id=pd.Series(meant[codes], dtype=object))
    new = {names[place]: meant[place] for place in changed}
    kept = tuple(replace(one, hole_id=new[one.hole_id]) if one.hole_id in new else one for one in table.findings)
    return replace(table, frame=frame, findings=kept), findings
