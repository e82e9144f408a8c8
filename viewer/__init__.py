"""Everything that a person sees: the command, pictures, figures, the report and the app.

In a notebook :func:`plot` gives the scene of a study as a PyVista plotter, and :func:`meshes` its holes, structures and
faults as PyVista meshes to combine with one's own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from viewer.notebook import meshes, plot

__all__ = ["meshes", "plot"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from viewer import notebook  # VTK: a second that commands without a picture needn't wait

        return getattr(notebook, name)
    raise AttributeError(f"module 'viewer' has no attribute {name!r}")
