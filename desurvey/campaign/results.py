"""What follows from a study on a day, small enough to be kept: findings, suspects, faults, picks, and windows.

Tables of plain values, one row a line of JSON when they are filed, so that two days share what hasn't changed.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from desurvey.shown import shown

if TYPE_CHECKING:
    from desurvey.progress import Progress
    from desurvey.study import Answers, Study

__all__ = ["Results", "logged_to", "results_of"]

DECIMALS = 4
"""Of numbers that are kept: a tenth of a millimetre."""

COLUMNS = {
    "findings": ["key", "severity", "rule", "table", "hole_id", "depth", "message", "explained"],
    "suspects": ["key", "scope", "hole_id", "depth_from", "depth_to", "blunder", "roll_deg", "probability", "message"],
    "faults": [
        "fault_id", "picks", "holes", "dip", "dip_direction", "dip_sigma", "easting", "northing", "elevation", "rms_m",
        "p_value", "shape", "probability",
    ],
    "picks": ["structure_id", "hole_id", "depth", "fault_id"],
    "windows": [
        "fault_id", "hole_id", "expected_depth", "sigma", "depth_from", "depth_to", "status", "chance", "logged_to",
    ],
}  # fmt: skip
"""What is kept of each table."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Results:
    """What followed from a study.

    Attributes
    ----------
    findings : pandas.DataFrame
        Without suspects; ``explained`` is the reason that a person gave, or blank.
    suspects : pandas.DataFrame
        Those that stood undecided.
    faults, picks, windows : pandas.DataFrame
        Of the line-up of faults; windows that lie outside are left out. ``logged_to`` is the depth of the deepest
        logged structure of the hole, NaN where there is none: a window below it is a prediction.
    """

    findings: pd.DataFrame
    suspects: pd.DataFrame
    faults: pd.DataFrame
    picks: pd.DataFrame
    windows: pd.DataFrame

    def as_texts(self) -> dict[str, bytes]:
        """Return each table as lines of JSON."""
        return {item.name: _lines(getattr(self, item.name)) for item in fields(self)}

    @classmethod
    def of_texts(cls, texts: Mapping[str, bytes]) -> Results:
        """Return what :meth:`as_texts` gave; tables that aren't there are empty."""
        return cls(**{item.name: _table(texts.get(item.name, b""), COLUMNS[item.name]) for item in fields(cls)})


def results_of(study: Study, *, progress: Progress | None = None) -> Results:
    """Return what follows from a study: suspects and line-up are worked out where they aren't known."""
    judged = study.can_be_judged
    suspects = study.suspects(progress=progress) if judged else pd.DataFrame(columns=COLUMNS["suspects"])
    answers = study.lineup_or_none() if judged else None
    explained = study.explained
    findings = [
        (f.key, f.severity, f.rule, f.table, f.hole_id, f.depth, f.message, explained.get(f.key, ""))
        for f in study.findings
    ]
    tables = {
        "findings": pd.DataFrame(findings, columns=COLUMNS["findings"]),
        "suspects": suspects,
        "faults": _empty("faults") if answers is None else answers.faults,
        "picks": _empty("picks") if answers is None else answers.picks,
        "windows": _empty("windows") if answers is None else _windows(study, answers),
    }
    # through the text that is filed, so that a study and its state never differ by a rounding
    return Results.of_texts({name: _lines(table[COLUMNS[name]]) for name, table in tables.items()})


def _empty(name: str) -> pd.DataFrame:
    return pd.DataFrame(columns=COLUMNS[name])


def _windows(study: Study, answers: Answers) -> pd.DataFrame:
    table = answers.windows[answers.windows["status"] != "outside"]
    reached = table["hole_id"].map(logged_to(study.logged.structures)).astype(float)
    # core that nobody has looked at says nothing, also where the collar table says that it is drilled
    unseen = (table["status"] == "not_logged") & ~(reached >= table["depth_from"])
    whole = table["fault_id"].map(answers.faults.set_index("fault_id")["probability"]).astype(float)
    rate = answers.found.settings.logged
    bare = table["chance"] / whole
    there = whole * bare / (1.0 - rate + rate * bare)
    return table.assign(logged_to=reached, chance=table["chance"].where(~unseen, there))


def logged_to(structures: pd.DataFrame) -> dict[str, float]:
    """Return the depth of the deepest logged structure of each hole: what lies above it has been looked at.

    Runs don't count: core that is drilled isn't yet logged.
    """
    depth = structures.groupby("hole_id")["depth"].max().dropna()
    return dict(zip(depth.index.astype(str), depth.to_numpy(dtype=float).tolist(), strict=True))


def _lines(table: pd.DataFrame) -> bytes:
    names = list(table.columns)
    rows = zip(*(table[name].astype(object).tolist() for name in names), strict=True)
    lines = (json.dumps([_plain(value) for value in row], ensure_ascii=False) for row in rows)
    return "".join(f"{line}\n" for line in lines).encode()


def _plain(value: object) -> object:
    if isinstance(value, float | np.floating):
        return None if value != value else round(float(value), DECIMALS)
    return value.item() if isinstance(value, np.generic) else None if value is pd.NA else value


def _table(data: bytes, columns: list[str]) -> pd.DataFrame:
    rows = [json.loads(line) for line in data.decode().split("\n") if line]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.astype({name: object if name in WORDS else float for name in columns})


WORDS = frozenset(
    {"key", "severity", "rule", "table", "hole_id", "message", "explained", "scope", "blunder", "fault_id", "shape"}
    | {"structure_id", "status"}
)
"""Columns of text; all others are numbers."""
