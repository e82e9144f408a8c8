"""The tables behind a report, from which its numbers can be worked out again."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from desurvey.exchange import facts
from desurvey.exchange.workbook import write_sheets
from desurvey.study import RULES, Answers, Study
from viewer.report.gather import decisions_table, drill_holes, findings_by_cause, with_readings

__all__ = ["report_tables", "write_report_workbook"]


def report_tables(study: Study, answers: Answers | None) -> dict[str, pd.DataFrame]:
    """Return the tables behind a report by name, the first of which says what they rest on."""
    names = ["severity", "rule", "table", "row", "hole_id", "depth", "message", "suggestion", "key"]
    found = pd.DataFrame([[getattr(one, name) for name in names] for one in study.findings], columns=names)
    rules = pd.DataFrame([(one.id, one.severity, one.reason) for one in RULES], columns=["rule", "severity", "reason"])
    tables = {
        "about": facts.about(study.project, study.basis, study.decisions.told()),
        "holes": drill_holes(study),
        "surveys as used": study.logged.norths,
        "stations": study.traces_table(),
        "runs": study.project.runs,
        "structures": study.oriented_table(),
        "sets": study.sets_table(),
        "suspects": study.suspects(),
        **({} if answers is None else _lined_up(study, answers)),
        "findings": found.astype({"depth": float, "row": "Int64"}),
        "findings by cause": findings_by_cause(study),
        "decisions": decisions_table(study),
        "rules": rules,
        "settings": _settings(study),
        "errors assumed": facts.assumed(study.hole_spread.sigmas),
        "versions": facts.versions(),
    }
    return {name: study.stamped(table) if name == "structures" else table for name, table in tables.items()}


def _lined_up(study: Study, answers: Answers) -> dict[str, pd.DataFrame]:
    covariance = [
        (one.fault_id, i, j, value)
        for one in answers.found.faults
        for i, row in enumerate(one.surface.covariance.tolist())
        for j, value in enumerate(row)
    ]
    frames = [
        (one.fault_id, axis, *direction.tolist())
        for one in answers.found.faults
        for axis, direction in zip(("along strike", "down dip", "upward normal"), one.axes, strict=True)
    ]
    unknowns = [
        (one.fault_id, place, float(value))
        for one in answers.found.faults
        for place, value in enumerate(one.surface.unknowns.tolist())
    ]
    return {
        "faults": answers.faults,
        "axes of faults": pd.DataFrame(frames, columns=["fault_id", "axis", "east", "north", "up"]),
        "unknowns of faults": pd.DataFrame(unknowns, columns=["fault_id", "unknown", "value"]),
        "covariance of faults": pd.DataFrame(covariance, columns=["fault_id", "unknown", "other", "value"]),
        "picks": with_readings(study, answers.picks),
        "windows": answers.windows,
    }


def _settings(study: Study) -> pd.DataFrame:
    """Return project.toml as it stands, line by line."""
    file = study.logged.folder / "project.toml"
    lines = file.read_text(encoding="utf-8").splitlines() if file.is_file() else []
    return pd.DataFrame({"project.toml": lines})


def write_report_workbook(study: Study, path: Path) -> None:
    """Write the tables behind a report as sheets of one workbook."""
    write_sheets(report_tables(study, study.lineup_or_none()), path)
