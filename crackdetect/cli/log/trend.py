"""``crackdetect log trend``."""

from __future__ import annotations

from pathlib import Path

import click

from crackdetect.cli.completing import coffees
from crackdetect.cli.log.figures import check_places, draw, log_figure_options
from crackdetect.cli.options import figures_of, is_text, log_form_option
from crackdetect.errors import SettingError


@click.command(name="trend")
@click.option("--coffee", metavar="NAME", shell_complete=coffees, required=True)
@log_figure_options
@log_form_option
def command(coffee: str, png: Path | None, svg: Path | None, pdf: Path | None, replace: bool, form: str | None) -> None:
    """How repeatable you have been with one coffee, roast by roast.

    Example: crackdetect log trend --coffee "Lot Seven" --png trend.png
    """
    from crackdetect.cli.log.json_roasts import print_roasts
    from crackdetect.cli.log.unknown_coffee import unknown_coffee
    from crackdetect.roast.comparing import trend_of, verdict
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.terminal.lines import print_lines
    from crackdetect.terminal.log_tables import trend_table
    from crackdetect.terminal.roast_lines import sentence
    from crackdetect.terminal.tables import print_table, table_width

    wanted = figures_of(png, svg, pdf)
    check_places(wanted, replace=replace)
    with RoastLog() as log:
        found = log.roasts(coffee=coffee)
        if not found:
            raise SettingError(unknown_coffee(log, coffee))
        trend = trend_of(found)
        if not is_text(form):
            print_roasts(log, trend.roasts)
        else:
            if trend.roasts:
                print_table(trend_table(trend, log.notes(trend.roasts), width=table_width()))
            print_lines(sentence(verdict(trend)))
    if wanted:
        if not trend.roasts:
            raise SettingError("no roast of this coffee has a development, so there is nothing to draw")
        from crackdetect.report import comparing_figures

        draw(lambda: comparing_figures.trend(trend), wanted, replace=replace)
