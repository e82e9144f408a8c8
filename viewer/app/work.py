"""Long work in a process of its own, so that the page stays quick, sees how far it is, and a person can stop it.

That process imports this module, so what it may be asked stands here, and nothing here knows of a picture or a page:
they would double its start.
"""

from __future__ import annotations

import asyncio
import ctypes
import multiprocessing
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from threading import Thread
from typing import TypeVar, cast

import numpy as np
import numpy.typing as npt

from desurvey import sphere
from desurvey.progress import Progress
from desurvey.study import Answers, Study
from desurvey.suspects import Weighed

__all__ = ["NOT_TOLD", "Stopped", "Worker", "answers_in", "found_sets", "weighed_in"]

T = TypeVar("T")

NOT_TOLD = -1.0
"""The share of work that has not told any yet."""

LOOK_S = 0.2
"""Seconds between two looks at the share."""


class Stopped(Exception):  # noqa: N818 - it is what a person wanted, not an error
    """The work was stopped before it was done."""


class Worker:
    """Runs one piece of work at a time in another process.

    The process is started fresh (*spawn*), for a copy of one that holds threads and a graphics context would not be
    sound. What is run has to be a function of a module, with arguments and a result that can be pickled; it is handed
    ``progress`` besides (:mod:`desurvey.progress`), and what it tells comes over in memory that both processes share.
    """

    def __init__(self) -> None:
        self._context = multiprocessing.get_context("spawn")
        self._share = self._context.RawValue(ctypes.c_double, NOT_TOLD)  # one number, written whole: needs no lock
        self._pool: ProcessPoolExecutor | None = None

    @property
    def share(self) -> float:
        """Share of the work that is done, 0 to 1; ``NOT_TOLD`` before it tells and when there is none."""
        return float(self._share.value)

    async def run(self, function: Callable[..., T], *arguments: object) -> T:
        """Return what a function returns.

        Raises
        ------
        Stopped
            When it was stopped.
        Exception
            Whatever the function raises.
        """
        if self._pool is None:
            self._pool = ProcessPoolExecutor(1, mp_context=self._context, initializer=_begin, initargs=(self._share,))
        pool, self._share.value = self._pool, NOT_TOLD
        try:
            return await asyncio.wrap_future(pool.submit(_telling, function, arguments))
        except (BrokenProcessPool, asyncio.CancelledError) as error:
            if self._pool is not pool:
                raise Stopped from error
            if isinstance(error, asyncio.CancelledError):
                raise  # it is not the work that ends, but whoever waits for it
            self._pool = None
            raise RuntimeError("its process has ended by itself, perhaps for want of memory") from error
        finally:
            self._share.value = NOT_TOLD

    async def follow(self, tell: Callable[[float], None]) -> None:
        """Tell whenever the share has changed, until cancelled."""
        told = NOT_TOLD
        while True:
            await asyncio.sleep(LOOK_S)
            if self.share != told:
                told = self.share
                tell(told)

    def stop(self) -> None:
        """End the process with whatever it is doing; the next piece of work starts a new one."""
        if self._pool is None:
            return
        pool, self._pool = self._pool, None
        manager = cast("Thread | None", pool._executor_manager_thread)
        for process in list((pool._processes or {}).values()):
            process.kill()
        pool.shutdown(wait=False, cancel_futures=True)
        if manager is not None:
            manager.join(END_S)  # or Python, ending at the same moment, wakes it through a pipe that it has closed


END_S = 1.0
"""Seconds at most that the thread beside a killed process has to end; it takes milliseconds."""

_told = ctypes.c_double(NOT_TOLD)
"""Where work in this process tells its share."""


def _begin(share: ctypes.c_double) -> None:
    """Take over the memory in which to tell shares; the process that works begins with it."""
    global _told
    _told = share


def _telling(function: Callable[..., T], arguments: tuple[object, ...]) -> T:
    """Return what a function returns that tells its share."""
    told = _told

    def progress(share: float) -> None:
        told.value = share

    return function(*arguments, progress=progress)


def weighed_in(study: Study, *, progress: Progress | None = None) -> Weighed:
    """Return what is weighed in a study."""
    return study.weighed(progress=progress)


def answers_in(study: Study, kind: str, *, progress: Progress | None = None) -> tuple[Weighed, Answers]:
    """Return all suspects of a study, and its line-up."""
    answers = study.lineup(kind, progress=progress)
    return study.weighed(), answers


def found_sets(normal: npt.NDArray[np.float64], progress: Progress) -> sphere.Sets:
    """Return the sets of poles, shape (n, 3); how many there are to try is not known, so no progress is told."""
    return sphere.find_sets(normal)
