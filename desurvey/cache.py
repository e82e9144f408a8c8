"""Results that took long, kept from one run of the program to the next.

They lie in a folder of the user's (``LOWSIDE_CACHE`` names another; ``LOWSIDE_CACHE=off`` keeps nothing), each under a
hash of all that it was made from, the program's own code among it. So no result can be stale; an entry that is damaged,
or a folder that can't be written, costs the time of working it out anew and no more.
"""

from __future__ import annotations

import functools
import hashlib
import logging
import os
import warnings
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
import pandas as pd
import platformdirs

from desurvey import __version__

__all__ = ["cache_folder", "engine_code", "fingerprint", "is_kept", "recalled"]

T = TypeVar("T")

MOST_BYTES = 500_000_000
"""Size of the folder above which what was not used for longest goes."""


def cache_folder() -> Path | None:
    """Return the folder in which results are kept; None where nothing is to be kept."""
    wanted = os.environ.get("LOWSIDE_CACHE", "")
    if wanted == "off":
        return None
    return Path(wanted) if wanted else platformdirs.user_cache_path("lowside", appauthor=False)


def recalled(what: str, key: str, work: Callable[[], T], *, fresh: bool = False) -> T:
    """Return the result of some work, from the cache where it is there.

    Parameters
    ----------
    what : str
        Name of the result.
    key : str
        Hash of all that it depends on (:func:`fingerprint`).
    work : callable
        Works it out; the result can be pickled.
    fresh : bool
        Go around the cache: work it out, and keep that.
    """
    folder = cache_folder()
    if folder is None:
        return work()
    memory = _memory(folder)
    if memory is None:
        return work()
    logging.getLogger("joblib").setLevel(logging.ERROR)  # a damaged entry is worked out anew; nobody need hear of it
    kept = memory.cache(_worked_out, ignore=["work"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the same of a full disk
        known = not fresh and kept.check_call_in_cache(what, key, work)
        result = kept.call(what, key, work)[0] if fresh else kept(what, key, work)
        if not known:
            memory.reduce_size(bytes_limit=MOST_BYTES)
    return cast("T", result)


def is_kept(what: str, key: str) -> bool:
    """Return whether the cache holds the result of some work (:func:`recalled`)."""
    folder = cache_folder()
    memory = None if folder is None else _memory(folder)
    return memory is not None and bool(memory.cache(_worked_out, ignore=["work"]).check_call_in_cache(what, key, None))


def _worked_out(what: str, key: str, work: Callable[[], Any]) -> Any:
    return work()


@functools.cache
def _memory(folder: Path) -> Any:
    from joblib import Memory  # a tenth of a second, and many commands keep nothing

    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError:
        return None
    return Memory(folder, verbose=0) if os.access(folder, os.W_OK) else None


def fingerprint(parts: Iterable[object]) -> str:
    """Return a hash of tables, arrays, what holds them, values that ``repr`` says whole, and the engine's own code."""
    whole = hashlib.sha256(engine_code().encode())
    for part in parts:
        whole.update(_bytes(part))
        whole.update(b"\x1e")  # a border, so that no two lists of parts run into the same bytes
    return whole.hexdigest()


def _bytes(part: object) -> bytes:
    if isinstance(part, pd.DataFrame):
        head = repr([(str(name), str(kind)) for name, kind in part.dtypes.items()]).encode()
        return head + pd.util.hash_pandas_object(part, index=False).to_numpy().tobytes() if len(part) else head
    if isinstance(part, np.ndarray):
        return repr((part.dtype, part.shape)).encode() + part.tobytes()
    inside: Iterable[object] | None = None
    if is_dataclass(part) and not isinstance(part, type):  # its repr may be a summary
        inside = (getattr(part, item.name) for item in fields(part))
    elif isinstance(part, Mapping):
        inside = (one for item in part.items() for one in item)
    elif isinstance(part, list | tuple):
        inside = part
    if inside is None:
        return repr(part).encode()
    return f"{type(part).__name__}(".encode() + b"\x1f".join(map(_bytes, inside)) + b")"


@functools.cache
def engine_code() -> str:
    """Return the version of the program, and a hash of the engine's code: a developer changes one without the other."""
    code = hashlib.sha256(__version__.encode())
    for path in sorted(Path(__file__).parent.rglob("*.py")):
        code.update(path.read_bytes())
    return code.hexdigest()
