"""All that the engine says of a project, computed once and looked at many times."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import directions, orient, sphere
from desurvey.orient import Oriented
from desurvey.project import Project
from desurvey.study import Study
from desurvey.traces import Traces
from viewer import theme
from viewer.app.view import View
from viewer.figures.collect import ground_of
from viewer.figures.layers import Surface
from viewer.lacking import lacking
from viewer.scene import Scene, Wanted, build_wanted

__all__ = [
    "BY_SET",
    "Desk",
    "Sight",
    "Way",
    "filters_said",
    "desk_of",
    "net_points",
    "poles_on_net",
    "shown_rows",
    "shown_scene",
    "sight_along",
]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Way = Literal["edge_on", "hole", "section"]


@dataclass(frozen=True, eq=False)
class Desk:
    """A study as it is looked at.

    Attributes
    ----------
    study : Study
        As far as it can be shown: without structures where they can't be oriented as a whole.
    lacks : tuple of str
        What the project lacks for a whole picture (:mod:`viewer.lacking`).
    sets : (n,) str array or None
        Name of the set of each structure, as :mod:`viewer.app.sets` gives it; None before sets were looked for.
    """

    study: Study
    lacks: tuple[str, ...] = ()
    sets: npt.NDArray[np.str_] | None = None

    @property
    def project(self) -> Project:
        """The tables as they stand in this study."""
        return self.study.project

    @property
    def traces(self) -> Traces:
        """The holes in space."""
        return self.study.holes

    @property
    def oriented(self) -> Oriented:
        """The structures in their true orientation."""
        return self.study.structures

    @cached_property
    def ground(self) -> Surface | None:
        """The ground, where the project has a table of it."""
        return ground_of(self.study)

    @property
    def picks(self) -> bool:
        """Whether there is a structure on a hole: something that may line up."""
        return bool(np.any(self.oriented.hole >= 0))

    @property
    def kinds(self) -> list[str]:
        """Kinds of structure, in alphabetical order."""
        return sorted(str(kind) for kind in self.project.structures["kind"].unique())

    @property
    def grades(self) -> list[str]:
        """Grades of the runs, in order."""
        return sorted(set(_grades(self.project).tolist()) - {""})

    @property
    def deepest(self) -> float:
        """Depth of the longest hole, metres."""
        return float(self.traces.end.max(initial=1.0))


def desk_of(study: Study) -> Desk:
    """Return a study as it is looked at, holes and structures worked out."""
    shown = study.showable()
    _ = shown.structures, shown.findings  # now, and not when first drawn: what is wrong is said on loading
    return Desk(shown, tuple(lacking(study)))


def shown_rows(desk: Desk, view: View, suspected: Bools) -> Bools:
    """Return which rows of the structures pass the filters of a view, shape (n,).

    Parameters
    ----------
    desk, view
        The project and the view.
    suspected : (n,) bool array
        Rows that a suspect concerns.
    """
    table = desk.project.structures
    rows = np.arange(len(table))
    depth = table["depth"].to_numpy(dtype=float)
    shown = ~np.isin(table["kind"].to_numpy(dtype=str), list(view.kinds_off))
    shown &= ~np.isin(table["hole_id"].to_numpy(dtype=str), list(view.holes_off))
    shown &= (depth >= view.depth[0]) & (depth <= view.depth[1])
    if view.grades_off:
        shown &= ~np.isin(_grades(desk.project), list(view.grades_off))
    if view.sets_off and desk.sets is not None:
        shown &= ~np.isin(desk.sets, list(view.sets_off))
    if view.suspicion != "all":
        shown &= suspected if view.suspicion == "suspect" else ~suspected
    if view.alone:
        shown &= np.isin(rows, list(view.alone))
    return shown & ~np.isin(rows, list(view.hidden))


def filters_said(desk: Desk, view: View, shown: Bools) -> str:
    """Return how a view leaves structures and holes out, in a sentence for a picture; empty when it doesn't.

    Parameters
    ----------
    desk, view
        The project and the view.
    shown : (n,) bool array
        What :func:`shown_rows` says.
    """
    holes, depth = desk.traces.hole_ids.tolist(), view.depth
    parts = [
        _only("kinds", desk.kinds, view.kinds_off),
        _only("holes", holes, view.holes_off),
        _only("run grades", desk.grades, view.grades_off),
        _only("sets", _set_names(desk), view.sets_off),
        "" if depth == (0.0, float("inf")) else f"depth {depth[0]:g} to {min(depth[1], desk.deepest):g} m",
        {"all": "", "suspect": "suspects only", "clear": "without suspects"}[view.suspicion],
        f"{len(view.alone)} picked out by hand" if view.alone else "",
        f"{len(view.hidden)} hidden by hand" if view.hidden else "",
    ]
    named = "; ".join(part for part in parts if part)
    counted = f"{int(shown.sum())} of {len(shown)} structures"
    return f"Filter on: {named} ({counted})." if named else ""


def _set_names(desk: Desk) -> list[str]:
    names = set() if desk.sets is None else set(desk.sets.tolist()) - {theme.NOT_SORTED}
    return sorted(names, key=lambda name: (name in theme.GREY, name))


def _only(what: str, names: list[str], off: frozenset[str]) -> str:
    """Return which names are left, or which are left out where that is shorter; empty when none is."""
    kept, gone = [name for name in names if name not in off], [name for name in names if name in off]
    if not gone:
        return ""
    few, word = (gone, "without") if len(gone) < len(kept) else (kept, "only")
    listed = [name or "unnamed" for name in few[:NAMED]]
    more = [f"{len(few) - NAMED} more"] if len(few) > NAMED else []
    return f"{what}: {word} {', '.join(listed + more)}" if few else f"no {what}"


NAMED = 6
"""Names that a sentence about filters lists."""


def shown_scene(desk: Desk, view: View, suspected: Bools) -> Scene:
    """Return the scene of a view of a desk."""
    project, discs_by = desk.project, view.discs_by
    if desk.sets is not None:
        project = replace(project, structures=project.structures.assign(**{SET: desk.sets}))
    elif discs_by == BY_SET:
        discs_by = "kind"
    wanted = Wanted(
        holes_by=view.holes_by,
        discs_by=discs_by,
        rows=shown_rows(desk, view, suspected),
        holes=~np.isin(desk.traces.hole_ids, list(view.holes_off)),
        disc_size=view.disc_size,
        by_width=view.by_width,
        depths=view.depths,
    )
    return build_wanted(project, desk.traces, desk.oriented, wanted)


SET = "found_set"
"""Column by which discs are coloured by their set."""

BY_SET = f"structures.{SET}"


def net_points(scene: Scene) -> Floats:
    """Return where the poles of the discs lie on the equal-area net of the lower hemisphere, shape (n, 2)."""
    return poles_on_net(scene.discs.normal)


def poles_on_net(normal: Floats) -> Floats:
    """Return where planes with upward normals (n, 3) have their poles on the net, shape (n, 2)."""
    return sphere.project_equal_area(-normal)


@dataclass(frozen=True, slots=True)
class Sight:
    """A direction to look along, and at what: azimuth and dip in degrees, a local point."""

    azimuth: float
    dip: float
    target: tuple[float, float, float]


def sight_along(desk: Desk, scene: Scene, selected: Bools, way: Way) -> Sight | None:
    """Return how to look at the selected discs; None where the selection doesn't say.

    Parameters
    ----------
    desk : Desk
        For the directions of the holes.
    scene : Scene
        The discs.
    selected : (n,) bool array
        Which of the scene's discs.
    way : {"edge_on", "hole", "section"}
        *edge_on*: level along the strike of their mean plane, where picks of one plane fall on a line; *hole*: down
        the hole of the first one; *section*: level and square to that hole.
    """
    if not selected.any():
        return None
    middle = scene.discs.centre[selected].mean(axis=0)
    first = scene.discs.index[selected][0]
    tangent = desk.oriented.tangent[first]
    if way == "edge_on":
        return Sight(_strike_nearest_north(scene.discs.normal[selected]), 0.0, _triple(middle))
    azimuth = float(directions.azimuth(tangent))
    if way == "hole":
        dip = float(np.rad2deg(np.arcsin(np.clip(tangent[2], -1.0, 1.0))))
        return Sight(azimuth, dip, _triple(scene.discs.centre[selected][0]))
    return Sight((azimuth + 180.0) % 180.0 - 90.0, 0.0, _triple(middle))


def _strike_nearest_north(normal: Floats) -> float:
    """Return the strike of the mean plane as the azimuth in −90 to 90 of which north is nearest."""
    mean = sphere.axial_mean(normal).axis
    _, direction = orient.dip_of_plane(mean[None])
    strike = float(direction[0]) + 90.0 if np.isfinite(direction[0]) else 0.0
    return (strike + 90.0) % 180.0 - 90.0


def _triple(point: Floats) -> tuple[float, float, float]:
    return float(point[0]), float(point[1]), float(point[2])


def _grades(project: Project) -> npt.NDArray[np.str_]:
    """Return the grade of the run of each structure, empty where there is none."""
    if not len(project.runs):
        return np.full(len(project.structures), "", dtype=np.str_)
    code, known = pd.factorize(project.runs["grade"])  # a hundred thousand runs have few grades
    texts = np.array([*(_grade_text(value) for value in known), ""], dtype=np.str_)  # the last for none
    return np.where(project.structure_run >= 0, texts[code[project.structure_run]], "")


def _grade_text(value: object) -> str:
    if value is None or value != value:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def look_of(view: View) -> theme.Look:
    """Return the colours of a view's background."""
    return theme.DARK if view.look == "dark" else theme.LIGHT
