"""One spelling for each hole: that of the collars."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from desurvey.problems import Finding, Rule, shortened
from desurvey.tables.cleaning import Table

__all__ = ["RULES", "name_key", "one_spelling"]

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

RULES = (OTHER_SPELLING, NAMES_ALIKE)


def name_key(name: str) -> str:
    """Return a hole's name without case and without differences of blanks, the form in which names are compared.

    >>> name_key("th  01 ") == name_key("TH 01")
    True
    """
    return " ".join(name.split()).casefold()


def one_spelling(tables: Mapping[str, Table]) -> tuple[dict[str, Table], list[Finding]]:
    """Return the tables with hole names spelt as in the collars, and what was changed.

    A name that stands in the collars is left alone, also where others differ from it in case only.
    """
    collars = tables["collars"].frame
    known = pd.unique(collars["hole_id"])
    spellings: dict[str, list[str]] = {}
    for name in known:
        spellings.setdefault(name_key(name), []).append(name)
    findings = _alike(tables["collars"], spellings)
    out = dict(tables)
    for key, table in tables.items():
        if key != "collars":
            out[key], said = _respelt(table, set(known), spellings)
            findings += said
    return out, findings


def _alike(collars: Table, spellings: Mapping[str, list[str]]) -> list[Finding]:
    findings = []
    for names in spellings.values():
        for name in names[1:]:
            row = int(collars.frame["row"][collars.frame["hole_id"] == name].iloc[0])
            message = f"the hole is called almost like '{shortened(names[0])}'"
            findings.append(NAMES_ALIKE.found(message, table="collars", file=collars.file, row=row, hole_id=name))
    return findings


def _respelt(table: Table, known: set[str], spellings: Mapping[str, list[str]]) -> tuple[Table, list[Finding]]:
    codes, names = pd.factorize(table.frame["hole_id"])
    meant, findings = np.array(names, dtype=object), []
    for place, name in enumerate(names):
        same = spellings.get(name_key(name), []) if name and name not in known else []
        if len(same) != 1:
            continue
        meant[place] = same[0]
        rows = table.frame["row"].to_numpy()[codes == place]
        message = f"'{shortened(name)}' was taken for the hole ({len(rows)} row{'s' if len(rows) > 1 else ''})"
        findings.append(
            OTHER_SPELLING.found(message, table=table.name, file=table.file, row=int(rows[0]), hole_id=same[0])
        )
    if not findings:
        return table, []
    frame = table.frame.assign(hole_id=pd.Series(meant[codes], dtype=object))
    return replace(table, frame=frame), findings
