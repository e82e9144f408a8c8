"""Possible? Suspects, shown as logged or as explained, and accepted or set aside."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from desurvey.blunders import BLUNDERS
from desurvey.decisions import Decision
from desurvey.suspects import Weighed
from viewer.app.stage import Part, Stage, careful
from viewer.app.work import weighed_in

__all__ = ["Possible"]


class Possible(Part):
    """The list of suspects, and what has been decided about them."""

    triggers = ("find_suspects", "pick_suspect", "explain", "accept_suspect", "set_aside_suspect", "undecide_suspect")

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._ghosts: tuple[int, dict[str, Any]] = (-1, {})
        self.state.update({"suspects": [], "why": "", "suspects_said": ""})
        stage.heard.append(self.show)

    def said_of(self, row: int) -> list[str]:
        """Return the sentences of the suspects that concern a row."""
        about = [row in rows for rows in self.stage.members(self.stage.table)]
        return [str(message) for message in self.stage.table.loc[about, "message"]]

    def show(self) -> None:
        """Put suspects and decisions into the state, the largest first and repeats folded."""
        stage = self.stage
        decided, now = stage.decisions.about("suspect"), stage.history.now.explained
        self.state.suspects = [
            {
                "key": stage.table["key"].iloc[places[0]],
                "said": repeats_said(stage.table.iloc[places]),
                "items": [_item(one, decided.get(one["key"]), one["key"] in now)
                          for one in (stage.table.iloc[place] for place in places)],
            }
            for places in folded(stage.table, [len(rows) for rows in stage.members(stage.table)])
        ]  # fmt: skip
        self.state.suspects_said = self._said()

    def _said(self) -> str:
        count = len(self.stage.table)
        if not self.stage.looked:
            usable = self.stage.base.oriented.usable.any()
            why = "" if usable else " Without oriented structures only survey stations can be suspects."
            return "Suspects have not been looked for yet." + why
        if not count:
            return "No suspects: nothing is better explained by a known blunder."
        return f"{count} suspect{'s' if count != 1 else ''}, the largest first."

    def ghosts(self) -> dict[str, Any]:
        """Return where each accused disc is expected, and the turn of each accused run's line, as the page draws it.

        Of the discs: their numbers in the scene, the expected upward normal, and the angle from the one shown, degrees.
        Of the runs: the rows that show the turn when selected, the place on the hole, its direction, the direction of
        the line as logged, local, and the turn in degrees clockwise looking down the hole.
        """
        stage = self.stage
        if self._ghosts[0] != self.state.version:
            self._ghosts = (self.state.version, _ghosts(stage) if len(stage.table) else {})
        return self._ghosts[1]

    # --- triggers

    @careful
    def find_suspects(self) -> None:
        """Look for suspects in the background."""
        self.stage.later(
            "Weighing readings, runs and holes against their neighbours",
            lambda: self.stage.worker.run(weighed_in, self.stage.base.study),
            self.take_suspects,
        )

    def take_suspects(self, weighed: Weighed) -> None:
        """Take over suspects that were found, and show those put right that were accepted."""
        stage = self.stage
        table = weighed.suspects
        stage.base.study.learn("weighed", weighed)
        stage.table, stage.looked = table, True
        stage.history.settle(replace(stage.history.now, explained=stage.accepted()))
        stage.show(anew=True)

    @careful
    def pick_suspect(self, key: str) -> dict[str, Any] | None:
        """Select the structures that a suspect concerns, and look there."""
        found = self.stage.table[self.stage.table["key"] == key]
        if found.empty:
            return None
        rows = self.stage.members(found.iloc[:1])[0].tolist()
        self.stage.select(rows)
        spots = self.stage.shown.oriented.position[rows]
        spots = spots[np.isfinite(spots).all(axis=1)]
        place = self.stage.scene.frame.local(spots.mean(axis=0)).tolist() if len(spots) else None
        return {"card": "", "place": place, "span": float(np.ptp(spots, axis=0).max()) if len(spots) else 0.0}

    @careful
    def explain(self, key: str, wanted: bool) -> None:
        """Show a suspect as explained, or as logged."""
        now = self.stage.history.now.explained
        words = f"showed {key} as {'explained' if wanted else 'logged'}"
        self.stage.change(words, explained=now | {key} if wanted else now - {key})

    @careful
    def accept_suspect(self, key: str) -> None:
        """Accept a suspect's explanation."""
        self._decide(Decision("suspect", key, "accepted", why=str(self.state.why)))

    @careful
    def set_aside_suspect(self, key: str) -> None:
        """Set a suspect aside: the rows stand as they were logged."""
        self._decide(Decision("suspect", key, "set_aside", why=str(self.state.why)))

    def _decide(self, decision: Decision) -> None:
        now, right = self.stage.history.now.explained, decision.answer == "accepted"
        explained = now | {decision.key} if right else now - {decision.key}
        words = f"{'accepted' if right else 'set aside'}: {decision.key}"
        self.stage.decide(words, [decision], explained=explained)
        self.state.why = ""

    @careful
    def undecide_suspect(self, key: str) -> None:
        """Take a decision back; the rows stand as they were logged."""
        explained = self.stage.history.now.explained - {key}
        self.stage.decide(f"undecided: {key}", undone=[("suspect", key)], explained=explained)


