"""Work shared between threads: all of it once, whoever asks, and no failure lost."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from eo_risk.physics.layer_threads import kept_room, share


def test_every_chunk_is_worked_through_once_by_two_threads():
    done, threads = [], set()

    def one(first, second):
        time.sleep(0.01)
        done.append((first, second))
        threads.add(threading.get_ident())

    chunks = [(i, i + 1) for i in range(12)]
    share(one, chunks)
    assert sorted(done) == chunks
    assert threading.get_ident() in threads
    assert len(threads) == 2


def test_runs_side_by_side_do_not_crowd_each_other():
    """Four callers at once work through their own chunks, at most one of them helped."""
    lock, threads = threading.Lock(), set()
    start = threading.Barrier(4)

    def one(_):
        time.sleep(0.01)
        with lock:
            threads.add(threading.get_ident())

    def call(_):
        start.wait()
        share(one, [(i,) for i in range(6)])
        return threading.get_ident()

    with ThreadPoolExecutor(4) as pool:
        callers = set(pool.map(call, range(4)))
    assert callers <= threads
    assert len(threads - callers) <= 1


@pytest.mark.parametrize("where", ["caller", "helper"])
def test_what_goes_wrong_in_a_chunk_is_raised_and_the_threads_are_free_again(where):
    caller = threading.get_ident()

    def one(number):
        time.sleep(0.01)
        if (threading.get_ident() == caller) == (where == "caller"):
            raise ArithmeticError(f"chunk {number}")

    for _ in range(3):
        with pytest.raises(ArithmeticError, match="chunk"):
            share(one, [(i,) for i in range(6)])
    test_every_chunk_is_worked_through_once_by_two_threads()


def test_each_thread_keeps_its_own_memory():
    mine = kept_room()
    with ThreadPoolExecutor(1) as pool:
        theirs, again = pool.submit(kept_room).result(), pool.submit(kept_room).result()
    assert kept_room() is mine
    assert theirs is again
    assert theirs is not mine
