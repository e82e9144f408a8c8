"""The campaign: the study goes along while drilling goes on.

States of the study are kept (:mod:`.states`) with what followed from them (:mod:`.results`); one of them beside today
says what has changed (:mod:`.since`), all of them together how right the predictions were (:mod:`.score`).
How crews, tools and loggers work is in :mod:`.quality`.
"""

from desurvey.campaign.results import Results, results_of
from desurvey.campaign.score import Score, score
from desurvey.campaign.since import Need, Since, since
from desurvey.campaign.states import (
    Kept,
    KeptState,
    States,
    content_of,
    keep,
    keep_daily,
    kept_results,
    open_at,
    state_at,
    states,
)

__all__ = [
    "Kept",
    "KeptState",
    "Need",
    "Results",
    "Score",
    "Since",
    "States",
    "content_of",
    "keep",
    "keep_daily",
    "kept_results",
    "open_at",
    "results_of",
    "score",
    "since",
    "state_at",
    "states",
]
