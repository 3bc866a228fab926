"""Many drives: over the cores of this machine, or over a Dask cluster; results come as they are ready."""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import os
import signal
import threading
from concurrent.futures import ProcessPoolExecutor, as_completed
from typing import TYPE_CHECKING, Any

from cabcanary.review.backtest.backtest import backtest
from cabcanary.review.backtest.rule_choice import hand_over, take_over

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cabcanary.review.backtest.results import DriveFault, DriveResult, Task

#: Each process takes some milliseconds to hear of a task and to answer, which short drives would feel.
_MOST_AT_A_TIME = 4
_MODULE = "cabcanary.review.backtest.backtest"


class SchedulerError(Exception):
    """The cluster cannot be reached or used; the text says why and what to do."""


def run_here(tasks: Sequence[Task], workers: int | None = None) -> Iterator[DriveResult | DriveFault]:
    """Every task's result, from all cores (or so many workers); one worker is this process itself."""
    workers = min(workers or os.cpu_count() or 1, len(tasks))
    if workers <= 1:
        yield from map(backtest, tasks)
        return
    # The first drive's rules are built here, once: drives of one vehicle mostly share them.
    yield backtest(tasks[0])
    rest = tasks[1:]
    at_a_time = max(1, min(_MOST_AT_A_TIME, len(rest) // (8 * workers)))
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([_MODULE])
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=take_over, initargs=(hand_over(),))
    try:
        with ctrl_c_kept_back():
            running = [pool.submit(_some, rest[n : n + at_a_time]) for n in range(0, len(rest), at_a_time)]
        for future in as_completed(running):
            yield from future.result()
    finally:
        # Whoever stops listening (Ctrl-C) waits for the drives under way, and for no others.
        pool.shutdown(wait=True, cancel_futures=True)


@contextlib.contextmanager
def ctrl_c_kept_back() -> Iterator[None]:
    """Ctrl-C goes to every process of a terminal. Those that are started in here never hear of it: the first process
    tells them to stop, once it has started them all. Half a start cannot be undone: a worker that its pool does not
    know of takes the word to stop from one that it waits for.

    Raises:
        KeyboardInterrupt: at the end, if Ctrl-C was pressed in between.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    pressed: list[int] = []
    # Python hears of a signal through whichever thread does not block it, so its handler is set aside as well.
    handler = signal.signal(signal.SIGINT, lambda number, _frame: pressed.append(number))
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        signal.signal(signal.SIGINT, handler)
        if pressed:
            signal.raise_signal(signal.SIGINT)


def _some(tasks: Sequence[Task]) -> list[DriveResult | DriveFault]:
    return [backtest(task) for task in tasks]


def run_on_cluster(tasks: Sequence[Task], address: str) -> Iterator[DriveResult | DriveFault]:
    """Every task's result, from the workers of a Dask scheduler; they must see the drives under the same paths.

    Raises:
        SchedulerError: there is no such scheduler, or Dask is not installed.
    """
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError as error:
        raise SchedulerError("--scheduler takes Dask: pip install 'cabcanary[cluster]'") from error
    try:
        client = distributed.Client(address, timeout="10s")
    except (OSError, ValueError, TimeoutError) as error:
        raise SchedulerError(f"there is no Dask scheduler at {address}: {error}") from error
    with client:
        if not client.scheduler_info()["workers"]:
            raise SchedulerError(f"the Dask scheduler at {address} has no workers; start one: dask worker {address}")
        running = client.map(backtest, list(tasks), pure=False)
        for future in distributed.as_completed(running):
            yield future.result()