FOLD_FROM = 3
"""Suspects of one kind and about one size from which they are folded into one item."""

ALIKE_DEG = 20.0
"""Step between the turns of two runs, ordered by size, from which they aren't folded together, degrees."""


def folded(table: pd.DataFrame, readings: list[int]) -> list[list[int]]:
    """Return places in a table of suspects in the order in which they are listed, repeats together.

    What concerns a whole hole or more stands first, by its readings; then come runs and readings by the turn that is
    wrong, so that one line on the wrong side isn't lost below many that are slightly off.
    """
    turn = table["roll_deg"].astype(float).abs().fillna(0.0).to_numpy()
    wide = table["scope"].isin(["hole", "group"]).to_numpy()
    many = np.array(readings, dtype=int)
    order = np.lexsort([-many, np.where(wide, -many, -turn), ~wide])
    groups: list[list[int]] = []
    for place in order.tolist():  # a handful, for a person's list
        last = groups[-1][-1] if groups else -1
        same = last >= 0 and not wide[place] and all(table[n].iloc[last] == table[n].iloc[place] for n in ALIKE)
        if same and turn[last] - turn[place] < ALIKE_DEG:
            groups[-1].append(place)
        else:
            groups.append([place])
    return [part for group in groups for part in ([group] if len(group) >= FOLD_FROM else [[one] for one in group])]


ALIKE = ("scope", "blunder")


def repeats_said(suspects: pd.DataFrame) -> str:
    """Return what several suspects of one kind have in common, in a line; empty for one alone."""
    if len(suspects) == 1:
        return ""
    turn = suspects["roll_deg"].astype(float).abs()
    low, high = round(turn.min()) if turn.notna().any() else 0, round(turn.max()) if turn.notna().any() else 0
    blunder, scope = str(suspects["blunder"].iloc[0]), str(suspects["scope"].iloc[0])
    if blunder == "run_rolled":
        said = f"the line jumps ±{low}–{high}°" if low != high else f"the line jumps ±{low}°"
    else:
        said = BLUNDERS[blunder].short
    return f"{said[:1].upper()}{said[1:]}: {len(suspects)} {scope}s"


def _ghosts(stage: Stage) -> dict[str, Any]:
    index, table = stage.scene.discs.index, stage.table
    undecided = table[~table["key"].isin(stage.history.now.explained | stage.decisions.keys("set_aside"))]
    right = stage.desk_apart(frozenset(table["key"])).oriented
    accused = np.zeros(len(right.normal), dtype=bool)
    for rows in stage.members(undecided):
        accused[rows] = True
    discs = np.flatnonzero(accused[index])
    expected, shown = right.normal[index[discs]], stage.scene.discs.normal[discs]
    cosine = np.clip(np.abs(np.einsum("ij,ij->i", expected, shown)), 0.0, 1.0)
    turns = []
    runs = undecided[undecided["scope"].eq("run") & np.isfinite(undecided["roll_deg"].astype(float))]
    for (_, one), rows in zip(runs.iterrows(), stage.members(runs), strict=True):
        usable = [row for row in rows.tolist() if stage.shown.oriented.usable[row]]
        if usable:
            at = stage.shown.oriented
            middle = usable[len(usable) // 2]
            turns.append(
                {
                    "discs": np.flatnonzero(np.isin(index, rows)).tolist(),
                    "at": stage.scene.frame.local(at.position[middle]).round(2).tolist(),
                    "along": at.tangent[middle].round(4).tolist(),
                    "from": at.reference[middle].round(4).tolist(),
                    "turn": float(one["roll_deg"]),
                }
            )
    return {
        "disc": discs.tolist(),
        "normal": expected.round(4).tolist(),
        "angle": np.rad2deg(np.arccos(cosine)).round().tolist(),
        "turns": turns,
    }


def _item(suspect: pd.Series, decision: Decision | None, shown_explained: bool) -> dict[str, Any]:
    """Return a suspect as the page lists it."""
    answer = ""
    if decision is not None:
        why = f": {decision.why}" if decision.why else ""
        answer = f"{decision.answer.replace('_', ' ')} by {decision.who}, {decision.when[:16].replace('T', ' ')}{why}"
    return {
        "key": suspect["key"],
        "said": str(suspect["message"]),
        "explained": bool(shown_explained),
        "answer": answer,
    }
