"""From values to colours, with what a legend has to say about them."""

from __future__ import annotations

from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd

from viewer import theme

__all__ = ["Bar", "Block", "Coloured", "Entry", "coloured", "rgb"]

Bytes = npt.NDArray[np.uint8]

CLASSES_MOST = 8
"""Classes listed by name in a legend; the palette has no more colours."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of a legend: a colour, its name and how often it occurs."""

    label: str
    colour: str
    count: int | None = None


@dataclass(frozen=True, slots=True)
class Bar:
    """A colour bar of a legend."""

    cmap: str
    low: float
    high: float
    ticks: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Block:
    """A titled part of a legend: entries, or a colour bar, or both (an entry for what is missing)."""

    title: str
    symbol: str
    entries: tuple[Entry, ...] = ()
    bar: Bar | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Coloured:
    """Colours of rows and the legend that explains them.

    Attributes
    ----------
    rgb : (n, 3) uint8 array
    block : Block
    """

    rgb: Bytes
    block: Block


def rgb(colour: str) -> tuple[int, int, int]:
    """Return a ``#RRGGBB`` colour as three numbers from 0 to 255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def coloured(values: pd.Series, title: str, *, symbol: str, column: str = "", muted: bool = False) -> Coloured:
    """Return the colour of each value, by class or along a colour bar as the values are text or numbers.

    Parameters
    ----------
    values : Series
        Text or numbers; missing values are grey.
    title : str
        Heading of the legend, with the unit.
    symbol : {"disc", "tube"}
        What the legend draws beside an entry.
    column : str
        Name of the column, by which angles that run round a circle are known.
    muted : bool
        Classes in the colours of rocks, which no structure has.
    """
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        return _along_a_bar(values.to_numpy(dtype=float), title, symbol, column)
    return _by_class(values, title, symbol, muted=muted)


def _by_class(values: pd.Series, title: str, symbol: str, *, muted: bool) -> Coloured:
    names = values.fillna("").astype(str).str.strip()
    counts = names.value_counts()
    listed = _most_frequent(counts)
    palette = theme.class_colours(listed)
    if muted:
        palette = {name: theme.ROCK_COLOURS[place % len(theme.ROCK_COLOURS)] for place, name in enumerate(listed)}
    colours = np.array([rgb(theme.OTHER), *(rgb(palette[name]) for name in listed)], dtype=np.uint8)
    place = pd.Index(listed).get_indexer(pd.Index(names)) + 1
    entries = [Entry(name, palette[name], int(counts[name])) for name in listed]
    blank, rest = int(counts.get("", 0)), int(counts.drop([*listed, ""], errors="ignore").sum())
    if rest:
        entries.append(Entry(f"{len(counts) - len(listed) - bool(blank)} others", theme.OTHER, rest))
    if blank:
        entries.append(Entry("not logged", theme.OTHER, blank))
    return Coloured(colours[place], Block(title, symbol, tuple(entries)))


def _most_frequent(counts: pd.Series) -> list[str]:
    """Return the classes that are listed by name, in alphabetical order, and those that are always grey."""
    named = counts.drop(["", *theme.GREY], errors="ignore")
    grey = [name for name in theme.GREY if name in counts]
    return [*sorted(str(name) for name in named.index[:CLASSES_MOST]), *grey]


def _along_a_bar(values: npt.NDArray[np.float64], title: str, symbol: str, column: str) -> Coloured:
    cmap = theme.colour_map(column)
    known = np.isfinite(values)
    low, high, ticks = _range(values[known], column)
    share = np.clip((np.where(known, values, low) - low) / (high - low), 0.0, 1.0)
    colours = mpl.colormaps[cmap](share, bytes=True)[:, :3].copy()
    colours[~known] = rgb(theme.OTHER)
    missing = (Entry("no value", theme.OTHER, int((~known).sum())),) if not known.all() else ()
    return Coloured(colours, Block(title, symbol, missing, Bar(cmap, low, high, ticks)))


def _range(values: npt.NDArray[np.float64], column: str) -> tuple[float, float, tuple[float, ...]]:
    """Return low and high end of a colour bar and its ticks."""
    if column in theme.ANGLE_COLUMNS and (not len(values) or (values.min() >= 0.0 and values.max() <= 360.0)):
        return 0.0, 360.0, (0.0, 90.0, 180.0, 270.0, 360.0)
    low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
    if high - low < 1e-9 * max(abs(low), abs(high), 1.0):
        low, high = low - 0.5, high + 0.5
    step = theme.nice_step(high - low, 4)
    ticks = np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step
    return low, high, tuple(float(tick) for tick in ticks + 0.0)
