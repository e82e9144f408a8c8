"""Which readings, runs and holes are wrong, and how: named blunders weighed against "as logged".

:func:`suspects` gives a project's suspects as a table, :func:`weighed` with them what could be judged of every run;
:func:`accept` puts right the rows that a person has left in it.

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
roll, a turn of north) averaged over. A run is accused only when "as logged" has less than 10 % left; a whole hole and a
single reading need 99 %. A run is not accused when no blunder is likelier than all others together: which it is, a
person must see.

What guards against ground that is not simple, where a field between holes can know little:

- a run is expected to point where its neighbours in the hole do, as far as the folds there let one run tell the next;
- "as logged" includes rock that turns unforeseen, and how often it does so is learnt with the share of blunders: a turn
  lands anywhere, a blunder where it must;
- a hole is judged only where the others foretell it, may stand in ground turned as a whole or in parts, and must be
  wrong in most of its length;
- :func:`weighed` says of every run whether a wrong line would have shown there (:mod:`~desurvey.suspects.judged`).
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
