"""Threads that run layers: work shared between those that are free, memory that each keeps."""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor, wait
from functools import cache

from eo_risk.physics.layer_response import Room

THREADS = 2


class _Kept(threading.local):
    def __init__(self) -> None:
        self.room = Room()


_KEPT = _Kept()


def kept_room() -> Room:
    """Return the memory this thread keeps from one single layer to the next."""
    return _KEPT.room


class _Crew:
    """Helpers of all runs: those side by side do not crowd each other out."""

    def __init__(self) -> None:
        self.helpers = ThreadPoolExecutor(THREADS - 1, thread_name_prefix="layers")
        self._lock, self._busy = threading.Lock(), 0

    def join(self) -> int:
        """Count a caller and the helpers still free as busy; return the number of the latter."""
        with self._lock:
            free = max(0, THREADS - 1 - self._busy)
            self._busy += 1 + free
        return free

    def leave(self, helpers: int) -> None:
        """Count a caller and its helpers as free again."""
        with self._lock:
            self._busy -= 1 + helpers


@cache
def _crew() -> _Crew:
    return _Crew()


# A process that forks keeps the crew but not its threads.
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_crew.cache_clear)


def share(one: Callable[..., None], chunks: Iterable[tuple]) -> None:
    """Call `one` with every chunk, here and in the threads no other run uses.

    Raises what went wrong in any chunk.
    """
    left, crew = deque(chunks), _crew()

    def work() -> None:
        while left:
            try:
                chunk = left.popleft()
            except IndexError:  # another thread took the last one
                return
            one(*chunk)

    helpers = crew.join()
    try:
        helped = [crew.helpers.submit(work) for _ in range(helpers)]
        try:
            work()
        finally:
            wait(helped)
        for each in helped:
            each.result()
    finally:
        crew.leave(helpers)
