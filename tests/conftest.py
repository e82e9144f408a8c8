"""How the suite is run: one thread a process, the longest files first, results kept for this run only."""

from __future__ import annotations

import os
import shutil
import tempfile

import pytest

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: a worker a core is all that a machine can do at once


def pytest_configure(config: pytest.Config) -> None:
    """Keep results in a folder of this run, before any worker process begins."""
    if not hasattr(config, "workerinput"):
        os.environ["LOWSIDE_CACHE"] = tempfile.mkdtemp(prefix="lowside-tests-")


def pytest_unconfigure(config: pytest.Config) -> None:
    """Take the folder away again."""
    if not hasattr(config, "workerinput"):
        shutil.rmtree(os.environ["LOWSIDE_CACHE"], ignore_errors=True)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put files with slow worlds first, then those that drive a browser: so all workers end together."""
    slow, browser = ({item.path for item in items if item.get_closest_marker(name)} for name in ("slow", "browser"))
    items.sort(key=lambda item: (item.path not in slow, item.path not in browser))
