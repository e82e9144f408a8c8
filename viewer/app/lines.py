"""Lines up? Faults, how each pick fits, pins that a person sets, and windows to look at again."""

from __future__ import annotations

import html
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from desurvey.decisions import Decision
from desurvey.problems import DataProblem
from desurvey.progress import Progress
from desurvey.study import Answers, Study
from viewer.app.desk import Desk
from viewer.app.parts import Part, careful
from viewer.theme import fault_colours

__all__ = ["Lines", "answers_in"]


def answers_in(study: Study, kind: str, *, progress: Progress | None = None) -> tuple[pd.DataFrame, Answers]:
    """Return all suspects of a study, and its line-up, for the process that works in the background."""
    answers = study.lineup(kind, progress=progress)
    return study.all_suspects(), answers


class Lines(Part):
    """The line-up, its pins and its windows."""

    triggers = ("find_faults", "pick_fault", "pick_name", "pin_pick")

    def __init__(self, app: Any) -> None:
        super().__init__(app)
        self.answer: Answers | None = None
        self.asked = ""
        self.state.update(BLANK | {"dragged": "", "lineup_said": self._before()})
        self._choose_kind()

    def reset(self) -> None:
        """Forget the answer; the tables have changed."""
        self.answer, self.asked = None, ""
        self.state.update(BLANK)
        self.state.lineup_said = self._before("The tables have changed: the picks have to be lined up anew.")
        if self.state.lineup_kind not in self.app.desk.kinds:
            self._choose_kind()

    def _choose_kind(self) -> None:
        kinds = self.app.desk.kinds
        self.state.lineup_kind = "fault" if "fault" in kinds else (kinds or [""])[0]

    def _before(self, said: str = "The picks have not been lined up yet.") -> str:
        """Return what is said before there is an answer."""
        return said if self.app.desk.picks else "There is no structure on any hole, and so nothing to line up."

    def said_of(self, row: int) -> list[str]:
        """Return what the line-up says of a row of the structures table."""
        if self.answer is None:
            return []
        name = self.app.desk.project.structures["structure_id"].iloc[row]
        found = self.answer.picks[self.answer.picks["structure_id"] == name]
        return [_of_pick(one) for _, one in found.iterrows()]

    def study(self) -> Study:
        """Return the study that is lined up: what is shown as explained is put right, all other decisions stand."""
        desk: Desk = self.app.possible.desk(frozenset(self.app.history.now.explained))
        return desk.study

    def notice(self) -> None:
        """Say when what the answer was made from has changed since."""
        if self.answer is None:
            return
        pins = self.app.desk.study.decisions.pins
        self.state.picks = [one | {"pinned": one["id"] in pins} for one in self.state.picks]
        same = self.study().key == self.asked
        self.state.lineup_stale = "" if same else "Pins or suspects have changed since: line up anew."

    # --- triggers

    @careful
    def find_faults(self) -> None:
        """Line the picks up in the background, with what is put right, distrusted and pinned."""
        study, kind = self.study(), str(self.state.lineup_kind)
        self.app.later(
            f"Lining up the picks of kind {kind}",
            lambda: self.app.worker.run(answers_in, study, kind),
            lambda found: self._found(study, *found),
        )

    def _found(self, study: Study, accused: pd.DataFrame, answer: Answers) -> None:
        self.answer, self.asked = answer, study.key
        study.learn(answer.kind, answer)
        if not self.app.possible.looked:
            self.app.possible.take_suspects(accused)
        pins = self.app.desk.study.decisions.pins
        colours = fault_colours(answer.found.faults)
        self.state.faults = [_fault(row, colours[str(row.fault_id)]) for row in answer.faults.itertuples()]
        self.state.picks = [_pick(row, row.structure_id in pins) for row in _sorted(answer.picks).itertuples()]
        open_windows = answer.windows[answer.windows["status"] == "not_logged"].sort_values(["hole_id", "depth_from"])
        self.state.windows = [_window(row) for row in open_windows.itertuples()]
        words = answer.words.splitlines()
        self.state.lineup_said = words[0] if words else ""
        self.state.lineup_words = words[1:]
        self.state.lineup_basis = _basis(answer, len(study.put_right))
        self.notice()
        self.app.apply(self.app.history.now, anew=True)
        self.app.aiming.changed()

    @careful
    def pick_fault(self, fault_id: str) -> None:
        """Select the picks of a fault and show its card."""
        if self.answer is not None and fault_id in set(self.answer.faults["fault_id"]):
            self.app.picking.show_fault(fault_id)

    @careful
    def pick_name(self, name: str) -> None:
        """Select a pick by its structure id and show its card."""
        for row in self.rows_of([name]):
            self.app.picking.pick_row(row)

    def rows_of(self, names: Iterable[str]) -> list[int]:
        """Return the rows of the structures table that have these ids."""
        column = self.app.desk.project.structures["structure_id"]
        return [int(row) for row in np.flatnonzero(column.isin(list(names)))]

    @careful
    def pin_pick(self, name: str, fault_id: str) -> None:
        """Pin a pick to a fault, to none (an empty name) or no longer (``*``), and line up anew."""
        if self.answer is None or not name:
            return
        if fault_id == "*":
            self.app.possible.undecide("pick", name)
        else:
            anchor = _surest(self.answer.picks, fault_id, {name}) if fault_id else ""
            if fault_id and not anchor:
                raise DataProblem("a pick can be pinned only to a fault that other picks hold", value=fault_id)
            decision = Decision("pick", name, "pinned", anchor, why=str(self.state.why))
            self._tie_others_elsewhere(self.answer.picks, name)
            self.app.possible.decide(decision)
        self.find_faults()

    def _tie_others_elsewhere(self, picks: pd.DataFrame, name: str) -> None:
        """Pin picks that are pinned to one that leaves its fault to another pick of that fault, or no longer."""
        possible, left = self.app.possible, str(picks.loc[picks["structure_id"] == name, "fault_id"].iloc[0])
        for other in [one for one in possible.decisions.about("pick").values() if one.fault == name]:
            anchor = _surest(picks, left, {name, other.key}) if left else ""
            if anchor:
                possible.decide(replace(other, fault=anchor))
            else:
                possible.undecide("pick", other.key)
                self.tell(f"{other.key} was pinned to {name} alone, which has left: it is pinned no longer.")

    def relog_page(self) -> str:
        """Return the windows as a page to print for the core shed."""
        rows = "".join(
            f"<tr><td>{html.escape(one['hole'])}</td><td>{one['depth']}</td><td>{html.escape(one['fault'])}</td>"
            f"<td>{one['angle']}</td><td></td></tr>"
            for one in self.state.windows
        )
        title = html.escape(f"{self.app.desk.project.name}: look again")
        return RELOG.format(title=title, rows=rows)


