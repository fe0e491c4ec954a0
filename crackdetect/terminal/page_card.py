"""How a phone gets to the page, shown on a terminal: the address, a code to be photographed, and who can see it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import click

from crackdetect.terminal.lines import tell


@dataclass(frozen=True, slots=True)
class PageCard:
    """What is shown.

    Attributes
    ----------
    address
        With its secret in it.
    kept_at
        Where the address stands for somebody who has no terminal.
    who
        Who can see the page, in words.
    code
        The address as lines of half blocks, black on white; empty where no phone can come.
    joined
        Whether somebody is looking at the page.
    """

    address: str
    kept_at: str
    who: str
    code: Sequence[str]
    joined: Callable[[], bool]


def tell_card(card: PageCard) -> None:
    """On standard error. The address is a secret: into a file or a pipe goes only where it is kept."""
    if not sys.stderr.isatty():
        tell(f"The page's address is in {card.kept_at}. {card.who}")
        return
    for line in card.code:
        click.echo(click.style(line, fg="black", bg="bright_white"), err=True)
    click.echo(f"The page: {card.address}", err=True)
    tell(card.who)
