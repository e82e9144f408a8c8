"""Run the ``lowside`` command inside the test's own process: as a person would, without a second start-up."""

from __future__ import annotations

import contextlib
import io
import sys
from typing import NamedTuple
from unittest import mock

from viewer.cli import main

__all__ = ["Done", "lowside"]


class Done(NamedTuple):
    """How a command ended and what it said."""

    returncode: int
    stdout: str
    stderr: str


def lowside(*arguments: object) -> Done:
    """Run ``lowside ARGUMENTS``. An exception that the command doesn't answer comes up, as a bug should."""
    out, err = io.StringIO(), io.StringIO()
    status: int | str | None = 0
    with (
        mock.patch.object(sys, "argv", ["lowside", *map(str, arguments)]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            status = end.code
    return Done(status if isinstance(status, int) else 0 if status is None else 1, out.getvalue(), err.getvalue())
