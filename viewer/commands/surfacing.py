"""Faults and contacts as surfaces, and what faults did: ``surface``, ``slip`` and ``lost``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from desurvey.problems import DataProblem, nearest
from viewer.commands.judging import Kind
from viewer.commands.shared import Out, on_study, say, suspects_of, working, write

if TYPE_CHECKING:
    from desurvey.study import Study
    from desurvey.surface import Edge, Extracted

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (surface, slip, lost):
        app.command()(command)


@on_study("lowside view {project}")
def surface(
    study: Study,
    out: Out,
    fault: Annotated[str, typer.Option("--fault", metavar="F1", help="A fault of the line-up.")] = "",
    contact: Annotated[
        str, typer.Option("--contact", metavar="TABLE.COLUMN", help="Contacts from an interval table, with --between.")
    ] = "",
    between: Annotated[
        list[str] | None,
        typer.Option(
            "--between", metavar="A,B", help="The values on the two sides; several times for conformable contacts."
        ),
    ] = None,
    bedding: Annotated[
        str, typer.Option("--bedding", metavar="KIND", help="Structures of this kind lie along the contacts.")
    ] = "",
    kind: Kind = "fault",
    edge: Annotated[
        Literal["hull", "distance"], typer.Option("--edge", help="Ends at the picks' hull, or at a distance.")
    ] = "hull",
    margin: Annotated[
        float | None, typer.Option("--margin", metavar="M", help="Metres beyond the hull, or from the nearest pick.")
    ] = None,
    older: Annotated[str, typer.Option("--older", metavar="F2", help="Ends at this older fault.")] = "",
    ground: Annotated[
        bool, typer.Option("--ground", help="Ends at the ground: the [checks] topography, or the collars.")
    ] = False,
    sides: Annotated[
        bool,
        typer.Option("--sides", help="Drilled rock without the fault keeps to its side: where logging is complete."),
    ] = False,
    contours: Annotated[
        Path | None, typer.Option("--contours", metavar="FILE", help="Structure contours too, as .dxf or .geojson.")
    ] = None,
    interval: Annotated[float, typer.Option("--interval", metavar="M", help="Metres between contours.")] = 10.0,
) -> None:
    """Build the surface of a fault or a contact through picks and orientations, as a triangulated mesh.

    Written as vtp, obj, stl, ply, dxf, glb or tif (a grid), by the ending. Vertices carry the 1-σ of the surface in
    metres where the format can. With several --between pairs the files are numbered.

    Example: lowside surface demo_project --fault F1 --out F1.vtp --contours F1.dxf
    """
    _check(fault, contact, out, contours)
    where = _edge(edge, margin)
    if fault:
        suspects_of(study)
    with working("Building the surface"):
        if fault:
            made = {fault: study.surface(fault, kind=kind, edge=where, older=older, ground=ground, sides=sides)}
        else:
            made = study.contacts(contact, _pairs(between or []), bedding=bedding, edge=where, ground=ground)
    for place, (name, found) in enumerate(made.items()):
        target = out if len(made) == 1 else out.with_stem(f"{out.stem}-{place + 1}")
        _write(study, name, found, target, contours, interval)


@on_study("lowside view {project}")
def slip(
    study: Study,
    out: Out,
    kind: Kind = "fault",
    covariance: Annotated[
        Path | None,
        typer.Option("--covariance", metavar="FILE", help="Every slip that fits, with its covariance."),
    ] = None,
) -> None:
    r"""Say how far each fault moved its hanging wall and which way, from markers on both sides and slip lines.

    Markers are named in project.toml: [bold]\[slip][/bold] markers = ["vein", "lithology.rock:schist,marble",
    "lithology.rock=dyke"] (a kind of structure, a contact, a thin body). Slip lines are the gammas of the fault's own
    picks, with a column [bold]sense[/bold] if the way is known. What the data leave open is blank, with its direction.

    Example: lowside slip demo_project --out slip.csv
    """
    from desurvey.slip import covariance_table, in_words, slip_table

    suspects_of(study)
    with working("Weighing slips") as progress:
        slips = study.slip(kind, progress=progress)
        write(study, slip_table(slips), out)
        if covariance is not None:
            write(study, covariance_table(slips), covariance)
    for sentence in in_words(slips):
        say(sentence)
    if not study.logged.section("slip").get("markers"):
        say(MARKERLESS)
    say(f"{len(slips)} fault{'' if len(slips) == 1 else 's'} written to {out}")


@on_study("lowside aim {project} --out aim.csv")
def lost(
    study: Study,
    marker: Annotated[
        str,
        typer.Option("--marker", metavar="MARKER", help="What was displaced: a name as [slip] markers has them."),
    ],
    hole: Annotated[
        list[str] | None, typer.Option("--hole", metavar="HOLE", help="Speak of this hole only. Can be repeated.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="FILE", help="Write the windows of all holes as a table.")
    ] = None,
    kind: Kind = "fault",
) -> None:
    """Say where a displaced marker should be in each hole, why it wasn't met, and where its other piece is.

    Depth windows of 95 %, each with the chance that the marker is inside its block there, in drilled and planned holes.

    Example: lowside lost demo_project --marker lithology.rock=dolerite --hole TH-14
    """
    from desurvey.slip import lost_words

    known = study.holes.hole_ids.tolist()
    for one in hole or ():
        if one not in known:
            raise DataProblem("there is no such hole", column="--hole", value=one, hint=nearest(one, known))
    suspects_of(study)
    with working("Looking for the other piece") as progress:
        windows, slips = study.lost(marker, kind=kind, progress=progress)
        if out is not None:
            write(study, windows, out)
    for sentence in lost_words(windows, marker, slips, hole or sorted(set(windows["hole_id"]))):
        typer.echo(sentence)
    if out is not None:
        say(f"{len(windows)} window{'' if len(windows) == 1 else 's'} written to {out}")


MARKERLESS = 'No marker is named, so how far is unknown: add [slip] markers = ["lithology.rock:A,B"] to project.toml.'


def _pairs(between: list[str]) -> list[tuple[str, str]]:
    """Return the values on the two sides of each contact."""
    pairs = [(one.strip(), other.strip()) for one, _, other in (text.partition(",") for text in between)]
    if not pairs or any(not one or not other for one, other in pairs):
        value = ", ".join(between) or None
        raise DataProblem("--contact needs --between A,B: the values on its two sides", value=value)
    return pairs


def _check(fault: str, contact: str, out: Path, contours: Path | None) -> None:
    """Refuse what can't be written before anything is computed or written."""
    from desurvey.exchange.formats import check_ending

    if bool(fault) == bool(contact):
        raise DataProblem("say either --fault F1 or --contact TABLE.COLUMN")
    check_ending(out, "surface")
    if contours is not None:
        check_ending(contours, "lines")


def _write(study: Study, name: str, found: Extracted, target: Path, contours: Path | None, interval: float) -> None:
    from desurvey import surface as surfaces
    from desurvey.exchange.formats import write_contours, write_mesh

    crs, mesh = study.logged.settings.frame.crs, found.mesh
    remarks = write_mesh(mesh, target, name=name, crs=crs)
    say(
        f"{name}: {len(mesh.triangles)} triangles, the smallest of about {found.cell:.1f} m, "
        f"1-σ {mesh.sigma.min():.2f} to {mesh.sigma.max():.2f} m, written to {target}"
    )
    for remark in remarks:
        say(f"{remark}.")
    if contours is not None:
        lines = surfaces.contours(mesh, interval)
        write_contours(lines, contours, name=name, crs=crs)
        say(f"{len(lines)} contours written to {contours}")


def _edge(shape: Literal["hull", "distance"], margin: float | None) -> Edge | None:
    """Return the edge that was asked for, or None for the usual one."""
    from desurvey.surface import Edge

    return None if shape == "hull" and margin is None else Edge(shape, margin)
