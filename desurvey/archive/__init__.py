"""A survey's whole archive, worked on partition by partition, on one machine or on a Dask cluster.

An archive is a project whose tables are folders of Parquet files, one file a partition of whole holes and named the
same in every folder::

    archive/
      project.toml            as of any project; [tables] names folders
      collars/0000.parquet    collars/0001.parquet    …
      surveys/0000.parquet    surveys/0001.parquet    …

:func:`divide` makes one of a project; any engine that writes such files does as well. :func:`run` traces, orients or
checks every partition. What a partition gives doesn't depend on the others, nor on where it was computed: put together,
the results are, bit by bit, those of one project with all the holes.
"""

from desurvey.archive.folder import Archive, divide, open_archive
from desurvey.archive.running import Outcome, run
from desurvey.archive.work import WORKS, Work, index_scene

__all__ = ["WORKS", "Archive", "Outcome", "Work", "divide", "index_scene", "open_archive", "run"]
