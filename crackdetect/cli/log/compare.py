"""``crackdetect log compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from crackdetect.cli import completing
from crackdetect.cli.log.figures import check_places, draw, log_figure_options
from crackdetect.cli.options import figures_of, is_text, log_form_option, of_coffee_option
from crackdetect.errors import SettingError
from crackdetect.terminal.lines import print_lines, tell

if TYPE_CHECKING:
    from crackdetect.storage.roast_store import RoastLog


@click.command(name="compare")
@click.argument("roasts", nargs=-1, metavar="[ROAST...]", shell_complete=completing.roasts)
@of_coffee_option
@click.option(
    "--limit", type=click.IntRange(2, 8), default=5, show_default=True, help="With --coffee: how many, the newest."
)
@log_figure_options
@log_form_option
def command(
    roasts: tuple[str, ...],
    coffee: str | None,
    limit: int,
    png: Path | None,
    svg: Path | None,
    pdf: Path | None,
    replace: bool,
    form: str | None,
) -> None:
    """Roasts side by side, and their crack rates aligned at first-crack start.

    Example: crackdetect log compare --coffee "Lot Seven" --limit 5 --png last-five.png
    """
    from crackdetect.cli.log.json_roasts import print_roasts
    from crackdetect.roast import comparing
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.terminal.log_tables import compare_tables
    from crackdetect.terminal.roast_lines import sentence
    from crackdetect.terminal.tables import print_table, table_width

    wanted = figures_of(png, svg, pdf)
    check_places(wanted, replace=replace)
    if bool(roasts) == (coffee is not None):
        raise SettingError("name two or more roasts, or a coffee with --coffee; not both")
    with RoastLog() as log:
        if coffee is None:
            found = list({roast.number: roast for roast in map(log.find, roasts)}.values())
        else:
            found = log.roasts(coffee=coffee, most=limit)[::-1]
        if not 2 <= len(found) <= comparing.MOST:
            raise SettingError(_not_to_compare(log, len(found), coffee))
        notes = log.notes(found)
        records = [log.record(roast) for roast in found] if wanted else []
        if not is_text(form):
            print_roasts(log, found)
        else:
            print_lines(sentence(f"{comparing.title(found, notes)}:"))
            for table in compare_tables(found, notes, width=table_width()):
                print_table(table)
            print_lines(sentence(comparing.differs_most(found)))
            if best := comparing.liked_best(found, notes):
                print_lines(sentence(comparing.best_told(best, notes[best.number])))
    if wanted:
        from crackdetect.report import comparing_figures

        for record in records:
            if record.roast.at_s("first_crack.start") is None:
                tell(f"note: {record.roast.name} has no first crack and is not drawn")
        draw(lambda: comparing_figures.overlay(records, title=comparing.title(found, notes)), wanted, replace=replace)


def _not_to_compare(log: RoastLog, count: int, coffee: str | None) -> str:
    """Why so many roasts are too few or too many, in one sentence."""
    from crackdetect.cli.log.unknown_coffee import unknown_coffee
    from crackdetect.roast.comparing import MOST

    if count > MOST:
        return f"{count} roasts are too many to tell apart; name two to {MOST}"
    if coffee is None:
        return f"one roast has nothing to be compared with; name two to {MOST}, or a coffee with --coffee"
    if count == 1:
        return f"the log has one roast of {coffee!r}, which has nothing to be compared with; save another"
    return unknown_coffee(log, coffee)
