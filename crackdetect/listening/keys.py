"""The keys of a person at the roaster, and what each of them says."""

from __future__ import annotations

#: key -> (mark, word on the board). ``n`` takes back the newest statement, ``e`` ends the roast.
MARKING = {
    "c": ("charge", "charge"),
    "f": ("first_crack.start", "first crack now"),
    "s": ("second_crack.start", "second crack"),
    "d": ("drop", "drop"),
}
TAKE_BACK = "n"
END = "e"
#: In the order of a roast.
WORDS = (
    ("c", "charge"),
    ("f", "first crack"),
    (TAKE_BACK, "not yet"),
    ("s", "second crack"),
    ("d", "drop"),
    (END, "end"),
)
