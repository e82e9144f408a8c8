"""Does the suite notice when a formula is wrong? ``python -m tests.mutants``, before a release; about ten minutes.

Each mutant changes one formula, constant or sign of the core in a copy of the tree; the tests named beside it must then
fail. What survives is printed, and the share that was killed. ``--only curvature`` takes the mutants of some files.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import SimpleQueue
from typing import NamedTuple

__all__ = ["MUTANTS", "Mutant"]

ROOT = Path(__file__).parents[1]


class Mutant(NamedTuple):
    """One change: the text of a file that stands there once, what it becomes, and the tests that must notice."""

    file: str
    old: str
    new: str
    tests: str


def _all(file: str, tests: str, *changes: tuple[str, str]) -> tuple[Mutant, ...]:
    return tuple(Mutant(f"desurvey/{file}.py", old, new, tests) for old, new in changes)


MUTANTS = (
    *_all(
        "curvature",
        "tests/test_curvature.py tests/test_traces.py",
        ("np.multiply(flat, np.sin(azimuth), out=out[0, ...])", "np.multiply(flat, np.cos(azimuth), out=out[0, ...])"),
        ("np.sin(dip, out=out[2, ...])", "np.sin(-dip, out=out[2, ...])"),
        ("return azimuth, np.arctan2(up, np.hypot(east, north))", "return azimuth, np.arctan2(-up, np.hypot(east, north))"),
        ("azimuth = np.arctan2(east, north) % (2 * np.pi)", "azimuth = np.arctan2(north, east) % (2 * np.pi)"),
        ("(-direction[..., 2] / flat)[..., None]", "(direction[..., 2] / flat)[..., None]"),
        ("    total /= sum_length[:, None]\n    change", "    total /= -sum_length[:, None]\n    change"),
        ("angle = (fraction - 0.5) * arc.dogleg\n    return np.cos", "angle = (fraction - 0.45) * arc.dogleg\n    return np.cos"),
        ("chord = covered * length * sinc(covered * arc.dogleg / 2)", "chord = covered * length * sinc(covered * arc.dogleg)"),
        ("return chord[:, None] * arc_tangent(arc, covered / 2)", "return chord[:, None] * arc_tangent(arc, covered)"),
        ("(dogleg + NOTHING) * sum_length)", "(dogleg + NOTHING) * 2)"),
        ("NOTHING = 1e-300", "NOTHING = 1e-6"),
        ("if np.any(sum_length < 4 * np.finfo(float).eps):", "if False:"),
        ("return length[:, None] * tangent(azimuth[1], dip[1])", "return length[:, None] * tangent(azimuth[0], dip[0])"),
        ("middle_dip = azimuth[0] + half_turn, (dip[0] + dip[1]) / 2", "middle_dip = azimuth[0] + half_turn, dip[0]"),
        ("mean[:, :2] *= np.sinc(half_turn / np.pi)[:, None]", "mean[:, :2] *= 1.0"),
    ),
    *_all(
        "traces",
        "tests/test_traces.py",
        ("SEVERITY_LENGTH = 30.0", "SEVERITY_LENGTH = 30.48"),
        ("RADIANS = np.pi / 180.0", "RADIANS = np.pi / 180.1"),
        ("fraction = (depth - above[0]) / length", "fraction = (depth - above[0]) / (length + 0.1)"),
        ("depth > self.surveyed[hole]", "depth >= self.surveyed[hole]"),
        ("known = (hole >= 0) & (depth >= 0.0)", "known = hole >= 0"),
        ("depth[offsets[:-1]] = 0.0\n", "depth[offsets[:-1]] = 0.5\n"),
        ("np.add(begin, sums_above(step.T, start), out=position[:, rows])", "np.add(0 * begin, sums_above(step.T, start), out=position[:, rows])"),
        ("before[..., :1] = 0\n", "\n"),
        ("np.where((row == last) & (self.depth[row] < depth), 0.0, severity[below])", "severity[below]"),
        ("sound = np.abs(dip_deg) <= 90.0", "sound = np.abs(dip_deg) <= 900.0"),
        ("outside = (wanted < -1) | (wanted >= len(self.hole_ids))", "outside = wanted < -1"),
    ),
    *_all(
        "orient",
        "tests/test_orient.py",
        ("side = np.where(line == \"low\", -1.0, 1.0)[..., None]", "side = np.where(line == \"low\", 1.0, -1.0)[..., None]"),
        ("    normal -= to_line * reference\n", "    normal += to_line * reference\n"),
        ("    normal -= to_side * _cross(tangent, reference)\n", "    normal += to_side * _cross(tangent, reference)\n"),
        ("return np.cos(alpha) * tangent + np.sin(alpha) * _apex", "return np.cos(alpha) * tangent - np.sin(alpha) * _apex"),
        ("return np.cos(beta) * reference + np.sin(beta) * _cross(tangent, reference)", "return np.cos(beta) * reference - np.sin(beta) * _cross(tangent, reference)"),
        ("+ np.sin(gamma) * square", "- np.sin(gamma) * square"),
        ("outside = (alpha < 0.0) | (alpha > 90.0)", "outside = (alpha < 0.0) | (alpha > 180.0)"),
        ("STEEP_LIMIT_DEG = 2.0", "STEEP_LIMIT_DEG = 5.0"),
        ("alpha = np.rad2deg(np.arctan2(np.abs(along), across))", "alpha = np.rad2deg(np.arctan2(across, np.abs(along)))"),
        ("north = np.array([0.0, 1.0, 0.0]) - tangent[..., 1:2] * tangent", "north = np.array([1.0, 0.0, 0.0]) - tangent[..., :1] * tangent"),
    ),
    *_all(
        "directions",
        "tests/test_orient.py desurvey/directions.py tests/test_section.py::test_apparent_dip_agrees_with_the_printed_table",
        ("return np.where(normal[..., 2:3] < 0.0, -normal, normal)", "return np.where(normal[..., 2:3] > 0.0, -normal, normal)"),
        ("dip = np.rad2deg(np.arctan2(flat, np.abs(up)))", "dip = np.rad2deg(np.arctan2(np.abs(up), flat))"),
        ("np.rad2deg(np.arctan2(-down[..., 2], flat))", "np.rad2deg(np.arctan2(down[..., 2], flat))"),
        ("np.stack([sine * np.sin(direction), sine * np.cos(direction), np.cos(dip)], axis=-1)", "np.stack([sine * np.cos(direction), sine * np.sin(direction), np.cos(dip)], axis=-1)"),
        ("down = normal[..., 0] * np.sin(along) + normal[..., 1] * np.cos(along)", "down = normal[..., 0] * np.sin(along) - normal[..., 1] * np.cos(along)"),
    ),
    *_all(
        "north",
        "tests/test_north.py desurvey/north.py",
        ("np.where(north == \"grid\", 0.0, -convergence)", "np.where(north == \"grid\", 0.0, convergence)"),
        ("np.where(north == \"magnetic\", declination, 0.0)", "np.where(north == \"magnetic\", -declination, 0.0)"),
        ("alt=height_m / 1000.0", "alt=height_m"),
        ("year.astype(np.int64) + 1970", "year.astype(np.int64) + 1971"),
        ("file = next(name for start, name in MODELS if year >= start)", "file = MODELS[-1][1]"),
    ),
    *_all(
        "spread/sigmas",
        "tests/test_spread_table.py",
        ("default=5.6e-4", "default=5.6e-3"),
        ("beta_deg: float = _degrees(5.0)", "beta_deg: float = _degrees(8.0)"),
        ("alpha_deg: float = _degrees(2.0)", "alpha_deg: float = _degrees(3.0)"),
        ("line_deg: float = _degrees(5.0)", "line_deg: float = _degrees(3.0)"),
        ("tilt_deg: float = _degrees(0.1)", "tilt_deg: float = _degrees(0.5)"),
        ("depth_m: float = _metres(0.1)", "depth_m: float = _metres(0.4)"),
    ),
    *_all(
        "spread/part",
        "tests/test_spread_position.py",
        ("self.sigmas.depth_scale * (position - collar.T)", "self.sigmas.depth_scale * position"),
        ("total[row] += sigma**2", "total[row] += sigma"),
        ("np.maximum(table[0] * flat, table[1])", "np.maximum(table[0], table[1])"),
        ("np.maximum(table[2] * flat, table[3])", "np.maximum(table[2], table[3])"),
        ("_add(draws, sums.random[kind] * both)", "_add(draws, sums.random[kind] * down)"),
        ("into = np.where(last, tangent, mean + (1.0 - fraction) * tangent)", "into = np.where(last, tangent, mean)"),
        ("across[0], across[1], across[2] = cosine, -sine, 0.0", "across[0], across[1], across[2] = cosine, sine, 0.0"),
    ),
    *_all(
        "spread/jacobian",
        "tests/test_spread_position.py",
        ("plain_2 = u**2 / 2 * sinc_half**2 / spread", "plain_2 = u**2 / 2 * sinc_half / spread"),
        ("plain_1 = (1 - u) * sinc((1 - u) * dogleg) / spread", "plain_1 = (1 - u) / spread"),
        ("moment = (u**2 / 2)[:, None]", "moment = (u**2 / 3)[:, None]"),
    ),
    *_all(
        "spread/pole",
        "tests/test_spread_pole.py",
        ("np.hypot(sigmas.beta_deg, line_sigma_deg(tangent, sigmas, line))", "np.abs(sigmas.beta_deg + 0 * tangent[:, 0])"),
        ("sigmas.tilt_deg / flat", "sigmas.tilt_deg * flat"),
        ("scale = np.where(defined, lean /", "scale = np.where(defined, -lean /"),
        ("even = 0.5 * (np.eye(3)", "even = 1.0 * (np.eye(3)"),
        ("np.deg2rad(sigmas.plane_deg) ** 2 *", "np.deg2rad(sigmas.plane_deg) *"),
    ),
    *_all(
        "runs",
        "tests/test_runs.py",
        ("TOUCH_M = 0.05", "TOUCH_M = 0.5"),
        ("np.asarray(offset_deg, float)[row] + 180.0) % 360.0 - 180.0", "np.asarray(offset_deg, float)[row]) % 360.0"),
    ),
    *_all(
        "checks/limits",
        "tests/test_runs.py",
        ("line_offset_deg: float = _limit(10.0", "line_offset_deg: float = _limit(20.0"),
    ),
    *_all(
        "lineup/piercing",
        "tests/test_lineup_sheet.py tests/test_lineup.py",
        ("sigma = np.sqrt(variance) / np.maximum(sine, 0.02)", "sigma = np.sqrt(variance)"),
        ("covariance[:, 0, 0] * (normal @ sheet.axes[2]) ** 2", "covariance[:, 0, 0] * (normal @ sheet.axes[2])"),
    ),
    *_all(
        "suspects/accepting",
        "tests/test_suspects_project.py",
        ("for blunder, turn in _layers(*matches(holes[[\"hole_id\"]], table), holes, len(table)):", "for blunder, turn in []:"),
        ("np.abs(apart) < DEPTH_TOLERANCE", "np.abs(apart) < 0.0"),
        ("table[\"probability\"].to_numpy(dtype=float)[suspect]", "0.5 * table[\"probability\"].to_numpy(dtype=float)[suspect]"),
    ),
)  # fmt: skip


def tree(folder: Path) -> Path:
    """Return a copy of what the repository holds and of what is not yet committed."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    for name in listed.stdout.splitlines():
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, folder / name)
    return folder


