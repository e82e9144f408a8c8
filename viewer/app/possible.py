"""Possible? Findings and suspects, shown as logged or as explained, and accepted or set aside."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import orient, suspects, traces
from desurvey.progress import Progress
from desurvey.project import load_project
from desurvey.project.loading import run_of
from viewer.app.decisions import Decision, What, read_decisions, write_decisions
from viewer.app.desk import Desk
from viewer.app.parts import Part, careful

__all__ = ["Possible", "explained", "key_of", "members", "suspects_in"]

Bools = npt.NDArray[np.bool_]


def key_of(suspect: pd.Series) -> str:
    """Return a name for a suspect that stays the same while its rows do."""
    place = f"{suspect['depth_from']:g}-{suspect['depth_to']:g}"
    parts = (suspect["scope"], suspect["hole_id"], place, suspect["structure_id"], suspect["blunder"])
    return " ".join(str(part) for part in parts if pd.notna(part) and str(part))


def members(structures: pd.DataFrame, suspect: pd.Series) -> Bools:
    """Return which rows of the structures a suspect concerns, shape (n,)."""
    if suspect["scope"] == "reading":
        return np.asarray(structures["structure_id"] == suspect["structure_id"])
    if suspect["scope"] == "run":
        return np.asarray(run_of(structures, suspect.to_frame().T) >= 0)
    depth = structures["depth"]
    inside = (depth >= suspect["depth_from"]) & (depth <= suspect["depth_to"])
    return np.asarray((structures["hole_id"] == suspect["hole_id"]) & inside)


def explained(desk: Desk, accepted: pd.DataFrame) -> Desk:
    """Return the desk with some suspects put right; the files stay as they are."""
    if accepted.empty:
        return desk
    project = suspects.accept(desk.project, accepted)
    holes = traces.build(project)
    return replace(desk, project=project, traces=holes, oriented=orient.oriented(project, holes))


def suspects_in(folder: Path, *, progress: Progress | None = None) -> pd.DataFrame:
    """Return the suspects of the project in a folder."""
    project = load_project(folder)
    holes = traces.build(project)
    return suspects.suspects(project, holes, orient.oriented(project, holes), progress=progress)


class Possible(Part):
    """The list of suspects, and what has been decided about them."""

    triggers = ("find_suspects", "pick_suspect", "explain", "accept_suspect", "set_aside_suspect", "undecide_suspect")

    def __init__(self, app: Any) -> None:
        super().__init__(app)
        self.table = pd.DataFrame(columns=[*suspects.COLUMNS, "key"])
        self.looked = False
        self.decisions = read_decisions(app.folder)
        self._cache: tuple[frozenset[str], Desk] = (frozenset(), app.desk)
        self.state.update({"suspects": [], "why": "", "suspects_said": self._before()})

    def reset(self) -> None:
        """Forget what was found; the tables have changed."""
        self.table, self.looked = self.table.iloc[:0], False
        self._cache = (frozenset(), self.app.desk)
        self.state.suspects_said = self._before("The tables have changed: suspects have to be looked for anew.")
        self.show()

    def _before(self, said: str = "Suspects have not been looked for yet.") -> str:
        """Return what is said before suspects have been looked for."""
        oriented = self.app.desk.oriented.usable.any()
        return said if oriented else f"{said} Without oriented structures only survey stations can be suspects."

    def desk(self, keys: frozenset[str]) -> Desk:
        """Return the desk with the suspects of these keys shown as explained."""
        known = frozenset(self.table["key"]) & keys
        if self._cache[0] != known or not known:
            self._cache = (known, explained(self.app.desk, self.table[self.table["key"].isin(list(known))]))
        return self._cache[1]

    def concerned(self) -> Bools:
        """Return which rows of the structures any suspect concerns."""
        structures = self.app.desk.project.structures
        found = np.zeros(len(structures), dtype=bool)
        for _, suspect in self.table.iterrows():
            found |= members(structures, suspect)
        return found

    def said_of(self, row: int) -> list[str]:
        """Return the sentences of the suspects that concern a row."""
        structures = self.app.desk.project.structures.iloc[row : row + 1]
        return [str(one["message"]) for _, one in self.table.iterrows() if members(structures, one).any()]

    def show(self) -> None:
        """Put suspects and decisions into the state."""
        decided = self.decisions.about("suspect")
        now = self.app.history.now.explained
        self.state.suspects = [
            _item(one, decided.get(one["key"]), one["key"] in now) for _, one in self.table.iterrows()
        ]
        self.app.lines.notice()

    # --- triggers

    @careful
    def find_suspects(self) -> None:
        """Look for suspects in the background."""
        self.app.later(
            "Weighing readings, runs and holes against their neighbours",
            lambda: self.app.worker.run(suspects_in, self.app.folder),
            self._found,
        )

    def _found(self, table: pd.DataFrame) -> None:
        self.table, self.looked = table.assign(key=[key_of(suspect) for _, suspect in table.iterrows()]), True
        count = len(table)
        named = f"{count} suspect{'s' if count != 1 else ''}, strongest evidence first."
        self.state.suspects_said = named if count else "No suspects: nothing is better explained by a known blunder."
        accepted = {key for key, one in self.decisions.about("suspect").items() if one.answer == "accepted"}
        self.app.apply(self.app.history.change(explained=frozenset(accepted) & frozenset(self.table["key"])), anew=True)

    @careful
    def pick_suspect(self, key: str) -> None:
        """Select the structures that a suspect concerns."""
        found = self.table[self.table["key"] == key]
        if len(found):
            rows = members(self.app.desk.project.structures, found.iloc[0])
            self.state.card = ""
            self.app.select(np.flatnonzero(rows).tolist())

    @careful
    def explain(self, key: str, wanted: bool) -> None:
        """Show a suspect as explained, or as logged."""
        now = self.app.history.now.explained
        self.app.apply(self.app.history.change(explained=now | {key} if wanted else now - {key}))

    @careful
    def accept_suspect(self, key: str) -> None:
        """Accept a suspect's explanation."""
        self.decide(Decision("suspect", key, "accepted", why=str(self.state.why)))
        self.explain(key, True)

    @careful
    def set_aside_suspect(self, key: str) -> None:
        """Set a suspect aside: the rows stand as they were logged."""
        self.decide(Decision("suspect", key, "set_aside", why=str(self.state.why)))
        self.explain(key, False)

    @careful
    def undecide_suspect(self, key: str) -> None:
        """Take a decision back."""
        self.undecide("suspect", key)

    def undecide(self, what: What, key: str) -> None:
        """Take a decision back."""
        self._write(self.decisions.without(what, key))

    def decide(self, decision: Decision) -> None:
        """Keep a decision."""
        self._write(self.decisions.with_(decision))
        self.state.why = ""

    def _write(self, decisions: Any) -> None:
        write_decisions(self.app.folder, decisions)
        self.decisions = decisions
        self.show()


def _item(suspect: pd.Series, decision: Decision | None, shown_explained: bool) -> dict[str, Any]:
    """Return a suspect as the page lists it."""
    answer = ""
    if decision is not None:
        why = f": {decision.why}" if decision.why else ""
        answer = f"{decision.answer.replace('_', ' ')} by {decision.who}, {decision.when[:16].replace('T', ' ')}{why}"
    return {
        "key": suspect["key"],
        "said": str(suspect["message"]),
        "where": str(suspect["hole_id"]),
        "blunder": str(suspect["blunder"]).replace("_", " "),
        "evidence": f"{suspect['evidence']:.0f}",
        "explained": bool(shown_explained),
        "answer": answer,
    }
