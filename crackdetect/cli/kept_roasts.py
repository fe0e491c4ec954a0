"""Roasts of the log that teach: heard again, and how they are heard before and after, for the commands that teach."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from crackdetect.model import Model
    from crackdetect.roast.record import RoastRecord
    from crackdetect.teach.comparison import TeachingRoast, Told

#: The newest roasts that teach, at most: the older ones count for little, and each is heard again.
MOST_ROASTS = 40


def heard_again(
    records: Sequence[RoastRecord], model: Model, data: Path, *, jobs: int
) -> list[tuple[RoastRecord, TeachingRoast]]:
    """The roasts that teach, each heard again, so many at a time; why others do not is noted."""
    from crackdetect.running.parallel import imap
    from crackdetect.terminal.progress import progress_line

    hear = partial(_hear_again, model=model, data=data)
    found = []
    with progress_line("heard again", total=len(records)) as line:
        for number, teaching in imap(hear, records, jobs=min(jobs, len(records)), ordered=True):
            if isinstance(teaching, str):
                line.note(teaching)
            else:
                found.append((records[number], teaching))
            line.advance(number + 1)
    return found


def _hear_again(record: RoastRecord, *, model: Model, data: Path) -> TeachingRoast | str:
    """What a roast teaches, or why it does not."""
    from crackdetect.audio.files import open_recording
    from crackdetect.errors import InputError
    from crackdetect.pipeline import CRACK_FROM
    from crackdetect.roast.doubtful import UNLIKELY
    from crackdetect.storage import unsaid_sounds
    from crackdetect.storage.kept_sound import own_recording
    from crackdetect.teach.comparison import TeachingRoast
    from crackdetect.teach.heard_again import answers_of, hear_again

    assert model.own_machine is not None
    try:
        with closing(open_recording(own_recording(record.roast, folder=data))) as source:
            heard = hear_again(source, samplerate=source.samplerate, model=model)
    except InputError as error:
        return str(error)
    if not heard.candidates:
        return f"nothing was heard in {record.roast.name}, so it teaches nothing"
    answers = answers_of(heard, model.own_machine)
    told = zip(heard.times, answers.probabilities.tolist(), strict=True)
    unsaid_sounds.keep(record.roast, [one for one in told if UNLIKELY <= one[1] < CRACK_FROM], folder=data)
    teaching = TeachingRoast.of(record, heard, answers)
    return teaching.lesson.question or teaching


def print_comparison(
    whose: str, before: Told, after: Told, *, titles: tuple[str, str] = ("as shipped", "taught")
) -> None:
    """A table of both. whose: which roasts they are. titles: of before and after, by what had met the other roasts."""
    from crackdetect.terminal.tables import plain_table, print_table

    table = plain_table(caption=f"{whose}, where you said when first crack began; taught by the other roasts")
    table.add_column("")
    for column in titles:
        table.add_column(column, justify="right")
    rows = [
        ("first crack announced", [f"{told.announced} of {told.roasts}" for told in (before, after)]),
        ("announced before it began", [str(told.false) for told in (before, after)]),
        ("announced after it began, mean", [_seconds(told.late_s) for told in (before, after)]),
        ("pops a minute before it began", [f"{told.pops_per_minute:.1f}" for told in (before, after)]),
    ]
    if before.asked:
        cracks, others = before.cracks, before.asked - before.cracks
        rows.append(("missed of your cracks", [f"{told.missed} of {cracks}" for told in (before, after)]))
        rows.append(("cracks that were none", [f"{told.wrong} of {others}" for told in (before, after)]))
    for title, cells in rows:
        table.add_row(title, *cells)
    print_table(table)


def spoken(name: str) -> str:
    """A machine in a sentence."""
    from crackdetect.roast.words import shown

    return f'"{shown(name)}"' if name else "the machine without a name"


def count(roasts: int) -> str:
    """So many roasts, in words."""
    return f"{roasts} roast{'' if roasts == 1 else 's'}"


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f} s"
