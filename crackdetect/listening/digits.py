"""A clock in digits that can be read across a kitchen.

Digits are drawn on a grid of 3 by 5 points (own drawing), each point a block of full cells. A terminal's cell is about
twice as high as wide, so a point is twice as many columns as rows. At two metres a character should be some 12 mm high
(20 minutes of arc and more, ISO 9241-303, from memory); ten rows of an 80 by 24 terminal on a laptop are 60 to 90 mm.
"""

from __future__ import annotations

ROWS = 5
#: Points of each character, a row a word; wide ones are three points, the colon and the dot are one.
_POINTS = {
    "0": ("###", "#.#", "#.#", "#.#", "###"),
    "1": (".#.", "##.", ".#.", ".#.", "###"),
    "2": ("###", "..#", "###", "#..", "###"),
    "3": ("###", "..#", ".##", "..#", "###"),
    "4": ("#.#", "#.#", "###", "..#", "..#"),
    "5": ("###", "#..", "###", "..#", "###"),
    "6": ("###", "#..", "###", "#.#", "###"),
    "7": ("###", "..#", "..#", ".#.", ".#."),
    "8": ("###", "#.#", "###", "#.#", "###"),
    "9": ("###", "#.#", "###", "..#", "###"),
    ":": (".", "#", ".", "#", "."),
    "-": ("...", "...", "###", "...", "..."),
}
CHARACTERS = frozenset(_POINTS)
_BLOCK = "█"


def large(text: str, *, columns: int, rows: int) -> list[str]:
    """Lines of equal length, as large as fit into ``columns`` by ``rows``; at least one point a cell pair.

    Raises ValueError for a character that is not one of CHARACTERS: a defect of ours.
    """
    if missing := set(text) - CHARACTERS:
        raise ValueError(f"no large drawing of {', '.join(sorted(missing))}")
    points = sum(len(_POINTS[character][0]) for character in text) + len(text) - 1
    scale = max(1, min(rows // ROWS, columns // (2 * points)))
    lines = []
    for row in range(ROWS):
        drawn = ".".join(_POINTS[character][row] for character in text)
        line = "".join((_BLOCK if point == "#" else " ") * (2 * scale) for point in drawn)
        lines += [line] * scale
    return lines
