"""What to say of a coffee that is not in the log."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from crackdetect.storage.roast_store import RoastLog


def unknown_coffee(log: RoastLog, coffee: str) -> str:
    """One sentence, with the name that was probably meant or those that are known."""
    from crackdetect.roast.words import near_miss, shown

    if near := near_miss(coffee, log.coffees()):
        return f"no roast of {shown(coffee)!r} is in the log; did you mean {shown(near)!r}?"
    known = ", ".join(repr(shown(name)) for name in log.coffees()[:8])
    there = f"the log knows {known}" if known else "no roast in the log has a coffee's name"
    return f"no roast of {shown(coffee)!r} is in the log; {there}"
