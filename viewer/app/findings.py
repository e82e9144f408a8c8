"""Findings in the panel: all that ``lowside check`` says, each with a way to the place that it is about."""

from __future__ import annotations

from collections import Counter
from typing import Any, get_args

import numpy as np

from desurvey.problems import Finding, Severity
from viewer.app.cards import hole_card
from viewer.app.desk import Desk
from viewer.app.parts import Part, careful

__all__ = ["Findings"]

MOST = 500
"""Findings that the panel lists; more are for the list that ``lowside check`` writes."""


class Findings(Part):
    """What the checks found."""

    triggers = ("show_finding",)

    def __init__(self, app: Any) -> None:
        super().__init__(app)
        self.state.finding_severity = "all"
        self.state.change("finding_severity")(self.show)
        self.show()

    @careful
    def show(self, **_state: Any) -> None:
        """List the findings of the wanted severity."""
        desk, wanted = self.app.desk, self.state.finding_severity
        listed = [item for item in enumerate(desk.study.findings) if wanted in ("all", item[1].severity)]
        self.state.findings = [_item(number, finding) for number, finding in listed[:MOST]]
        self.state.findings_said = _said(desk, len(listed))

    @careful
    def show_finding(self, number: int) -> list[float] | None:
        """Show what a finding is about, as a card; return where that is, in local metres."""
        desk = self.app.desk
        if not 0 <= number < len(desk.study.findings):
            return None
        finding = desk.study.findings[number]
        row = _structure(desk, finding)
        if row >= 0:
            self.app.picking.pick_row(row)
            place = self.app.shown.oriented.position[row]
        else:
            hole = int(desk.traces.index([finding.hole_id])[0])
            if hole < 0:
                self.tell(f"{finding} This can't be shown in space.")
                return None
            depth = float(finding.depth or 0.0)
            place = desk.traces.at(np.array([hole]), np.array([depth])).position[0]
            self.state.card = hole_card(self.app.shown, hole, depth)
        if not np.isfinite(place).all():
            return None
        return [float(value) for value in self.app.scene.frame.local(place)]


def _structure(desk: Desk, finding: Finding) -> int:
    """Return which row of the structures a finding is about, −1 for none."""
    if finding.table != "structures" or finding.row is None:
        return -1
    found = np.flatnonzero(desk.project.structures["row"].to_numpy() == finding.row)
    return int(found[0]) if len(found) else -1


def _item(number: int, finding: Finding) -> dict[str, Any]:
    return {
        "number": number,
        "severity": finding.severity,
        "hole": finding.hole_id,
        "depth": "" if finding.depth is None else f"{finding.depth:g}",
        "said": finding.message,
        "do": finding.suggestion,
        "where": f"{finding.file or finding.table}{'' if finding.row is None else f', row {finding.row}'}",
    }


def _said(desk: Desk, listed: int) -> str:
    counts = Counter(finding.severity for finding in desk.study.findings)
    if not counts:
        return "The checks found nothing to say."
    parts = [f"{counts[name]} {name}{'s' if counts[name] > 1 else ''}" for name in get_args(Severity) if counts[name]]
    cut = f" The first {MOST} of {listed} are listed; lowside check writes all." if listed > MOST else ""
    return f"The checks found {', '.join(parts)}.{cut}"
