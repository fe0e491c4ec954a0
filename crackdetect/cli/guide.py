"""``crackdetect guide``: the manual in the terminal, from the Markdown pages in ``crackdetect/guide``."""

from __future__ import annotations

import difflib
import re
import shutil
import sys
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import TYPE_CHECKING

import click

from crackdetect.errors import SettingError

if TYPE_CHECKING:
    from rich.console import Console

#: The page that lists the others; on the web it is what the folder shows.
_LIST = "README"
#: Longer lines tire the eye.
_WIDEST = 100
#: A link from one page of the guide to another.
_LINK = re.compile(r"\[[^\]]+\]\(([a-z-]+)\.md\)")


@click.command(name="guide")
@click.argument(
    "topic", required=False, shell_complete=lambda ctx, param, begun: [one for one in topics() if one.startswith(begun)]
)
def command(topic: str | None) -> None:
    """Read the manual, one page a topic. Without TOPIC: the list of pages.

    Into a pipe or file goes the page's Markdown as it is.

    Example: crackdetect guide first-roast
    """
    text = page(topic)
    if not sys.stdout.isatty():
        sys.stdout.write(text)
        return
    size = shutil.get_terminal_size()
    shown = rendered(text, width=min(size.columns, _WIDEST))
    if shown.count("\n") < size.lines:
        sys.stdout.write(shown)
    else:
        click.echo_via_pager(shown)


def topics() -> list[str]:
    """The name of every page, sorted."""
    return sorted(name.removesuffix(".md") for name in _names() if name != f"{_LIST}.md")


def page(topic: str | None) -> str:
    """The Markdown of a page.

    Parameters
    ----------
    topic : str or None
        One of :func:`topics`, in any case; None for the list of pages.

    Raises
    ------
    SettingError
        When there is no such page; with the nearest name.
    """
    name = _LIST if topic is None else topic.casefold().removesuffix(".md")
    if topic is not None and name not in topics():
        near = difflib.get_close_matches(name, topics(), n=1, cutoff=0.5)
        hint = f"did you mean {near[0]!r}?" if near else "'crackdetect guide' lists the pages"
        raise SettingError(f"the guide has no page {topic!r}; {hint}")
    return (_folder() / f"{name}.md").read_text(encoding="utf-8")


def rendered(text: str, *, width: int) -> str:
    """Markdown as a terminal of ``width`` columns shows it.

    A link to another page becomes the command that shows it. Only bold and underlined: the colours are the terminal's
    own, light or dark.
    """
    from rich.markdown import Markdown

    linked = _LINK.sub(r"`crackdetect guide \1`", text)
    without_languages = re.sub(r"^( *)```\w+$", r"\1```", linked, flags=re.MULTILINE)
    console = _console(width)
    with console.capture() as shown:
        console.print(Markdown(without_languages, code_theme="ansi_dark", hyperlinks=False))
    return shown.get()


def _folder() -> Traversable:
    return files("crackdetect") / "guide"


def _names() -> list[str]:
    return [entry.name for entry in _folder().iterdir() if entry.name.endswith(".md")]


def _console(width: int) -> Console:
    from rich.console import Console
    from rich.theme import Theme

    looks = {
        "bold": ("h1", "h2", "h3", "code", "table.header"),
        "underline": ("link", "link_url"),
        "dim": ("table.border",),
        "none": ("code_block", "item.bullet", "item.number"),
    }
    styles = {f"markdown.{name}": look for look, names in looks.items() for name in names}
    return Console(width=width, theme=Theme(styles), highlight=False)
