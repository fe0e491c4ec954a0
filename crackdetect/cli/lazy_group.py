"""A group of commands, each imported only when it is called."""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Mapping, Sequence
from typing import Any

import click


class LazyGroup(click.Group):
    """A group that knows its commands by name, so that ``--help`` imports none of them.

    Parameters
    ----------
    elsewhere
        By name: the module that holds the command as ``command``, and one line of help.
    sections
        Names under the titles of the help, in its order; ``None``: all under one.
    below
        Where commands are that one might look for here.
    """

    def __init__(
        self,
        *args: Any,
        elsewhere: Mapping[str, tuple[str, str]],
        sections: Mapping[str, Sequence[str]] | None = None,
        below: Mapping[str, str] | None = None,
        **attributes: Any,
    ) -> None:
        super().__init__(*args, **attributes)
        self._elsewhere = elsewhere
        self._sections = sections or {"Commands": list(elsewhere)}
        self._below = below or {}

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the help."""
        return list(self._elsewhere)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that was typed. Raises UsageError with the one that was probably meant."""
        # click proposes only what it has imported, and some versions propose nothing
        if args[0] in self._below and not ctx.resilient_parsing:
            raise click.UsageError(f"No such command {args[0]!r}. Did you mean {self._below[args[0]]!r}?", ctx)
        near = [] if ctx.resilient_parsing else difflib.get_close_matches(args[0], self._elsewhere, n=1)
        if near and near[0] != args[0]:
            raise click.UsageError(f"No such command {args[0]!r}. Did you mean {near[0]!r}?", ctx)
        return super().resolve_command(ctx, args)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Imports a command; ``None`` where there is none of that name."""
        if cmd_name not in self._elsewhere:
            return None
        command: click.Command = importlib.import_module(self._elsewhere[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Writes the list of commands of the help."""
        longest = max(map(len, self._elsewhere))
        for title, names in self._sections.items():
            with formatter.section(title):
                formatter.write_dl([(name.ljust(longest), self._elsewhere[name][1]) for name in names])
