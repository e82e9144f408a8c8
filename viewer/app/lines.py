"""Lines up? Faults, how each pick fits, pins that a person sets, and windows to look at again."""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from desurvey.decisions import Decision
from desurvey.lineup import edge_on
from desurvey.problems import DataProblem
from desurvey.study import Answers, Study
from desurvey.suspects import Weighed
from viewer.app.possible import Possible
from viewer.app.stage import Part, Stage, careful
from viewer.app.work import answers_in
from viewer.theme import fault_colours

__all__ = ["Lines", "main_kind"]


class Lines(Part):
    """The line-up, its pins and its windows."""

    triggers = ("find_faults", "pin_pick")

    def __init__(self, stage: Stage, possible: Possible) -> None:
        super().__init__(stage)
        self._possible = possible
        self.asked = ""
        self.state.update(BLANK | {"dragged": "", "lineup_said": self._before()})
        self._choose_kind()
        stage.heard.append(self.notice)
        stage.decided.append(self.follow)

    def reset(self) -> None:
        """Forget the answer; the tables have changed."""
        self.asked = ""
        self.state.update(BLANK)
        self.state.lineup_said = self._before("The tables have changed: the picks are lined up anew.")
        self._choose_kind()

    def _choose_kind(self) -> None:
        base = self.stage.base
        mapped = ["fault"] if base.study.can_line_up() and "fault" not in base.kinds else []
        self.main = "fault" if mapped else main_kind(base.kinds)
        self.state.lineup_kinds = [*mapped, *base.kinds]
        self.state.lineup_kind = self.main or next(iter(base.kinds), "")

    def _before(self, said: str = "The picks have not been lined up yet.") -> str:
        """Return what is said before there is an answer."""
        return said if self.stage.base.picks else "There is no structure on any hole, and so nothing to line up."

    def said_of(self, row: int) -> list[str]:
        """Return what the line-up says of a row of the structures table."""
        answer = self.stage.answer
        if answer is None:
            return []
        name = self.stage.base.project.structures["structure_id"].iloc[row]
        return [_of_pick(one) for _, one in answer.picks[answer.picks["structure_id"] == name].iterrows()]

    def study(self) -> Study:
        """Return the study that is lined up: what is shown as explained is put right, all other decisions stand."""
        return self.stage.desk_with(self.stage.history.now.explained).study

    def notice(self) -> None:
        """Say when what the answer was made from has changed since."""
        if self.stage.answer is None:
            return
        pins = self.stage.decisions.pins
        self.state.picks = [one | {"pinned": one["id"] in pins} for one in self.state.picks]
        self.state.lineup_stale = "" if self.study().key == self.asked else STALE

    def follow(self) -> None:
        """Line up anew after a decision that the answer hangs on."""
        if self.stage.answer is not None and self.study().key != self.asked:
            self.find_faults()

    # --- triggers

    @careful
    def find_faults(self) -> None:
        """Line the picks up in the background, with what is put right, distrusted and pinned."""
        kind = str(self.state.lineup_kind)

        async def work() -> tuple[Study, tuple[Weighed, Answers]]:
            study = self.study()  # as it stands when its turn comes
            return study, await self.stage.worker.run(answers_in, study, kind)

        self.stage.later(
            f"Lining up the picks of kind {kind}", work, lambda found: self.take_answer(found[0], *found[1])
        )

    def take_answer(self, study: Study, weighed: Weighed, answer: Answers) -> None:
        """Take over what lines up."""
        stage = self.stage
        stage.answer, self.asked = answer, study.key
        stage.remember(study.remembering(answer))
        for said in answer.changes:
            self.tell(said)
        if not stage.looked:
            self._possible.take_suspects(weighed)
        pins, colours = stage.decisions.pins, fault_colours(answer.found.faults)
        windows = answer.windows
        self.state.faults = [_fault(row, colours[str(row.fault_id)], answer) for row in answer.faults.itertuples()]
        self.state.picks = [_pick(row, row.structure_id in pins) for row in _sorted(answer.picks).itertuples()]
        open_windows = windows[windows["status"] == "not_logged"].sort_values(["hole_id", "depth_from"])
        self.state.windows = [_window(row) for row in open_windows.itertuples()]
        words = answer.words.splitlines()
        self.state.lineup_said = words[0] if words else ""
        self.state.lineup_words = words[1:]
        self.state.lineup_basis = _basis(answer, len(study.put_right))
        self.state.edge_on = [_edge_on(answer, str(name), colours[str(name)]) for name in answer.faults["fault_id"]]
        stage.show(anew=True)

    @careful
    def pin_pick(self, name: str, fault_id: str) -> None:
        """Pin a pick to a fault, to none (an empty name) or no longer (``*``)."""
        answer = self.stage.answer
        if answer is None or not name:
            return
        if fault_id == "*":
            self.stage.decide(f"unpinned {name}", undone=[("pick", name)])
        else:
            if fault_id and fault_id not in set(answer.faults["fault_id"]):
                raise DataProblem("a pick can be pinned only to a fault that other picks hold", value=fault_id)
            self.stage.decide(f"pinned {name} to {fault_id or 'none'}", [Decision("pick", name, "pinned", fault_id)])

    def relog_page(self) -> str:
        """Return the windows as a page to print for the core shed."""
        rows = "".join(
            f"<tr><td>{html.escape(one['hole'])}</td><td>{one['depth']}</td><td>{html.escape(one['fault'])}</td>"
            f"<td>{one['expected']}</td><td>{one['angle']}</td><td></td></tr>"
            for one in self.state.windows
        )
        title = html.escape(f"{self.stage.base.project.name}: look again")
        return RELOG.format(title=title, basis=html.escape(str(self.state.basis)), rows=rows)


