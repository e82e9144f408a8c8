"""Tables and queries of a database → cells, read and never written.

``source`` under ``[tables]`` is an SQLAlchemy URL, and what stands beside it names a table or a query each. A password
comes from the environment (``${NAME}`` in the URL): it stands in no file and in no message.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import quote

import pandas as pd

from desurvey.problems import DataProblem
from desurvey.tables.files import NO_FILE
from desurvey.tables.reading import TEXTS, TYPED, WORKBOOKS, Cells, cells_of_frame

__all__ = ["database_file", "in_database", "read_database"]

FROM_ENVIRONMENT = re.compile(r"\$\{(\w+)\}")

WRITTEN_OUT = re.compile(
    r"://[^/@:]*:(?!\$\{\w+\}@)[^@]*@|[?&](?:password|passwd|pwd)=(?!\$\{\w+\}(?:&|$))", re.IGNORECASE
)
"""A password that stands in a URL itself."""

SQLITE = re.compile(r"^sqlite(?:\+pysqlite)?:///(.+)$", re.IGNORECASE)

QUERY = re.compile(r"^\s*(?:select|with)\s", re.IGNORECASE)


def in_database(source: str, name: str) -> bool:
    """Return whether a name under ``[tables]`` is of the database: where there is one, all but names of files are.

    >>> in_database("sqlite:///f.db", "drill.collars"), in_database("sqlite:///f.db", "runs.xlsx#core")
    (True, False)
    """
    place = PurePosixPath(name.partition("#")[0])
    return bool(source) and not {part.suffix.lower() for part in (place, *place.parents)} & FILES


FILES = {*TEXTS, *TYPED, *WORKBOOKS, ".zip"}


def database_file(source: str) -> str:
    """Return the file of an SQLite database as the project names it; blank for a server's.

    >>> database_file("sqlite:///field.db"), database_file("postgresql://ann@host/core")
    ('field.db', '')
    """
    found = SQLITE.match(source)
    return found[1].partition("?")[0] if found else ""


def read_database(folder: Path, source: str, wanted: str) -> Cells:
    """Read a table or a query of a database.

    Parameters
    ----------
    folder : Path
        The project's, from which the file of an SQLite database is seen.
    source : str
        An SQLAlchemy URL.
    wanted : str
        Name of a table (``schema.table`` too), or a query that starts with ``select`` or ``with``.

    Raises
    ------
    DataProblem
        When a password stands in the URL, its variable isn't set, SQLAlchemy or a driver isn't there, or the database
        doesn't answer.
    """
    if WRITTEN_OUT.search(source):
        hint = "write ${NAME} in its place, and set the variable NAME where lowside is started"
        raise DataProblem("a password doesn't belong in project.toml", column="tables.source", hint=hint)
    try:
        import sqlalchemy as sql
    except ModuleNotFoundError as error:
        raise DataProblem("reading a database needs SQLAlchemy", hint="pip install 'lowside[sql]'") from error
    secrets = {name: os.environ.get(name, "") for name in FROM_ENVIRONMENT.findall(source)}
    for name, value in secrets.items():
        if not value:
            raise DataProblem(f"the environment variable {name} isn't set", column="tables.source", hint="set it first")
    try:
        engine = _engine(sql, folder, source, secrets)
        with engine.connect() as connection:
            found = connection.execute(_question(sql, wanted))
            rows, names = found.fetchall(), list(found.keys())
        engine.dispose()
    except (sql.exc.SQLAlchemyError, sqlite3.Error, ImportError) as error:
        raise DataProblem(f"the database says: {_said(error, secrets)}", file=wanted) from None
    frame = pd.DataFrame([[_plain(cell) for cell in row] for row in rows], columns=names, dtype=object)
    return cells_of_frame(frame, wanted)


def _engine(sql: Any, folder: Path, source: str, secrets: Mapping[str, str]) -> Any:
    """Return what connects; an SQLite file is opened so that nothing can be written to it, nor made."""
    file = database_file(source)
    if not file:
        url = FROM_ENVIRONMENT.sub(lambda found: quote(secrets[found[1]], safe=""), source)
        return sql.create_engine(url)
    path = (folder / file).resolve()
    if not path.is_file():
        raise DataProblem(NO_FILE, file=file, hint="correct the source under [tables]")
    address = f"file:{quote(path.as_posix())}?mode=ro"
    return sql.create_engine("sqlite://", creator=lambda: sqlite3.connect(address, uri=True))


def _question(sql: Any, wanted: str) -> Any:
    if QUERY.match(wanted):
        return sql.text(wanted)
    schema, _, table = wanted.rpartition(".")
    return sql.select(sql.text("*")).select_from(sql.table(table, schema=schema or None))


def _said(error: Exception, secrets: Mapping[str, str]) -> str:
    """Return what a database answers, its first line, without a password."""
    text = str(getattr(error, "orig", None) or error).strip().partition("\n")[0]
    for value in secrets.values():
        text = text.replace(value, "…").replace(quote(value, safe=""), "…")
    return text


def _plain(cell: object) -> object:
    return float(cell) if isinstance(cell, Decimal) else cell
