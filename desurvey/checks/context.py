"""What every check looks at, and how it says what it has found."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.checks.limits import Limits
from desurvey.problems import Finding, Rule
from desurvey.project import Project
from desurvey.shown import shown
from desurvey.tables.cleaning import SOURCE
from desurvey.traces import Traces

__all__ = ["Bools", "Context", "Floats", "Ints"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Context:
    """A project, its holes in space, and the limits to check them by.

    Attributes
    ----------
    project : Project
    traces : Traces
        Of the holes that can be placed; none where collars or surveys can't be used at all.
    limits : Limits
    """

    project: Project
    traces: Traces
    limits: Limits

    def table(self, name: str) -> pd.DataFrame:
        """Return a table of the project by its name."""
        tables = {"collars": self.project.collars, "surveys": self.project.surveys, "runs": self.project.runs}
        tables["structures"] = self.project.structures
        return tables[name] if name in tables else self.project.intervals[name]

    def collar(self, frame: pd.DataFrame) -> Ints:
        """Return the place of each row's hole in the collars, −1 where it has none."""
        holes = self.project.collars["hole_id"]
        first = np.flatnonzero(~holes.duplicated().to_numpy())
        codes, names = pd.factorize(frame["hole_id"])
        if not len(first) or not len(names):
            return np.full(len(frame), -1, dtype=np.int64)
        place = pd.Index(holes.iloc[first]).get_indexer(pd.Index(names))
        return np.asarray(np.append(first, -1)[place][codes], dtype=np.int64)

    def rows(
        self, rule: Rule, table: str, wrong: Bools | Ints, messages: Iterable[str], depth: str = ""
    ) -> list[Finding]:
        """Return a finding for each wrong row of a table.

        Parameters
        ----------
        rule : Rule
        table : str
        wrong : (n,) bool array, or (m,) int array
            Which rows: a mask, or places.
        messages : iterable of m str
        depth : str
            Column to take the depth from, blank for none.
        """
        frame = self.table(table)
        places = np.flatnonzero(wrong) if wrong.dtype == bool else wrong
        numbers, holes = frame["row"].to_numpy()[places].tolist(), frame["hole_id"].to_numpy(dtype=object)[places]
        depths = frame[depth].to_numpy(dtype=float)[places].tolist() if depth else [None] * len(places)
        file = self.project.files.get(table, table)
        files = frame[SOURCE].to_numpy()[places].tolist() if SOURCE in frame else [file] * len(places)
        return [
            rule.found(message, table=table, file=file, row=row, hole_id=hole, depth=at)
            for file, row, hole, at, message in zip(files, numbers, holes, depths, messages, strict=True)
        ]

    def whole(self, rule: Rule, table: str, message: str, hole_id: str = "", depth: float | None = None) -> Finding:
        """Return a finding about a hole, or a table, as a whole."""
        file = self.project.files.get(table, table)
        return rule.found(message, table=table, file=file, hole_id=hole_id, depth=depth)
