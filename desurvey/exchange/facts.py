"""What a reader of an output must know to trust or repeat it: conventions, inputs, versions, errors, cautions."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from importlib import metadata
from typing import Any

import pandas as pd

from desurvey import __version__
from desurvey.outputs import date_of_issue, resting_on
from desurvey.project import Project
from desurvey.spread.sigmas import Sigmas

__all__ = ["CAUTION", "about", "assumed", "convention", "inputs", "versions"]

CAUTION = (
    "Orientations and predicted depths are estimates with the stated uncertainty. Decisions on ground support, slopes, "
    "drilling hazards and public reporting belong to licensed or competent persons under local codes. Follow the rig's "
    "and the site's procedures around rods, tubes and core."
)
"""The cautions that stand in the README, in reports, in workbooks and in the viewer (DESIGN.md section 8)."""

LIBRARIES = ("lowside", "numpy", "scipy", "pandas", "pyarrow", "pyproj", "pygeomag", "matplotlib", "vtk")


def about(project: Project, basis: str, decisions: Iterable[str]) -> pd.DataFrame:
    """Return what stands on the first sheet of a workbook: two columns, what and value."""
    rows = [
        ("project", project.name),
        ("crs", project.settings.frame.crs or "not stated"),
        ("basis", basis),
        ("units", "metres and degrees; azimuths from grid north, dip of a hole negative down"),
        ("orientation line", convention(project)),
        ("written by", f"lowside {__version__}"),
        ("date of issue", date_of_issue()),
        ("caution", CAUTION),
        *(("decision", one) for one in decisions),
        *((f"SHA-256 of {file}", value) for file, value in inputs(project).itertuples(index=False)),
    ]
    return pd.DataFrame(rows, columns=["what", "value"])


def convention(project: Project) -> str:
    """Return the conventions under which a project was read, in a sentence for the reader of a figure."""
    frame, line = project.settings.frame, project.settings.core.line
    side = {"low": "the low side", "high": "the high side", "north": "grid north", None: "what each row says"}[line]
    return (
        f"Directions from grid north (surveys given from {frame.north} north unless a row says otherwise). "
        f"Orientation line marks {side}; beta clockwise from it, looking down the hole, to the down-hole end"
    )


def inputs(project: Project) -> pd.DataFrame:
    """Return the files that a project is made of, with their SHA-256."""
    named = (resting_on(project.folder, file) for file in project.settings.all_files)
    files = dict.fromkeys(["project.toml", *named])
    here = [file for file in files if (project.folder / file).is_file()]
    sums = [hashlib.sha256((project.folder / file).read_bytes()).hexdigest() for file in here]
    return pd.DataFrame({"file": here, "SHA-256": sums})


def versions() -> pd.DataFrame:
    """Return the versions of Python and of the libraries that results rest on."""
    rows = [("Python", platform.python_version()), *((name, _version(name)) for name in LIBRARIES)]
    return pd.DataFrame(rows, columns=["library", "version"])


def _version(library: str) -> str:
    try:
        return metadata.version(library)
    except metadata.PackageNotFoundError:
        return "not installed"


def assumed(sigmas: Sigmas) -> pd.DataFrame:
    """Return every assumed error with its value, its unit in its name, and where the default comes from."""
    return pd.DataFrame(_assumed(sigmas), columns=["error", "value", "source"])


def _assumed(values: Any, prefix: str = "") -> list[tuple[str, str, str]]:
    rows: list[tuple[str, str, str]] = []
    for item in fields(values):
        value = getattr(values, item.name)
        if is_dataclass(value):
            rows += _assumed(value, f"{item.name} ")
        else:
            default = "" if value == item.default else " (set in project.toml)"
            rows.append((f"{prefix}{item.name}", f"{value:g}{default}", str(item.metadata.get("source", ""))))
    return rows
