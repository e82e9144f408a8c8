"""How far a long piece of work is: a share of it, told to whoever wants to know.

Work that takes seconds tells a function of the caller's its share done, from 0 to 1, never less than before, and 1 at
the end. A step of the work is handed :func:`part` of that function and tells its own share, 0 to 1, in its turn.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

__all__ = ["Progress", "followed", "part", "silent"]

T = TypeVar("T")

Progress = Callable[[float], None]
"""Takes the share of the work that is done, 0 to 1."""


def silent(_share: float) -> None:
    """Take a share and tell nobody."""


def part(progress: Progress, begin: float, end: float) -> Progress:
    """Return what tells of a step that is the share ``begin`` to ``end`` of the whole.

    Examples
    --------
    >>> second_half = part(print, 0.5, 1.0)
    >>> second_half(0.5)
    0.75
    """

    def told(share: float) -> None:
        progress(begin + (end - begin) * share)

    return told


def followed(items: Sequence[T], progress: Progress) -> Iterator[T]:
    """Yield items, telling after each the share of them that is done.

    Examples
    --------
    >>> list(followed("ab", print))
    0.5
    1.0
    ['a', 'b']
    """
    for done, item in enumerate(items, start=1):
        yield item
        progress(done / len(items))
