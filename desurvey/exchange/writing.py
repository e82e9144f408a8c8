"""Tables out, and such tables in again: the writers of the formats of tables, and the reader of what they wrote.

References
----------
GeoParquet 1.1 (OGC community standard): the key ``geo`` of a file's metadata. OWASP, "CSV Injection": cells that
begin with =, +, −, @, a tab or a carriage return are worked out as formulas by spreadsheets that open the file.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute
import pyarrow.csv
import pyarrow.feather
import pyarrow.parquet

from desurvey.outputs import replacing
from desurvey.problems import DataProblem

__all__ = [
    "DECIMALS", "TableFacts", "read_table", "unit_of", "well_known", "write_arrow", "write_csv", "write_parquet",
]  # fmt: skip

DECIMALS = 6
"""Decimals of the numbers in text tables: half a micrometre, and half a millionth of a degree."""

FORMULA = r"^([=@\t\r]|[+\-][^0-9.])"
"""Beginnings of texts that a spreadsheet works out; −5 or +3.2 as text are numbers, and stay what they are."""

METRES = {
    "easting", "northing", "elevation", "depth", "depth_from", "depth_to", "recovered", "sigma", "sigma_e", "sigma_n",
    "sigma_u", "rms_m", "misfit_m", "expected_depth", "left_out_depth", "left_out_sigma", "slip_e", "slip_n", "slip_u",
    "net_slip", "throw", "heave", "met_depth", "spacing",
}  # fmt: skip
DEGREES = {
    "azimuth", "dip", "dip_direction", "alpha", "beta", "gamma", "trend", "plunge", "pole_sigma", "line_offset",
    "dip_sigma", "rms_deg", "misfit_deg", "pierce_angle", "roll_deg", "roll_sigma", "rake", "cone_95",
}  # fmt: skip
UNITS = dict.fromkeys(METRES, "m") | dict.fromkeys(DEGREES, "deg") | {"dogleg_30m": "deg/30 m", "width": "as logged"}


@dataclass(frozen=True, slots=True)
class TableFacts:
    """What a file can say of its table besides the rows.

    Attributes
    ----------
    project, crs, basis : str
        Of the study.
    shape : str
        ``Point Z`` or ``LineString Z`` where rows have shapes.
    shapes : sequence of bytes or None
        ISO well-known binary of each row; None where a row has no place.
    """

    project: str = ""
    crs: str = ""
    basis: str = ""
    shape: str = ""
    shapes: Sequence[bytes | None] | None = None


def write_csv(frame: pd.DataFrame, path: Path, facts: TableFacts) -> None:
    """Write a table as CSV in UTF-8."""
    table = _arrow(frame, DECIMALS)
    safe = [_without_formulas(column) for column in table.columns]
    with replacing(path) as partial:
        options = pa.csv.WriteOptions(quoting_style="needed")
        pa.csv.write_csv(pa.table(safe, names=table.column_names), partial, options)


def write_parquet(frame: pd.DataFrame, path: Path, facts: TableFacts) -> None:
    """Write a table as Parquet; with shapes, as GeoParquet with its geometry first."""
    table = _with_facts(_arrow(frame), facts)
    if facts.shapes is not None:
        table = _geo(table, facts)
    with replacing(path) as partial:
        pa.parquet.write_table(table, partial)


def write_arrow(frame: pd.DataFrame, path: Path, facts: TableFacts) -> None:
    """Write a table as an Arrow IPC file."""
    with replacing(path) as partial:
        pa.feather.write_feather(_with_facts(_arrow(frame), facts), str(partial), compression="uncompressed")


def read_table(path: Path) -> pd.DataFrame:
    """Return a table that :func:`desurvey.exchange.write_table` wrote, whether or not a person has edited it since.

    Raises
    ------
    DataProblem
        When the file is missing or isn't such a table.
    """
    if not path.is_file():
        raise DataProblem("there is no such file", file=str(path))
    try:
        if path.suffix.lower() == ".parquet":
            return pd.read_parquet(path)
        if path.suffix.lower() == ".arrow":
            return pd.read_feather(path)
        names = {"hole_id": str, "structure_id": str, "fault_id": str}
        frame = pd.read_csv(path, dtype=names, encoding="utf-8-sig")
    except (ValueError, OSError) as error:
        raise DataProblem("the file can't be read as a table", file=str(path), value=error) from error
    for name in [name for name in frame.columns if frame[name].dtype.kind not in "iufb"]:
        led = frame[name].str.match(f"'(?:{FORMULA[1:]})").fillna(False).to_numpy(dtype=bool)
        frame.loc[led, name] = frame.loc[led, name].str[1:]
    return frame


def unit_of(column: str) -> str:
    """Return the unit of a column of the contract; empty where it has none or isn't known.

    Examples
    --------
    >>> unit_of("easting"), unit_of("pole_sigma"), unit_of("note")
    ('m', 'deg', '')
    """
    return UNITS.get(column, "")


def well_known(points: npt.NDArray[np.float64] | None) -> bytes | None:
    """Return a point, (3,), or a line, (n, 3), as ISO well-known binary; None for None."""
    if points is None:
        return None
    head = struct.pack("<BI", 1, 1001) if points.ndim == 1 else struct.pack("<BII", 1, 1002, len(points))
    return head + np.ascontiguousarray(points, dtype="<f8").tobytes()


def _with_facts(table: pa.Table, facts: TableFacts) -> pa.Table:
    """Return a table whose schema says project, CRS and basis, and the unit of each column that has one."""
    fields = [
        field.with_metadata({"unit": unit_of(field.name)}) if unit_of(field.name) else field for field in table.schema
    ]
    about = {
        "project": facts.project,
        "crs": facts.crs or "not stated",
        "basis": facts.basis,
        "units": "metres and degrees; azimuths from grid north, dip of a hole negative down",
        "written_by": "lowside",
    }
    return table.cast(pa.schema(fields, metadata={key: value for key, value in about.items() if value}))


def _geo(table: pa.Table, facts: TableFacts) -> pa.Table:
    """Return a table with the geometry of its rows and what GeoParquet says of it."""
    column: dict[str, Any] = {"encoding": "WKB", "geometry_types": [facts.shape], "crs": None}
    if facts.crs:
        from pyproj import CRS  # slow to import, and most tables have no shapes
        from pyproj.exceptions import CRSError

        try:
            column["crs"] = CRS.from_user_input(facts.crs).to_json_dict()
        except CRSError as problem:
            rule = "PROJ doesn't know this CRS"
            raise DataProblem(rule, file="project.toml", column="crs", value=facts.crs) from problem
    geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
    metadata = {**(table.schema.metadata or {}), b"geo": json.dumps(geo).encode()}
    wider = table.add_column(0, "geometry", pa.array(list(facts.shapes or ()), type=pa.binary()))
    return wider.replace_schema_metadata(metadata)


def _without_formulas(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return a column of text in which nothing is worked out by a spreadsheet; other columns as they are."""
    if not pa.types.is_string(column.type):
        return column
    live = pa.compute.match_substring_regex(column, FORMULA)
    if not pa.compute.any(live).as_py():
        return column
    led = pa.compute.binary_join_element_wise(pa.scalar("'"), column, "")
    return pa.compute.if_else(live, led, column)


def _arrow(frame: pd.DataFrame, decimals: int | None = None) -> pa.Table:
    """Return a frame as an Arrow table, numbers rounded, objects as text and missing values as nulls."""
    columns = {str(name): _arrow_column(frame[name], decimals) for name in frame.columns}
    return pa.table(columns)


def _arrow_column(column: pd.Series, decimals: int | None) -> pa.Array:
    if pd.api.types.is_float_dtype(column.dtype):
        values = column.to_numpy(dtype=float, na_value=np.nan)
        rounded = values if decimals is None else np.round(values, decimals) + 0.0  # no −0.0
        return pa.array(rounded, from_pandas=True)
    if isinstance(column.dtype, np.dtype) and column.dtype.kind == "M":
        text = column.dt.strftime("%Y-%m-%d").to_numpy(dtype=object)
        return pa.array(text, type=pa.string(), from_pandas=True)
    if column.dtype.kind in "biu":
        return pa.array(column.to_numpy())
    blank = column.isna().to_numpy() | (column == "").to_numpy(dtype=bool, na_value=False)
    text = column.astype(object).map(str, na_action="ignore").to_numpy(dtype=object)
    return pa.array(text, type=pa.string(), mask=blank)
