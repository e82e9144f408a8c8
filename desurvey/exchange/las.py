"""LAS 2.0: the structures of each hole by depth, one file a hole.

LAS holds numbers only, so the kind of a structure is a number whose meaning stands in the section of parameters. Depths
are those of the structures (STEP 0: not regular); two at one depth are two rows.

Reference
---------
Canadian Well Logging Society (2014), LAS Version 2.0.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.exchange.formats import Written
from desurvey.exchange.model import Model
from desurvey.outputs import replacing
from desurvey.problems import DataProblem

__all__ = ["write_las"]

NULL = -999.25
CURVES = (
    ("DEPT", "M", "depth", "Depth along the hole"),
    ("KIND", "", "", "Kind of structure, by number"),
    ("ALPHA", "DEG", "alpha", "Angle to the core axis"),
    ("BETA", "DEG", "beta", "Clockwise from the line, looking down the hole"),
    ("DIP", "DEG", "dip", "True dip"),
    ("DDIR", "DEG", "dip_direction", "Dip direction from grid north"),
    ("SIGMA", "DEG", "pole_sigma", "1-sigma of the pole"),
)
"""Mnemonic, unit, column of the oriented structures, and what it is."""


def write_las(model: Model, path: Path) -> Written:
    """Write a file for each hole that has structures, named after the file and the hole."""
    rows, _ = model.placed
    if not len(rows):
        raise DataProblem("no structure lies on a hole that can be placed: there is nothing to write as .las")
    kinds = sorted(rows["kind"].fillna("").astype(str).unique())
    number = rows["kind"].fillna("").astype(str).map({kind: place + 1 for place, kind in enumerate(kinds)})
    collars = model.holes.table.set_index("hole_id")
    files: list[Path] = []
    for hole, own in rows.assign(_kind=number).sort_values("depth", kind="stable").groupby("hole_id", sort=False):
        target = _name(path, str(hole), files)
        text = "\n".join([*_head(model, str(hole), own, collars), *_kinds(kinds), *_data(own)]) + "\n"
        with replacing(target) as partial:
            partial.write_text(text, encoding="utf-8")
        files.append(target)
    said = (
        f"{len(files)} files, one a hole: {', '.join(file.name for file in files[:3])}{' …' if len(files) > 3 else ''}"
    )
    return Written(said=(said,))


def _name(path: Path, hole: str, taken: list[Path]) -> Path:
    """Return the name of a hole's file: what file systems refuse is replaced, and no two are the same."""
    plain = re.sub(r"[^\w.+-]+", "_", hole)
    name = path.with_name(f"{path.stem}-{plain}{path.suffix}")
    again = [place.name.casefold() for place in taken]
    return (
        name if name.name.casefold() not in again else path.with_name(f"{path.stem}-{plain}-{len(taken)}{path.suffix}")
    )


def _head(model: Model, hole: str, own: pd.DataFrame, collars: pd.DataFrame) -> list[str]:
    collar = model.holes.position[model.holes.offsets[collars.index.get_loc(hole)]]
    depth = own["depth"].to_numpy(dtype=float)
    lines = [
        "~Version",
        " VERS. 2.0 : CWLS log ASCII standard, version 2.0",
        " WRAP. NO : One line per depth step",
        "~Well",
        f" STRT.M {depth.min():.3f} : First depth",
        f" STOP.M {depth.max():.3f} : Last depth",
        " STEP.M 0.0 : Not regular",
        f" NULL. {NULL} : No value",
        " COMP. : Company",
        f" WELL. {hole} : Hole",
        f" FLD . {model.name} : Project",
        " LOC . : Location",
        " SRVC. lowside : Written by",
        " DATE. : Date",
        " UWI . : Unique identifier",
        "~Parameter",
        f" EAST.M {collar[0]:.3f} : Easting of the collar",
        f" NORT.M {collar[1]:.3f} : Northing of the collar",
        f" ELEV.M {collar[2]:.3f} : Elevation of the collar",
        f" CRS . {model.crs.replace(':', ' ') or 'not stated'} : Coordinate reference system",
    ]
    return [line.replace("\n", " ") for line in lines]


def _kinds(kinds: list[str]) -> list[str]:
    """Return the kinds by number, and the curves."""
    named = [f" K{place} . {place} : Kind {kind or 'not said'}" for place, kind in enumerate(kinds, start=1)]
    return [*named, "~Curve", *(f" {name}.{unit} : {about}" for name, unit, _, about in CURVES)]


def _data(own: pd.DataFrame) -> list[str]:
    columns: list[npt.NDArray[np.float64]] = [
        own[column].to_numpy(dtype=float) if column else own["_kind"].to_numpy(dtype=float)
        for _, _, column, _ in CURVES
    ]
    table = np.column_stack(columns)
    text = np.where(np.isfinite(table), np.char.mod("%.3f", np.nan_to_num(table)), f"{NULL}")
    return ["~ASCII", *(" ".join(f"{value:>11}" for value in row) for row in text.tolist())]
