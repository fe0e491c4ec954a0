"""``crackdetect log``: the list of roasts, and the way to the commands of the log."""

from __future__ import annotations

import re

import click

from crackdetect.cli.lazy_group import LazyGroup
from crackdetect.cli.options import grams_of, is_text, log_form_option, of_coffee_option
from crackdetect.errors import SettingError
from crackdetect.terminal.lines import print_line

_COMMANDS = {
    "show": ("crackdetect.cli.log.show", "One roast: all that was heard, marked, corrected and tasted."),
    "edit": ("crackdetect.cli.log.edit", "Weights, names, and marks that were wrong."),
    "note": ("crackdetect.cli.log.note", "How it tasted: words, development in the cup, liking."),
    "compare": ("crackdetect.cli.log.compare", "Roasts side by side, and their crack rates in one figure."),
    "trend": ("crackdetect.cli.log.trend", "How repeatable you have been with one coffee, roast by roast."),
    "delete": ("crackdetect.cli.log.delete", "Remove roasts with their notes, after asking."),
    "export": ("crackdetect.cli.log.export", "Write the log to a file: CSV or JSON Lines."),
    "import": ("crackdetect.cli.log.import_", "Read roasts from an export, or from any CSV."),
    "backup": ("crackdetect.cli.log.backup", "Copy the whole log to a file, checked."),
    "restore": ("crackdetect.cli.log.restore", "Go back to a backup."),
    "rescue": ("crackdetect.cli.log.rescue", "Save what can still be read of a damaged log."),
}


@click.group(name="log", cls=LazyGroup, elsewhere=_COMMANDS, invoke_without_command=True)
@of_coffee_option
@click.option("--find", metavar="TEXT", help="Those with this in coffee, process, origin, machine, name or notes.")
@click.option("--since", metavar="DAY", help="From this day on: 2026-03-01, or 2026-03, or 2026.")
@click.option("--until", metavar="DAY", help="Up to and with this day.")
@click.option("--batch", metavar="WEIGHT", help="Weight of the green beans, within 5 %: 200g, 7oz.")
@click.option("--limit", type=click.IntRange(1), default=30, show_default=True, help="How many, the newest.")
@click.option("--all", "every", is_flag=True, help="All of them.")
@log_form_option
@click.pass_context
def command(
    ctx: click.Context,
    coffee: str | None,
    find: str | None,
    since: str | None,
    until: str | None,
    batch: str | None,
    limit: int,
    every: bool,
    form: str | None,
) -> None:
    """Every roast that was saved: list, look, correct, taste, compare.

    Without a command it lists them, newest first. ROAST is a number of that list, a name or its beginning, or "last",
    the one put in last. Roasts get in by 'crackdetect analyze FILE --save', or by themselves when you listen.

    Example: crackdetect log --coffee "Lot Seven" --since 2026-03
    """
    if ctx.invoked_subcommand is not None:
        if any(ctx.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE for name in ctx.params):
            raise SettingError(f"options before {ctx.invoked_subcommand!r} are for the list; put them behind it")
        return
    from crackdetect.cli.log.json_roasts import print_roasts
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.terminal.log_tables import list_table
    from crackdetect.terminal.tables import print_table, table_width

    grams = grams_of(batch)
    for name, value in (("since", since), ("until", until)):
        if value is not None and not _is_day(value):
            raise SettingError(f"{name} {value!r} is not a day; write it as 2026-03-01, 2026-03 or 2026")
    with RoastLog() as log:
        roasts = log.roasts(
            coffee=coffee, words=find, since=since, until=until, green_g=grams, most=None if every else limit
        )
        total = log.count()
        if not is_text(form):
            print_roasts(log, roasts)
        elif not total:
            print_line("The roast log is empty. Save a roast with:")
            print_line(
                "  crackdetect analyze roast.flac --charge-at 0:30 --drop-at 11:20 --save --coffee NAME --batch 200g"
            )
        elif not roasts:
            print_line(f"None of the {total:,} roasts in the log is like that.")
        else:
            print_table(list_table(roasts, log.notes(roasts), total=total, width=table_width()))


def _is_day(text: str) -> bool:
    """Whether it is a day of the calendar, or the month or year at its beginning."""
    from datetime import date

    if not re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", text, re.ASCII):
        return False
    try:
        date.fromisoformat((text + "-01-01")[:10] if len(text) == 4 else (text + "-01")[:10])
    except ValueError:
        return False
    return True
