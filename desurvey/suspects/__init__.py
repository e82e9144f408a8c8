"""Which readings, runs and holes are wrong, and how: named blunders weighed against "as logged".

:func:`suspects` gives a project's suspects as a table; :func:`accept` puts right the rows that a person has left in it.

The method, in the order it runs:

1. **Expectation** (:mod:`~desurvey.suspects.expectation`): for each kind of structure a smooth field of axes in space
   is learnt from the poles (a Gaussian process on the orientation tensor). What it says of a run is always learnt
   without that run, what it says of a hole without that hole.
2. **Holes** (:mod:`~desurvey.suspects.holes`, :mod:`~desurvey.suspects.stretches`): each hole's readings are weighed
   against the field of all others under every blunder of a hole, its uncertainty along the hole included. Holes found
   wrong lose their say in the field, in turns, until all settle; then they are put right, in memory.
3. **Runs** (:mod:`~desurvey.suspects.weighing`, :mod:`~desurvey.suspects.learning`): the likelihood of a run's readings
   for every roll of its line, and with beta reversed or alpha complemented; line offsets multiply in. Runs found wrong
   lose their say in the field, in turns, until both settle.
4. **Alike** (:mod:`~desurvey.suspects.alike`): all runs of a tool, a crew, a logger or a shift, or of a hole, that are
   wrong in the same way are one suspect; they are put right, in memory, and all is learnt anew.
5. **Readings**, by the same densities; and **survey stations** (:mod:`desurvey.spikes`) on geometry alone.

How many hypotheses are tried is paid for by prior odds: each of them becomes a probability, the free parameters (a
roll, a turn of north) averaged over. A run is accused only when "as logged" has less than 10 % left, and only as many
runs as keep the expected share of false accusations (the Bayesian false discovery rate) below 1 %; a whole hole and a
single reading need 99 %. A run is not accused when no blunder is likelier than all others together: which it is, a
person must see.
"""

from desurvey.suspects.accepting import accept, checked, distrusted
from desurvey.suspects.finding import find
from desurvey.suspects.judged import RUN_COLUMNS, Weighed
from desurvey.suspects.places import keys, members, suspected
from desurvey.suspects.readings import Errors, Readings, Runs
from desurvey.suspects.table import COLUMNS, suspects, weighed

__all__ = [
    "COLUMNS",
    "RUN_COLUMNS",
    "Errors",
    "Readings",
    "Runs",
    "Weighed",
    "accept",
    "checked",
    "distrusted",
    "find",
    "keys",
    "members",
    "suspected",
    "suspects",
    "weighed",
]