STALE = "Pins or suspects have changed since: line up anew."

BLANK: dict[str, Any] = {
    "faults": [], "picks": [], "windows": [], "lineup_words": [], "lineup_basis": "", "lineup_stale": "", "edge_on": [],
}  # fmt: skip
"""State of the panel without an answer."""

RELOG = """<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>
body {{ font: 12pt "DejaVu Sans", Verdana, sans-serif; margin: 2em; }}
table {{ border-collapse: collapse; width: 100%; }}
td, th {{ border: 1px solid #888; padding: 0.3em 0.6em; text-align: left; }}
td:last-child {{ width: 40%; height: 2.4em; }}
</style></head><body><h1>{title}</h1><p>Lengths of hole in which a fault should be (95 %) and nothing is logged.
{basis}.</p>
<table><tr><th>hole</th><th>from – to, m</th><th>fault</th><th>expected, m</th><th>angle to core</th><th>seen</th></tr>
{rows}</table></body></html>"""


MAIN = ("fault", "shear", "dyke", "dike", "contact", "vein")
"""Kinds that may be one thing in several holes, the likeliest first (common practice, no source)."""


def main_kind(kinds: Sequence[str]) -> str:
    """Return the kind of structure that is lined up when nobody says: a fault if there is one, else of ``MAIN``.

    Examples
    --------
    >>> main_kind(["joint", "Shear zone", "foliation"]), main_kind(["foliation"])
    ('Shear zone', '')
    """
    exact = [name for word in MAIN for name in kinds if name.casefold() == word]
    about = [name for word in MAIN for name in kinds if word in name.casefold()]
    return next(iter([*exact, *about]), "")


def _basis(answer: Answers, right: int) -> str:
    """Return in words which readings the answer was made from."""
    first = f"{right} suspect{'s' if right > 1 else ''} put right first. " if right else ""
    if not answer.distrusted:
        return f"{first}No pick's orientation is distrusted: no suspect that is left accuses one."
    return (
        f"{first}The orientation of {answer.distrusted} of {len(answer.picks)} picks is distrusted: they are "
        "suspects, neither put right nor set aside."
    )


