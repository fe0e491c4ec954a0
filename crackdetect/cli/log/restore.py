"""``crackdetect log restore``."""

from __future__ import annotations

from pathlib import Path

import click

from crackdetect.cli.options import FILE
from crackdetect.terminal.lines import print_line


@click.command(name="restore")
@click.argument("file", type=FILE, metavar="FILE")
def command(file: Path) -> None:
    """Go back to a backup. The log as it is now is kept beside it under another name.

    End every other crackdetect first.

    Example: crackdetect log restore roasts-2026-03.sqlite3
    """
    from crackdetect.storage import log_rescue, paths
    from crackdetect.storage.log_file import FILE as LOG
    from crackdetect.storage.roast_store import RoastLog

    before = log_rescue.restore(file, paths.data_folder() / LOG)
    with RoastLog() as log:
        print_line(f"the log has {log.count():,} roasts again")
    if before is not None:
        print_line(f"the log before is kept as {before}")
