"""Do the fault picks line up? Which are one fault, how sure that is, and where else it should have been seen.

:func:`line_up` takes a project and gives a :class:`LineUp`; :func:`faults_table`, :func:`picks_table`,
:func:`windows_table` and :func:`summary` say it in the contract's tables and in words.

==================  ==================================================================================
``picks``           what is known of a pick, and what is assumed of faults
``sheet``           one fault as a plane with waviness: evidence, predictions, leave-one-out
``background``      picks that belong to no fault
``crossings``       which holes a plane cuts
``candidates``      sets of picks that might be one fault
``weighing``        what a set of picks is worth as a fault
``partition``       picks changing sides between faults
``moves``           faults put in, and made one
``learning``        waviness and scatter, from the faults there are
``grouping``        the partition of all picks, judged as a whole
``shape``           plane, curvature, fit and extent of a fault
``piercing``        where holes meet a fault, on the exact arcs
``answers``         the project's line-up, tables and summary
``profile``         a fault edge-on: its picks along strike
==================  ==================================================================================
"""

from desurvey.lineup.answers import (
    LeftOut,
    LineUp,
    faults_table,
    left_out,
    line_up,
    line_up_with_windows,
    lined_up,
    picks_of,
    picks_table,
    pins_of,
    summary,
    windows_table,
)
from desurvey.lineup.picks import LineupSettings, Picks, Pins
from desurvey.lineup.profile import EdgeOn, edge_on
from desurvey.lineup.shape import Fault

__all__ = [
    "EdgeOn",
    "Fault",
    "LeftOut",
    "LineUp",
    "LineupSettings",
    "Picks",
    "Pins",
    "edge_on",
    "faults_table",
    "left_out",
    "line_up",
    "line_up_with_windows",
    "lined_up",
    "picks_of",
    "picks_table",
    "pins_of",
    "summary",
    "windows_table",
]
