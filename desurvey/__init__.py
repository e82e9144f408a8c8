"""The engine of lowside: from tables of oriented drill core to structures in space, without graphics.

The whole job in six lines::

    import desurvey

    study = desurvey.open("demo_project")        # or desurvey.Study.of_tables(collars=…, structures=…, north="grid", …)
    study.oriented_table()                       # true orientations with their uncertainty
    study.suspects()                             # which readings are wrong, and how
    study.lineup("fault").faults                 # which picks are one fault
    study.aim()                                  # where planned holes meet them

A :class:`Study` is the project as it now stands, decisions and all; nothing outside it puts the steps together by hand.
Vectors are (E, N, U), always in that order; azimuths clockwise from grid north; dips of holes negative down; metres and
degrees at the edges. Data flows one way through the modules:

================  =====================================================================================
``problems``      how data can be wrong, and how it is said
``tables``        files → canonical tables
``north``         magnetic, true and grid north
``project``       a project folder in the engine's conventions
``curvature``     kernels of the desurvey
``traces``        holes as curves in space
``orient``        core angles ↔ true orientations
``sphere``        statistics of directions
``spread``        how well positions, directions and poles are known
``runs``          orientation lines chained from run to run
``blunders``      the one table of blunders, and how each is undone
``spikes``        survey stations that stick out
``checks``        rules that need geometry, the magnetic field or the runs
``suspects``      which readings are wrong, and how
``lineup``        which fault picks are one fault
``surface``       surfaces through picks and orientations
``slip``          what a fault did to what it cuts
``aim``           where the next hole meets a fault
``gains``         what a hole would win, and from which pad most
``exchange``      what leaves the program
``audit``         what was decided and reviewed, line after line
``decisions``     what people have decided
``reviews``       which holes a person has reviewed, and what has changed since
``cache``         results kept from one run to the next
``study``         all of it, put together
``campaign``      states of the study in time: what changed, and how right it was
================  =====================================================================================
"""

from __future__ import annotations

from importlib import metadata
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from desurvey.study import Study

__all__ = ["Study", "__version__", "open"]

__version__ = metadata.version("lowside")


def open(folder: Path | str, *, at: str = "", as_logged: bool = False, fresh: bool = False) -> Study:
    """Return the study of a project folder: its tables, its settings and its decisions.

    Parameters
    ----------
    folder : path
        A folder with a ``project.toml`` (DESIGN.md section 4). With ``[history] each = "day"`` there, its first opening
        of a day files its state.
    at : str
        As it stood: a day or a time (ISO 8601), or the name of a state that was kept; empty for now.
    as_logged : bool
        Leave the folder's decisions aside.
    fresh : bool
        Go around results kept from earlier runs.

    Raises
    ------
    DataProblem
        When ``project.toml`` is missing or wrong, the decisions are damaged, or no state of that time is kept. What is
        wrong in the tables is in the study's ``findings``.

    Examples
    --------
    >>> open("demo_project").name
    'Tarn Hollow'
    """
    from desurvey.study import Study  # the whole engine; what only reads a table doesn't wait for it

    if at:
        from desurvey.campaign import open_at

        return open_at(folder, at, as_logged=as_logged, fresh=fresh)
    study = Study.open(folder, as_logged=as_logged, fresh=fresh)
    if study.logged.settings.history.each == "day":
        from desurvey.campaign import keep_daily

        keep_daily(study)
    return study


def __getattr__(name: str) -> Any:
    if name == "Study":
        from desurvey.study import Study

        return Study
    raise AttributeError(f"module 'desurvey' has no attribute {name!r}")
