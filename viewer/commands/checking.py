"""Data, looked at before anything is done with them: ``start``, ``adopt`` and ``check``."""

from __future__ import annotations

import functools
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from desurvey.problems import DataProblem, Finding, nearest
from viewer.commands.shared import Holes, on_study, say, suspects_of, working, write

if TYPE_CHECKING:
    from desurvey.project import Look
    from desurvey.study import Study

__all__ = ["Browser", "Port", "add_to", "start"]

Port = Annotated[int, typer.Option("--port", min=0, max=65535, help="Port to serve on; 0 takes a free one.")]
Browser = Annotated[
    bool, typer.Option("--browser/--no-browser", help="Open the address in the browser, or only say it.")
]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (start, adopt, check):
        app.command()(command)


def start(
    folder: Annotated[
        Path | None, typer.Argument(metavar="FOLDER", help="Folder with tables.", show_default=False)
    ] = None,
    port: Port = 0,
    browser: Browser = True,
) -> None:
    """Open the start page: from a folder of tables to a project and its viewer, without an editor.

    It says what every file and column is taken for and why, asks in pictures what no table can tell, and offers repairs
    by their cause. Tables are never touched; project.toml is written. Plain [bold]lowside[/bold] does the same.

    Example: lowside start field_folder
    """
    from viewer.start import begin

    begin(folder, port=port, open_browser=browser, say=functools.partial(say, always=True))


def adopt(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with tables.", show_default=False)],
    said: Annotated[
        list[str] | None,
        typer.Option(
            "--say",
            metavar="KEY=VALUE",
            help="Say what no table can: frame.north=grid, frame.dip_sign=negative_down, core.line=low, "
            "frame.crs=EPSG:32633, tables.runs=runs.xlsx#core. Can be repeated.",
        ),
    ] = None,
    repair: Annotated[bool, typer.Option("--repair", help="Accept every repair that is offered.")] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="Write without asking, but only where nothing is a guess.")
    ] = False,
) -> None:
    """Write a project.toml for a folder of tables: say every guess, ask what is open, and offer repairs.

    On a terminal it asks; elsewhere it writes its guesses, marked as such. What a person wrote in a project.toml stays,
    comments too. Tables are never touched.

    Example: lowside adopt field_folder --say core.line=low --repair
    """
    from desurvey.project import adopt as adopted
    from desurvey.project import look

    choices = _choices(said or [])
    with working("Looking at the files"):
        seen = look(folder, choices)
    if sys.stdin.isatty() and sys.stderr.isatty() and not yes:
        choices, seen = _asked(folder, choices, seen)
    if repair:
        choices, seen = _with_repairs(folder, choices, seen)
    if yes and not seen.sure:
        open_keys = [question.key for question in seen.questions if question.open]
        raise DataProblem(
            "something would be a guess, and --yes writes no guesses",
            file=str(folder),
            hint="; ".join((*(f"--say {key}=…" for key in open_keys), *seen.guesses)) or seen.problem,
        )
    path = folder / "project.toml"
    before = path.read_bytes() if path.is_file() else b""
    adopted(folder, choices)
    same = path.read_bytes() == before
    say(f"{path} says all of this already; nothing was changed." if same else f"{path} written. What was guessed:")
    _say_look(seen)
    if seen.offered and not repair:
        say("Accept all repairs that have one answer with: --repair")
    say(f"Read the file, correct it, then run: lowside check {folder}")


def _say_look(seen: Look) -> None:
    """Say every guess, what isn't used and why, and each cause with its cures."""
    for guess in seen.guesses:
        say(f"  - {guess}")
    for file in seen.files:
        if not file.table:
            say(f"  {file.name} {file.why}")
    for cause in seen.repairs:
        say(f"  {cause.sentence}.")
        for number, cure in enumerate(cause.tomls):
            say(textwrap.indent(cure, "      ") + ("\n      # or" if number + 1 < len(cause.tomls) else ""))


def _choices(said: list[str]) -> dict[str, Any]:
    """Return what stands behind --say in the shape of a project.toml."""
    from desurvey.project.adopting import with_choices

    choices: dict[str, Any] = {}
    for one in said:
        key, equals, value = one.partition("=")
        if not equals or "." not in key:
            raise DataProblem("--say wants SECTION.KEY=VALUE", value=one, hint="for example --say core.line=low")
        nested: Any = value
        for part in reversed(key.split(".")):
            nested = {part: nested}
        choices = with_choices(choices, nested)
    return choices


def _asked(folder: Path, choices: dict[str, Any], seen: Look) -> tuple[dict[str, Any], Look]:
    """Ask what is open and offer each repair, looking again after each answer."""
    from desurvey.project import look
    from desurvey.project.adopting import with_choices

    for question in seen.questions:
        if question.open:
            say(f"{question.asks} {question.speaks}.")
            for answer, meaning in question.answers.items():
                say(f"  {answer}: {meaning}")
            answer = typer.prompt(question.key, default=question.guess or None, err=True)
            choices = with_choices(choices, _choices([f"{question.key}={answer}"]))
    seen = look(folder, choices)
    for cause in seen.offered:
        say(f"{cause.sentence}.\n{textwrap.indent(cause.tomls[0], '    ')}")
        if typer.confirm("Add these lines?", default=True, err=True):
            choices = with_choices(choices, cause.cures[0])
    return choices, look(folder, choices)


def _with_repairs(folder: Path, choices: dict[str, Any], seen: Look) -> tuple[dict[str, Any], Look]:
    """Accept every repair that is offered; one may show the next."""
    from desurvey.project import look
    from desurvey.project.adopting import with_choices

    for _ in range(MOST_REPAIRS):
        if not seen.offered:
            break
        before = choices
        for cause in seen.offered:
            choices = with_choices(choices, cause.cures[0])
        seen = look(folder, choices)
        if choices == before:
            break
    return choices, seen


MOST_REPAIRS = 5
"""Times that a folder is looked at again after repairs."""


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
            "--out",
            "-o",
            metavar="FILE",
            help="Write the findings too: .csv, .parquet, .json, .html to filter, or - for JSON on stdout and no more.",
        ),
    ] = None,
    fail_on: Annotated[
        Literal["error", "warning", "note"],
        typer.Option("--fail-on", help="Exit with 1 on findings this severe, or more."),
    ] = "error",
    only: Annotated[
        list[str] | None, typer.Option("--only", metavar="RULE", help="Show findings of this rule. Can be repeated.")
    ] = None,
    hole: Holes = None,
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
    used as it stands. What somebody has answered (decide --explain) is counted apart.

    Example: lowside check demo_project --hole TH-09 --out findings.html
    """
    from desurvey.project.adopting import unused_tables
    from viewer.commands.findings import ORDER, as_json, print_findings, write_findings

    if not quick and study.can_be_judged:
        suspects_of(study)
    with working("Checking"):
        found = study.graded((*study.check(quick=quick), *unused_tables(study.logged)))
        findings = _chosen(study, found, only or [], hole or [])
    piped = str(out) == "-"
    if out is not None and not piped:
        write_findings(study, findings, out)
    _write_lines(study, stretches, lines)
    if piped:
        typer.echo(as_json(study, findings))
    else:
        print_findings(study, findings)
    if any(ORDER[finding.severity] <= ORDER[fail_on] for finding in study.standing(findings)):
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
