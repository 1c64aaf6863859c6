"""Work on several cores within one process: for compiled loops, which leave Python's lock to others while they run."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

MOST = 4
"""Threads at most: between the compiled loops only one of them runs at a time, so more would mostly wait."""

_here = threading.local()
_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def cores() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def each(function: Callable[[_Item], _Result], items: Iterable[_Item]) -> list[_Result]:
    """``function`` of every item, in order, on as many threads as there are cores (at most MOST).

    The function must change nothing that the others read; what it raises is raised here, the first item's first. Within
    such a function it is a plain loop. Threads end with the call, so that a process forked later finds none half-alive.
    """
    todo = list(items)
    workers = min(MOST, cores(), len(todo))
    if workers < 2 or getattr(_here, "busy", False):
        return [function(item) for item in todo]
    with ThreadPoolExecutor(workers, initializer=_mark) as pool:
        return list(pool.map(function, todo))


def _mark() -> None:
    _here.busy = True
