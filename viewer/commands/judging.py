"""What the readings say together, and what that means for the next hole: ``suspects``, ``lineup`` and ``aim``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from desurvey.problems import DataProblem
from viewer.commands.shared import Out, ProjectFolder, finish, say, traced, working

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from desurvey.aim import Shot
    from desurvey.lineup import LineUp
    from desurvey.project import Project
    from desurvey.traces import Traces

__all__ = ["Kind", "add_to"]

Kind = Annotated[str, typer.Option("--kind", metavar="KIND", help="Which structures: a kind of the structures table.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (suspects, lineup, aim):
        app.command()(command)


def suspects(project: ProjectFolder, out: Out) -> None:
    """Weigh named blunders of readings, runs and holes against "as logged", and say what went wrong.

    Nothing is corrected. Delete the rows that you don't agree with, and hand the file to
    [bold]lowside orient PROJECT --accept suspects.csv[/bold].
    """
    from desurvey.exchange import write_table
    from desurvey.orient import oriented
    from desurvey.suspects import suspects as weigh

    data, holes = traced(project)
    with working("Weighing the readings against their neighbours") as progress:
        found = weigh(data, holes, oriented(data, holes), progress=progress)
        write_table(found, out)
    for sentence in found["message"]:
        say(f"  {sentence}")
    say(f"{len(found)} suspect{'' if len(found) == 1 else 's'} written to {out}")
    finish(data.findings)


def lineup(
    project: ProjectFolder,
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="FOLDER", help="Where faults.csv, picks.csv and windows.csv go.", show_default=False
        ),
    ],
    kind: Kind = "fault",
    suspects: Annotated[
        Path | None,
        typer.Option(
            "--suspects", metavar="FILE", help="Distrust the orientations that lowside suspects accused there."
        ),
    ] = None,
) -> None:
    r"""Test which picks of several holes are one fault, and where else it should have been seen.

    Writes the faults, every pick with its fault and where the other picks put it, and for each fault and hole the depth
    window in which it is expected. Pins under [bold]\[lineup][/bold] in project.toml are kept.
    """
    from desurvey.exchange import write_table
    from desurvey.lineup import faults_table, line_up_with_windows, picks_table, summary

    data, holes = traced(project)
    with working("Lining up the picks") as progress:
        distrust = _distrusted(data, suspects) if suspects is not None else None
        answer, windows = line_up_with_windows(data, holes, kind, distrust=distrust, progress=progress)
        picks = picks_table(answer)
        folder = _folder(out)
        for name, table in (("faults", faults_table(answer)), ("picks", picks), ("windows", windows)):
            write_table(table, folder / f"{name}.csv")
    typer.echo(summary(answer, picks, windows))
    say(f"faults.csv, picks.csv and windows.csv written to {out}")
    finish(data.findings)


def aim(
    project: ProjectFolder,
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
) -> None:
    r"""Say where planned holes meet each fault, or how to meet one.

    Without --fault: every planned hole of the project against every fault, and which of them takes most off what the
    drilled holes are blind to. With it: azimuth, dip and depth of the hole that meets that fault. The rig's limits
    stand under [bold]\[aim][/bold] in project.toml.
    """
    from desurvey import aim as aiming
    from desurvey.exchange import write_table
    from desurvey.lineup import line_up

    data, holes = traced(project)
    with working("Lining up the picks") as progress:
        answer = line_up(data, holes, kind, progress=progress)
    if fault is None:
        meetings = aiming.planned_meetings(answer)
        write_table(meetings, out)
        typer.echo(aiming.in_words(meetings))
        _say_blind(answer)
    else:
        shot = _shot(data, answer, fault, _place(collar, holes), point, elevation)
        write_table(aiming.shots_table([shot]), out)
        typer.echo(
            f"Azimuth {shot.azimuth:.1f}°, dip {shot.dip:.1f}°: meets {shot.fault_id} at {shot.depth:.1f} m "
            f"± {shot.sigma:.1f} m, at {shot.pierce_angle:.0f}° to it."
        )
    finish(data.findings)


def _distrusted(data: Project, accused: Path) -> dict[str, float]:
    """Return how likely the orientations that are accused in a file are wrong, by structure."""
    from desurvey.exchange import read_table
    from desurvey.suspects import distrusted

    return distrusted(data, read_table(accused), accused.name)


def _folder(out: Path) -> Path:
    """Return the folder to write into, made if need be."""
    if out.exists() and not out.is_dir():
        raise DataProblem("the output must be a folder, and this is a file", file=str(out))
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DataProblem("the folder can't be made", file=str(out), value=error.strerror) from error
    return out


def _shot(
    data: Project, answer: LineUp, fault: str, collar: npt.NDArray[np.float64], point: str, elevation: float | None
) -> Shot:
    from desurvey import aim as aiming
    from desurvey.project import options

    limits = options("aim", data.section("aim"), aiming.RigLimits)
    if point and elevation is None:
        return aiming.aim_at_point(answer, fault, collar, _numbers(point, "--point"), limits)
    if elevation is not None and not point:
        return aiming.aim_at_elevation(answer, fault, collar, elevation, limits)
    raise DataProblem("--fault needs either --point E,N,U or --elevation Z")


def _place(text: str, holes: Traces) -> npt.NDArray[np.float64]:
    """Return a place given as E,N,U or as the name of a hole, whose collar is meant."""
    if not text:
        raise DataProblem("--fault needs --collar: where the hole starts", hint="give E,N,U or the name of a hole")
    hole = holes.index([text])[0]
    return _numbers(text, "--collar") if hole < 0 else holes.position[holes.offsets[hole]]


def _numbers(text: str, option: str) -> npt.NDArray[np.float64]:
    import numpy as np

    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) != 3 or not np.isfinite(values).all():
        raise DataProblem(f"{option} must be three numbers E,N,U with commas between them", value=text)
    return np.array(values)


def _say_blind(answer: LineUp) -> None:
    from desurvey.aim import blind_table

    table = blind_table(answer.traces, answer.drilled)
    typer.echo(f"The drilled holes are blind to {table['blind'][0]:.0%} of all plane orientations.")
    for row in table[1:].itertuples():
        typer.echo(f"  with {row.hole_id} drilled: {row.blind:.0%}")
