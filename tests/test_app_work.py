"""Long work of the viewer: in its own process, with a share that grows, stopped for good, and with what it is asked."""

import asyncio
import os
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import desurvey
from desurvey.decisions import Decision, Decisions
from tests.benches import layered, written
from viewer.app.work import NOT_TOLD, Stopped, Worker, answers_in

# ---- the worker: real processes, real functions -------------------------------------------------------------


def counted(steps, pause, *, progress):
    """Work a while in steps and return the process that did it."""
    for step in range(steps):
        time.sleep(pause)
        progress((step + 1) / steps)
    return os.getpid()


def counted_until(sign, *, progress):
    """Work in steps until a file is there, each share nearer to the whole."""
    step = 0
    while not Path(sign).exists():
        time.sleep(0.02)
        step += 1
        progress(1 - 0.99**step)
    return os.getpid()


def broken(*, progress):
    raise ZeroDivisionError("of its own")


def died(*, progress):
    os._exit(9)


def lives(pid):
    """Return whether a process of this machine still runs; one that ended and waits to be noted does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def run(coroutine):
    return asyncio.run(coroutine)


def test_the_share_grows_while_it_works(tmp_path):
    async def whole():
        worker, told, enough = Worker(), [], tmp_path / "enough"

        def tell(share):
            told.append(share)
            if len(told) == 3:
                enough.touch()

        following = asyncio.ensure_future(worker.follow(tell))
        pid = await worker.run(counted_until, enough)
        before = worker.share
        following.cancel()
        worker.stop()
        return pid, told, before

    pid, told, after = run(whole())
    assert pid != os.getpid()
    assert len(told) >= 3
    assert np.all(np.diff(told) > 0)
    assert told[0] > 0.0
    assert after == NOT_TOLD


def test_stopping_ends_the_process_and_the_next_work_starts_a_new_one():
    async def whole():
        worker = Worker()
        first = await worker.run(counted, 1, 0.0)
        task = asyncio.ensure_future(worker.run(counted, 1000, 0.1))
        while worker.share == NOT_TOLD:
            await asyncio.sleep(0.05)
        assert lives(first)
        worker.stop()
        with pytest.raises(Stopped):
            await asyncio.wait_for(task, 300)
        assert worker.share == NOT_TOLD
        second = await asyncio.wait_for(worker.run(counted, 1, 0.0), 300)
        worker.stop()
        return first, second

    first, second = run(whole())
    assert not lives(first)
    assert second != first


def test_work_can_be_stopped_before_its_process_has_begun():
    async def whole():
        worker = Worker()
        task = asyncio.ensure_future(worker.run(counted, 1000, 0.1))
        await asyncio.sleep(0)  # it is handed over, and no more
        worker.stop()
        with pytest.raises(Stopped):
            await asyncio.wait_for(task, 300)
        worker.stop()  # there is nothing left to stop

    run(whole())


def test_what_goes_wrong_in_the_work_comes_up_and_a_dead_process_is_replaced():
    async def whole():
        worker = Worker()
        with pytest.raises(ZeroDivisionError, match="of its own"):
            await worker.run(broken)
        with pytest.raises(RuntimeError, match="ended by itself"):
            await worker.run(died)
        assert await worker.run(counted, 1, 0.0) != os.getpid()
        worker.stop()

    run(whole())


# ---- what a line-up is asked --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Nine holes, two faults; the line of one run lies on the wrong side, and a fault pick lies in that run."""
    return written(tmp_path_factory.mktemp("work") / "layered", layered(wrong_run=("L04", 90.0)))


@pytest.fixture(scope="module")
def accused(folder):
    return desurvey.open(folder).all_suspects()


def picks_in(folder, suspect):
    """Return the ids of fault picks that lie in an accused run, read from the tables themselves."""
    table = pd.read_csv(folder / "structures.csv")
    inside = (table["hole_id"] == suspect["hole_id"]) & table["depth"].between(
        suspect["depth_from"], suspect["depth_to"]
    )
    return table.loc[inside & (table["kind"] == "fault"), "structure_id"].tolist()


def test_readings_of_a_suspect_are_distrusted_unless_put_right_or_set_aside(folder, accused):
    (one,) = (row for _, row in accused.iterrows() if row["scope"] == "run")
    named = picks_in(folder, one)
    assert len(named) == 1  # else the world is not what this test takes it for
    study, key = desurvey.open(folder), str(one["key"])
    _, doubting = answers_in(study, "fault")
    _, right = answers_in(study.accepting([key]), "fault")
    _, plain = answers_in(study.deciding(Decisions((Decision("suspect", key, "set_aside"),))), "fault")
    assert (doubting.distrusted, right.distrusted, plain.distrusted) == (1, 0, 0)
    at = list(doubting.found.names).index(named[0])
    assert doubting.found.picks.distrust[at] == pytest.approx(one["probability"])
    assert plain.found.picks.distrust[at] == right.found.picks.distrust[at] == 0.0


def test_the_share_of_a_line_up_ends_at_one(folder):
    told = []
    answers_in(desurvey.open(folder, fresh=True), "fault", progress=told.append)
    assert np.all(np.diff(told) >= 0)
    assert told[-1] == 1.0
