"""What a fault did: how far and which way it moved the rock on its one side against that on the other.

:func:`slip_of` weighs markers on both sides and slip lines for one fault, :func:`slips_of` goes through a network of
them; :func:`slip_table`, :func:`covariance_table` and :func:`in_words` say the answers.

=============  ==============================================================================
``movement``   a slip vector and its parts: throw, heave, dip slip, strike slip, rake, separation
``evidence``   markers on both sides as one surface, slip lines, and what is assumed
``answer``     the slip of a fault, from all that speaks of it
``network``    faults one after another, and what is made of a project's tables
``tables``     the contract's table, covariances, sentences
``lost``       where the pieces of a marker should be in each hole
=============  ==============================================================================
"""

from desurvey.slip.answer import Optimum, Slip, slip_of
from desurvey.slip.evidence import Marker, SlipLines, SlipSettings
from desurvey.slip.lost import LOST_COLUMNS, lost_pieces, lost_words
from desurvey.slip.movement import (
    Movement,
    fault_axes,
    movement_of,
    piercing_slip,
    stratigraphic_separation,
    vertical_separation,
)
from desurvey.slip.network import FaultNetwork, MarkerPicks, body_picks, edge_picks, lines_of, slips_of
from desurvey.slip.tables import COVARIANCE_COLUMNS, SLIP_COLUMNS, covariance_table, in_words, slip_table

__all__ = [
    "COVARIANCE_COLUMNS",
    "LOST_COLUMNS",
    "SLIP_COLUMNS",
    "FaultNetwork",
    "Marker",
    "MarkerPicks",
    "Movement",
    "Optimum",
    "Slip",
    "SlipLines",
    "SlipSettings",
    "body_picks",
    "covariance_table",
    "edge_picks",
    "fault_axes",
    "in_words",
    "lines_of",
    "lost_pieces",
    "lost_words",
    "movement_of",
    "piercing_slip",
    "slip_of",
    "slip_table",
    "slips_of",
    "stratigraphic_separation",
    "vertical_separation",
]
