"""Jobs on several processes: each worker has its own pipe, so that a dead one costs only the job it had.

Workers are spawned, never forked: a forked child that holds a parent's landmarker hangs. A pool of
`concurrent.futures` breaks as a whole when one of its workers is killed; here the job goes back into the
queue, and a job that takes two workers with it is given up.

A worker keeps to one core, where the system lets it: a screen by itself uses several now and then, and
workers that all do stand in each other's way.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing import connection
from typing import Any

TRIES = 2  # a job that ends its worker so often is given up; one more could be chance, a third would not
PARTING_S = 5.0  # seconds that a worker gets to leave by itself
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Set to 1 in every worker, which has one core."""

Work = Callable[[Any], Any]


@dataclass(frozen=True)
class Lost:
    """What came of a job that gave no result: why, in a sentence."""

    reason: str


def cores() -> int:
    """Processor cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_jobs(work: Work, jobs: Sequence[Any], workers: int, limit_s: float) -> Iterator[tuple[int, Any]]:
    """Run `work(job)` for every job on so many processes; yields (place of the job, result) as they end.

    A result is what `work` returned, or Lost where it raised, or where TRIES workers died of the job or ran
    over `limit_s` seconds. `work` is a function of a module. Leaving the loop early ends the workers at once.
    """
    waiting = deque(range(len(jobs)))
    tries = [0] * len(jobs)
    lanes: list[_Lane] = []
    try:
        while waiting or any(lane.job is not None for lane in lanes):
            for lane in lanes:
                if waiting and lane.job is None:
                    lane.give(waiting.popleft(), jobs, limit_s)
            while waiting and len(lanes) < workers:
                lanes.append(_Lane(work, _idlest(lanes)))
                lanes[-1].give(waiting.popleft(), jobs, limit_s)
            for lane, result in _ended(lanes):
                job = lane.take()
                if not isinstance(result, _Died):
                    if waiting:  # before the result is looked at, so that no worker waits for that
                        lane.give(waiting.popleft(), jobs, limit_s)
                    yield job, result
                    continue
                lanes.remove(lane)
                tries[job] += 1
                if tries[job] < TRIES:
                    waiting.append(job)
                else:
                    yield job, Lost(f"{result.how}, {TRIES} times")
    except BaseException:
        for lane in lanes:
            lane.kill()
        raise
    for lane in lanes:
        lane.dismiss()


@dataclass(frozen=True)
class _Died:
    how: str


@dataclass(eq=False)
class _Lane:
    """One worker process, its pipe, the core that it keeps to, and the job that it has."""

    work: Work
    core: int | None
    job: int | None = None
    until: float = 0.0
    pipe: Any = field(init=False)
    process: Any = field(init=False)

    def __post_init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=_serve, args=(theirs, self.core), daemon=True)
        with _deaf_to_ctrl_c():
            self.process.start()
        theirs.close()

    def give(self, job: int, jobs: Sequence[Any], limit_s: float) -> None:
        self.job, self.until = job, time.monotonic() + limit_s
        with suppress(OSError):  # it died while idle: its pipe says so when it is read
            self.pipe.send((self.work, jobs[job]))

    def take(self) -> int:
        job, self.job = self.job, None
        assert job is not None
        return job

    def dismiss(self) -> None:
        with suppress(OSError):  # gone already
            self.pipe.send(None)
            self.process.join(PARTING_S)
        self.kill()

    def kill(self) -> None:
        self.process.kill()
        self.process.join()
        self.pipe.close()


def _idlest(lanes: list[_Lane]) -> int | None:
    """The core on which the fewest workers are; None where the system does not tell."""
    if not hasattr(os, "sched_getaffinity"):
        return None
    taken = [lane.core for lane in lanes]
    return min(sorted(os.sched_getaffinity(0)), key=taken.count)


def _ended(lanes: list[_Lane]) -> Iterator[tuple[_Lane, Any]]:
    """Wait until something ends: (lane, its result or _Died)."""
    busy = [lane for lane in lanes if lane.job is not None]
    soonest = min(lane.until for lane in busy) - time.monotonic()
    ready = connection.wait([lane.pipe for lane in busy], timeout=max(soonest, 0.0))
    for lane in busy:
        if lane.pipe in ready:
            try:
                result = lane.pipe.recv()
            except (EOFError, OSError):
                lane.kill()
                result = _Died(f"its worker was killed ({_ending(lane.process.exitcode)})")
            yield lane, result
        elif time.monotonic() >= lane.until and not lane.pipe.poll():
            lane.kill()
            yield lane, _Died("it ran over its time limit")


def _ending(code: int | None) -> str:
    if code is not None and code < 0:
        try:
            return signal.Signals(-code).name
        except ValueError:
            return f"signal {-code}"
    return f"exit code {code}"


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """What is started meanwhile ignores Ctrl-C, which terminals send to workers too: the parent ends them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _serve(pipe: Any, core: int | None) -> None:
    """A worker's life: one job after the other, until it is told to go or its parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    if core is not None:
        with suppress(OSError):  # a core that was taken away meanwhile: the system chooses
            os.sched_setaffinity(0, {core})
    while True:
        try:
            told = pipe.recv()  # the first imports the work, after the lines above
        except (EOFError, OSError):
            return
        if told is None:
            return
        work, job = told
        try:
            packed = pickle.dumps(work(job))
        except Exception as error:
            packed = pickle.dumps(Lost(f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"))
        with suppress(OSError):  # nobody is left to hear it
            pipe.send_bytes(packed)
