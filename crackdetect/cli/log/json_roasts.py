"""Roasts of the log as JSON Lines on standard output."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from crackdetect.terminal.lines import print_line

if TYPE_CHECKING:
    from crackdetect.roast.record import Roast
    from crackdetect.storage.roast_store import RoastLog


def print_roasts(log: RoastLog, roasts: Sequence[Roast], *, series: bool = False) -> None:
    """One object a roast. series: with every crack, density and trouble, in which a list would drown."""
    from crackdetect.roast.record import RoastRecord
    from crackdetect.storage import exchange_json

    notes, corrections = ({}, {}) if series else (log.notes(roasts), log.corrections(roasts))
    for roast in roasts:
        if series:
            record = log.record(roast)
        else:
            record = RoastRecord(roast, notes=notes[roast.number], corrections=corrections[roast.number])
        content = exchange_json.to_json(record)
        if not series:
            for name in ("cracks", "density", "troubles"):
                del content[name]
        print_line(json.dumps(content, ensure_ascii=False))
