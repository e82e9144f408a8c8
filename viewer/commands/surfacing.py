"""Faults and contacts as surfaces: ``surface``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from desurvey.problems import DataProblem, nearest
from viewer.commands.judging import Kind
from viewer.commands.shared import Out, ProjectFolder, finish, say, traced, working

if TYPE_CHECKING:
    from desurvey.project import Project
    from desurvey.spread import HoleSpread
    from desurvey.surface import Edge, Extracted, Options, Picks
    from desurvey.surface.clip import Outside
    from desurvey.traces import Traces

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.command()(surface)


def surface(
    project: ProjectFolder,
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

    Written as vtp, obj, stl, ply, dxf or glb, by the ending. Vertices carry the 1-σ of the surface in metres where the
    format can. With several --between pairs the files are numbered.
    """
    _check(fault, contact, out, contours)
    data, holes = traced(project)
    limits = _ground(data, holes) if ground else ()
    with working("Building the surface"):
        if fault:
            made = {fault: _fault(data, holes, kind, fault, _edge(edge, margin), older, limits, sides)}
        else:
            made = _contacts(data, holes, (contact, between or [], bedding), _edge(edge, margin), limits)
    for place, (name, found) in enumerate(made.items()):
        target = out if len(made) == 1 else out.with_stem(f"{out.stem}-{place + 1}")
        _write(data, name, found, target, contours, interval)
    finish(data.findings)


def _check(fault: str, contact: str, out: Path, contours: Path | None) -> None:
    """Refuse what can't be written before anything is computed or written."""
    from desurvey.exchange import contours as lines
    from desurvey.exchange import meshes

    if bool(fault) == bool(contact):
        raise DataProblem("say either --fault F1 or --contact TABLE.COLUMN")
    meshes.check_ending(out)
    if contours is not None:
        lines.check_ending(contours)


def _write(data: Project, name: str, found: Extracted, target: Path, contours: Path | None, interval: float) -> None:
    from desurvey import surface as surfaces
    from desurvey.exchange.contours import write_contours
    from desurvey.exchange.meshes import write_mesh

    crs, mesh = data.settings.frame.crs, found.mesh
    write_mesh(mesh, target, name=name, crs=crs)
    say(
        f"{name}: {len(mesh.triangles)} triangles, the smallest of about {found.cell:.1f} m, "
        f"1-σ {mesh.sigma.min():.2f} to {mesh.sigma.max():.2f} m, written to {target}"
    )
    if contours is not None:
        lines = surfaces.contours(mesh, interval)
        write_contours(lines, contours, name=name, crs=crs)
        say(f"{len(lines)} contours written to {contours}")


def _options(data: Project) -> Options:
    from desurvey.project import options
    from desurvey.surface import Options

    return options("surface", data.section("surface"), Options)


def _edge(shape: Literal["hull", "distance"], margin: float | None) -> Edge | None:
    """Return the edge that was asked for, or None for the usual one."""
    from desurvey.surface import Edge

    return None if shape == "hull" and margin is None else Edge(shape, margin)


def _ground(data: Project, holes: Traces) -> tuple[Outside, ...]:
    """Return the limit at the ground: the table that ``[checks]`` names, else the collars."""
    from desurvey.checks.ground import ground_points
    from desurvey.checks.limits import limits_of
    from desurvey.surface import over_ground

    file = limits_of(data).topography
    return (over_ground(ground_points(data.folder, file) if file else holes.position[holes.offsets[:-1]]),)


def _fault(
    data: Project,
    holes: Traces,
    kind: str,
    fault: str,
    edge: Edge | None,
    older: str,
    limits: tuple[Outside, ...],
    sides: bool,
) -> Extracted:
    from desurvey.lineup import line_up
    from desurvey.surface import fault_surface

    found = line_up(data, holes, kind)
    return fault_surface(found, fault, _options(data), edge=edge, older=older, limits=limits, with_sides=sides)


def _contacts(
    data: Project, holes: Traces, asked: tuple[str, list[str], str], edge: Edge | None, limits: tuple[Outside, ...]
) -> dict[str, Extracted]:
    """Return the contacts of an interval table that were asked for, by name."""
    from desurvey.spread import project_spread
    from desurvey.surface import changes, contact_picks, extracted, fit

    contact, between, bedding = asked
    table, _, column = contact.partition(".")
    if table not in data.intervals:
        raise DataProblem("there is no such interval table", value=table, hint=nearest(table, data.intervals))
    pairs = [(one.strip(), other.strip()) for one, _, other in (text.partition(",") for text in between)]
    if not pairs or any(not one or not other for one, other in pairs):
        raise DataProblem(
            "--contact needs --between A,B: the values on its two sides", value=", ".join(between) or None
        )
    intervals = data.intervals[table]
    placed = intervals[intervals["hole_id"].isin(holes.hole_ids)]
    spread = project_spread(data, holes)
    picks = contact_picks(changes(placed, column), pairs, holes, spread, _bedding(data, holes, spread, bedding))
    field = fit(picks, _options(data))
    return {
        f"{one} | {other}": extracted(field, place, edge=edge, limits=limits)
        for place, (one, other) in enumerate(pairs)
    }


def _bedding(data: Project, holes: Traces, spread: HoleSpread, kind: str) -> Picks | None:
    from desurvey.orient import oriented
    from desurvey.spread import structure_spread
    from desurvey.surface import bedding_picks

    if not kind:
        return None
    structures = oriented(data, holes)
    return bedding_picks(structures, structure_spread(structures, spread), kind)
