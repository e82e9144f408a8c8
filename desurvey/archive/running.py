"""Doing a work with every partition: here, in several processes, or on a cluster.

A partition is finished when its files are there and newer than all that they depend on; it is then left alone, so that
a run that was cut off goes on where it stopped. One that fails is named with its cause, and the others go on.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from desurvey.archive.folder import Archive
from desurvey.archive.work import WORKS
from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.study import Study

__all__ = ["Outcome", "run"]


@shown
@dataclass(slots=True)
class Outcome:
    """What became of the partitions.

    Attributes
    ----------
    done, skipped : list of str
        Partitions that were worked on, and those that were finished before.
    failed : dict of str to str
        Partition → cause.
    """

    done: list[str] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)


@shown
@dataclass(frozen=True, slots=True)
class Job:
    """One partition to be done: small, for it travels to a worker."""

    archive: Archive
    partition: str
    work: str
    targets: tuple[Path, ...]


def run(
    archive: Archive,
    work: str,
    folder: Path | str,
    *,
    workers: int = 1,
    scheduler: str = "",
    told: Callable[[int, int], None] | None = None,
) -> Outcome:
    """Do a work with every partition of an archive that isn't finished yet.

    Parameters
    ----------
    archive : Archive
    work : {"trace", "orient", "check", "scene"}
        A key of :data:`WORKS`.
    folder : path
        Where the work's own folder is made; every worker must see it, and the archive, under the same path.
    workers : int
        Processes on this machine; with more than one, Dask runs them.
    scheduler : str
        Address of a running Dask cluster to use instead, such as ``tcp://10.0.0.1:8786``.
    told : callable, optional
        Called with the numbers of finished and of all partitions whenever one ends.

    Returns
    -------
    Outcome

    Notes
    -----
    A worker holds one partition at a time, so its memory is bounded by the largest of them. Results go from worker to
    disk; only names travel.
    """
    kind = WORKS[work]
    target = Path(folder).resolve() / kind.name
    target.mkdir(parents=True, exist_ok=True)
    jobs = [
        Job(archive, name, work, tuple(target / f"{name}{ending}" for ending in kind.endings))
        for name in archive.partitions
    ]
    outcome = Outcome(skipped=[job.partition for job in jobs if _finished(job)])
    due = [job for job in jobs if job.partition not in set(outcome.skipped)]
    for partition, cause in _done(due, workers, scheduler):
        if cause:
            outcome.failed[partition] = cause
        else:
            outcome.done.append(partition)
        if told is not None:
            told(len(jobs) - len(due) + len(outcome.done) + len(outcome.failed), len(jobs))
    outcome.done.sort()
    return outcome


def _finished(job: Job) -> bool:
    """Return whether the files of a job are there and newer than everything they depend on."""
    sources = job.archive.files(job.partition)
    if not all(path.is_file() for path in (*job.targets, *sources)):
        return False
    return min(path.stat().st_mtime_ns for path in job.targets) > max(path.stat().st_mtime_ns for path in sources)


def _done(jobs: list[Job], workers: int, scheduler: str) -> Iterable[tuple[str, str]]:
    """Give each partition when it has ended, with the cause of its failure or nothing."""
    if workers > 1 or scheduler:
        return _by_dask(jobs, workers, scheduler) if jobs else ()
    return ((job.partition, do(job)) for job in jobs)


def do(job: Job) -> str:
    """Do one job, here; return the cause of its failure, or nothing."""
    try:
        WORKS[job.work].do(Study(job.archive.project(job.partition)), job.targets)
    except DataProblem as problem:
        return str(problem)
    except Exception as error:  # whatever it is, the other partitions must go on
        return f"{type(error).__name__}: {error}"
    return ""


def _by_dask(jobs: list[Job], workers: int, scheduler: str) -> Iterator[tuple[str, str]]:
    try:
        from distributed import Client, LocalCluster, as_completed
    except ImportError as error:
        raise DataProblem(
            "more than one worker is run by Dask, which isn't installed",
            hint="install it with: pip install 'lowside[dask]'",
        ) from error
    if scheduler:
        with Client(scheduler) as client:
            yield from _submitted(client, jobs, as_completed)
        return
    with (
        LocalCluster(
            n_workers=workers, threads_per_worker=1, dashboard_address=":0", silence_logs=logging.ERROR
        ) as cluster,
        Client(cluster) as client,
    ):
        yield from _submitted(client, jobs, as_completed)


def _submitted(client: Any, jobs: list[Job], as_completed: Callable[..., Iterable[Any]]) -> Iterator[tuple[str, str]]:
    """Give the jobs to a cluster, and each partition when it has ended; a worker that died is a cause too."""
    futures = {client.submit(do, job, pure=False): job for job in jobs}
    for future in as_completed(futures):
        error = future.exception()
        yield futures[future].partition, future.result() if error is None else f"{type(error).__name__}: {error}"
