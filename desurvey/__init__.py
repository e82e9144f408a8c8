"""The engine of lowside: from tables of oriented drill core to structures in space, without graphics.

From a folder to orientations in four lines::

    from desurvey import orient, project, spread, traces

    data = project.load_project("demo_project")
    holes = traces.build(data)
    structures = orient.oriented(data, holes)
    known = spread.structure_spread(structures, spread.project_spread(data, holes))

Vectors are (E, N, U), always in that order; azimuths clockwise from grid north; dips of holes negative down; metres and
degrees at the edges. Data flows one way through the modules:

================  =====================================================================================
``problems``      how data can be wrong, and how it is said
``tables``        files → canonical tables
``north``         magnetic, true and grid north
``project``       a project folder in the engine's conventions
``curvature``     kernels of the desurvey
``traces``        holes as curves in space
``orient``        core angles ↔ true orientations
``sphere``        statistics of directions
``spread``        how well positions, directions and poles are known
``runs``          orientation lines chained from run to run
``blunders``      the one table of blunders, and how each is undone
``spikes``        survey stations that stick out
``checks``        rules that need geometry, the magnetic field or the runs
``suspects``      which readings are wrong, and how
``lineup``        which fault picks are one fault
``surface``       surfaces through picks and orientations
``aim``           where the next hole meets a fault
``exchange``      what leaves the program
================  =====================================================================================
"""
