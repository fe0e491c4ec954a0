"""A thread beside the hearing: in order, never waited for, and nothing in it fails in silence."""

from __future__ import annotations

import threading

import pytest
from patience import PATIENCE_S, wait_until

from crackdetect.worker import Worker


def unexpected(error: BaseException) -> None:
    raise AssertionError(f"nothing was to fail, and {error!r} did")


def test_everything_is_done_in_order_and_in_another_thread() -> None:
    done: list[int] = []
    threads: set[str] = set()

    def work(item: int) -> None:
        threads.add(threading.current_thread().name)
        done.append(item)

    worker = Worker(work, name="counting", failed=unexpected)
    for item in range(100):
        worker.put(item)
    assert worker.close(within_s=PATIENCE_S)
    assert worker.close(within_s=PATIENCE_S)
    assert done == list(range(100))
    assert threads == {"counting"}


@pytest.mark.parametrize("error", [KeyError("x"), MemoryError(), SystemExit(0), KeyboardInterrupt()])
def test_what_the_work_raises_is_handed_on_and_the_next_item_is_taken(error: BaseException) -> None:
    done: list[int] = []
    failures: list[BaseException] = []

    def work(item: int) -> None:
        if item == 1:
            raise error
        done.append(item)

    worker = Worker(work, name="failing", failed=failures.append)
    for item in range(3):
        worker.put(item)
    assert worker.close(within_s=PATIENCE_S)
    assert (done, failures) == ([0, 2], [error])


class Held:
    """Work that is held until it is let go, so that what comes meanwhile waits."""

    def __init__(self) -> None:
        self.begun = threading.Event()
        self.free = threading.Event()
        self.done: list[int] = []

    def work(self, item: int) -> None:
        self.begun.set()
        self.free.wait(PATIENCE_S)
        self.done.append(item)


def test_whoever_puts_is_not_held_up_and_what_waits_may_be_arranged() -> None:
    held = Held()

    def three_largest(waiting: list[int]) -> None:
        waiting[:] = sorted(waiting, reverse=True)[:3]

    worker = Worker(held.work, name="held", failed=unexpected, arrange=three_largest)
    worker.put(0)
    held.begun.wait(PATIENCE_S)
    for item in (5, 9, 1, 7, 8):
        worker.put(item)
    assert worker.waiting == (9, 8, 7)
    held.free.set()
    assert worker.close(within_s=PATIENCE_S)
    assert held.done == [0, 9, 8, 7]


def test_the_end_waits_only_so_long_and_may_leave_undone_what_waits() -> None:
    held = Held()
    worker = Worker(held.work, name="held", failed=unexpected)
    worker.put(1)
    held.begun.wait(PATIENCE_S)
    worker.put(2)
    assert not worker.closing
    assert not worker.close(within_s=0.05, discard=True)
    assert held.done == []
    assert worker.closing
    held.free.set()
    assert worker.close(within_s=PATIENCE_S)
    assert held.done == [1]


def test_idle_comes_when_nothing_waits_and_finish_once_at_the_end() -> None:
    told: list[str] = []
    worker = Worker(
        lambda item: told.append(item),
        name="telling",
        failed=unexpected,
        idle=lambda: told.append("idle"),
        finish=lambda: told.append("finish"),
    )
    worker.put("one")
    wait_until(lambda: "idle" in told)
    assert told == ["one", "idle"]
    assert worker.close(within_s=PATIENCE_S)
    assert told == ["one", "idle", "finish"]


def test_idle_comes_again_and_again_where_that_is_asked_for() -> None:
    came = threading.Semaphore(0)
    worker = Worker(unexpected, name="idling", failed=unexpected, idle=came.release, idle_every_s=0.005)
    for _ in range(3):
        assert came.acquire(timeout=PATIENCE_S)
    assert worker.close(within_s=PATIENCE_S)
