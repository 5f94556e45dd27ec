"""One way to run independent tasks on the cores, results in the order of the tasks.

The kernels and the compression release the interpreter's lock, so threads are enough. The order
of the results is that of the tasks whatever the number of workers, and only a few tasks are under
way at once, so memory stays flat.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

__all__ = ["cores", "run_in_order"]

_Task = TypeVar("_Task")
_Result = TypeVar("_Result")


def cores() -> int:
    """Cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not every system has it
        return os.cpu_count() or 1


def run_in_order(
    work: Callable[[_Task], _Result], tasks: Iterable[_Task], jobs: int, ahead: int = 0
) -> Iterator[_Result]:
    """Yield work(task) for each task, in order, on `jobs` workers.

    ahead: how many results may wait for whoever takes them; a few for each worker unless given. More
    where the taker is busy for longer than the workers with those few.
    """
    if jobs <= 1:
        yield from map(work, tasks)
        return
    with ThreadPoolExecutor(jobs, thread_name_prefix="layoutgen") as pool:
        waiting: deque[Future[_Result]] = deque()
        try:
            for task in tasks:
                waiting.append(pool.submit(work, task))
                if len(waiting) > max(ahead, 4 * jobs):
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()
