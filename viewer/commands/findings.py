"""Findings as tables to keep, as a page to filter, and as a picture of the data's state on the terminal."""

from __future__ import annotations

import hashlib
import io
import json
import sys
from collections.abc import Iterable, Sequence
from importlib.resources import files
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from desurvey.problems import DataProblem, Finding, Severity, shortened

if TYPE_CHECKING:
    import pandas as pd

    from desurvey.project.causes import Cause
    from desurvey.study import Study

__all__ = ["COLUMNS", "ORDER", "as_json", "findings_table", "print_findings", "print_rules", "write_findings"]

COLUMNS = ["severity", "rule", "table", "row", "hole_id", "depth", "message", "suggestion", "key"]
"""Of findings as tables; with a study, ``explained`` comes last: what somebody has answered."""
ORDER: dict[Severity, int] = {"error": 0, "warning": 1, "note": 2}
STYLE: dict[Severity, str] = {"error": "bold red", "warning": "yellow", "note": "cyan"}

ALIKE = 3
"""Findings of one rule in one hole that the terminal shows before it counts the rest."""

MOST_HOLES = 40
"""Holes that the terminal shows before it points to a file."""


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Return findings as a table, worst first."""
    import pandas as pd

    ordered = sorted(findings, key=lambda finding: ORDER[finding.severity])
    frame = pd.DataFrame({name: [getattr(finding, name) for finding in ordered] for name in COLUMNS})
    return frame.astype({"row": "Int64", "depth": float})


def as_json(study: Study, findings: Sequence[Finding]) -> str:
    """Return findings as JSON: an object with a head and ``findings``, the same bytes for the same inputs.

    The head says the ``program`` and its ``version``, the ``rules`` (a hash of what every rule says), the ``project``,
    its ``basis`` (which decisions are obeyed), the SHA-256 of its ``inputs`` by file, and ``counts`` by severity, of
    which ``explained`` are counted apart.
    """
    from desurvey import __version__
    from desurvey.exchange.facts import inputs
    from desurvey.study import RULES

    standing = study.standing(findings)
    head = {
        "program": "lowside",
        "version": __version__,
        "rules": hashlib.sha256(repr(RULES).encode()).hexdigest()[:16],
        "project": study.name,
        "basis": study.basis,
        "inputs": dict(inputs(study.logged).itertuples(index=False)),
        "counts": dict(zip(ORDER, _counts(standing), strict=True)) | {"explained": len(findings) - len(standing)},
    }
    return json.dumps(head | {"findings": _records(study, findings)}, ensure_ascii=False, indent=1)


def write_findings(study: Study, findings: Sequence[Finding], path: Path) -> None:
    """Write findings as ``.csv``, ``.parquet``, ``.json`` or ``.html``, by the name's ending.

    Raises
    ------
    DataProblem
        For another ending, or when the file can't be written.
    """
    from desurvey.exchange import write_table
    from desurvey.outputs import replacing

    ending = path.suffix.lower()
    if ending in {".csv", ".parquet"}:
        table = findings_table(findings)
        write_table(table.assign(explained=[study.explained.get(key, "") for key in table["key"]]), path)
        return
    if ending not in {".json", ".html"}:
        raise DataProblem(
            "findings are written as .csv, .parquet, .json or .html", file=str(path), value=ending or "no ending"
        )
    text = as_json(study, findings) if ending == ".json" else _page(study, findings)
    with replacing(path) as partial:
        partial.write_text(text, encoding="utf-8")


def _records(study: Study, findings: Iterable[Finding]) -> list[dict[str, object]]:
    ordered = sorted(findings, key=lambda finding: ORDER[finding.severity])
    said = study.explained
    return [
        {name: _plain(getattr(finding, name)) for name in COLUMNS} | {"explained": said.get(finding.key, "")}
        for finding in ordered
    ]


def _plain(value: object) -> object:
    """Return a value that JSON has a word for: a depth that isn't known is null."""
    return None if isinstance(value, float) and value != value else value


def _page(study: Study, findings: Sequence[Finding]) -> str:
    """Return one page that needs nothing else: the rows and the script that filters them stand in it."""
    from jinja2 import Environment

    from desurvey.study import RULES

    folder = files("viewer") / "templates"
    library = folder / "vendor" / "tabulator"
    template = Environment(autoescape=True).from_string((folder / "findings.html").read_text(encoding="utf-8"))
    found = {finding.rule for finding in findings}
    return template.render(
        name=study.name,
        summary=_summary(study, findings),
        rules=[rule for rule in RULES if rule.id in found],
        json=json.dumps(_records(study, findings), ensure_ascii=False).replace("<", "\\u003c"),
        library_style=(library / "tabulator_simple.min.css").read_text(encoding="utf-8"),
        library_script=(library / "tabulator.min.js").read_text(encoding="utf-8"),
    )


# ------------------------------------------------------------------------------------------------------- the terminal


def print_findings(study: Study, findings: Sequence[Finding]) -> None:
    """Print what findings come from, then those that have no common cause by hole, the worst first, and their count.

    Those that somebody has answered stand apart; who has reviewed which hole comes last.
    """
    from desurvey.project.causes import causes_of
    from desurvey.reviews import reviewed_words

    standing = study.standing(findings)
    causes, left = causes_of(study.logged, standing)
    said: list[object] = [_cause(cause) for cause in causes]
    holes = _by_hole(left)
    for hole, group in holes[:MOST_HOLES]:
        said += [_heading(hole, group), _table(group)]
    if len(holes) > MOST_HOLES:
        said.append(
            f"… and findings in {len(holes) - MOST_HOLES} more holes: write them all with --out findings.html\n"
        )
    said += [*_answered(study, findings), *reviewed_words(study.reviews, len(study.logged.collars))]
    _print([*said, _summary(study, findings)])