def _sorted(picks: pd.DataFrame) -> pd.DataFrame:
    last = picks["fault_id"].replace("", "\uffff")
    return picks.assign(_order=last).sort_values(["_order", "hole_id", "depth"], kind="stable")


def _fault(row: Any, colour: str, answer: Answers) -> dict[str, Any]:
    own = next(fault for fault in answer.found.faults if fault.fault_id == row.fault_id)
    flat = int((~answer.found.picks.oriented[own.rows]).sum())
    without = f", {flat} without orientation" if flat else ""
    sure = getattr(row, "probability", np.nan)
    chance = f", {100 * sure:.0f} % sure" if np.isfinite(sure) else ""
    return {
        "id": row.fault_id,
        "colour": colour,
        "said": f"{row.dip:.0f}° / {row.dip_direction:03.0f}° ± {row.dip_sigma:.1f}°",
        "count": f"{row.picks} picks in {row.holes} holes{without}{chance}",
        "fit": f"residual {row.rms_m:.1f} m and {row.rms_deg:.0f}° (rms), p = {row.p_value:.2f}, {row.shape}",
    }


def _pick(row: Any, is_pinned: bool) -> dict[str, Any]:
    known = np.isfinite(row.misfit_m)
    share = f"{100 * row.probability:.0f} %"
    return {
        "id": row.structure_id,
        "where": f"{row.hole_id} {row.depth:.1f}",
        "fault": f"{row.fault_id} ({share})" if row.fault_id else f"none ({share})",
        "own": row.fault_id,
        "misfit": f"{row.misfit_m:+.1f} m".replace("-", "−") if known else "",
        "degrees": f"{row.misfit_deg:.0f}°" if np.isfinite(row.misfit_deg) else "",
        "runner_up": row.runner_up,
        "pinned": is_pinned,
    }


def _window(row: Any) -> dict[str, Any]:
    sure = getattr(row, "chance", np.nan)
    return {
        "hole": row.hole_id,
        "depth": f"{row.depth_from:.1f} – {row.depth_to:.1f}",
        "expected": f"{row.expected_depth:.1f} ± {row.sigma:.1f}",
        "fault": row.fault_id,
        "angle": f"{row.pierce_angle:.0f}°",
        "chance": f"{100 * sure:.0f} %" if np.isfinite(sure) else "",
    }


def _edge_on(answer: Answers, fault_id: str, colour: str) -> dict[str, Any]:
    """Return a fault seen edge-on, as the page draws its chart."""
    seen = edge_on(answer.found, fault_id)
    out = np.abs(seen.off) > OUT_OF_LINE * seen.sigma
    return {
        "id": fault_id,
        "colour": colour,
        "picks": [
            {
                "id": str(name), "hole": str(hole), "along": round(float(x), 2), "off": round(float(y), 3),
                "sigma": round(float(s), 3), "out": bool(o),
            }
            for name, hole, x, y, s, o in zip(
                answer.found.names[seen.rows], answer.found.hole_ids[seen.rows], seen.along, seen.off, seen.sigma, out,
                strict=True,
            )
        ],
        "band": np.column_stack([seen.band_along, seen.band_sigma]).round(3).tolist(),
        "strike": round(float(seen.strike_deg), 1),
    }  # fmt: skip


OUT_OF_LINE = 2.0
"""Standard deviations beyond which a pick is named on the chart."""


def _of_pick(pick: pd.Series) -> str:
    if not pick["fault_id"]:
        return f"Line-up: belongs to none ({100 * pick['probability']:.0f} %)."
    misfit = f"; the others put it {abs(pick['misfit_m']):.1f} m {'above' if pick['misfit_m'] > 0 else 'below'}"
    rival = f"; runner-up {pick['runner_up']}" if pick["runner_up"] else ""
    known = misfit if np.isfinite(pick["misfit_m"]) else ""
    return f"Line-up: {pick['fault_id']} ({100 * pick['probability']:.0f} %){known}{rival}."
