"""``crackdetect log show``."""

from __future__ import annotations

import click

from crackdetect.cli.options import is_text, log_form_option, roast_argument


@click.command(name="show")
@roast_argument
@log_form_option
def command(roast: str, form: str | None) -> None:
    """One roast: all that was heard, marked, corrected and tasted.

    Example: crackdetect log show last
    """
    from crackdetect.cli.log.json_roasts import print_roasts
    from crackdetect.roast.usual_start import usual_before
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.terminal.lines import print_lines
    from crackdetect.terminal.roast_lines import roast_lines

    with RoastLog() as log:
        found = log.find(roast)
        if is_text(form):
            print_lines(roast_lines(log.record(found), usual=usual_before(log.roasts(), found)))
        else:
            print_roasts(log, [found], series=True)
