"""Who does the work when an archive is judged again: this process, local processes, or a cluster. One way in for all.

A crew takes tasks and gives outcomes, in whatever order; a worker that dies loses nothing: its tasks are handed out
again, a task that killed its worker three times is given up and told. A crew writes nothing and knows no run.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any, Protocol

from rig.errors import UsageError

if TYPE_CHECKING:
    from concurrent.futures import Future

TRIES = 3
Outcome = dict[str, Any]
Work = Callable[..., Outcome]
Task = tuple[Any, ...]


class Crew(Protocol):
    """Does work(*task) for each task; gives outcomes as they come. A task given up: {"task": task, "fault": why}."""

    def __call__(self, work: Work, tasks: Sequence[Task]) -> Iterator[Outcome]: ...


def alone(work: Work, tasks: Sequence[Task]) -> Iterator[Outcome]:
    """One after the other, in this process."""
    for task in tasks:
        yield work(*task)


def processes(workers: int) -> Crew:
    """Local processes; no port is opened. Raises UsageError for fewer than one."""
    if workers < 1:
        raise UsageError(f"{workers} workers can't do anything.", next_action="Give 1 or more.")

    def crew(work: Work, tasks: Sequence[Task]) -> Iterator[Outcome]:
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
            os.environ.setdefault(name, "1")  # the processes are the threads
        waiting, suspects = deque(tasks), deque[Task]()
        while waiting:
            yield from _run_pool(work, waiting, suspects, workers)
            while suspects:
                yield _run_alone(work, suspects.popleft())

    return crew


def _run_pool(work: Work, waiting: deque[Task], suspects: deque[Task], workers: int) -> Iterator[Outcome]:
    """Work off `waiting` until nothing is left or a worker dies; what it or its colleagues had in hand is suspect."""
    from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, ProcessPoolExecutor, wait

    busy: dict[Future[Outcome], Task] = {}
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        while (waiting and not suspects) or busy:
            while waiting and not suspects and len(busy) <= workers:
                task = waiting.popleft()
                try:
                    busy[pool.submit(work, *task)] = task
                except BrokenExecutor:
                    suspects.append(task)
            for future in wait(busy, return_when=FIRST_COMPLETED).done:
                task = busy.pop(future)
                try:
                    yield future.result()
                except BrokenExecutor:
                    suspects.append(task)


def _run_alone(work: Work, task: Task) -> Outcome:
    """One suspect in a process of its own, TRIES times at most."""
    from concurrent.futures import BrokenExecutor, ProcessPoolExecutor

    for _ in range(TRIES):
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
            try:
                return pool.submit(work, *task).result()
            except BrokenExecutor:
                continue
    return {"task": task, "fault": f"its worker died {TRIES} times"}


def cluster(address: str = "", workers: int = 2, timeout_s: float = 20.0) -> Crew:
    """A Dask cluster: the scheduler at an address (tcp://...), or `workers` processes of this machine.

    Workers elsewhere need the same version of the program and the same path to the home. Raises UsageError when the
    extra `cluster` is not installed or no scheduler answers.
    """

    def crew(work: Work, tasks: Sequence[Task]) -> Iterator[Outcome]:
        try:
            dask = import_module("distributed")
        except ImportError as fault:
            raise UsageError(
                "a cluster needs a library that is not installed.", next_action="Install anglewright[cluster]."
            ) from fault
        local = None
        if not address:
            local = dask.LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None, host="127.0.0.1")
        try:
            client = dask.Client(local or address, timeout=timeout_s)
        except OSError as fault:
            raise UsageError(
                f"no scheduler answers at {address} ({fault}).", next_action="Start it, or leave the address out."
            ) from fault
        try:
            waiting = list(reversed(tasks))
            given = {}
            queue = dask.as_completed(with_results=False)
            ahead = 2 * max(workers, len(client.scheduler_info()["workers"]))
            for _ in range(min(ahead, len(waiting))):
                task = waiting.pop()
                future = client.submit(work, *task, pure=False)
                given[future.key] = task
                queue.add(future)
            for future in queue:
                task = given.pop(future.key)
                try:
                    outcome = future.result()
                except dask.scheduler.KilledWorker:
                    outcome = {"task": task, "fault": "its worker died again and again"}
                future.release()
                if waiting:
                    more = waiting.pop()
                    next_one = client.submit(work, *more, pure=False)
                    given[next_one.key] = more
                    queue.add(next_one)
                yield outcome
        finally:
            client.close()
            if local is not None:
                local.close()

    return crew
