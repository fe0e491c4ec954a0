"""``crackdetect log backup``."""

from __future__ import annotations

from pathlib import Path

import click

from crackdetect.cli.options import FILE, replace_option
from crackdetect.errors import SettingError
from crackdetect.terminal.lines import print_line


@click.command(name="backup")
@click.argument("file", type=FILE, metavar="FILE")
@replace_option()
def command(file: Path, replace: bool) -> None:
    """Copy the whole log to FILE, checked, while it may be in use. 'crackdetect log restore FILE' goes back to it.

    Example: crackdetect log backup roasts-2026-03.sqlite3
    """
    from crackdetect.storage import atomic_file
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.storage.schema import is_log

    with RoastLog() as log:
        place = atomic_file.place_of(file, replace=replace)
        if place == log.path.resolve():
            raise SettingError(f"{file} is the log itself; name another file")
        if place.exists() and place.stat().st_size and not is_log(place):
            raise SettingError(f"{file} is no roast log and is not replaced by a backup; name another file")
        log.backup(place)
        print_line(f"copied {log.count():,} roasts to {file}")
