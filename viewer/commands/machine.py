"""The machine that the program runs on: ``doctor`` and ``shortcut``."""

from __future__ import annotations

import os
import platform
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path
from typing import Annotated

import typer

from viewer.commands.shared import say, working

__all__ = ["add_to", "icon"]

NAMED = ("numpy", "scipy", "pandas", "pyarrow", "pyproj", "matplotlib", "pyvista", "vtk", "trame", "aiohttp", "typer")
"""Libraries whose version a report of a fault needs first."""

DRAWING_SECONDS = 60
"""A driver that hasn't answered by then never will."""

DRAWN = """
from viewer.screen import prefer_off_screen
prefer_off_screen()
import pyvista
plotter = pyvista.Plotter(off_screen=True, window_size=(40, 40))
plotter.add_mesh(pyvista.Sphere())
plotter.show(auto_close=False)
print(plotter.render_window.ReportCapabilities())
"""
"""What a process of its own does to find out what draws: a wrong driver can end the process that asks it."""


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for command in (doctor, shortcut):
        app.command()(command)


def doctor() -> None:
    """Say what this machine can do: versions, what draws, which extras are there, and where results are kept.

    The text is meant to be pasted into a report of a fault: it names no project and no person. Exit status 1 when
    pictures can't be drawn here.

    Example: lowside doctor
    """
    with working("Drawing a picture to see what draws"):
        drawn, can = _drawing()
    for name, said in (*_versions(), ("pictures", drawn), *_extras(), *_places()):
        typer.echo(f"{name + ':':<13}{_unnamed(said)}")
    if not can:
        raise typer.Exit(1)


def _unnamed(text: str) -> str:
    """Return a text without the name of who uses the machine, as the home folder has it."""
    return text.replace(str(Path.home()), "~") if len(str(Path.home())) > 1 else text


def _versions() -> Iterator[tuple[str, str]]:
    yield "lowside", metadata.version("lowside")
    yield "Python", f"{platform.python_version()} ({platform.python_implementation()}, {platform.architecture()[0]})"
    yield "system", f"{platform.system()} {platform.release()} {platform.machine()}"
    yield "libraries", ", ".join(f"{name} {_version(name) or 'missing'}" for name in NAMED)


def _version(name: str) -> str:
    """Return the version of an installed distribution, or an empty string."""
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return ""


def _drawing() -> tuple[str, bool]:
    """Return what draws pictures here, in words, and whether anything does."""
    from viewer.screen import draws_in_software, has_screen

    try:
        done = subprocess.run(
            [sys.executable, "-c", DRAWN], capture_output=True, text=True, errors="replace", timeout=DRAWING_SECONDS
        )
    except subprocess.TimeoutExpired:
        return f"none: the driver hasn't answered in {DRAWING_SECONDS} s", False
    if done.returncode:
        why = (done.stderr.strip().splitlines() or [f"the process ended with {done.returncode}"])[-1]
        return f"none: {why}. On a bare Debian: apt install libegl1 libgl1 libgl1-mesa-dri", False
    told = dict(re.findall(r"^OpenGL (renderer|version) string:\s*(.+?)\s*$", done.stdout, re.MULTILINE))
    how = "on the processor" if draws_in_software(done.stdout) else "on a graphics card"
    where = "with a screen" if has_screen() else "without a screen"
    return f"drawn {how}, {where}: {told.get('renderer', '?')}, OpenGL {told.get('version', '?')}", True


def _extras() -> Iterator[tuple[str, str]]:
    """Give each extra that a person may want, with what of it is there and the line that installs the rest."""
    extras: dict[str, list[str]] = {}
    for line in metadata.requires("lowside") or []:
        match = re.match(r"""([\w.-]+).*extra == ['"]([\w-]+)['"]""", line)
        if match and match.group(2) != "dev":
            extras.setdefault(match.group(2), []).append(match.group(1))
    for extra, names in sorted(extras.items()):
        missing = [name for name in names if not _version(name)]
        there = [f"{name} {_version(name)}" for name in names if name not in missing]
        rest = f"missing {', '.join(missing)}: pip install 'lowside[{extra}]'" if missing else ""
        yield extra, "; ".join(part for part in (", ".join(there), rest) if part)


def _places() -> Iterator[tuple[str, str]]:
    """Give where results are kept, what prints PDF, and what the terminal can show."""
    from desurvey.cache import cache_folder
    from viewer.report.writing import BROWSERS

    folder = cache_folder()
    if folder is None:
        yield "cache", "off (LOWSIDE_CACHE=off)"
    elif not folder.is_dir():
        yield "cache", f"{folder}, not there yet"
    else:
        size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
        yield "cache", f"{folder}, {size / 1e6:.0f} MB, {'writable' if os.access(folder, os.W_OK) else 'not writable'}"
    browser = next((path for path in map(shutil.which, BROWSERS) if path), "")
    yield "PDF reports", f"printed by {browser}" if browser else "no Chromium, Chrome or Edge was found to print them"
    yield "terminal", f"{sys.stdout.encoding}, {shutil.get_terminal_size().columns} columns"


# --------------------------------------------------------------------------------------------------- the start icon


def shortcut(
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FOLDER", help="Where to put it; the desktop by default.", show_default=False),
    ] = None,
) -> None:
    """Put an icon on the desktop that opens the start page.

    It starts the lowside of this very installation; run it again after you have moved that.

    Example: lowside shortcut --to Desktop
    """
    import platformdirs

    from desurvey.outputs import replacing

    folder = to if to is not None else platformdirs.user_desktop_path()
    folder.mkdir(parents=True, exist_ok=True)
    name, text = icon(sys.platform, [sys.executable, "-m", "viewer"])
    with replacing(folder / name) as partial:
        partial.write_bytes(text.encode())
        partial.chmod(0o755)
    say(f"{folder / name} opens the start page")


def icon(system: str, command: list[str]) -> tuple[str, str]:
    """Return name and text of a file that a double click starts, on ``win32``, ``darwin`` or elsewhere.

    Elsewhere it is an entry of the Desktop Entry Specification (freedesktop.org, 1.5), whose ``Exec`` has its own
    quoting: an argument in double quotes, with ``"``, ``$``, backslash and backquote escaped, and ``%`` doubled.
    """
    if system == "win32":
        line = " ".join(f'"{part.replace("%", "%%")}"' for part in command)
        return "lowside.cmd", f"@echo off\r\nchcp 65001 >nul\r\n{line} %*\r\nif errorlevel 1 pause\r\n"
    if system == "darwin":
        return "lowside.command", f'#!/bin/sh\nexec {shlex.join(command)} "$@"\n'
    quoted = " ".join(f'"{RESERVED.sub(BACKSLASH, part)}"' for part in command)
    entry = quoted.replace("\\", "\\\\").replace("%", "%%")  # a string of the file escapes its backslashes once more
    lines = ["[Desktop Entry]", "Type=Application", "Name=lowside", "Comment=From oriented drill core to structures"]
    return "lowside.desktop", "\n".join([*lines, f"Exec={entry}", "Terminal=true", "Categories=Science;Geology;", ""])


RESERVED = re.compile(r'["`$\\]')
BACKSLASH = r"\\\g<0>"
