"""What would help most next to learn a machine: first what is needed to tell whether teaching helps, then answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from crackdetect.roast.corrections import Corrections
from crackdetect.roast.record import Roast
from crackdetect.teach.comparison import LEAST
from crackdetect.teach.lesson import is_said


def advice(machine: str, recorded: Sequence[Roast], corrections: Mapping[int, Corrections]) -> str:
    """One sentence without its end.

    A roast without first crack teaches nothing at all; one where it was heard and not confirmed teaches, but judges
    nothing. Answers take a person's time at any hour, a further roast needs another batch of beans.

    Parameters
    ----------
    machine : str
        Its name, nothing for the machine without one.
    recorded : sequence of Roast
        Those of the machine that can be heard again, newest first.
    corrections : dict of int to Corrections
        By the number of the roast.
    """
    named = f' --machine "{machine}"' if machine else ""
    record = f"the next roast, recorded: crackdetect listen --record{named}"
    slip = next((one for one in recorded if one.moment("first_crack.start").may_be_a_slip), None)
    if slip is not None:
        return f"say when first crack truly began in {slip.name}: crackdetect review {slip.number}"
    unsaid = [roast for roast in recorded if not is_said(roast)]
    unknown = [roast for roast in unsaid if roast.moment("first_crack.start").at_s is None]
    if unknown or (unsaid and len(recorded) - len(unsaid) < LEAST):
        return _say_when([*unknown, *unsaid][0])
    if len(recorded) < LEAST:
        return record
    unanswered = next((one for one in recorded if one.crack_count and not corrections[one.number].cracks), None)
    if unanswered is not None:
        return f"two minutes of answers: crackdetect review {unanswered.number}"
    return _say_when(unsaid[0]) if unsaid else record


def _say_when(roast: Roast) -> str:
    return f"say when first crack began in {roast.name}: crackdetect review {roast.number}"
