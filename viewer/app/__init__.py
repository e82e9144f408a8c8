"""The viewer in a browser: one window in which the three questions are answered by looking.

:func:`viewer.app.serving.serve` starts it. It draws the same :class:`viewer.scene.Scene` as the still, the offline page
and the window; :class:`viewer.app.view.View` is its state; :class:`viewer.app.app.App` binds the two.
"""
