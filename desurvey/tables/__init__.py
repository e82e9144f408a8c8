"""Tables as people keep them → tables as the program knows them.

``schema`` says what the columns are and ``headings.toml`` by which words they are known. ``reading`` gets cells out of
files: ``files`` finds them, ``delimited`` and ``workbooks`` know the formats, ``layout`` where in a file a table
stands. ``repairs`` does to the cells what a person has declared, ``cleaning`` makes canonical columns of them
(``columns``, ``numbers``, ``dates``), ``names`` gives each hole one spelling, ``rules`` compares rows and tables with
each other, ``conventions`` looks for what tables say against the units, signs and names that they are read with. All of
them collect what is wrong as findings.
"""

from desurvey.tables.cleaning import Reading, Table, clean, empty_frame, joined
from desurvey.tables.reading import Cells, cells_of_frame, read_cells
from desurvey.tables.repairs import Repairs
from desurvey.tables.schema import INTERVALS, TABLES, Column, plain_heading

__all__ = [
    "INTERVALS",
    "TABLES",
    "Cells",
    "Column",
    "Reading",
    "Repairs",
    "Table",
    "cells_of_frame",
    "clean",
    "empty_frame",
    "joined",
    "plain_heading",
    "read_cells",
]
