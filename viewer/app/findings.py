"""Findings in the panel: all that ``lowside check`` says, alike ones folded, each with a way to what it is about."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from typing import Any, get_args

import numpy as np

from desurvey.problems import Finding, Severity
from viewer.app.desk import Desk
from viewer.app.picking import Picking
from viewer.app.stage import Part, Stage, careful
from viewer.handbook.book import address_of

__all__ = ["Findings", "folded"]

MOST = 500
"""Findings that the panel lists; more are for the list that ``lowside check`` writes."""

FEW = 3
"""Alike findings that are listed one by one; more are folded into one line."""

STANDS_OUT = 3.0
"""Times the middle one of alike findings from which a finding stands for itself."""

NUMBER = re.compile(r"[+\u2212-]?\d[\d,]*(?:\.\d+)?")


class Findings(Part):
    """What the checks found."""

    triggers = ("show_finding",)

    def __init__(self, stage: Stage, picking: Picking) -> None:
        super().__init__(stage)
        self._picking = picking
        self.state.finding_severity = "all"
        self.state.change("finding_severity")(self.show)
        self.show()

    @careful
    def show(self, **_state: Any) -> None:
        """List the findings of the wanted severity."""
        desk, wanted = self.stage.base, self.state.finding_severity
        listed = [item for item in enumerate(desk.study.findings) if wanted in ("all", item[1].severity)]
        self.state.findings = folded(listed[:MOST])
        self.state.findings_said = _said(desk, len(listed))

    @careful
    def show_finding(self, number: int) -> dict[str, Any] | None:
        """Return what a finding is about, as a card with its place."""
        stage, desk = self.stage, self.stage.base
        if not 0 <= number < len(desk.study.findings):
            return None
        finding = desk.study.findings[number]
        row = _structure(desk, finding)
        if row >= 0:
            return self._picking.pick_row(row)
        hole = int(stage.shown.traces.index([finding.hole_id])[0])
        if hole < 0:
            self.tell(f"{finding} This can't be shown in space.")
            return None
        return self._picking.card("hole", hole, float(finding.depth or 0.0))


def folded(findings: list[tuple[int, Finding]]) -> list[dict[str, Any]]:
    """Return numbered findings as the page lists them: the worst first, alike ones in one item.

    Findings are alike when they have the same severity and rule. The first number in their sentence is their size;
    what is far larger than its like stands for itself, and before them.
    """
    groups: dict[tuple[str, str], list[tuple[int, Finding]]] = defaultdict(list)
    for number, finding in findings:
        groups[finding.severity, finding.rule].append((number, finding))
    severities, items = get_args(Severity), []
    for (severity, _), group in groups.items():
        group.sort(key=lambda item: -_size(item[1]))
        sizes = [_size(finding) for _, finding in group]
        limit = STANDS_OUT * float(np.median(sizes))
        alone = [item for item in group if len(group) <= FEW or _size(item[1]) > limit > 0]
        alike = group[len(alone) :]
        rank = severities.index(severity)
        items += [(rank, -_size(one), _item([(number, one)])) for number, one in alone]
        items += [(rank, -_size(alike[0][1]), _item(alike))] if alike else []
    return [item for _, _, item in sorted(items, key=lambda item: item[:2])]


def _size(finding: Finding) -> float:
    found = NUMBER.search(finding.message)
    return abs(float(found[0].replace(",", "").replace("\N{MINUS SIGN}", "-"))) if found else 0.0


def _item(alike: list[tuple[int, Finding]]) -> dict[str, Any]:
    """Return findings as one item of the list, the largest first."""
    first = alike[0][1]
    return {
        "key": alike[0][0],
        "severity": first.severity,
        "said": _together([one for _, one in alike]),
        "do": first.suggestion,
        "why": address_of(first.rule),
        "rows": [
            {
                "number": number,
                "hole": one.hole_id,
                "depth": "" if one.depth is None else f"{one.depth:g}",
                "said": one.message,
                "where": f"{one.file or one.table}{'' if one.row is None else f', row {one.row}'}",
            }
            for number, one in alike
        ],
    }


def _together(alike: list[Finding]) -> str:
    """Return one sentence for alike findings: where they differ in their first number only, with its range."""
    first = alike[0].message
    if len(alike) == 1:
        return first
    if len({NUMBER.sub("#", one.message).replace("+", "").replace("-", "") for one in alike}) > 1:
        return f"{first}, and {len(alike) - 1} more like it"
    found = NUMBER.search(first)
    if found is None:
        return f"{len(alike)} × {first}"
    low, high = min(_size(one) for one in alike), max(_size(one) for one in alike)
    sign = "±" if found[0][0] in "+-\N{MINUS SIGN}" else ""
    span = f"{sign}{low:g}" if low == high else f"{sign}{low:g}–{high:g}"
    rest = NUMBER.sub("…", first[found.end() :])
    return f"{len(alike)} × {first[: found.start()]}{span}{rest}"


def _structure(desk: Desk, finding: Finding) -> int:
    """Return which row of the structures a finding is about, −1 for none."""
    if finding.table != "structures" or finding.row is None:
        return -1
    found = np.flatnonzero(desk.project.structures["row"].to_numpy() == finding.row)
    return int(found[0]) if len(found) else -1


def _said(desk: Desk, listed: int) -> str:
    counts = Counter(finding.severity for finding in desk.study.findings)
    if not counts:
        return "The checks found nothing to say."
    parts = [f"{counts[name]} {name}{'s' if counts[name] > 1 else ''}" for name in get_args(Severity) if counts[name]]
    cut = f" The first {MOST} of {listed} are listed; lowside check writes all." if listed > MOST else ""
    return f"The checks found {', '.join(parts)}.{cut}"
