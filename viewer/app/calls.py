"""What a page may call and write, checked before anything is done: known names, kinds of values, sizes and counts.

A page of this program never sends anything else, so what doesn't fit is refused: no traceback, no message to the
other tabs, nothing that is kept, and a line at level INFO only, for a flood of calls must not fill the terminal.
"""

from __future__ import annotations

import functools
import inspect
import logging
import math
import types
from collections.abc import Callable, Mapping
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from trame_server.core import Server
from trame_server.protocol import CoreServer
from wslink import register

__all__ = ["checked", "guard", "misfit", "unfit"]

log = logging.getLogger("lowside.app")

LONGEST_TEXT = 2_000
MOST_ITEMS = 1_000_000
LARGEST_NUMBER = 1e9
"""Limits of a text in characters, of a list in items, and of a number: coordinates in metres stay far below it."""

HALF_TYPED = 40
"""Longest text that may stand for a number while a person types it, characters."""

CHOICES: dict[str, tuple[str, ...]] = {
    "look": ("light", "dark"),
    "drawing": ("here", "server"),
    "suspicion": ("all", "suspect", "clear"),
    "finding_severity": ("all", "error", "warning", "note"),
}
"""State that has one of a few words."""

RANGES = {"disc_size": (0.1, 10.0), "depth_from": (0.0, 1e5), "depth_to": (0.0, 1e5)}
"""State that a slider moves."""

WRITTEN = frozenset({
    *CHOICES, *RANGES, "holes_by", "discs_by", "kinds_on", "grades_on", "sets_on", "holes_on", "by_width", "doubt",
    "depths", "aim_easting", "aim_northing", "aim_elevation", "aim_azimuth", "aim_dip", "aim_length", "aim_on",
    "aim_level", "list_all", "list_find", "why", "dragged", "message", "lineup_kind", "sets_kind",
})  # fmt: skip
"""State that the page's controls write; all other names are the server's own."""


def misfit(value: object, hint: Any) -> bool:
    """Return whether a value that came from a page is not what a type hint says, or too large.

    Examples
    --------
    >>> misfit(3, int), misfit(True, int), misfit(float("nan"), float), misfit([1, "a"], list[int])
    (False, True, True, True)
    """
    kind, inner = get_origin(hint) or hint, get_args(hint)
    if kind in (Union, types.UnionType):
        return all(misfit(value, one) for one in inner)
    if kind is Literal:
        return value not in inner
    if kind is Any:
        return not _small(value)
    if kind is bool or kind is types.NoneType:
        return not isinstance(value, kind)
    if kind is str:
        return not isinstance(value, str) or len(value) > LONGEST_TEXT
    if kind in (int, float):
        numbers = int if kind is int else (int, float)
        return isinstance(value, bool) or not isinstance(value, numbers) or not abs(value) <= LARGEST_NUMBER
    if kind is list:
        return not isinstance(value, list) or len(value) > MOST_ITEMS or any(misfit(one, inner[0]) for one in value)
    return not isinstance(value, Mapping) or not _small(value)  # a dictionary: its reader checks what stands in it


def _small(value: object, deep: int = 6) -> bool:
    """Return whether a value is plain, finite and not large, down to a few levels."""
    if isinstance(value, str):
        return len(value) <= LONGEST_TEXT
    if isinstance(value, int | float):
        return math.isfinite(value)
    inside = [*value.keys(), *value.values()] if isinstance(value, dict) else value
    if isinstance(inside, list) and deep and len(inside) <= LONGEST_TEXT:
        return all(_small(one, deep - 1) for one in inside)
    return value is None


def unfit(method: Callable[..., Any], args: tuple[Any, ...], named: Mapping[str, Any]) -> str:
    """Return why a method can't be called so, empty where it can."""
    signature, hints = inspect.signature(method), get_type_hints(inspect.unwrap(method))
    try:
        bound = signature.bind(*args, **named).arguments
    except TypeError as error:
        return str(error)
    for name, given in bound.items():
        each = given if signature.parameters[name].kind is inspect.Parameter.VAR_POSITIONAL else [given]
        if any(misfit(one, hints[name]) for one in each):
            return f"{name} is not as it should be"
    return ""


def checked(method: Callable[..., Any]) -> Callable[..., Any]:
    """Return a method that a page may call: a call that doesn't fit its signature is refused."""

    @functools.wraps(method)
    def call(*args: Any, **named: Any) -> Any:
        wrong = unfit(method, args, named)
        return _refused(f"call of {method.__name__}", wrong) if wrong else method(*args, **named)

    return call


def guard(server: Server) -> None:
    """Let a server take only what the page's controls write, and calls in their right form."""

    def put_before(root: CoreServer) -> None:
        root.__class__ = _Guarded  # the library makes the object itself, and reads its calls off the class

    server.add_protocol_to_configure(put_before)


def _writable(state: Any, key: object, value: object) -> bool:
    """Return whether a page may write a value under a name of state."""
    if not isinstance(key, str) or key not in WRITTEN:
        return False
    if key in RANGES:
        low, high = RANGES[key]
        return isinstance(value, int | float) and not misfit(value, float) and low <= value <= high
    if key in CHOICES:
        return value in CHOICES[key]
    now = state[key]
    if isinstance(now, list):
        return not misfit(value, list[str])
    if key.startswith("aim_") and not isinstance(now, bool):  # typed in boxes, and so half typed at times
        return not misfit(value, float) or (isinstance(value, str) and len(value) <= HALF_TYPED)
    return not misfit(value, type(now))


def _refused(what: str, why: str) -> None:
    log.info("refused: %.60s: %.200s", what, why)


class _Guarded(CoreServer):
    """The server's side of the web socket; the names of its calls are those of trame's client."""

    @register("trame.state.update")
    def update_state(self, *given: Any, **named: Any) -> None:
        changes = given[0] if len(given) == 1 and not named else None
        fits = isinstance(changes, list) and all(
            isinstance(one, dict) and _writable(self.server.state, one.get("key"), one.get("value")) for one in changes
        )
        if not fits:
            return _refused("writing of state", repr(changes))
        super().update_state(changes)
        return None

    @register("trame.trigger")
    async def trigger(self, *given: Any, **named: Any) -> Any:
        name, args, more = (*given, {})[:3] if len(given) in (2, 3) and not named else (None, None, None)
        known = isinstance(name, str) and isinstance(args, list) and isinstance(more, dict)
        if not known or self.server.controller.trigger_fn(name) is None:
            return _refused("trigger", repr(given))
        return await super().trigger(name, args, more)

    @register("trame.force.push")
    def force_push_state(self, *keys: Any) -> None:
        known = [key for key in keys if isinstance(key, str) and self.server.state.has(key)]
        super().force_push_state(*known)

    @register("trame.lifecycle.update")
    def life_cycle_update(self, *given: Any, **_named: Any) -> None:
        """Nothing here waits for a page's beginnings and ends."""

    @register("trame.error.client")
    def js_error(self, *given: Any, **_named: Any) -> None:
        log.info("the page says: %.500s", given[0] if given else "")
