"""What the shell completes: what click knows of commands and options, and besides it roasts and coffees of the log."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import TYPE_CHECKING, TypeVar

import click
from click.shell_completion import BashComplete, CompletionItem, add_completion_class

from crackdetect.errors import CrackdetectError

if TYPE_CHECKING:
    from crackdetect.storage.roast_store import RoastLog

_Found = TypeVar("_Found")
#: With this in the environment the program answers the shell instead of the person; click gives it its name.
VARIABLE = "_CRACKDETECT_COMPLETE"
#: Roasts that are proposed, the newest.
_MOST = 30


class _Bash(BashComplete):
    """Bash takes a proposal as it stands, and a space within it must not end the word; its script reads backslashes."""

    def format_completion(self, item: CompletionItem[str]) -> str:
        return f"{item.type},{item.value.replace(' ', 2 * chr(92) + ' ')}"


def register() -> None:
    """To be called before the shell is answered."""
    add_completion_class(_Bash)


def coffees(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem[str]]:
    """Coffees of the log that begin so, in any case."""
    named = _of_log(lambda log: log.coffees())
    # the shells' scripts divide what they are told at commas
    return [CompletionItem(name) for name in named if _begins(name, incomplete) and not set(name) & set(",\"'\\$`")]


def machines(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem[str]]:
    """Machines of the log that begin so, in any case."""
    named = _of_log(lambda log: list(dict.fromkeys(roast.machine for roast in log.roasts() if roast.machine)))
    return [CompletionItem(name) for name in named if _begins(name, incomplete) and not set(name) & set(",\"'\\$`")]


def roasts(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem[str]]:
    """Numbers of the newest roasts, each with its coffee and day."""
    known = _of_log(lambda log: log.roasts(most=_MOST))
    said = [("last", "the roast put in last")] if known else []
    said += [(str(roast.number), f"{roast.coffee or roast.identity}, {roast.day}") for roast in known]
    return [CompletionItem(number, help=what) for number, what in said if number.startswith(incomplete)]


def roasts_and_files(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem[str]]:
    """The same, and what lies in the folder."""
    return [*roasts(ctx, param, incomplete), CompletionItem(incomplete, type="file")]


def _begins(name: str, incomplete: str) -> bool:
    return name.casefold().startswith(incomplete.casefold())


def _of_log(read: Callable[[RoastLog], Iterable[_Found]]) -> list[_Found]:
    """What is read of the log; nothing where there is none, or where it cannot be read."""
    from crackdetect.storage import paths
    from crackdetect.storage.log_file import FILE
    from crackdetect.storage.roast_store import RoastLog

    with suppress(CrackdetectError, OSError):
        if (paths.data_folder() / FILE).exists():
            with RoastLog() as log:
                return list(read(log))
    return []
