"""Figures on paper: ``section``, ``map``, ``net`` and ``holelog``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

import typer

from desurvey.problems import DataProblem
from viewer.commands.shared import (
    Holes,
    Out,
    Paper,
    SuspectsFile,
    lined_up,
    on_study,
    say,
    suspecting,
    suspects_of,
    working,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from desurvey.study import Study
    from viewer.figures.slab import Slab

__all__ = ["add_to"]

Portrait = Annotated[bool, typer.Option("--portrait", help="Stand the sheet upright.")]
Scale = Annotated[
    float | None, typer.Option("--scale", metavar="N", help="Scale 1:N; the largest round one that fits by default.")
]
Ticks = Annotated[float | None, typer.Option("--ticks", metavar="M", help="A depth tick every M metres.")]
Colour = Annotated[
    str | None,
    typer.Option("--colour", metavar="TABLE[.COLUMN]", help="Intervals to draw as coloured bars beside the holes."),
]
Faults = Annotated[
    bool, typer.Option("--faults/--no-faults", help="Line up the fault picks; draw faults and expected windows.")
]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (section, net, holelog):
        app.command()(command)
    app.command("map")(plan)
    app.command("plan", hidden=True)(plan)  # its name until 0.2: planners expected it to plan


@on_study()
def section(
    study: Study,
    out: Out,
    hole: Annotated[
        list[str] | None,
        typer.Option("--hole", metavar="HOLE", help="Cut through this hole; several times: as well as one plane can."),
    ] = None,
    line: Annotated[
        str, typer.Option("--line", metavar="E,N,E,N", help="Cut along this line, from its left to its right end.")
    ] = "",
    fences: Annotated[
        bool, typer.Option("--fences", help="Find the fences of holes and draw one section of each, all in one PDF.")
    ] = False,
    thickness: Annotated[
        float, typer.Option("--thickness", metavar="M", help="Show what lies within half of this on either side.")
    ] = 50.0,
    exaggeration: Annotated[float, typer.Option("--exaggeration", metavar="X", help="Vertical exaggeration.")] = 1.0,
    scale: Scale = None,
    ticks: Ticks = None,
    colour: Colour = None,
    faults: Faults = True,
    paper: Paper = "A4",
    portrait: Portrait = False,
) -> None:
    """Draw a vertical section as PDF, SVG or PNG, at a true scale.

    Structures show at their apparent dip, which is the true dip only where the section is square to strike.

    Example: lowside section demo_project --hole TH-01 --hole TH-06 --out section.pdf
    """
    from viewer.figures.collect import content_of
    from viewer.figures.section import draw_section
    from viewer.figures.sheet import save, save_all
    from viewer.figures.slab import named_fences, slab_of

    holes = ",".join(hole or [])
    if fences and (holes or line):
        raise DataProblem("--fences finds its sections by itself", hint="leave out --hole and --line")
    slabs = named_fences(study.holes, thickness) if fences else [("", slab_of(study.holes, holes, line, thickness))]
    answers = lined_up(study) if faults else None
    suspects_of(study)

    def drawn(named: tuple[str, Slab]) -> Figure:
        heading = named[0] or (f"Section through {holes}" if holes else f"Section along {line}")
        return draw_section(
            content_of(study, heading=heading, bars=colour, answers=answers),
            named[1],
            paper=paper,
            orientation="portrait" if portrait else "landscape",
            scale=scale,
            exaggeration=exaggeration,
            every=ticks,
        )

    with working("Drawing"):
        if fences:
            count = save_all(map(drawn, slabs), out)
        else:
            save(drawn(slabs[0]), out)
    say(f"{count} sections written to {out}" if fences else f"Section written to {out}")


@on_study()
def plan(
    study: Study,
    out: Out,
    elevation: Annotated[
        float | None,
        typer.Option("--elevation", metavar="M", help="Level to cut at; without it, all seen from above."),
    ] = None,
    thickness: Annotated[
        float, typer.Option("--thickness", metavar="M", help="Show what lies within half of this above and below.")
    ] = 20.0,
    scale: Scale = None,
    ticks: Ticks = None,
    colour: Colour = None,
    faults: Faults = True,
    paper: Paper = "A4",
    portrait: Portrait = False,
) -> None:
    """Draw a map as PDF, SVG or PNG, at a true scale, with strike and dip of the structures.

    From above, or a slab at an elevation.

    Example: lowside map demo_project --elevation 200 --out map.pdf
    """
    from viewer.figures.collect import content_of
    from viewer.figures.plan import Level, draw_plan
    from viewer.figures.sheet import save

    answers = lined_up(study) if faults else None
    suspects_of(study)
    with working("Drawing"):
        heading = "Plan of collars and holes" if elevation is None else f"Plan at {elevation:g} m"
        content = content_of(study, heading=heading, bars=colour, answers=answers)
        figure = draw_plan(
            content,
            Level(elevation, thickness),
            paper=paper,
            orientation="portrait" if portrait else "landscape",
            scale=scale,
            every=ticks,
        )
        save(figure, out)
    say(f"Map written to {out}")


@on_study()
def net(
    study: Study,
    out: Out,
    kinds: Annotated[
        list[str] | None,
        typer.Option("--kind", metavar="KIND", help="Only structures of this kind. Can be repeated."),
    ] = None,
    hole: Holes = None,
    projection: Annotated[
        Literal["equal-area", "equal-angle"], typer.Option("--projection", help="Schmidt's or Wulff's net.")
    ] = "equal-area",
    contours: Annotated[
        Literal["exponential", "kamb", "none"], typer.Option("--contours", help="How the density of poles is counted.")
    ] = "exponential",
    planes: Annotated[bool, typer.Option("--planes", help="Draw the great circle of every plane.")] = False,
    alpha_only: Annotated[bool, typer.Option("--alpha-only", help="Draw the cones of readings without beta.")] = False,
    weighted: Annotated[bool, typer.Option("--weighted", help="Weight against the bias of the holes.")] = False,
    sets: Annotated[bool, typer.Option("--sets/--no-sets", help="Find sets and draw their means.")] = True,
    paper: Paper = "A4",
    portrait: Portrait = False,
) -> None:
    """Draw a lower-hemisphere net: poles, densities, sets, and the zone that the holes are blind to.

    Example: lowside net demo_project --kind joint --out net.svg
    """
    import numpy as np

    from viewer.figures.collect import content_of
    from viewer.figures.net import NetLook, chosen_rows, draw_net, net_of
    from viewer.figures.sheet import save

    structures = study.structures
    kind, holes = ",".join(kinds or []), ",".join(hole or [])
    rows = chosen_rows(structures, kind, holes)
    suspects_of(study)
    with working("Drawing"):
        heading = f"Net of {kind or 'all structures'}" + (f" in {holes}" if holes else "")
        content = content_of(study, heading=heading)
        look = NetLook(
            projection="equal_area" if projection == "equal-area" else "equal_angle",
            contours=contours,
            great_circles=planes,
            cones=alpha_only,
            weighted=weighted,
            sets=sets,
        )
        seeing = ~content.planned
        if holes:  # what these holes are blind to, not what all of them are
            seeing &= np.isin(study.holes.hole_ids, [name.strip() for name in holes.split(",")])
        drawn = net_of(study, seeing, rows, content.title)
        save(draw_net(drawn, look, paper=paper, orientation="portrait" if portrait else "landscape"), out)
    say(f"Net of {int((rows & structures.usable).sum())} poles written to {out}")


@on_study()
def holelog(
    study: Study,
    out: Out,
    hole: Annotated[str, typer.Option("--hole", metavar="HOLE", help="The hole.", show_default=False)],
    colour: Annotated[
        list[str] | None,
        typer.Option("--colour", metavar="TABLE[.COLUMN]", help="Intervals to show; all tables by default."),
    ] = None,
    suspects: SuspectsFile = None,
    top: Annotated[float, typer.Option("--from", metavar="M", help="First depth shown.")] = 0.0,
    bottom: Annotated[float | None, typer.Option("--to", metavar="M", help="Last depth shown.")] = None,
    paper: Paper = "A4",
) -> None:
    """Draw the log of one hole: intervals, runs, tadpoles, structures per metre, dogleg and suspects against depth.

    Example: lowside holelog demo_project --hole TH-09 --out TH-09.pdf
    """
    from viewer.figures.collect import log_of
    from viewer.figures.holelog import draw_log
    from viewer.figures.sheet import save

    study = suspecting(study, suspects)
    suspects_of(study)
    with working("Drawing"):
        log = log_of(study, hole, bars=colour)
        save(draw_log(log, paper=paper, top=top, bottom=bottom), out)
    say(f"Log of {hole} written to {out}")
