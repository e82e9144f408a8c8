"""What leaves the program: tables and, in open formats, holes, discs and surfaces.

What each format keeps and loses:

========  =======================================  ==========================  ======================================
ending    holes, structures, surfaces              CRS and unit                loses
========  =======================================  ==========================  ======================================
omf       lines; points and discs; triangles       unit; CRS in a description  intervals and runs
dxf       3D polylines; 3DFACEs; 3DFACEs           unit; CRS as a property     values along holes, most columns
glb       lines; triangles; triangles              in ``asset.extras``         all columns; float32 about an origin
vtp       lines; polygons; triangles in one piece  as field data               intervals and runs
vtm       the same, a block for each layer         as field data               intervals and runs
gpkg      3D lines; 3D points; none                CRS                         surfaces, values along holes
geojson   3D lines; 3D points; none                always WGS 84               eastings and northings, surfaces
xlsx      a sheet for each table                   on the sheet ``about``      shapes of discs and surfaces
csv       one table                                none                        the rest
parquet   one table                                none                        the rest
========  =======================================  ==========================  ======================================

Tables come from here. ``desurvey.exchange.model``, ``.exporting`` and ``.meshes`` are imported where they are used:
they need most of the engine, which a command that only writes a table should not wait for.
"""

from desurvey.exchange.writing import DECIMALS, read_table, write_table

__all__ = ["DECIMALS", "read_table", "write_table"]
