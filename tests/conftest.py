"""What all tests share: results of earlier runs are kept for this run of the tests only, for all its processes."""

from __future__ import annotations

import os
import shutil
import tempfile

import pytest


def pytest_configure(config: pytest.Config) -> None:
    """Keep results in a folder of this run, before any worker process begins."""
    if not hasattr(config, "workerinput"):
        os.environ["LOWSIDE_CACHE"] = tempfile.mkdtemp(prefix="lowside-tests-")


def pytest_unconfigure(config: pytest.Config) -> None:
    """Take the folder away again."""
    if not hasattr(config, "workerinput"):
        shutil.rmtree(os.environ["LOWSIDE_CACHE"], ignore_errors=True)
