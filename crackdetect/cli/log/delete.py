"""``crackdetect log delete``."""

from __future__ import annotations

import sys

import click

from crackdetect.cli import completing
from crackdetect.errors import SettingError
from crackdetect.terminal.lines import print_line, tell


@click.command(name="delete")
@click.argument("roasts", nargs=-1, required=True, metavar="ROAST...", shell_complete=completing.roasts)
@click.option("--yes", is_flag=True, help="Do not ask.")
def command(roasts: tuple[str, ...], yes: bool) -> None:
    """Remove roasts with their notes, after asking. Recordings stay where they are.

    Example: crackdetect log delete 12
    """
    from crackdetect.roast.words import shown
    from crackdetect.storage import paths, unsaid_sounds
    from crackdetect.storage.roast_store import RoastLog

    with RoastLog() as log:
        found = list({roast.number: roast for roast in map(log.find, roasts)}.values())
        for roast in found:
            tell(f"{roast.name}: {shown(roast.coffee or roast.identity)}, {roast.day}")
        if not yes:
            if not sys.stdin.isatty():
                raise SettingError("deleting asks first, and nobody can answer here; add --yes if you mean it")
            click.confirm("Delete for good?", abort=True, err=True)
        log.delete(found)
        still = {roast.recording_sha256 for roast in log.roasts()}
        for roast in found:
            if roast.recording_sha256 not in still:
                unsaid_sounds.forget(roast, folder=paths.data_folder())
        print_line(f"deleted {len(found)} roast{'s' if len(found) != 1 else ''}")
