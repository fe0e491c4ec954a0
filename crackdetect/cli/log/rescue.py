"""``crackdetect log rescue``."""

from __future__ import annotations

from pathlib import Path

import click

from crackdetect.cli.options import FILE
from crackdetect.terminal.lines import print_line


@click.command(name="rescue")
@click.argument("file", required=False, type=FILE, metavar="[FILE]")
@click.option("--out", type=FILE, metavar="NEW", help="Where to; stays a copy.")
def command(file: Path | None, out: Path | None) -> None:
    """Save what can still be read of a damaged log (FILE; default: the log itself).

    Without --out the log is put right: what was saved takes its place, and the damaged file is kept beside it under
    another name.

    Example: crackdetect log rescue
    """
    from crackdetect.storage import log_rescue, paths
    from crackdetect.storage.log_file import FILE as LOG

    own = paths.data_folder() / LOG
    damaged = file or own
    if out is None and file is None:
        saved, kept = log_rescue.rescue_in_place(own)
        then = f"they are the log now; the damaged file is kept as {kept}"
    else:
        target = out or damaged.with_name(f"{damaged.stem}-rescued{damaged.suffix}")
        saved = log_rescue.rescue(damaged, target)
        then = f"written to {target}; {damaged} is as it was"
    lacks = f", {saved.incomplete:,} of them not whole" if saved.incomplete else ", all of them whole"
    print_line(f"saved {saved.roasts:,} roast{'s' if saved.roasts != 1 else ''}{lacks} ({saved.rows:,} rows)")
    print_line(then)
