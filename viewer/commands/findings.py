"""Findings as a table to keep and as a picture of the data's state on the terminal."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING

import pandas as pd
from rich.console import Console
from rich.table import Table

from desurvey.problems import Finding

if TYPE_CHECKING:
    from desurvey.project import Project

__all__ = ["COLUMNS", "findings_table", "print_findings"]

COLUMNS = ["severity", "rule", "table", "row", "hole_id", "depth", "message", "suggestion"]
ORDER = {"error": 0, "warning": 1, "note": 2}
STYLE = {"error": "bold red", "warning": "yellow", "note": "cyan"}


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Return findings as a table, worst first."""
    rows = [asdict(finding) for finding in sorted(findings, key=lambda finding: ORDER[finding.severity])]
    frame = pd.DataFrame(rows, columns=COLUMNS)
    return frame.astype({"row": "Int64", "depth": float})


def print_findings(project: Project) -> None:
    """Print the findings and their count on the terminal."""
    console = Console()
    findings = sorted(project.findings, key=lambda finding: (ORDER[finding.severity], finding.hole_id))
    if findings:
        console.print(_table(findings))
    console.print(_summary(project))


def _table(findings: list[Finding]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("severity", "hole", "table", "row"):
        table.add_column(heading, no_wrap=True, justify="right" if heading == "row" else "left")
    table.add_column("what is wrong, and what to do", overflow="fold")
    for finding in findings:
        style = STYLE[finding.severity]
        text = f"{finding.message}. [dim]{finding.suggestion}[/dim]" if finding.suggestion else finding.message
        row = "" if finding.row is None else str(finding.row)
        table.add_row(f"[{style}]{finding.severity}[/{style}]", finding.hole_id, finding.table, row, text)
    return table


def _summary(project: Project) -> str:
    counts = {severity: sum(f.severity == severity for f in project.findings) for severity in ORDER}
    found = ", ".join(f"{count} {severity}{'s' if count != 1 else ''}" for severity, count in counts.items() if count)
    size = f"{len(project.collars)} holes, {len(project.surveys)} survey stations, {len(project.structures)} structures"
    return f"{project.name}: {size}. {found or 'Nothing found'}."
