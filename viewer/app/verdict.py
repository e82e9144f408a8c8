"""The answer at a glance: one line on what is suspect, what lines up, where to look again, and what is met."""

from __future__ import annotations

import pandas as pd

from desurvey.aim import planned_meetings
from desurvey.study import Answers
from viewer.app.lines import STALE, Lines
from viewer.app.possible import Possible
from viewer.app.stage import Part, Stage

__all__ = ["Glance", "verdict"]


class Glance(Part):
    """Works the answers out when the viewer opens, at once where they are kept from before, and says them."""

    def __init__(self, stage: Stage, possible: Possible, lines: Lines) -> None:
        super().__init__(stage)
        self._possible, self._lines = possible, lines
        self.state.update({"verdict": [], "planned_met": []})
        stage.heard.append(self.show)

    def recall(self) -> bool:
        """Take over the answers where they are kept from an earlier day; return whether they were."""
        study, kind = self.stage.base.study, self._lines.main
        if not study.can_be_judged or not study.knows():
            return False
        self._possible.take_suspects(study.weighed())
        decided = self._lines.study()
        if not kind or not decided.can_line_up(kind) or not decided.knows(kind):
            return False
        self._lines.take_answer(decided, decided.weighed(), decided.lineup(kind))
        return True

    def begin(self) -> None:
        """Work the answers out in the background, as far as they aren't known."""
        study, kind = self.stage.base.study, self._lines.main
        if study.can_be_judged and not self.stage.looked:
            self._possible.find_suspects()
        if study.can_be_judged and self.stage.answer is None and kind and study.can_line_up(kind):
            self._lines.find_faults()

    def show(self) -> None:
        """Say what is known by now."""
        stage = self.stage
        undecided = ~stage.table["key"].isin([one.key for one in stage.decisions.made]) if stage.looked else None
        stale = bool(self.state.lineup_stale == STALE)
        self.state.planned_met = _planned(stage.answer)
        self.state.verdict = verdict(None if undecided is None else int(undecided.sum()), stage.answer, stale=stale)


def verdict(suspects: int | None, answer: Answers | None, *, stale: bool = False) -> list[dict[str, str]]:
    """Return the parts of the line, each with the panel that it leads to.

    Parameters
    ----------
    suspects : int or None
        Undecided suspects; None while they aren't known.
    answer : Answers or None
        Of the line-up.
    stale : bool
        Whether the answer is from before a decision.
    """
    said = [("possible", _many(suspects, "suspect"))] if suspects is not None else []
    if answer is not None:
        kind, before = answer.kind, " (before the last decision)" if stale else ""
        lines_up = "lines up" if len(answer.faults) == 1 else "line up"
        said.append(("lines_up", f"{_many(len(answer.faults), kind)} {lines_up}{before}"))
        again = int((answer.windows["status"] == "not_logged").sum()) if len(answer.windows) else 0
        said.append(("lines_up", f"{_many(again, 'window')} to look at again"))
        met = planned_meetings(answer.found)
        planned = int((~answer.found.drilled).sum())
        if planned:
            said.append(("next_hole", _meets(met, planned)))
    return [{"panel": panel, "said": text} for panel, text in said]


def _planned(answer: Answers | None) -> list[dict[str, str]]:
    """Return where planned holes meet the faults, in the order of holes and depths, as the page lists them."""
    met = planned_meetings(answer.found) if answer is not None else pd.DataFrame()
    rows = met.sort_values(["hole_id", "depth"]).itertuples() if len(met) else ()
    return [
        {
            "hole": str(row.hole_id),
            "fault": str(row.fault_id),
            "depth": f"{row.depth:.1f} ± {row.sigma:.1f} m",
            "angle": f"{row.pierce_angle:.0f}°",
            "beyond": "" if row.within_extent else "beyond its stated extent",
        }
        for row in rows
    ]


def _meets(met: pd.DataFrame, planned: int) -> str:
    count = int(met["hole_id"].nunique()) if len(met) else 0
    if not count:
        return "no planned hole meets them" if planned > 1 else "the planned hole meets none"
    return f"{_many(count, 'planned hole')} {'meet' if count > 1 else 'meets'} them"


def _many(count: int, what: str) -> str:
    return f"{count or 'no'} {what}{'' if count == 1 else 's'}"
