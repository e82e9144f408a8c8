"""What leaves for other programs and other people: ``report``, ``export`` and ``strip``."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from desurvey.problems import DataProblem
from viewer import theme
from viewer.commands.shared import Out, Paper, SuspectsFile, lined_up, on_study, say, suspecting, suspects_of, working

if TYPE_CHECKING:
    from desurvey.study import Study

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (report, export, strip):
        app.command()(command)


@on_study()
def report(
    study: Study,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="F.html", help="Where to write.", show_default=False)],
    suspects: SuspectsFile = None,
    colour: Annotated[
        str | None, typer.Option("--colour", metavar="TABLE[.COLUMN]", help="Intervals to colour the sections by.")
    ] = None,
    logs: Annotated[bool, typer.Option("--logs/--no-logs", help="A log of each drilled hole.")] = True,
    paper: Paper = "A4",
    scene: Annotated[bool, typer.Option("--scene/--no-scene", help="The scene in three dimensions.")] = True,
    pdf: Annotated[
        Path | None, typer.Option("--pdf", metavar="F.pdf", help="Print the report to PDF too, the workbook attached.")
    ] = None,
    workbook: Annotated[
        Path | None, typer.Option("--workbook", metavar="F.xlsx", help="Write the tables behind it as a workbook too.")
    ] = None,
) -> None:
    """Write one self-contained HTML file with everything that a reviewer needs, readable on paper too.

    Looks for suspects and lines up the fault picks on the way. What the tables have nothing for is said to be absent.

    Example: lowside report demo_project --out report.html --pdf report.pdf
    """
    from viewer.report import WantedDrawings, compose, print_pdf, write_report
    from viewer.report.workbook import write_report_workbook

    if out.suffix.lower() not in {".html", ".htm"}:
        hint = "write the page with --out report.html, and print it with --pdf report.pdf"
        raise DataProblem("a report is written as .html", file=str(out), value=out.suffix or "no ending", hint=hint)
    study = suspecting(study, suspects)
    suspects_of(study)
    lined_up(study)
    with working("Drawing"):
        write_report(compose(study, WantedDrawings(bars=colour, logs=logs, scene=scene, paper=paper)), out)
    say(f"Report written to {out}")
    with tempfile.TemporaryDirectory() as folder:
        tables = workbook or Path(folder) / "tables.xlsx"
        if pdf is not None or workbook is not None:
            with working("Writing the workbook"):
                write_report_workbook(study, tables)
        if workbook is not None:
            say(f"Tables written to {workbook}")
        if pdf is not None:
            with working("Printing"):
                print_pdf(out, pdf, tables)
            say(f"Printed to {pdf}")


def _list_formats(asked: bool) -> None:
    """Print the table of formats, and end."""
    if not asked:
        return
    from desurvey.exchange.formats import FORMATS

    for one in FORMATS:
        what = "tables" if one.table else one.keeps or "a surface"
        print(f"{one.ending:9} {one.name}\n{'':9} holds {what.replace(' ', ', ')}; CRS and unit: {one.frame}", end="")
        print(f"; loses {one.loses}" if one.loses else "")
    raise typer.Exit


@on_study()
def export(
    study: Study,
    out: Out,
    table: Annotated[
        str, typer.Option("--table", metavar="NAME", help="Which table, for .csv and .parquet.")
    ] = "structures",
    faults: Annotated[
        bool, typer.Option("--faults/--no-faults", help="Line up the fault picks and write the faults too.")
    ] = True,
    formats: Annotated[
        bool,
        typer.Option("--formats", callback=_list_formats, is_eager=True, help="List the formats and what each keeps."),
    ] = False,
) -> None:
    """Write holes, structures, faults and tables in an open format, by the name's ending, and say what is left out.

    .omf .dxf .glb .obj .vtp .vtm .gpkg .geojson hold shapes in space; .las the structures of each hole by depth; .xlsx
    all tables; .csv, .parquet and .arrow one of them.

    Example: lowside export demo_project --out model.gpkg
    """
    from desurvey.exchange.formats import check_ending
    from desurvey.exchange.formats import export as write

    check_ending(out, "model")
    answers = lined_up(study) if faults else None
    with working("Writing"):
        model = replace(study.model(answers), colours=theme.class_colours(study.kinds))
        remarks = write(model, out, table=table)
    say(f"{study.name} written to {out if out.exists() else out.parent}")
    for remark in remarks:
        say(f"{remark}.")


def strip(
    out: Out,
    size: Annotated[str | None, typer.Option("--size", metavar="B|N|H|P", help="Core size.")] = None,
    diameter: Annotated[
        float | None, typer.Option("--diameter", metavar="MM", help="Core diameter, for other sizes.")
    ] = None,
) -> None:
    """Print strips in true millimetres to wrap around core for reading beta (needs no project).

    Print the PDF at 100 % and measure its ruler before use.

    Example: lowside strip --size N --out strips.pdf
    """
    from viewer.figures.sheet import save
    from viewer.figures.strip import circumference, diameter_of, draw_strip

    core = diameter_of(size, diameter)
    save(draw_strip(core, (size or "").upper()), out)
    say(f"Strips for {core:g} mm core (360° = {circumference(core):.2f} mm) written to {out}")
