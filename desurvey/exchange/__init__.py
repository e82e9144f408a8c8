"""What leaves the program: tables and, in open formats, holes, discs and surfaces.

:data:`desurvey.exchange.formats.FORMATS` is the one table of formats: what each keeps and loses, and who writes it;
``lowside export --formats`` prints it. Tables come from here. ``desurvey.exchange.model`` is imported where it is used:
it needs most of the engine, which a command that only writes a table should not wait for.
"""

from desurvey.exchange.formats import write_table
from desurvey.exchange.writing import DECIMALS, read_table

__all__ = ["DECIMALS", "read_table", "write_table"]