BLANK: dict[str, Any] = {
    "faults": [], "picks": [], "windows": [], "lineup_words": [], "lineup_basis": "", "lineup_stale": "",
}  # fmt: skip
"""State of the panel without an answer."""

RELOG = """<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>
body {{ font: 12pt "DejaVu Sans", Verdana, sans-serif; margin: 2em; }}
table {{ border-collapse: collapse; width: 100%; }}
td, th {{ border: 1px solid #888; padding: 0.3em 0.6em; text-align: left; }}
td:last-child {{ width: 40%; height: 2.4em; }}
</style></head><body><h1>{title}</h1><p>Lengths of hole in which a fault should be (95 %) and nothing is logged.</p>
<table><tr><th>hole</th><th>from – to, m</th><th>fault</th><th>angle to core</th><th>seen</th></tr>{rows}</table>
</body></html>"""


def _basis(answer: Answers, right: int) -> str:
    """Return in words which readings the answer was made from."""
    first = f"{right} suspect{'s' if right > 1 else ''} put right first. " if right else ""
    if not answer.distrusted:
        return f"{first}No pick's orientation is distrusted: no suspect that is left accuses one."
    return (
        f"{first}The orientation of {answer.distrusted} of {len(answer.picks)} picks is distrusted: they are "
        "suspects, neither put right nor set aside."
    )


def _surest(picks: pd.DataFrame, fault_id: str, apart_from: set[str]) -> str:
    """Return the surest pick of a fault, which stands for it: fault numbers change, structure ids don't."""
    others = picks[(picks["fault_id"] == fault_id) & ~picks["structure_id"].isin(apart_from)]
    return str(others.sort_values("probability")["structure_id"].iloc[-1]) if len(others) else ""


def _sorted(picks: pd.DataFrame) -> pd.DataFrame:
    last = picks["fault_id"].replace("", "\uffff")
    return picks.assign(_order=last).sort_values(["_order", "hole_id", "depth"], kind="stable")


def _fault(row: Any, colour: str) -> dict[str, Any]:
    return {
        "id": row.fault_id,
        "colour": colour,
        "said": f"{row.dip:.0f}° / {row.dip_direction:03.0f}° ± {row.dip_sigma:.1f}°",
        "count": f"{row.picks} picks in {row.holes} holes",
        "fit": f"off by {row.rms_m:.1f} m and {row.rms_deg:.0f}° (rms), p = {row.p_value:.2f}, {row.shape}",
    }


def _pick(row: Any, is_pinned: bool) -> dict[str, Any]:
    known = np.isfinite(row.misfit_m)
    return {
        "id": row.structure_id,
        "where": f"{row.hole_id} {row.depth:.1f}",
        "fault": row.fault_id,
        "probability": f"{100 * row.probability:.0f} %",
        "misfit": f"{row.misfit_m:+.1f} m" if known else "",
        "degrees": f"{row.misfit_deg:.0f}°" if np.isfinite(row.misfit_deg) else "",
        "runner_up": row.runner_up,
        "pinned": is_pinned,
    }


def _window(row: Any) -> dict[str, Any]:
    return {
        "hole": row.hole_id,
        "depth": f"{row.depth_from:.1f} – {row.depth_to:.1f}",
        "fault": row.fault_id,
        "angle": f"{row.pierce_angle:.0f}°",
    }


def _of_pick(pick: pd.Series) -> str:
    if not pick["fault_id"]:
        return f"Line-up: belongs to no fault ({100 * pick['probability']:.0f} %)."
    misfit = f"; the others put it {abs(pick['misfit_m']):.1f} m {'above' if pick['misfit_m'] > 0 else 'below'}"
    rival = f"; runner-up {pick['runner_up']}" if pick["runner_up"] else ""
    known = misfit if np.isfinite(pick["misfit_m"]) else ""
    return f"Line-up: {pick['fault_id']} ({100 * pick['probability']:.0f} %){known}{rival}."
