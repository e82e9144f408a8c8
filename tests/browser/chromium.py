"""Debian's Chromium, headless, with software WebGL and no way to the outside."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

FLAGS = [
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--ignore-gpu-blocklist",
    "--disable-gpu-compositing",  # the page itself without WebGL's stand-in: a sixth of the time
    "--disable-gpu-rasterization",
]

PATH = shutil.which("chromium") or shutil.which("chromium-browser")

needs_chromium = pytest.mark.skipif(PATH is None, reason="needs chromium (apt-get install chromium)")


PATIENCE_S = 300
"""How long a test waits for what must come: long enough for a machine that has ten other things to do."""


@contextmanager
def chromium() -> Iterator[Browser]:
    """Give a fresh browser whose pages wait patiently."""
    with sync_playwright() as playwright:
        patient = 1000 * PATIENCE_S
        browser = playwright.chromium.launch(executable_path=PATH, args=FLAGS, timeout=patient)
        plain = browser.new_context

        def new_context(**how: object) -> BrowserContext:
            context = plain(**how)
            context.set_default_timeout(patient)
            return context

        browser.new_context = new_context
        browser.new_page = lambda **how: new_context(**how).new_page()
        try:
            yield browser
        finally:
            browser.close()


def listened(page: Page) -> dict[str, list[str]]:
    """Return lists that fill with a page's requests, and with the errors it logs."""
    heard: dict[str, list[str]] = {"requests": [], "errors": []}
    page.on("request", lambda request: heard["requests"].append(request.url))
    page.on("pageerror", lambda error: heard["errors"].append(str(error)))
    page.on("console", lambda said: heard["errors"].append(said.text) if said.type == "error" else None)
    return heard
