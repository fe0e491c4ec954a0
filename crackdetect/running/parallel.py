"""Many recordings at a time: processes of this computer, or an existing Dask cluster. The answers are the same.

Each item is one task. A task whose worker dies is begun again on another, for it is seldom the recording's fault; one
that kills every worker which takes it is given up, and told, so that the others go on.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
import traceback
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from functools import partial
from itertools import islice
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from typing import Any, Generic, Never, TypeVar

from crackdetect.errors import CrackdetectError, InputError, MissingPartError
from crackdetect.running.signals import ended_by_signals

Item = TypeVar("Item")
Answer = TypeVar("Answer")
_Work = Callable[[Item, threading.Event], Answer]
#: Seconds in which the scheduler of a cluster must answer, and have a worker.
_CONNECT_S = 10
#: So many workers of this computer may die of a task until it is given up; on a cluster its scheduler says (usually 4).
MOST_DEATHS = 3
#: Exit code of a worker that was ended (128 + SIGINT, as shells have it).
_ENDED = 130
# spawn is the one way that works alike on all systems and with threads about
_SPAWN = get_context("spawn")


def imap(
    function: Callable[[Item], Answer],
    items: Iterable[Item],
    *,
    jobs: int = 1,
    cluster: str | None = None,
    ordered: bool = False,
) -> Iterator[tuple[int, Answer]]:
    """Index and answer of each item, as soon as it is ready. Ctrl-C ends the workers at once. Main thread only.

    Parameters
    ----------
    function, items
        What is done with each item; both must be picklable. Items are taken as workers come free.
    jobs
        Processes here, 1 or more; 1 = none but this one.
    cluster
        Address of a Dask scheduler (``tcp://host:8786``), whose workers have this package and see the same files;
        ``jobs`` then does not matter.
    ordered
        In the order of the items, else in any.

    Raises
    ------
    MissingPartError
        When the packages for a cluster are missing.
    InputError
        When the cluster does not answer, has no worker, or is lost.
    CrackdetectError
        When an item kills every worker that takes it.
    Exception
        What ``function`` raised.
    """
    work: _Work[Item, Answer] = partial(_unasked, function)
    found = _answers(work, items, jobs=jobs, cluster=cluster, lost=_give_up, at_once=True)
    return _in_order(found) if ordered else found


def imap_until_interrupted(
    function: Callable[[Item, threading.Event], Answer],
    items: Iterable[Item],
    *,
    lost: Callable[[Item], Answer],
    jobs: int = 1,
    cluster: str | None = None,
) -> Iterator[tuple[int, Answer]]:
    """As :func:`imap`, but on Ctrl-C what is under way is told to end, and its answers come; a second one ends all.

    On a cluster Ctrl-C ends it at once: what is under way there is not waited for.

    Parameters
    ----------
    function
        Also gets what is set when the person interrupts.
    lost
        The answer for an item that kills every worker which takes it.
    items, jobs, cluster
        See :func:`imap`.

    Raises
    ------
    KeyboardInterrupt
        After these answers.
    """
    return _answers(function, items, jobs=jobs, cluster=cluster, lost=lost, at_once=False)


def _answers(
    work: _Work[Item, Answer],
    items: Iterable[Item],
    *,
    jobs: int,
    cluster: str | None,
    lost: Callable[[Item], Answer],
    at_once: bool,
) -> Iterator[tuple[int, Answer]]:
    if cluster is not None:
        yield from _on_cluster(work, items, cluster, lost)
    elif jobs > 1:
        yield from _by_workers(work, items, jobs, lost, at_once=at_once)
    else:
        stop = threading.Event()
        for i, item in enumerate(items):
            yield i, work(item, stop)
            if stop.is_set():
                raise KeyboardInterrupt


def _unasked(function: Callable[[Item], Answer], item: Item, stop: threading.Event) -> Answer:
    """For work that does not ask whether it has been interrupted."""
    return function(item)


def _give_up(item: object) -> Never:
    raise CrackdetectError("worker processes ended without an answer, again and again (out of memory?); use --jobs 1")


def _in_order(found: Iterator[tuple[int, Answer]]) -> Iterator[tuple[int, Answer]]:
    early: dict[int, Answer] = {}
    due = 0
    for i, answer in found:
        early[i] = answer
        while due in early:
            yield due, early.pop(due)
            due += 1


# -- here --------------------------------------------------------------------------------------------------------


class _Done(Generic[Answer]):
    """What became of a task."""

    def __init__(self, answer: Answer | None = None, error: Exception | None = None) -> None:
        self._answer, self._error = answer, error

    def answer(self) -> Answer:
        """Raises what the work raised."""
        if self._error is not None:
            raise self._error
        return self._answer  # type: ignore[return-value]


class _Worker(Generic[Item, Answer]):
    """A process, and what it is at work on."""

    def __init__(self, work: _Work[Item, Answer], ending: Connection, *, at_once: bool) -> None:
        self.connection, its_end = _SPAWN.Pipe()
        self.task: tuple[int, Item] | None = None
        self._process = _SPAWN.Process(target=_serve, args=(its_end, ending, work, at_once), daemon=True)
        with _born_deaf():
            self._process.start()
        its_end.close()  # so that its death is the end of what can be read here

    def begin(self, task: tuple[int, Item]) -> None:
        """Gives it a task."""
        self.task = task
        with suppress(OSError):  # it is dead, which shows when its answer is read
            self.connection.send(task[1])

    def done(self) -> _Done[Answer] | None:
        """What became of its task; None: it has died."""
        self.task = None
        try:
            done: _Done[Answer] = self.connection.recv()
        except (EOFError, OSError):
            return None
        return done

    def end(self) -> None:
        """Waits until it has ended, as it does without a connection."""
        self.connection.close()
        self._process.join()


def _by_workers(
    work: _Work[Item, Answer], items: Iterable[Item], jobs: int, lost: Callable[[Item], Answer], *, at_once: bool
) -> Generator[tuple[int, Answer], None, None]:
    """A worker gets the next item when it has answered, so that a folder of any size is held in bounded memory."""
    todo, again, deaths = enumerate(items), deque[tuple[int, Item]](), dict[int, int]()
    ending, go_on = _SPAWN.Pipe(duplex=False)
    workers: list[_Worker[Item, Answer]] = []

    def occupy() -> None:
        """Gives every idle worker a task, and begins as many as are allowed."""
        idle = [worker for worker in workers if worker.task is None]
        while not go_on.closed and (idle or len(workers) < jobs):
            task = again.popleft() if again else next(todo, None)
            if task is None:
                return
            if not idle:
                workers.append(_Worker(work, ending, at_once=at_once))
                idle.append(workers[-1])
            idle.pop().begin(task)

    with ExitStack() as stack:
        if not at_once:
            stack.enter_context(ended_by_signals(lambda name: go_on.close(), "SIGINT"))
        try:
            occupy()
            while busy := {worker.connection: worker for worker in workers if worker.task is not None}:
                for worker in [busy[ready] for ready in wait(list(busy))]:  # type: ignore[index]
                    assert worker.task is not None
                    i, item = worker.task
                    found = worker.done()
                    if found is None:
                        worker.end()
                        workers.remove(worker)
                        deaths[i] = deaths.get(i, 0) + 1
                        if deaths[i] < MOST_DEATHS:
                            again.append((i, item))
                            occupy()
                            continue
                        found = _Done(lost(item))
                    occupy()
                    yield i, found.answer()
            if go_on.closed:
                raise KeyboardInterrupt
        finally:
            go_on.close()
            for worker in workers:
                worker.end()
            ending.close()


@contextmanager
def _born_deaf() -> Iterator[None]:
    """A process that is started here ignores Ctrl-C, in the midst of whose imports it would end with a traceback."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _serve(connection: Connection, ending: Connection, work: _Work[Any, Any], at_once: bool) -> None:
    """A worker's life. Ctrl-C reaches every process of a terminal; what it goes by is its starter's closed pipe."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    stop = threading.Event()

    def watch() -> None:
        with suppress(EOFError, OSError):
            ending.recv()
        stop.set()
        if at_once:
            os._exit(_ENDED)

    threading.Thread(target=watch, name="ending", daemon=True).start()
    with closing(connection), suppress(EOFError, OSError):  # whoever gave the work has gone
        while True:
            item = connection.recv()
            connection.send(_done(work, item, stop))


def _done(work: _Work[Item, Answer], item: Item, stop: threading.Event) -> _Done[Answer]:
    try:
        return _Done(work(item, stop))
    except Exception as error:  # whatever it is, it is raised where the answer is awaited
        error.add_note("".join(traceback.format_exception(error)))
        return _Done(error=error)


# -- on a cluster ------------------------------------------------------------------------------------------------


def _on_cluster(
    work: _Work[Item, Answer], items: Iterable[Item], address: str, lost: Callable[[Item], Answer]
) -> Iterator[tuple[int, Answer]]:
    """Two tasks a thread of the cluster are under way at a time: none waits for the next, and few are held."""
    client = _client(address)
    import distributed

    finished: Any = distributed.as_completed(loop=client.loop)  # type: ignore[no-untyped-call]
    todo, under_way = enumerate(items), dict[Any, tuple[int, Item]]()
    with client:
        while True:
            with _told_when_lost(address):
                threads = sum(client.nthreads().values())
            for i, item in islice(todo, max(0, 2 * max(1, threads) - len(under_way))):
                with _told_when_lost(address):
                    future = client.submit(_alone, work, item, pure=False)
                    finished.add(future)
                under_way[future] = i, item
            if not under_way:
                return
            future = next(finished)
            i, item = under_way.pop(future)
            if future.status == "error":
                try:
                    answer = future.result()
                except distributed.KilledWorker:
                    answer = lost(item)
            else:
                with _told_when_lost(address):
                    answer = future.result()
            yield i, answer


@contextmanager
def _told_when_lost(address: str) -> Iterator[None]:
    """What a cluster raises that does not answer any more, some ten seconds after it was lost."""
    import distributed

    try:
        yield
    except (OSError, TimeoutError, distributed.CancelledError):
        raise InputError(f"the Dask cluster at {address} was lost; see that it runs, and try again") from None


def _alone(work: _Work[Item, Answer], item: Item) -> Answer:
    """On a cluster nobody tells a worker of the interrupt."""
    return work(item, threading.Event())


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise MissingPartError.of("cluster") from None
    logging.getLogger("distributed.client").setLevel(logging.CRITICAL)  # a lost cluster is told in one sentence
    try:
        client: Any = Client(address, timeout=_CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError):
        raise InputError(
            f"no Dask scheduler answers at {address}; start one with 'dask scheduler', or leave --cluster out"
        ) from None
    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
    except TimeoutError:
        client.close()
        raise InputError(f"the cluster at {address} has no worker; start one with 'dask worker {address}'") from None
    return client
