"""What would help most next to learn a machine: first what is needed to tell whether teaching helps, then answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from crackdetect.roast.corrections import Corrections
from crackdetect.roast.record import Roast
from crackdetect.teach.comparison import LEAST
from crackdetect.teach.lesson import is_said


def advice(machine: str, roasts: Sequence[Roast], corrections: Mapping[int, Corrections]) -> str:
    """One sentence without its end.

    Answers come before a further roast: with twenty a roast, two roasts teach twice what their marks alone do
    (``deciding/DECISIONS.md``).

    Parameters
    ----------
    machine : str
        Its name, nothing for the machine without one.
    roasts : sequence of Roast
        Those of the machine, newest first.
    corrections : dict of int to Corrections
        By the number of the roast.
    """
    recorded = [roast for roast in roasts if roast.recording is not None]
    named = f' --machine "{machine}"' if machine else ""
    record = f"the next roast, recorded: crackdetect listen --record{named}"
    slip = next((one for one in recorded if one.moment("first_crack.start").may_be_a_slip), None)
    if slip is not None:
        return f"say when first crack truly began in {slip.name}: crackdetect review {slip.number}"
    said = [roast for roast in recorded if is_said(roast)]
    unsaid = next((roast for roast in recorded if roast not in said), None)
    if len(said) < LEAST:
        if unsaid is None:
            return record
        return f"say when first crack began in {unsaid.name}: crackdetect review {unsaid.number}"
    unanswered = next((one for one in recorded if one.crack_count and not corrections[one.number].cracks), None)
    if unanswered is not None:
        return f"two minutes of answers: crackdetect review {unanswered.number}"
    if unsaid is not None:
        return f"say when first crack began in {unsaid.name}: crackdetect review {unsaid.number}"
    return record
