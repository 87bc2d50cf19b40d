"""The same jobs on a real Dask scheduler with two workers, each a process of its own, one of them killed."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from set_maker import Beat, SetPlan, film
from worker_jobs import fragile, log_of, noted

from asymscreen import cluster
from asymscreen.cli import cli
from asymscreen.cluster import run_on_cluster
from asymscreen.errors import UsageError
from asymscreen.motion.tidy import write_tracks
from asymscreen.workers import Lost

TESTS = Path(__file__).parent
QUIET = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join([str(TESTS), str(TESTS.parent)]),
    "DASK_DISTRIBUTED__WORKER__DAEMON": "False",
    "OPENBLAS_NUM_THREADS": "1",
}


class Farm:
    """A scheduler and its workers, processes of their own."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self._start("scheduler", "distributed.cli.dask_scheduler", "--port", "0", "--no-dashboard")
        self.address = self._address()

    def _start(self, name: str, module: str, *arguments: str) -> None:
        command = [sys.executable, "-W", "ignore", "-m", module, "--host", "127.0.0.1", *arguments]
        with (self.place / f"{name}.log").open("w") as log:
            self.processes[name] = subprocess.Popen(
                command, stdout=log, stderr=log, cwd=self.place, env=QUIET
            )

    def _address(self) -> str:
        for _ in range(600):
            found = re.search(r"tcp://127\.0\.0\.1:\d+", (self.place / "scheduler.log").read_text())
            if found:
                return found.group()
            time.sleep(0.1)
        raise AssertionError((self.place / "scheduler.log").read_text())

    def add_worker(self, name: str, *arguments: str) -> None:
        """A worker of one thread that dies with its process: no nanny starts it again."""
        self._start(
            name, "distributed.cli.dask_worker", self.address, "--nthreads", "1", "--no-nanny",
            "--no-dashboard", "--name", name, "--local-directory", str(self.place), *arguments,
        )  # fmt: skip

    def kill(self, name: str) -> None:
        self.processes[name].send_signal(signal.SIGKILL)
        self.processes[name].wait()

    def close(self) -> None:
        for process in self.processes.values():
            process.kill()
            process.wait()


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Farm]:
    made = Farm(tmp_path)
    try:
        yield made
    finally:
        made.close()


def wait_for(condition: object) -> None:
    until = time.monotonic() + 60
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < until, "it never came to that"
        time.sleep(0.02)


def test_a_killed_worker_costs_one_job_and_nothing_is_lost_or_done_twice(farm: Farm, tmp_path: Path) -> None:
    farm.add_worker("first")
    farm.add_worker("second")
    jobs = [(str(tmp_path), k, 0.5) for k in range(12)]
    found: list[tuple[int, int]] = []
    (tmp_path / "log").touch()
    running = threading.Thread(target=lambda: found.extend(run_on_cluster(noted, jobs, farm.address)))
    running.start()
    victim = str(farm.processes["first"].pid)
    # in the middle of its third job: what it ended before has been fetched by then
    wait_for(
        lambda: sum(line.startswith("begin") and line.endswith(victim) for line in log_of(tmp_path)) == 3
    )
    time.sleep(0.2)
    farm.kill("first")
    running.join(timeout=60)
    assert sorted(found) == [(k, k) for k in range(12)]
    ended = [line.split()[1] for line in log_of(tmp_path) if line.startswith("end")]
    begun = [line.split()[1] for line in log_of(tmp_path) if line.startswith("begin")]
    assert sorted(ended, key=int) == [str(k) for k in range(12)]
    assert len(begun) == 13  # only the job that the killed worker had was begun again
    assert {line.split()[2] for line in log_of(tmp_path)} == {
        str(p.pid) for n, p in farm.processes.items() if n != "scheduler"
    }


def test_a_batch_on_a_cluster_gives_what_a_batch_here_gives(farm: Farm, tmp_path: Path) -> None:
    farm.add_worker("first")
    farm.add_worker("second")
    folder = tmp_path / "in"
    folder.mkdir()
    tracks, _ = film(SetPlan((Beat(), Beat())), "foot end 45", noise_px=1.0)
    write_tracks(tracks, folder / "set.csv")
    (folder / "notes.mp4").write_text("no clip at all", encoding="utf-8")
    outs = tmp_path / "there", tmp_path / "here"
    ways = ["--cluster", farm.address], ["--workers", "1"]
    for out, way in zip(outs, ways, strict=True):
        result = CliRunner().invoke(
            cli, ["batch", str(folder), "--out", str(out), "--image-size", "1280x720", *way]
        )
        assert result.exit_code == 0, result.output
        assert "2 clips, 2 of them done now: 1 screened." in result.output
    for name in ("screens.csv", "index.html", "screens/set.csv/screen.json"):
        assert (outs[0] / name).read_bytes() == (outs[1] / name).read_bytes()


def test_what_a_job_raises_is_its_result(farm: Farm, tmp_path: Path) -> None:
    farm.add_worker("first")
    found = dict(run_on_cluster(fragile, [(str(tmp_path), "raises"), (str(tmp_path), "fine")], farm.address))
    assert found == {0: Lost("ValueError: the sky fell"), 1: "fine: done"}


def test_no_worker_in_time_is_one_sentence(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "WORKERS_S", 0.5)
    with pytest.raises(UsageError, match="it has had none for"):
        list(run_on_cluster(noted, [1], farm.address))


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense://x", "127.0.0.1"])
def test_no_scheduler_is_one_sentence(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "ANSWER_S", 1.0)
    with pytest.raises(UsageError, match="expected a Dask scheduler like tcp://host:8786 to answer"):
        list(run_on_cluster(noted, [1], address))
