"""Jobs on a Dask cluster: the same work, the same results as on this machine's own processes.

Every worker sees the folder of clips under the same path and has the same asymscreen. A killed worker costs
the job that it had, which goes to another one; a job that kills one worker after the other is given up by the
scheduler.
"""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from asymscreen.errors import UsageError
from asymscreen.workers import Lost

ANSWER_S = 15.0  # seconds for a scheduler to answer
WORKERS_S = 60.0  # seconds without any worker after which a batch stops


def run_on_cluster(
    work: Callable[[Any], Any], jobs: Sequence[Any], address: str
) -> Iterator[tuple[int, Any]]:
    """Run `work(job)` for every job on the workers of the scheduler at `address`; yields (place, result).

    A result is what `work` returned, or Lost. UsageError where distributed is not installed, the scheduler
    does not answer, or has no workers for WORKERS_S seconds.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError(
            "--cluster: expected the cluster extra, it is not installed; pip install 'asymscreen[cluster]'"
        ) from error
    try:
        connect: Any = Client
        client = connect(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError, ImportError) as error:
        raise UsageError(
            f"{address}: expected a Dask scheduler like tcp://host:8786 to answer, "
            f"got {type(error).__name__}; start it or check the address"
        ) from error
    with client:
        _need_workers(client, address)
        yield from _gather(client, work, jobs, address)


def _gather(
    client: Any, work: Callable[[Any], Any], jobs: Sequence[Any], address: str
) -> Iterator[tuple[int, Any]]:
    finished: queue.SimpleQueue[Any] = queue.SimpleQueue()
    places = {client.submit(work, job, pure=False): k for k, job in enumerate(jobs)}
    for future in places:
        future.add_done_callback(finished.put)
    while places:
        try:
            future = finished.get(timeout=WORKERS_S)
        except queue.Empty:
            _need_workers(client, address)
            continue
        place = places.pop(future)
        yield place, _result(future)
        future.release()


def _result(future: Any) -> Any:
    try:
        return future.result()
    except Exception as error:
        return Lost(f"{type(error).__name__}: {' '.join(str(error).split())[:300]}")


def _need_workers(client: Any, address: str) -> None:
    from distributed import TimeoutError as TooLong

    try:
        client.wait_for_workers(1, timeout=WORKERS_S)
    except TooLong as error:
        raise UsageError(
            f"{address}: expected a scheduler with workers, it has had none for {WORKERS_S:.0f} s; start "
            "some and run it again: what is finished is kept"
        ) from error
