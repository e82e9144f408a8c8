"""One Chromium for all files of a process: it takes two seconds to start, and a file a second more to end it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser.chromium import chromium


@pytest.fixture(scope="package")
def running() -> Iterator[Browser]:
    """Give the browser; no longer than tests of this folder run, for beside it nobody can run a loop of his own."""
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def browser(running: Browser) -> Iterator[Browser]:
    """Give the browser, and close all tabs at the end: those of an app that has ended would call for it for ever."""
    yield running
    for context in running.contexts:
        context.close()
