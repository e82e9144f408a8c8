"""The handbook: its pages, its reference made from the program itself, and the ways to read them.

``pages/`` holds what people write, in Markdown; :mod:`.reference` makes the rest from the program, so that it can't lag
behind; :mod:`.drawings` draws the figures with the engine. :func:`.book.pages` puts them in one order for
``lowside handbook``, ``lowside why``, the viewer and the site that ``python -m viewer.handbook`` writes.
"""
