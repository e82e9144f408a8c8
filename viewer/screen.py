"""Where there is a screen to draw on, and how VTK draws where there is none."""

from __future__ import annotations

import os
import sys

__all__ = ["has_screen", "prefer_off_screen"]


def has_screen() -> bool:
    """Return whether a window can be opened: always on Windows and macOS, with a display elsewhere."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def prefer_off_screen() -> None:
    """Make VTK draw through EGL where there is no display.

    Without this VTK tries the X server first and prints a warning that frightens people. It has to be called before
    the first render window is made; a choice made by the user in the same variable stands.
    """
    if not has_screen():
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
