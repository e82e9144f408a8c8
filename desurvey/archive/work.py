"""What can be done with each partition of an archive, and the files that come of it."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from desurvey.exchange import write_table
from desurvey.exchange.vtkxml import discs_piece, holes_piece, write_piece
from desurvey.outputs import replacing
from desurvey.shown import shown
from desurvey.study import Study

__all__ = ["WORKS", "Work", "index_scene"]


@shown
@dataclass(frozen=True, slots=True)
class Work:
    """One thing to do with each partition.

    Attributes
    ----------
    name : str
        Of the folder that its files go into.
    endings : tuple of str
        Of the files of a partition, behind the partition's name.
    do : callable
        Takes a study and writes one file for each ending, the last one last: where that is, all are.
    """

    name: str
    endings: tuple[str, ...]
    do: Callable[[Study, tuple[Path, ...]], None]


def _trace(study: Study, paths: tuple[Path, ...]) -> None:
    write_table(study.traces_table(), paths[0])


def _orient(study: Study, paths: tuple[Path, ...]) -> None:
    write_table(study.oriented_table(), paths[0])


FINDINGS = ["severity", "rule", "table", "row", "hole_id", "depth", "message", "suggestion"]


def _check(study: Study, paths: tuple[Path, ...]) -> None:
    found = study.findings
    frame = pd.DataFrame({name: [getattr(finding, name) for finding in found] for name in FINDINGS})
    write_table(frame.astype({"row": "Int64", "depth": float}), paths[0])


def _scene(study: Study, paths: tuple[Path, ...]) -> None:
    model = study.model()
    write_piece(holes_piece(model.holes), paths[0], model.crs)
    write_piece(discs_piece(model.discs), paths[1], model.crs)


WORKS: dict[str, Work] = {
    "trace": Work("traces", (".parquet",), _trace),
    "orient": Work("structures", (".parquet",), _orient),
    "check": Work("findings", (".parquet",), _check),
    "scene": Work("scene", ("-holes.vtp", "-structures.vtp"), _scene),
}
"""What can be done, by the name of the command that does it."""


def index_scene(folder: Path) -> Path:
    """Write ``scene.vtm`` beside the folder of the scene: a block for each partition that is there.

    A multi-block file only points at its pieces, so that a parallel renderer reads those it draws.
    """
    root = ET.Element("VTKFile", type="vtkMultiBlockDataSet", version="1.0")
    blocks = ET.SubElement(root, "vtkMultiBlockDataSet")
    done = sorted((folder / "scene").glob("[!.]*-structures.vtp"))
    for number, last in enumerate(done):
        partition = last.name.removesuffix("-structures.vtp")
        block = ET.SubElement(blocks, "Block", index=str(number), name=partition)
        for index, layer in enumerate(("holes", "structures")):
            file = f"scene/{partition}-{layer}.vtp"
            ET.SubElement(block, "DataSet", index=str(index), name=layer, file=file)
    path = folder / "scene.vtm"
    with replacing(path) as partial:
        ET.ElementTree(root).write(partial, encoding="utf-8", xml_declaration=True)
    return path