def _print(parts: Iterable[object]) -> None:
    """Print on stdout: on a terminal wrapped and in colour, elsewhere a line a line, however long."""
    from rich.console import Console

    if sys.stdout.isatty():
        shown = Console(highlight=False)
        for part in parts:
            shown.print(part, markup=False)
        return
    lines = io.StringIO()
    whole = Console(highlight=False, file=lines, width=LONGEST)
    for part in parts:
        whole.print(part, markup=False)
    print("\n".join(line.rstrip() for line in lines.getvalue().splitlines()))


LONGEST = 100_000
"""Letters of a line in a file, more than any finding has."""


def _answered(study: Study, findings: Sequence[Finding]) -> list[str]:
    """Return the findings that somebody has answered, with the reason, and those whose answer holds no more."""
    explained = [finding for finding in findings if finding.key in study.explained]
    lines = [f"Explained, and counted apart: {len(explained)}"] if explained else []
    lines += [f"  {finding}\n    {study.explained[finding.key]} [{finding.key}]" for finding in explained]
    back = [finding for finding in findings if finding.key in study.lapsed]
    return lines + [f"Back: {finding.key}: {study.lapsed[finding.key]}." for finding in back]


def _cause(cause: Cause) -> object:
    """Return a cause with its count and the lines for project.toml that cure it, or what to do."""
    from rich.text import Text

    worst = min((finding.severity for finding in cause.findings), key=ORDER.__getitem__)
    count = len(cause.findings)
    said = Text.assemble((f"{worst}  ", STYLE[worst]), (f"{cause.sentence}.", "bold"))
    if count > 1:
        said.append(f" {count} findings follow from it.")
    if cause.cures:
        said.append("\n    In project.toml:" if len(cause.cures) == 1 else "\n    In project.toml, whichever is true:")
    for number, cure in enumerate(cause.tomls):
        said.append("\n      # or" if number else "", style="cyan")
        said.append("".join(f"\n      {line}" for line in cure.splitlines()), style="cyan")
    return said.append(f" {cause.advice}.\n" if cause.advice and not cause.cures else "\n")


def _by_hole(findings: Sequence[Finding]) -> list[tuple[str, list[Finding]]]:
    """Return findings by hole, the hole with most errors first, then most warnings; those of no hole before all."""
    groups: dict[str, list[Finding]] = {}
    for finding in findings:
        groups.setdefault(finding.hole_id, []).append(finding)
    return sorted(groups.items(), key=lambda item: (item[0] != "", [-count for count in _counts(item[1])], item[0]))


def _counts(findings: Sequence[Finding]) -> list[int]:
    severities = [finding.severity for finding in findings]
    return [severities.count(severity) for severity in ORDER]


def _counted(findings: Sequence[Finding]) -> str:
    counts = zip(ORDER, _counts(findings), strict=True)
    return ", ".join(f"{count} {severity}{'s' if count != 1 else ''}" for severity, count in counts if count)


def _heading(hole: str, findings: Sequence[Finding]) -> object:
    from rich.text import Text

    return Text.assemble((shortened(hole) or "the whole project", "bold"), f"  {_counted(findings)}")


def _table(findings: Sequence[Finding]) -> object:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, show_header=False, padding=(0, 2, 0, 0))
    for justify in ("left", "left", "right"):
        table.add_column(no_wrap=True, justify=justify)
    table.add_column(overflow="fold")
    ordered = sorted(findings, key=lambda finding: (ORDER[finding.severity], finding.rule))
    for (severity, _), group in groupby(ordered, key=lambda finding: (finding.severity, finding.rule)):
        alike = list(group)
        for place, finding in enumerate(alike[:ALIKE]):
            said = Text(f"{finding.message}. ")
            if place == 0:
                said.append(finding.suggestion, style="dim")
            row = "" if finding.row is None else str(finding.row)
            table.add_row(Text(f"  {severity}", style=STYLE[severity]), finding.table, row, said)
        if len(alike) > ALIKE:
            table.add_row("", "", "", Text(f"… and {len(alike) - ALIKE} more of this kind", style="dim"))
    return table


def _summary(study: Study, findings: Sequence[Finding]) -> str:
    project = study.logged
    size = f"{len(project.collars)} holes, {len(project.surveys)} survey stations, {len(project.structures)} structures"
    standing = study.standing(findings)
    apart = f"; {len(findings) - len(standing)} explained" if len(findings) > len(standing) else ""
    return f"{project.name}: {size}. {_counted(standing) or 'Nothing found'}{apart}."


def print_rules() -> None:
    """Print every rule with its severity, its reason and what to do, and every limit with its source."""
    from dataclasses import MISSING, fields

    from rich.table import Table
    from rich.text import Text

    from desurvey.checks import Limits
    from desurvey.study import RULES_BY_PART

    said: list[object] = []
    for part, rules in RULES_BY_PART.items():
        table = Table(box=None, pad_edge=False, show_header=False, padding=(0, 2, 0, 0))
        for wrap in (True, True, False):
            table.add_column(no_wrap=wrap)
        for rule in rules:
            text = Text(f"{rule.reason}. ").append(rule.suggestion, style="dim")
            table.add_row(Text(f"  {rule.severity}", style=STYLE[rule.severity]), rule.id, text)
        said += [Text(part, style="bold"), table]
    table = Table(box=None, pad_edge=False, show_header=False, padding=(0, 2, 0, 0))
    for item in fields(Limits):
        default = "{}" if item.default is MISSING else json.dumps(item.default)
        table.add_row(Text(f"  {item.name} = {default}"), Text(item.metadata.get("source", ""), style="dim"))
    _print([*said, Text("limits: [checks] in project.toml", style="bold"), table])
