"""A million discs on a graphics card, in full detail and without a screen.

Needs numpy and pyvista alone, and a card with its EGL driver. From the repository's root::

    VTK_DEFAULT_OPENGL_WINDOW=vtkEGLRenderWindow python3 tests/benchmarks/gpu.py [DISCS]

It prints what drew (``llvmpipe`` is software: then EGL has not found the card; ``__EGL_VENDOR_LIBRARY_FILENAMES`` can
point to the card's ``10_nvidia.json``), how long the first picture took, and pictures a second. The geometry is the
viewer's own: one mesh of polygons with 16 corners, cell *i* disc *i*.
"""

from __future__ import annotations

import importlib.util
import resource
import sys
import time
from pathlib import Path

import numpy as np
import pyvista as pv

DISCS = 1_000_000
SIZE = (1280, 800)
PICTURES = 120


def viewers_own() -> object:
    """Return the viewer's module of discs, without what else the viewer needs."""
    path = Path(__file__).parents[2] / "viewer" / "scene" / "discs.py"
    spec = importlib.util.spec_from_file_location("discs", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def discs(count: int) -> pv.PolyData:
    """Return discs of all attitudes in a box of 4 × 4 × 1 km, coloured at random."""
    rng = np.random.default_rng(5)
    centre = rng.uniform([-2000, -2000, -1000], [2000, 2000, 0], (count, 3))
    normal = rng.normal(size=(count, 3))
    normal *= np.sign(normal[:, 2:]) / np.linalg.norm(normal, axis=1, keepdims=True)
    mesh = viewers_own().disc_mesh(centre, normal, rng.uniform(2, 6, count))
    mesh.cell_data["rgb"] = rng.integers(40, 255, (count, 3), dtype=np.uint8)
    return mesh


def card(plotter: pv.Plotter) -> str:
    """Return the line of VTK's report that names what draws."""
    report = plotter.render_window.ReportCapabilities()
    return next((line for line in report.splitlines() if "renderer string" in line.lower()), "unknown renderer")


def picture(plotter: pv.Plotter) -> None:
    """Turn, draw, and wait until the picture is there."""
    plotter.camera.Azimuth(3.0)
    plotter.render_window.Render()
    plotter.render_window.WaitForCompletion()


def main(count: int) -> None:
    """Draw and say."""
    start = time.perf_counter()
    mesh = discs(count)
    plotter = pv.Plotter(off_screen=True, window_size=list(SIZE))
    plotter.enable_anti_aliasing("msaa", multi_samples=4)
    plotter.add_mesh(mesh, scalars="rgb", rgb=True, ambient=0.6, diffuse=0.45)
    built = time.perf_counter()
    plotter.show(auto_close=False)
    first = time.perf_counter()
    print(f"{card(plotter)}; {count:,} discs of 16 corners at {SIZE[0]} x {SIZE[1]}, 4 samples a pixel")
    for _ in range(5):
        picture(plotter)
    times = []
    for _ in range(PICTURES if first - built < 60 else 3):
        begin = time.perf_counter()
        picture(plotter)
        times.append(time.perf_counter() - begin)
    print(f"geometry {built - start:.1f} s, first picture {first - built:.1f} s")
    print(f"pictures a second: {1 / np.mean(times):.1f} on average, {1 / np.max(times):.1f} for the slowest")
    print(f"memory of the process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2:.1f} GiB")
    plotter.close()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else DISCS)
