"""Possible? Findings and suspects, shown as logged or as explained, and accepted or set aside."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import suspects
from desurvey.decisions import Changed, Decision, Decisions, What, decide
from desurvey.progress import Progress
from desurvey.study import Study
from desurvey.suspects import Weighed
from viewer.app.desk import Desk
from viewer.app.parts import Part, careful

__all__ = ["Possible", "weighed_in"]

Bools = npt.NDArray[np.bool_]


def weighed_in(study: Study, *, progress: Progress | None = None) -> Weighed:
    """Return what is weighed in a study, for the process that works in the background."""
    return study.weighed(progress=progress)


class Possible(Part):
    """The list of suspects, and what has been decided about them."""

    triggers = ("find_suspects", "pick_suspect", "explain", "accept_suspect", "set_aside_suspect", "undecide_suspect")

    def __init__(self, app: Any) -> None:
        super().__init__(app)
        self.table = pd.DataFrame(columns=list(suspects.COLUMNS))
        self.looked = False
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

    @property
    def decisions(self) -> Decisions:
        """What has been decided."""
        return self.app.desk.study.decisions

    def desk(self, keys: frozenset[str]) -> Desk:
        """Return the desk with the suspects of these keys shown as explained, and no others."""
        known = frozenset(self.table["key"]) & keys
        base = self.app.desk
        if self._cache[0] != known or self._cache[1].study.decisions is not base.study.decisions:
            self._cache = (known, replace(base, study=base.study.accepting_only(known)))
        return self._cache[1]

    def concerned(self) -> Bools:
        """Return which rows of the structures any suspect concerns."""
        return suspects.suspected(self.app.desk.project, self.table)

    def said_of(self, row: int) -> list[str]:
        """Return the sentences of the suspects that concern a row."""
        about = [row in rows for rows in suspects.members(self.app.desk.project, self.table)]
        return [str(message) for message in self.table.loc[about, "message"]]

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
            lambda: self.app.worker.run(weighed_in, self.app.desk.study),
            self.take_suspects,
        )

    def take_suspects(self, weighed: Weighed) -> None:
        """Take over suspects that were found, and show those put right that were accepted."""
        self.app.desk.study.learn("weighed", weighed)
        table = weighed.suspects
        self.table, self.looked = table, True
        count = len(table)
        named = f"{count} suspect{'s' if count != 1 else ''}, strongest evidence first."
        self.state.suspects_said = named if count else "No suspects: nothing is better explained by a known blunder."
        accepted = self.decisions.keys("accepted") & frozenset(self.table["key"]) if self.app.desk.study.obeyed else ()
        self.app.apply(self.app.history.change(explained=frozenset(accepted)), anew=True)

    @careful
    def pick_suspect(self, key: str) -> None:
        """Select the structures that a suspect concerns."""
        found = self.table[self.table["key"] == key]
        if len(found):
            self.state.card = ""
            self.app.select(suspects.members(self.app.desk.project, found.iloc[:1])[0].tolist())

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
        self._take(decide(self.app.folder, undone=[(what, key)], known=self.decisions))

    def decide(self, decision: Decision) -> None:
        """Keep a decision."""
        self._take(decide(self.app.folder, [decision], known=self.decisions))
        self.state.why = ""

    def _take(self, changed: Changed) -> None:
        """Take over what stands decided now, other people's decisions among it."""
        self.app.desk = replace(self.app.desk, study=self.app.desk.study.deciding(changed.decisions))
        for other in changed.overruled:
            self.tell(f"{other.who} had decided otherwise about {other.key} ({other.answer}); yours stands now.")
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
