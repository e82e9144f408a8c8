"""What an object prints in a notebook: a glance, never a thousand numbers."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import desurvey
from desurvey import lineup, orient, spread, surface, traces
from desurvey.project import load_project
from desurvey.shown import summary

DEMO = Path(__file__).parents[1] / "demo_project"

LINES, CHARACTERS = 10, 1000
"""What a notebook's cell should show of one object at most."""


def public_classes():
    """Return every class that any ``__all__`` of the engine names, but for the study, which shows itself."""
    found = {}
    for module in pkgutil.walk_packages(desurvey.__path__, "desurvey."):
        loaded = importlib.import_module(module.name)
        for name in getattr(loaded, "__all__", ()):
            thing = getattr(loaded, name)
            if inspect.isclass(thing) and thing.__module__ != "desurvey.study":
                found[f"{thing.__module__}.{thing.__qualname__}"] = thing
    return found


def of_demo():
    """Return what a notebook holds after the whole job on the demo."""
    data = load_project(DEMO)
    holes = traces.build(data)
    structures = orient.oriented(data, holes)
    known = spread.project_spread(data, holes)
    sheet = surface.fit(surface.Picks(np.array([[0.0, 0, 0], [50, 0, 1], [0, 50, 2]]), np.tile([0.0, 0, 1], (3, 1))))
    mesh = surface.extracted(sheet, cell=20.0).mesh
    each = [data, holes, structures, known, spread.structure_spread(structures, known), sheet, mesh, known.sigmas]
    found = lineup.line_up(data, holes)
    each += [data.settings, holes.at("TH-01", 50.0), holes.arcs, found, found.faults[0], desurvey.open(DEMO)]
    return {type(thing).__name__: thing for thing in each}


def test_what_the_demo_gives_is_shown_at_a_glance():
    things = of_demo()
    for name, thing in things.items():
        text = repr(thing)
        assert len(text.splitlines()) <= LINES, name
        assert len(text) <= CHARACTERS, name
        assert name in text
    assert "(27,)" in repr(things["Traces"])  # its holes


HUGE = {
    "DataFrame": pd.DataFrame(np.zeros((500, 40))),
    "Series": pd.Series(np.zeros(500)),
    "str_": np.full(2000, "a hole with quite a long name"),
    "bool": np.ones((700, 3), dtype=bool),
}
"""By the end of an annotation: what a field of it may hold in a large project. Anything else gets an array."""


def filled(kind):
    """Return an object of a class with huge arrays in all its fields, whatever its own rules say of them."""
    if issubclass(kind, tuple):
        return kind(*[np.zeros((999, 3))] * len(kind._fields))
    thing = object.__new__(kind)
    for item in dataclasses.fields(kind):
        text = str(item.type)
        huge = next((value for word, value in HUGE.items() if word in text), np.zeros((5000, 3)))
        object.__setattr__(thing, item.name, "word" if text in {"str", "Path"} else huge)
    return thing


MANY = {"Floats", "Ints", "Bools", "NDArray", "DataFrame", "Series", "Array", "Mapping", "list", "dict", "tuple", "set"}
"""Words of annotations that stand for as many things as a person's data have."""


def holding_much():
    """Return the public classes whose objects hold arrays or tables, or objects that do: by name."""
    words = {
        name: set(re.findall(r"\w+", " ".join(map(str, inspect.get_annotations(kind).values()))))
        for name, kind in public_classes().items()
        if (dataclasses.is_dataclass(kind) or hasattr(kind, "_fields")) and not issubclass(kind, Exception)
    }
    much: set[str] = set()
    for _ in range(5):  # objects in objects in objects
        much |= {name for name, said in words.items() if said & (MANY | {one.rpartition(".")[2] for one in much})}
    return sorted(much)


@pytest.mark.parametrize("name", holding_much())
def test_no_object_prints_its_arrays(name):
    text = repr(filled(public_classes()[name]))
    assert len(text.splitlines()) <= LINES, "put @shown above the class"
    assert len(text) <= CHARACTERS


def test_the_summary_says_shapes_ranges_and_what_is_missing():
    """Written out by hand."""

    @dataclasses.dataclass
    class Box:
        depth: np.ndarray
        name: np.ndarray
        fits: np.ndarray
        table: pd.DataFrame
        said: dict

    box = Box(
        np.array([0.0, np.nan, 12.5]),
        np.array(["A", "B"]),
        np.array([True, False]),
        pd.DataFrame({"x": [1]}),
        {"a": 1},
    )
    assert summary(box).splitlines() == [
        "Box",
        "  depth   (3,) 0 to 12.5, 1 missing",
        "  name    (2,) A … B",
        "  fits    (2,) 1 true",
        "  table   1 rows × 1 columns",
        "  said    1 in a dict: a",
    ]
