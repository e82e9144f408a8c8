"""Data, looked at before anything is done with them: ``adopt`` and ``check``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from desurvey.problems import DataProblem, Finding, nearest
from viewer.commands.shared import on_study, say, suspects_of, working, write

if TYPE_CHECKING:
    from desurvey.study import Study

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (adopt, check):
        app.command()(command)


def adopt(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder with tables and no project.toml.", show_default=False)
    ],
) -> None:
    """Propose a project.toml for a folder of tables, and say every guess in it.

    An existing project.toml is never overwritten.
    """
    from desurvey.project import adopt as adopted

    with working("Looking at the files"):
        proposal = adopted(folder)
    say(f"{folder / 'project.toml'} written. What was guessed:")
    for guess in proposal.guesses:
        say(f"  - {guess}")
    say(f"Read the file, correct it, then run: lowside check {folder}")


def _rules(wanted: bool) -> None:
    if wanted:
        from viewer.commands.findings import print_rules

        print_rules()
        raise typer.Exit


@on_study("lowside orient {project} --out oriented.csv; lowside view {project} shows everything", ends=False)
def check(
    study: Study,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", "-o", metavar="FILE", help="Write the findings too: .csv, .parquet, .json, or .html to filter."
        ),
    ] = None,
    fail_on: Annotated[
        Literal["error", "warning", "note"],
        typer.Option("--fail-on", help="Exit with 1 on findings this severe, or more."),
    ] = "error",
    only: Annotated[
        list[str] | None, typer.Option("--only", metavar="RULE", help="Show findings of this rule. Can be repeated.")
    ] = None,
    hole: Annotated[
        list[str] | None, typer.Option("--hole", metavar="H", help="Show findings in this hole. Can be repeated.")
    ] = None,
    stretches: Annotated[
        Path | None,
        typer.Option("--stretches", metavar="FILE", help="Write the stretches of runs whose orientation lines agree."),
    ] = None,
    lines: Annotated[
        Path | None,
        typer.Option("--lines", metavar="FILE", help="Write how many metres of each hole have a line that agrees."),
    ] = None,
    quick: Annotated[bool, typer.Option("--quick", help="Leave out suspects, which take seconds to minutes.")] = False,
    _rules: Annotated[
        bool, typer.Option("--rules", callback=_rules, is_eager=True, help="List all rules and stop.")
    ] = False,
) -> None:
    """Read everything and say what is wrong with it, hole by hole, worst first, suspects among it.

    Exit status 1 when a finding is an error (or as severe as --fail-on says): a row, a hole or a table that can't be
    used as it stands.
    """
    from viewer.commands.findings import ORDER, print_findings, write_findings

    if not quick and study.can_be_judged:
        suspects_of(study)
    with working("Checking"):
        findings = _chosen(study, study.check(quick=quick), only or [], hole or [])
    if out is not None:
        write_findings(study, findings, out)
    _write_lines(study, stretches, lines)
    print_findings(study, findings)
    if any(ORDER[finding.severity] <= ORDER[fail_on] for finding in findings):
        raise typer.Exit(1)


def _chosen(study: Study, findings: Sequence[Finding], only: list[str], holes: list[str]) -> list[Finding]:
    """Return the findings of the rules and holes that were asked for, all where none was."""
    from desurvey.study import RULES
    from desurvey.tables.names import name_key

    known = {rule.id for rule in RULES}
    for rule in only:
        if rule not in known:
            hint = nearest(rule, known) or "lowside check --rules lists them"
            raise DataProblem("there is no such rule", column="--only", value=rule, hint=hint)
    names = {name_key(name): name for name in study.logged.collars["hole_id"]}
    for hole in holes:
        if name_key(hole) not in names:
            raise DataProblem("there is no such hole", column="--hole", value=hole, hint=nearest(hole, names.values()))
    wanted = {names[name_key(hole)] for hole in holes}
    return [
        finding
        for finding in findings
        if (not only or finding.rule in only) and (not holes or finding.hole_id in wanted)
    ]


def _write_lines(study: Study, stretches: Path | None, holes: Path | None) -> None:
    """Write what fitted ends say of the orientation lines, by stretch and by hole, where either was asked for."""
    from desurvey.runs import hole_table, stretch_table

    for path, table in ((stretches, stretch_table), (holes, hole_table)):
        if path is not None:
            write(study, table(study.logged.runs, study.chain), path)
