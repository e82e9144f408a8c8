"""Tables as people keep them → tables as the program knows them.

``schema`` says what the columns are, ``reading`` gets cells out of files, ``cleaning`` makes typed canonical columns of
them and collects what is wrong, ``rules`` compares rows and tables with each other.
"""

from desurvey.tables.cleaning import Table, clean, empty_frame
from desurvey.tables.reading import Cells, read_cells
from desurvey.tables.schema import INTERVALS, TABLES, Column, plain_heading

__all__ = ["INTERVALS", "TABLES", "Cells", "Column", "Table", "clean", "empty_frame", "plain_heading", "read_cells"]
