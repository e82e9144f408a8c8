"""Where there is a screen to draw on, and how VTK draws where there is none."""

from __future__ import annotations

import os
import sys

__all__ = ["draws_in_software", "has_screen", "prefer_off_screen"]

SOFTWARE = ("llvmpipe", "softpipe", "swrast", "swiftshader", "software rasterizer", "gdi generic", "basic render")
"""Parts of the names of renderers that run on the processor (Mesa, SwiftShader, Windows; from memory)."""


def draws_in_software(capabilities: str) -> bool:
    """Return whether the processor draws, from what ``vtkRenderWindow.ReportCapabilities`` says; if in doubt, yes."""
    names = [line.split(":", 1)[1] for line in capabilities.splitlines() if line.startswith("OpenGL renderer string:")]
    return not names or any(part in name.casefold() for name in names for part in SOFTWARE)


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
