"""The study in time: states that are kept, what changed since, and how right their predictions were."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from desurvey.problems import DataProblem
from viewer.commands.shared import Out, Paper, ProjectFolder, on_study, say, suspects_of, working, write

if TYPE_CHECKING:
    from desurvey.campaign import Since
    from desurvey.study import Study
    from viewer.figures.sheet import Title

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (keep, since, score, review, quality, follow, relog):
        app.command()(command)


@on_study("lowside score {project} --out score.csv, once predicted stretches are logged")
def keep(
    study: Study,
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="What to find this state by later.")] = "",
) -> None:
    r"""File the state of the study: tables, decisions, findings, suspects, faults, and predictions.

    It goes to history/ in the project, or where [bold]\[history][/bold] dir says; what hasn't changed since the last
    state isn't stored again, and no state is ever changed. Read one with --at in any command.

    Example: lowside keep demo_project --note "before TH-25"
    """
    from desurvey import campaign

    suspects_of(study)
    with working("Lining up the picks, and keeping the state") as progress:
        kept = campaign.keep(study, note=note, progress=progress)
    for name in campaign.states(study.home).damaged:
        say(f"The state {name} is damaged; the others stand.")
    if kept.new:
        typer.echo(f"State {kept.state.name} kept, {kept.stored / 1000:.0f} kB.")
    else:
        typer.echo(f"Nothing has changed since the state {kept.state.name}.")


@on_study(ends=False)
def since(
    study: Study,
    state: Annotated[
        str,
        typer.Argument(metavar="STATE", help="A day, a time, or a state's name; the last one of an earlier day."),
    ] = "",
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="FILE", help="A page (.html), .json, or - for JSON on stdout."),
    ] = None,
) -> None:
    """Say what has changed since a state was kept, and what needs a person now: a page for the morning meeting.

    Rows, findings, suspects, faults, windows, predictions met, decisions and by whom. Exit status 1 when findings of
    severity error are new and unanswered, for a job that runs at night.

    Example: lowside since demo_project 2026-03-01 --out since.html
    """
    from desurvey import campaign

    suspects_of(study)
    with working("Comparing with what was kept") as progress:
        changes = campaign.since(study, state, progress=progress)
    if out is None:
        typer.echo(changes.in_words())
    elif str(out) == "-":
        typer.echo(json.dumps(changes.as_json(), ensure_ascii=False, indent=1))
    else:
        _write_changes(changes, study, out)
    if changes.new_errors:
        raise typer.Exit(1)


def _write_changes(changes: Since, study: Study, path: Path) -> None:
    from desurvey.outputs import replacing

    ending = path.suffix.lower()
    if ending not in {".json", ".html"}:
        raise DataProblem("what has changed is written as .html or .json", file=str(path), value=ending or "no ending")
    text = json.dumps(changes.as_json(), ensure_ascii=False, indent=1) if ending == ".json" else _page(changes, study)
    with replacing(path) as partial:
        partial.write_text(text, encoding="utf-8")


def _page(changes: Since, study: Study) -> str:
    from desurvey.campaign.since import decision_words

    decisions = [decision_words(one) for one in changes.decisions]
    return _rendered("since", study, changes=changes, decisions=decisions, most=MOST_ON_PAGE)


def _rendered(page_name: str, study: Study, **values: Any) -> str:
    from jinja2 import Environment

    from desurvey.exchange.facts import CAUTION

    template = (files("viewer") / "templates" / f"{page_name}.html.j2").read_text(encoding="utf-8")
    page = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(template)
    return page.render(name=study.name, basis=study.basis, caution=CAUTION, **values)


MOST_ON_PAGE = 30
"""Rows of one list on the page of what has changed; the rest is counted."""


@on_study()
def score(
    study: Study,
    out: Out,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FILE", help="Draw the score: .pdf, .svg or .png.")
    ] = None,
    paper: Paper = "A4",
) -> None:
    """Say how right the predictions were that states had filed before their stretch of core was logged.

    Writes a row for every prediction that differs from the one before it of the same fault and hole. Counted is the
    last one of each before it was logged past. What is logged now is taken for true; corrections are said.

    Example: lowside score demo_project --out score.csv --figure score.pdf
    """
    from desurvey import campaign

    suspects_of(study)
    with working("Reading the states") as progress:
        scored = campaign.score(study, progress=progress)
    write(study, scored.table, Path(out))
    if figure is not None:
        from viewer.figures.quality import draw_score
        from viewer.figures.sheet import save

        save(draw_score(scored, _title(study, "Predictions and their score"), paper=paper), figure)
    typer.echo(scored.in_words())


def _title(study: Study, heading: str) -> Title:
    from desurvey.exchange.facts import convention
    from viewer.figures.sheet import Title

    crs = study.project.settings.frame.crs
    return Title(study.name, heading, crs, convention(study.project), basis=study.basis)


def review(
    project: ProjectFolder,
    hole: Annotated[str, typer.Argument(metavar="HOLE", help="The hole that was reviewed.", show_default=False)],
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who has reviewed it.", show_default=False)],
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="What to say of it.")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="Take the review back.")] = False,
) -> None:
    """Sign a hole off as reviewed: bound to its rows, the settings, north, and the decisions about it.

    Any later change undoes it, and check, since and the report name that change. All goes into the audit trail.

    Example: lowside review demo_project TH-09 --by "Å. Berg"
    """
    import desurvey

    study = desurvey.open(project)
    study.review(hole, who=by, why=why, undo=undo)
    if undo:
        say(f"The review of {hole} is taken back.")
        return
    rows = sum((frame["hole_id"] == hole).sum() for frame in study.logged.frames.values())
    say(f"{hole} is reviewed by {by}, with all its {rows} rows; lowside check says when something under it changes.")


@on_study(
    "look at the tools and crews that are named, and at their runs: lowside suspects {project} --out suspects.csv"
)
def quality(
    study: Study,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="FILE", help="Write the points of all charts, with limits.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FILE", help="Draw the charts: .pdf, .svg or .png.")
    ] = None,
    named: Annotated[
        bool, typer.Option("--named", help="Call loggers and drillers by their names; else they are numbered.")
    ] = False,
    paper: Paper = "A4",
) -> None:
    r"""Show how the work goes, by tool, crew, shift, barrel, logger and driller, and in time.

    Control charts of line offsets, recovery, runs with a line, lines that agree, grades, blunders, beta scatter,
    repeated surveys and the magnetic field. Changes that are more than chance are named, all looks counted. Core logged
    twice gives the real sigma of alpha and beta, for [bold]\[spread][/bold].

    Example: lowside quality demo_project --out charts.csv --figure charts.pdf
    """
    from desurvey.campaign.quality import quality as looked

    if study.can_be_judged:
        suspects_of(study)
    with working("Looking at the work"):
        found = looked(study, named=named)
    if out is not None:
        write(study, found.charts, out)
    if figure is not None:
        from viewer.figures.quality import draw_quality
        from viewer.figures.sheet import save

        save(draw_quality(found, _title(study, "Quality over time"), paper=paper), figure)
    typer.echo(found.in_words())


def follow(
    project: ProjectFolder,
    hole: Annotated[str, typer.Argument(metavar="HOLE", help="The hole that is being drilled.", show_default=False)],
    once: Annotated[bool, typer.Option("--once", help="Say it once and end, for a script.")] = False,
    further: Annotated[
        float, typer.Option("--further", metavar="M", help="Say what so many more metres are worth.")
    ] = 50.0,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="FILE", help="Write the windows ahead, each time anew.")
    ] = None,
) -> None:
    """Follow a hole that is being drilled: the windows ahead of the bit, anew with each row that comes in.

    The hole stands in the collars as drilled, with its planned depth. Says where each fault is expected, how far off
    its plan the hole ends, where it may stop, and what further metres are worth. Ends with Ctrl-C.

    Example: lowside follow demo_project TH-12 --once
    """
    import desurvey
    from desurvey.campaign.following import follow as followed

    def said() -> None:
        study = desurvey.open(project)
        suspects_of(study)
        with working("Lining up the picks") as progress:
            found = followed(study, hole, further=further, progress=progress)
        if out is not None:
            write(study, found.windows, out)
        typer.echo(found.in_words())

    said()
    if once:
        return
    from watchfiles import watch

    names = {"project.toml", "decisions.toml", *desurvey.open(project).logged.settings.all_files}
    ours = {(project / name).resolve() for name in names}
    for _ in watch(project, watch_filter=lambda _change, path: Path(path).resolve() in ours):
        typer.echo("")
        try:
            said()
        except DataProblem as problem:  # half a row, while somebody types
            say(f"The tables can't be read as they stand: {problem}")


@on_study(ends=False)
def relog(
    study: Study,
    key: Annotated[str, typer.Argument(metavar="KEY", help="What was looked at, as the sheet has it.")] = "",
    result: Annotated[
        str, typer.Argument(metavar="RESULT", help="'found at 123.4', 'nothing', or 'line was wrong'.")
    ] = "",
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="FILE", help="The sheet: .html to print, or a table to fill."),
    ] = None,
    read: Annotated[
        Path | None, typer.Option("--read", metavar="FILE", help="Take the results of a sheet that was filled in.")
    ] = None,
    rows: Annotated[
        Path | None, typer.Option("--rows", metavar="FILE", help="Write what was found as rows to paste.")
    ] = None,
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who has looked.")] = "",
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="What else was seen.")] = "",
) -> None:
    r"""List the core to look at again, and type back what was seen; each result closes what it answers.

    Windows in which a fault should be and isn't logged, and suspect runs and readings, with boxes where an interval
    table [bold]boxes[/bold] (hole_id, depth_from, depth_to, box, box_row) is named. Results go to relog.toml; a suspect
    is accepted or set aside by them. The tables are never touched.

    Example: lowside relog demo_project --out relog.html
    """
    from desurvey.campaign import relog as racks
    from desurvey.exchange import read_table

    suspects_of(study)
    if (key or read is not None) and not by.strip():
        raise DataProblem("results need the name of who has looked", column="--by", hint="say --by NAME")
    seen = [racks.answer(study, key, result, who=by, note=note)] if key else []
    if read is not None:
        seen += racks.typed_back(study, read_table(read), who=by)
    for one in seen:
        say(f"{one.key}: {one.result}, by {one.who}")
    if seen:
        import desurvey

        study = desurvey.open(study.home)
    with working("Listing the core to look at again") as progress:
        listed = racks.relog_list(study, progress=progress)
    if out is not None and out.suffix.lower() == ".html":
        from desurvey.outputs import replacing

        holes = [(hole, own.to_dict("records")) for hole, own in listed.groupby("hole_id", sort=True)]
        with replacing(out) as partial:
            partial.write_text(_rendered("relog", study, holes=holes), encoding="utf-8")
    elif out is not None:
        write(study, listed, out)
    if rows is not None:
        write(study, racks.found_rows(study), rows)
    for row in listed.to_dict("records"):
        place = f"{row['hole_id']} {row['depth_from']:.1f} to {row['depth_to']:.1f} m"
        box = f", box {row['box']}" if row["box"] else ""
        typer.echo(f"{place}{box}: {row['look_for']} [{row['key']}]")
    typer.echo(f"{len(listed)} to look at again.")
