"""``crackdetect settings``."""

from __future__ import annotations

import json
import os
from typing import Any

import click

from crackdetect.cli.completing import coffees
from crackdetect.cli.options import is_text
from crackdetect.terminal.lines import print_line, tell


@click.command(name="settings")
@click.option("--coffee", metavar="NAME", shell_complete=coffees, help="Also what is remembered of this coffee.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    help="A table to read, or one JSON object. Default: text on a terminal, json into a pipe or file.",
)
def command(coffee: str | None, form: str | None) -> None:
    """Show what holds for the next roast, and where each value comes from.

    An option of 'listen' comes before the environment (CRACKDETECT_TARGET for --target), that before the settings file
    (target = "1:45"), that before the last roast or plan of the same coffee, that before the default. They hold for
    'listen'; other commands know their options only. The file is plain TOML; its place is in the first line.

    Example: crackdetect settings --coffee "Meadow Lane"
    """
    from crackdetect.settings.known import KNOWN
    from crackdetect.settings.precedence import resolve
    from crackdetect.settings.remembered import last_of
    from crackdetect.settings.renamed import convert
    from crackdetect.settings.shown import shown_value
    from crackdetect.storage import paths

    path = paths.settings_file()
    convert(path, tell=tell)
    held = resolve({"coffee": coffee}, environment=os.environ, path=path, last_of=last_of)
    shown = {known.name: shown_value(known.name, held[known.name].value) for known in KNOWN}
    if not is_text(form):
        told = {
            name: {"value": _plain(held[name].value, value), "origin": held[name].origin}
            for name, value in shown.items()
        }
        print_line(json.dumps({"file": str(path), "settings": told}, ensure_ascii=False))
        return
    print_line(f"Settings file: {path}{'' if path.exists() else ' (there is none yet)'}")
    print_line()
    for known in KNOWN:
        value = shown[known.name]
        text = "-" if value is None else value
        print_line(f"{known.name:<20} {text:<20} {held[known.name].origin}".rstrip())
        print_line(f"{'':<4}{known.what}")


def _plain(value: Any, shown: str | None) -> bool | int | str | None:
    """What JSON has a form for as it is; times, weights and targets as they are written, for a number has no unit."""
    return value if isinstance(value, bool | int) else shown
