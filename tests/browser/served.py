"""The app served by a process of its own, as a person starts it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Page

from tests.browser.chromium import PATIENCE_S

SCRIPT = (
    "import sys, desurvey; from viewer.app.serving import serve;"
    "serve(desurvey.open(sys.argv[1]), open_browser=False, say=lambda text: print(text, flush=True))"
)

START = "import sys; from viewer.start import begin;begin(open_browser=False, say=lambda text: print(text, flush=True))"


@dataclass
class Served:
    """A running app: its address with the token, and its process."""

    address: str
    process: subprocess.Popen[str]

    @property
    def bare(self) -> str:
        """Address without the token."""
        return self.address.split("?")[0]


@contextmanager
def served(folder: Path, script: str = SCRIPT) -> Iterator[Served]:
    """Serve a project (or the start page) and stop with Ctrl-C; what it printed must not hold a traceback."""
    environment = {name: value for name, value in os.environ.items() if name not in ("DISPLAY", "WAYLAND_DISPLAY")}
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip
    try:
        first = process.stdout.readline()
        found = re.search(r"http://\S+", first)
        if not found:
            pytest.fail(f"the app did not start: {first}{process.stderr.read()}")
        yield Served(found[0], process)
    finally:
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in errors, errors
    assert process.returncode == 0


def opened(tab: Page, app: Served, picture: str = "show") -> Page:
    """Open the app in a tab and wait for its first picture; everything is shown unless the question's own is wanted."""
    tab.goto(app.address)
    tab.wait_for_selector(".space[data-drawn]")
    tab.wait_for_selector(".low-net[data-drawn]")
    if picture:
        tab.get_by_label("picture", exact=True).select_option(picture)
        tab.wait_for_function("name => document.querySelector('.low-host').space.scene?.dress === name", arg=picture)
    tab.wait_for_selector(".low-host:not(.late)")
    return tab


def at_rest(tab: Page) -> None:
    """Wait until the picture of the scene as it now stands is drawn in full."""
    tab.wait_for_function(
        """() => {
            const { space } = document.querySelector(".low-host"), { painter } = space;
            return space.scene && !space.moving && !space.waiting && !painter.busy && !painter.wanted;
        }"""
    )


def eventually(look: Callable[[], None]) -> None:
    """Look again until nothing is asserted any more; what the last look asserts is raised."""
    end = time.monotonic() + PATIENCE_S
    while True:
        try:
            look()
        except AssertionError:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)
        else:
            return


def workers(app: Served) -> list[int]:
    """Return the processes in which an app has work done."""
    own = app.process.pid
    children = Path(f"/proc/{own}/task/{own}/children").read_text().split()
    return [int(pid) for pid in children if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]


@contextmanager
def held(app: Served) -> Iterator[None]:
    """Hold an app's work, so that it is still under way whenever a test comes to look; what is alive then goes on."""
    stopped = workers(app)
    for pid in stopped:
        os.kill(pid, signal.SIGSTOP)
    yield
    for pid in set(stopped) & set(workers(app)):
        os.kill(pid, signal.SIGCONT)


def line_up(tab: Page) -> None:
    """Go to Lines up?, and wait for the picks: they are lined up on opening."""
    tab.keyboard.press("2")
    tab.wait_for_selector("tr[data-pick]")
    tab.wait_for_selector(".low-busy", state="detached")


def pixel_of(tab: Page, disc: int) -> tuple[float, float]:
    """Return where the middle of a disc is on the page."""
    x, y = tab.evaluate(
        """disc => {
            const { space } = document.querySelector(".low-host"), { centre } = space.scene.disc;
            const c = centre.subarray(3 * disc, 3 * disc + 3);
            const [x, y] = space.onScreen(space.projection(), [...c]), box = space.canvas.getBoundingClientRect();
            return [x + box.left, y + box.top];
        }""",
        disc,
    )
    return x, y


def disc_at(tab: Page, x: float, y: float) -> int:
    """Return the disc that the page's own geometry says is at a pixel, −1 for none."""
    return tab.evaluate(
        """([x, y]) => {
            const { space } = document.querySelector(".low-host"), box = space.canvas.getBoundingClientRect();
            const found = space.under(x - box.left, y - box.top);
            return found.what === "disc" ? found.index : -1;
        }""",
        [x, y],
    )


def seen_discs(tab: Page) -> list[int]:
    """Return the discs whose middles nothing hides and that face the eye well enough to be hit."""
    count = tab.evaluate("document.querySelector('.low-host').space.scene.disc.radius.length")
    found = []
    for disc in range(count):
        x, y = pixel_of(tab, disc)
        around = ((0, 0), (2, 0), (-2, 0), (0, 2), (0, -2))
        if all(disc_at(tab, x + dx, y + dy) == disc for dx, dy in around):
            found.append(disc)
    return found
