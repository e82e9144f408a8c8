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
``odds``            how sure a grouping is as a whole, and what may be a fault besides
``pins``            what a person has said of picks
``naming``          the names that faults keep
``answers``         the project's line-up, and where the others put each pick
``tables``          the contract's tables, and the line-up in words
``profile``         a fault edge-on: its picks along strike
==================  ==================================================================================
"""

from desurvey.lineup.answers import LeftOut, LineUp, left_out, line_up, lined_up, picks_of
from desurvey.lineup.naming import HandedOn, Remembered, handed_on, read_names, write_names
from desurvey.lineup.picks import LineupSettings, Picks
from desurvey.lineup.pins import Pins
from desurvey.lineup.profile import EdgeOn, edge_on
from desurvey.lineup.shape import Fault
from desurvey.lineup.tables import faults_table, line_up_with_windows, picks_table, summary, windows_table

__all__ = [
    "EdgeOn",
    "Fault",
    "HandedOn",
    "LeftOut",
    "LineUp",
    "LineupSettings",
    "Picks",
    "Pins",
    "Remembered",
    "edge_on",
    "faults_table",
    "handed_on",
    "left_out",
    "line_up",
    "line_up_with_windows",
    "lined_up",
    "picks_of",
    "picks_table",
    "read_names",
    "summary",
    "windows_table",
    "write_names",
]
