"""Jobs on several processes: all of them done, none twice, whatever happens to a worker."""

from __future__ import annotations

import os
import time
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest
from worker_jobs import double, fragile, gives_what_cannot_travel, log_of, noted, where

from asymscreen.workers import TRIES, Lost, _idlest, cores, run_jobs


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_every_job_gives_its_result_in_processes_of_one_thread_each() -> None:
    found = dict(run_jobs(double, range(6), workers=2, limit_s=60))
    assert {k: value for k, (value, _, _) in found.items()} == {k: 2 * k for k in range(6)}
    pids = {pid for _, pid, _ in found.values()}
    assert os.getpid() not in pids
    assert 1 <= len(pids) <= 2
    assert {threads for _, _, threads in found.values()} == {"1"}
    assert not any(alive(pid) for pid in pids)


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_a_worker_keeps_to_one_core_and_each_core_has_as_many(workers: int) -> None:
    """Only where the system can: elsewhere nothing is asked of it."""
    if not hasattr(os, "sched_getaffinity"):
        assert _idlest([]) is None
        return
    found = dict(dict(run_jobs(where, [0.5] * 2 * workers, workers=workers, limit_s=60)).values())
    assert all(len(kept) == 1 for kept in found.values())
    counts = Counter(kept[0] for kept in found.values())
    assert max(counts.values()) <= -(-workers // cores())
    assert len(os.sched_getaffinity(0)) == cores()  # this process keeps all of them


def test_no_job_no_worker() -> None:
    assert list(run_jobs(double, [], workers=2, limit_s=60)) == []


def test_two_workers_work_at_the_same_time(tmp_path: Path) -> None:
    assert len(list(run_jobs(noted, [(str(tmp_path), k, 0.5) for k in range(2)], workers=2, limit_s=60))) == 2
    kinds = [line.split()[0] for line in log_of(tmp_path)]
    assert kinds in (["begin", "begin", "end", "end"], ["begin", "end", "begin", "end"])
    # worker starts differ by more than half a second on a busy machine: then a third and fourth job overlap
    many = [(str(tmp_path), k, 0.3) for k in range(8)]
    assert len(list(run_jobs(noted, many, workers=2, limit_s=60))) == 8
    kinds = [line.split()[0] for line in log_of(tmp_path)][4:]
    assert any(a == b == "begin" for a, b in pairwise(kinds))


def test_a_job_that_kills_its_worker_is_tried_again_and_then_given_up(tmp_path: Path) -> None:
    jobs = [(str(tmp_path), how) for how in ("fine", "dies", "dies once", "leaves", "raises", "fine too")]
    found = dict(run_jobs(fragile, jobs, workers=2, limit_s=60))
    assert [found[k] for k in (0, 2, 5)] == ["fine: done", "dies once: done", "fine too: done"]
    assert found[1] == Lost(f"its worker was killed (SIGKILL), {TRIES} times")
    assert found[3] == Lost(f"its worker was killed (exit code 7), {TRIES} times")
    assert found[4] == Lost("ValueError: the sky fell")
    log = log_of(tmp_path)
    assert {how: log.count(how) for _, how in jobs} == {
        "fine": 1, "dies": TRIES, "dies once": 2, "leaves": TRIES, "raises": 1, "fine too": 1
    }  # fmt: skip


def test_a_job_over_its_time_limit_is_stopped_and_the_others_go_on(tmp_path: Path) -> None:
    jobs = [(str(tmp_path), how) for how in ("hangs", "fine")]
    begun = time.monotonic()
    found = dict(run_jobs(fragile, jobs, workers=2, limit_s=3))
    assert found == {0: Lost(f"it ran over its time limit, {TRIES} times"), 1: "fine: done"}
    assert time.monotonic() - begun < 60


def test_a_result_that_cannot_travel_costs_its_job_only() -> None:
    found = dict(run_jobs(gives_what_cannot_travel, [0], workers=1, limit_s=60))
    assert isinstance(found[0], Lost)
    assert "pickle" in found[0].reason


def test_leaving_early_ends_the_workers(tmp_path: Path) -> None:
    jobs = [(str(tmp_path), k, 0.0 if k == 0 else 600.0) for k in range(4)]
    running = run_jobs(noted, jobs, workers=2, limit_s=1000)
    assert next(running) == (0, 0)
    while len(log_of(tmp_path)) < 4:  # begin 0, end 0, and two more have begun
        time.sleep(0.02)
    running.close()  # type: ignore[attr-defined]
    assert not any(alive(int(line.split()[2])) for line in log_of(tmp_path))


def test_the_cores_are_those_that_this_process_may_use() -> None:
    before = os.sched_getaffinity(0)
    try:
        os.sched_setaffinity(0, {min(before)})
        assert cores() == 1
    finally:
        os.sched_setaffinity(0, before)
    assert cores() == len(before)


@pytest.mark.parametrize("count", [1, 2])
def test_no_more_workers_than_asked_for(count: int) -> None:
    assert len({pid for _, (_, pid, _) in run_jobs(double, range(8), workers=count, limit_s=60)}) <= count
