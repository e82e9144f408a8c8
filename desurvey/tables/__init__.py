"""Tables as people keep them → tables as the program knows them.

``schema`` says what the columns are and ``headings.toml`` by which words they are known. ``reading`` gets cells out of
files: ``files`` finds them, ``delimited`` and ``workbooks`` know the formats, ``layout`` where in a file a table
stands. ``cleaning`` makes canonical columns of the cells (``columns``, ``numbers``, ``dates``), ``names`` gives each
hole one spelling, ``rules`` compares rows and tables with each other. All of them collect what is wrong as findings.
"""

from desurvey.tables.cleaning import Table, clean, empty_frame
from desurvey.tables.reading import Cells, cells_of_frame, read_cells
from desurvey.tables.schema import INTERVALS, TABLES, Column, plain_heading

__all__ = [
    "INTERVALS",
    "TABLES",
    "Cells",
    "Column",
    "Table",
    "cells_of_frame",
    "clean",
    "empty_frame",
    "plain_heading",
    "read_cells",
]
