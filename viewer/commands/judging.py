"""What the readings say together, and what that means for the next hole: ``suspects``, ``lineup`` and ``aim``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from desurvey.problems import DataProblem
from viewer.commands.shared import (
    Out,
    ProjectFolder,
    SuspectsFile,
    on_study,
    say,
    suspecting,
    suspects_of,
    working,
    write,
)

if TYPE_CHECKING:
    from desurvey.study import Study

__all__ = ["Kind", "add_to"]

Kind = Annotated[str, typer.Option("--kind", metavar="KIND", help="Which structures: a kind of the structures table.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (suspects, lineup, aim, decide):
        app.command()(command)


@on_study("lowside decide {project} KEY --accept (or --set-aside) --why …, then lowside lineup {project} --out lineup")
def suspects(
    study: Study,
    out: Out,
    runs: Annotated[
        Path | None,
        typer.Option("--runs", metavar="FILE", help="Write every run too: how sure it is, and what would have shown."),
    ] = None,
) -> None:
    """Weigh named blunders of readings, runs and holes against "as logged", and say what went wrong.

    Nothing is corrected, and what has been decided is listed no more (--as-logged lists all). Decide on each by its key
    with [bold]lowside decide[/bold], or in the viewer.

    Example: lowside suspects demo_project --out suspects.csv --runs runs.csv
    """
    found = suspects_of(study)
    write(study, found, out)
    for key, sentence in zip(found["key"], found["message"], strict=True):
        say(f"  {sentence}  [{key}]")
    if runs is not None:
        write(study, study.weighed().runs, runs)
    for sentence in study.weighed().said:
        say(sentence)
    say(f"{len(found)} suspect{'' if len(found) == 1 else 's'} written to {out}")


def decide(
    project: ProjectFolder,
    key: Annotated[
        str, typer.Argument(metavar="KEY", help="A suspect's key, as suspects.csv has it.", show_default=False)
    ] = "",
    accept: Annotated[bool, typer.Option("--accept", help="Put it right in every output.")] = False,
    set_aside: Annotated[bool, typer.Option("--set-aside", help="The readings stand as they were logged.")] = False,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take a decision back: a suspect's key, or a pick's name.")
    ] = False,
    pin: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--pin", metavar="PICK FAULT", help="Say which fault a pick belongs to, or none.", show_default=False
        ),
    ] = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="Answer a finding of check by its key: it is counted apart.")
    ] = False,
    until: Annotated[
        str, typer.Option("--until", metavar="DAY", help="With --explain: the last day on which that holds.")
    ] = "",
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason, for whoever reads it later.")] = "",
    who: Annotated[str, typer.Option("--who", metavar="NAME", help="Who decides; you by default.")] = "",
) -> None:
    """Decide on a suspect, or pin a fault pick: what the viewer does, from a terminal.

    Decisions stand in decisions.toml beside the tables, which are never touched. Every output obeys them.

    Example: lowside decide demo_project "run TH-09 90-93 line_side" --accept --why "seen on the photo"
    """
    import desurvey

    study = desurvey.open(project)
    if explain:
        if accept or set_aside or undo or pin is not None:
            raise DataProblem("a finding is explained, and nothing else is decided about it", column="--explain")
        changed = study.explain(key, why, owner=who, until=until)
        count = len(changed.decisions.explained)
        say(f"{count} explained finding{'' if count == 1 else 's'} in {project / 'decisions.toml'}")
        return
    suspects_of(study)
    with working("Deciding"):
        changed = study.decide(key, accept=accept, set_aside=set_aside, undo=undo, pin=pin, why=why, who=who)
    for other in changed.overruled:
        say(f"{other.who} had decided otherwise about {other.key} ({other.answer}, {other.when}); yours stands now.")
    count = len(changed.decisions)
    say(f"{count} decision{'' if count == 1 else 's'} in {project / 'decisions.toml'}")


@on_study("lowside view {project}")
def lineup(
    study: Study,
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="FOLDER", help="Where faults.csv, picks.csv and windows.csv go.", show_default=False
        ),
    ],
    kind: Kind = "fault",
    name: Annotated[
        list[str] | None,
        typer.Option("--name", metavar="F1=NAME", help="Call a fault so from now on. Can be repeated."),
    ] = None,
    suspects: SuspectsFile = None,
) -> None:
    r"""Test which picks of several holes are one fault, and where else it should have been seen.

    Writes the faults, every pick with its fault and where the other picks put it, and for each fault and hole the depth
    window in which it is expected. Orientations that an undecided suspect accuses are distrusted. Pins are kept, those
    of decisions and those under [bold]\[lineup][/bold] in project.toml.

    Example: lowside lineup demo_project --kind fault --out lineup --name F1="Main fault"
    """
    study = suspecting(study, suspects)
    suspects_of(study)
    with working("Lining up the picks") as progress:
        answers = study.lineup(kind, progress=progress)
        changes = answers.changes
        answers = study.remembering(answers, _names(name or [])).lineup(kind)
        folder = _folder(out)
        for title, table in answers.tables.items():
            write(study, table, folder / f"{title}.csv")
    for change in changes:
        say(change)
    typer.echo(answers.words)
    say(f"faults.csv, picks.csv and windows.csv written to {out}")


@on_study()
def aim(
    study: Study,
    out: Out,
    kind: Kind = "fault",
    fault: Annotated[
        str | None, typer.Option("--fault", metavar="F1", help="Aim at this fault of the line-up, from --collar.")
    ] = None,
    collar: Annotated[
        str,
        typer.Option("--collar", metavar="E,N,U|HOLE", help="Where the next hole starts: a place, or a hole's collar."),
    ] = "",
    point: Annotated[
        str, typer.Option("--point", metavar="E,N,U", help="Meet the fault where it passes this point.")
    ] = "",
    elevation: Annotated[
        float | None,
        typer.Option("--elevation", metavar="Z", help="Meet the fault at this elevation, as squarely as the rig can."),
    ] = None,
    collars: Annotated[
        Path | None,
        typer.Option("--collars", metavar="FILE", help="Rank these pads: collar, easting, northing, elevation."),
    ] = None,
) -> None:
    r"""Say where planned holes meet each fault, or how to meet one.

    Without --fault: every planned hole of the project against every fault, and which of them takes most off what the
    drilled holes are blind to. With it: azimuth, dip and depth of the hole that meets that fault. With --collars: the
    best hole of each pad, ranked by faults met squarely, sigma won, and length. The rig's limits stand under
    [bold]\[aim][/bold] in project.toml.

    Example: lowside aim demo_project --fault F1 --collar TH-12 --elevation 150 --out aim.csv
    """
    from desurvey.aim import in_words
    from desurvey.exchange import read_table

    if fault is not None and not collar:
        raise DataProblem("--fault needs --collar: where the hole starts", hint="give E,N,U or the name of a hole")
    suspects_of(study)
    with working("Lining up the picks") as progress:
        study.lineup(kind, progress=progress)
    if collars is not None:
        ranked = study.rank_pads(read_table(collars), kind=kind, file=collars.name)
        write(study, ranked, out)
        for row in ranked.to_dict("records"):
            typer.echo(_pad_words(row))
        return
    if fault is None:
        meetings = study.aim(kind=kind)
        write(study, meetings, out)
        typer.echo(in_words(meetings))
        typer.echo(study.foreseen.wander_words)
        _say_blind(study)
        return
    place = _numbers(collar, "--collar") if "," in collar else collar
    shot = study.aim(
        fault, collar=place, point=_numbers(point, "--point") if point else None, elevation=elevation, kind=kind
    )
    write(study, shot, out)
    one = shot.iloc[0]
    typer.echo(
        f"Set out at azimuth {one['azimuth']:.1f}°, dip {one['dip']:.1f}°, to arrive at {one['arrival_azimuth']:.1f}°, "
        f"{one['arrival_dip']:.1f}°: meets {one['fault_id']} at {one['depth']:.1f} m ± {one['sigma']:.1f} m, "
        f"at {one['pierce_angle']:.0f}° to it."
    )
    if one["warning"]:
        typer.echo(f"Beware, {one['warning']}.")
    typer.echo(study.foreseen.wander_words)


def _pad_words(row: dict[Any, Any]) -> str:
    if not row["squarely"]:
        return f"{row['rank']}. {row['collar']}: no hole within the rig's limits meets a fault squarely."
    return (
        f"{row['rank']}. {row['collar']}: azimuth {row['azimuth']:.0f}°, dip {row['dip']:.0f}°, {row['length']:.0f} m: "
        f"{row['met']}; {row['sigma_won']:.1f} m of σ won."
    )


def _names(given: list[str]) -> dict[str, str]:
    """Return the names that faults are to have."""
    pairs = [text.partition("=") for text in given]
    for old, _, new in pairs:
        if not old.strip() or not new.strip():
            raise DataProblem('a fault is named as in --name F1="Main fault"', column="--name", value=f"{old}={new}")
    return {old.strip(): new.strip() for old, _, new in pairs}


def _folder(out: Path) -> Path:
    """Return the folder to write into, made if need be."""
    if out.exists() and not out.is_dir():
        raise DataProblem("the output must be a folder, and this is a file", file=str(out))
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DataProblem("the folder can't be made", file=str(out), value=error.strerror) from error
    return out


def _numbers(text: str, option: str) -> list[float]:
    from math import isfinite

    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) != 3 or not all(isfinite(value) for value in values):
        raise DataProblem(f"{option} must be three numbers E,N,U with commas between them", value=text)
    return values


def _say_blind(study: Study) -> None:
    table = study.blind()
    typer.echo(f"The drilled holes are blind to {table['blind'][0]:.0%} of all plane orientations.")
    for row in table[1:].itertuples():
        typer.echo(f"  with {row.hole_id} drilled: {row.blind:.0%}")
