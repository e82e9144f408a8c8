"""What leaves the program: tables and, in open formats, holes, discs and surfaces."""

from desurvey.exchange.writing import DECIMALS, replacing, write_table

__all__ = ["DECIMALS", "replacing", "write_table"]
