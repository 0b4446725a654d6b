"""Work that is spread over processes of this computer, or over a Dask cluster.

The one rule: results come in the order of the work, and are those that one process would give.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Any, TypeVar

from harness.errors import ClusterError

Task = TypeVar("Task")
Result = TypeVar("Result")

EXTRA = "pip install 'harness[cluster]'"
"""The command that installs Dask."""
BROKEN = (
    "a process of this computer that shared the work ended suddenly, probably for lack of memory; "
    "take fewer with --processes"
)
CONNECTING_SECONDS = 10
"""How long a scheduler may take to answer."""


@dataclass(frozen=True)
class Workers:
    """Who does the work: ``processes`` of this computer, or those of a Dask ``scheduler``.

    A scheduler is an address such as ``tcp://host:8786``. It, and everybody who reaches it, can
    run any code in its workers and in this process: trust it as you would a shell.
    """

    processes: int = 1
    scheduler: str = ""


HERE = Workers()
"""This process alone."""


def usable_cores() -> int:
    """Count the processor cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def spread(
    function: Callable[[Task], Result], tasks: Sequence[Task], workers: Workers = HERE
) -> list[Result]:
    """Call a function of a module with every task, in any order and process.

    Tasks and results are pickled. Raises what the function raises, and ClusterError if a process
    is lost, or the scheduler cannot be reached or loses its workers. New processes import the main
    module again: a script that asks for them has its own calls under
    ``if __name__ == "__main__":``.
    """
    if workers.scheduler:
        return _by_dask(function, tasks, workers.scheduler)
    processes = min(workers.processes, len(tasks))
    if processes <= 1:
        return [function(task) for task in tasks]
    # Ctrl-C reaches the processes too: they end at once, and say nothing of it.
    ends = signal.SIGINT, signal.SIG_DFL
    with ProcessPoolExecutor(processes, get_context("spawn"), signal.signal, ends) as pool:
        try:
            return list(pool.map(function, tasks))
        except BrokenProcessPool as error:
            raise ClusterError(BROKEN) from error


def _by_dask(
    function: Callable[[Task], Result], tasks: Sequence[Task], scheduler: str
) -> list[Result]:
    if importlib.util.find_spec("distributed") is None:
        raise ClusterError(f"a scheduler needs the package distributed; install it: {EXTRA}")
    distributed: Any = importlib.import_module("distributed")
    try:
        client = distributed.Client(scheduler, timeout=CONNECTING_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:
        message = f"no Dask scheduler answers at {scheduler}: {error}; check the address"
        raise ClusterError(message) from error
    with client:
        waiting = client.map(function, tasks, pure=False)
        try:
            results: list[Result] = client.gather(waiting)
        except (distributed.KilledWorker, CancelledError) as error:
            lost = str(error) or "the scheduler went away"
            raise ClusterError(f"the cluster at {scheduler} lost its workers: {lost}") from error
    return results
