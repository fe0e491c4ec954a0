"""Many recordings at a time: processes of this computer, or an existing Dask cluster. The answers are the same."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from typing import Any, TypeVar

from crackdetect.errors import InputError, MissingPartError

Item = TypeVar("Item")
Answer = TypeVar("Answer")
#: Seconds in which the scheduler of a cluster must answer.
_CONNECT_S = 10


def imap(
    function: Callable[[Item], Answer],
    items: Iterable[Item],
    *,
    jobs: int = 1,
    cluster: str | None = None,
    ordered: bool = False,
) -> Iterator[tuple[int, Answer]]:
    """Index and answer of each item, as soon as it is ready.

    Parameters
    ----------
    function, items
        What is done with each item; both must be picklable.
    jobs
        Processes here, 1 or more.
    cluster
        Address of a Dask scheduler (``tcp://host:8786``), whose workers have this package and see the same files;
        ``jobs`` then does not matter.
    ordered
        In the order of the items, else in any.

    Raises
    ------
    MissingPartError
        When the packages for it are missing.
    InputError
        When the cluster does not answer.
    """
    try:
        from joblib import Parallel, delayed, parallel_config
    except ModuleNotFoundError:
        raise (MissingPartError.of("train") if cluster is None else MissingPartError.of("cluster")) from None

    # joblib starts a worker anew that holds much more than at first, as all do once they have read the real sounds; for
    # the life of the process, which does nothing else
    warnings.filterwarnings("ignore", "A worker stopped while some jobs were given", UserWarning)
    with ExitStack() as stack:
        if cluster is not None:
            stack.enter_context(_client(cluster))
            stack.enter_context(parallel_config(backend="dask"))
        pool = Parallel(
            n_jobs=jobs if cluster is None else None, return_as="generator" if ordered else "generator_unordered"
        )
        yield from pool(delayed(_numbered)(function, i, item) for i, item in enumerate(items))


def _numbered(function: Callable[[Item], Answer], i: int, item: Item) -> tuple[int, Answer]:
    return i, function(item)


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise MissingPartError.of("cluster") from None
    try:
        return Client(address, timeout=_CONNECT_S, set_as_default=True)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError):
        raise InputError(
            f"no Dask scheduler answers at {address}; start one with 'dask scheduler', or leave --cluster out"
        ) from None
