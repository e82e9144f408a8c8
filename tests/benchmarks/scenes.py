"""Large scenes in software: to the first picture, turning, and at rest.

Run as ``python -m tests.benchmarks.scenes HOLES DISCS_A_HOLE``, which prints one line of JSON: a process of its own, so
that its memory is its own.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import pyvista as pv

from desurvey import orient, traces
from desurvey.project import Project, load_project
from tests.benchmarks.commands import written
from tests.benchmarks.measuring import most_mebibytes
from viewer import scene
from viewer.scene import detail
from viewer.screen import prefer_off_screen

__all__ = ["Scene", "measured"]

SIZE = (1280, 800)
SAMPLES = 4


@dataclass(frozen=True)
class Scene:
    """What a scene takes.

    Attributes
    ----------
    holes, discs : int
    first : float
        Seconds on the clock from loaded tables to the first picture in full detail.
    turning, resting : float
        Pictures a second on the clock.
    first_cpu, turning_cpu : float
        The same as ``first``, and a picture's seconds, of the processors together: software draws on all of them.
    mebibytes : float
        The most memory that the process held, tables and all.
    """

    holes: int
    discs: int
    first: float
    turning: float
    resting: float
    first_cpu: float
    turning_cpu: float
    mebibytes: float


def measured(holes: int, structures: int) -> Scene:
    """Build, draw and turn a scene of holes with so many discs each."""
    prefer_off_screen()
    with tempfile.TemporaryDirectory() as scratch:
        project = load_project(written(Path(scratch) / "project", holes, structures, stations=40))
    plotter = pv.Plotter(off_screen=True, window_size=list(SIZE))
    try:
        first, first_cpu = _least(lambda: _drawn(project, plotter), 1)
        resting, _ = _least(lambda: _turned(plotter), 3)
        detail.show_quick(plotter, quick=True, samples=SAMPLES)
        _turned(plotter)
        turning, turning_cpu = _least(lambda: _turned(plotter), 20)
        discs = plotter.actors["discs"].mapper.GetInput().GetNumberOfCells()
    finally:
        plotter.close()
    return Scene(holes, discs, first, 1 / turning, 1 / resting, first_cpu, turning_cpu, most_mebibytes())


def _drawn(project: Project, plotter: pv.Plotter) -> None:
    holes = traces.build(project)
    built = scene.build(project, holes, orient.oriented(project, holes))
    plotter.enable_anti_aliasing("msaa", multi_samples=SAMPLES)
    scene.draw(built, plotter)
    detail.add_quick(built, plotter)
    plotter.show(auto_close=False)


def _turned(plotter: pv.Plotter) -> None:
    plotter.camera.Azimuth(3.0)
    plotter.render_window.Render()


def _least(run: Callable[[], None], repeats: int) -> tuple[float, float]:
    clock, processor = [], []
    for _ in range(repeats):
        start, start_cpu = time.perf_counter(), time.process_time()
        run()
        clock.append(time.perf_counter() - start)
        processor.append(time.process_time() - start_cpu)
    return min(clock), min(processor)


if __name__ == "__main__":
    print(json.dumps(asdict(measured(int(sys.argv[1]), int(sys.argv[2])))))
