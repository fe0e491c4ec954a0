"""``crackdetect log note``."""

from __future__ import annotations

from datetime import date

import click

from crackdetect.cli.options import roast_argument
from crackdetect.errors import SettingError
from crackdetect.terminal.lines import print_line, print_lines


@click.command(name="note")
@roast_argument
@click.argument("words", nargs=-1, metavar="[TEXT]")
@click.option(
    "--cup",
    type=click.Choice(["grassy", "under", "balanced", "over", "burnt", "stalled"]),
    help="Development in the cup.",
)
@click.option("--liking", type=click.IntRange(1, 5), help="1 would not drink it, 3 good, 5 the best so far.")
@click.option("--on", metavar="DAY", help="When it was tasted: 2026-03-04.  [default: today]")
@click.option("--remove", type=int, metavar="N", help="Removes note N of this roast instead.")
def command(
    roast: str, words: tuple[str, ...], cup: str | None, liking: int | None, on: str | None, remove: int | None
) -> None:
    """How it tasted: words, development in the cup, liking.

    \b
    grassy    hay, raw, sour: far under-developed
    under     thin, dry, sharp: under-developed
    balanced  as it should be
    over      dark, bitter, little left of the coffee's own: over-developed
    burnt     ashy, smoky: far over-developed
    stalled   flat, baked, bready: the heat stalled on the way, whatever the development

    Example: crackdetect log note last "a little dry, lemon" --cup under --liking 3
    """
    from crackdetect.roast.record import CUPS
    from crackdetect.roast.words import shown
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.terminal.roast_lines import heading, note_text, row

    try:
        day = None if on is None else date.fromisoformat(on)
    except ValueError:
        raise SettingError(f"on {on!r} is not a day; write it as 2026-03-04") from None
    with RoastLog() as log:
        found = log.find(roast)
        if remove is not None:
            log.remove_note(found, remove)
            print_line(f"removed note {remove} of {found.name} ({shown(found.coffee or found.identity)})")
            return
        number = None if cup is None else next(key for key, word in CUPS.items() if word == cup)
        made = log.note(found, text=" ".join(words), cup=number, liking=liking, tasted_on=day)
        print_lines([heading(found)])
        print_lines(row(f"note {made.number}", f"{made.tasted_on.isoformat()} {note_text(made)}"))
