"""Long work in a process of its own, so that the page stays quick and a person can stop it."""

from __future__ import annotations

import asyncio
import multiprocessing
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

__all__ = ["Stopped", "Worker"]

T = TypeVar("T")


class Stopped(Exception):  # noqa: N818 - it is what a person wanted, not an error
    """The work was stopped before it was done."""


class Worker:
    """Runs one piece of work at a time in another process.

    The process is started fresh (*spawn*), for a copy of one that holds threads and a graphics context would not be
    sound. What is run has to be a function of a module, with arguments and a result that can be pickled.
    """

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None

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
            self._pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))
        try:
            return await asyncio.get_running_loop().run_in_executor(self._pool, function, *arguments)
        except BrokenProcessPool as error:
            raise Stopped from error

    def stop(self) -> None:
        """End the process with whatever it is doing; the next piece of work starts a new one."""
        if self._pool is None:
            return
        pool, self._pool = self._pool, None
        for process in list((pool._processes or {}).values()):
            process.kill()
        pool.shutdown(wait=False, cancel_futures=True)