def killed(mutant: Mutant, folder: Path) -> bool:
    """Return whether the tests of a mutant fail in a copy of the tree."""
    file = folder / mutant.file
    text = file.read_text(encoding="utf-8")
    if text.count(mutant.old) != 1:
        raise SystemExit(f"{mutant.file}: {text.count(mutant.old)} times instead of once: {mutant.old}")
    file.write_text(text.replace(mutant.old, mutant.new), encoding="utf-8")
    command = [sys.executable, "-B", "-m", "pytest", "-n", "0", "-x", "-q", "-p", "no:cacheprovider"]
    try:
        done = subprocess.run(
            [*command, *mutant.tests.split()],
            cwd=folder, env={**os.environ, "PYTHONPATH": str(folder)}, capture_output=True, text=True, check=False,
        )  # fmt: skip
    finally:
        file.write_text(text, encoding="utf-8")
    if done.returncode not in (0, 1, 2):  # 2: a doctest or an import that can't even be collected
        raise SystemExit(f"pytest ended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done.returncode != 0


def main() -> None:
    """Try all mutants and print what survives."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help="mutants of files whose name holds this")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="at a time, each in a copy of its own")
    given = parser.parse_args()
    chosen = [mutant for mutant in MUTANTS if given.only in mutant.file]
    with tempfile.TemporaryDirectory() as place:
        copies: SimpleQueue[Path] = SimpleQueue()
        for number in range(given.jobs):
            copies.put(tree(Path(place) / str(number)))

        def tried(mutant: Mutant) -> bool:
            folder = copies.get()
            try:
                dead = killed(mutant, folder)
            finally:
                copies.put(folder)
            print(f"{'killed  ' if dead else 'SURVIVES'} {mutant.file}: {mutant.old.strip()[:80]}", flush=True)
            return dead

        with ThreadPoolExecutor(given.jobs) as pool:
            dead = list(pool.map(tried, chosen))
    print(f"{sum(dead)} of {len(dead)} mutants killed, {100 * sum(dead) / max(len(dead), 1):.1f} %")
    sys.exit(sum(dead) < 0.95 * len(dead))


if __name__ == "__main__":
    main()
