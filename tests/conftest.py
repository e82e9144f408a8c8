"""How the suite is run: one thread a process, and the longest files first, so that all workers end together."""

from __future__ import annotations

import os

import pytest

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: a worker a core is all that a machine can do at once


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put files with slow worlds first, then those that drive a browser, then the rest, each in its own order."""
    weight = {
        item.path: (item.get_closest_marker("slow") is not None, item.get_closest_marker("browser") is not None)
        for item in sorted(items, key=lambda item: item.get_closest_marker("slow") is not None)
    }
    items.sort(key=lambda item: weight[item.path], reverse=True)
