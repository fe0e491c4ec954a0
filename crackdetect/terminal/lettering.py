"""Digits and capitals that can be read across a kitchen.

They are drawn on a grid five points high and mostly three wide (own drawing). A terminal's cell is about twice as high
as wide, so a point is so many columns wide as it is half rows high, and a cell holds two points, one above the other.
At two metres a character should be some 12 mm high (20 minutes of arc and more, ISO 9241-303, from memory); three rows
of an 80 by 24 terminal on a laptop are 18 to 27 mm.
"""

from __future__ import annotations

#: Points from top to bottom.
POINTS = 5
#: Points of each character, a row a word.
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
    "A": (".#.", "#.#", "###", "#.#", "#.#"),
    "C": (".##", "#..", "#..", "#..", ".##"),
    "D": ("##.", "#.#", "#.#", "#.#", "##."),
    "E": ("###", "#..", "##.", "#..", "###"),
    "F": ("###", "#..", "##.", "#..", "#.."),
    "G": (".##", "#..", "#.#", "#.#", ".##"),
    "I": ("#", "#", "#", "#", "#"),
    "K": ("#.#", "#.#", "##.", "#.#", "#.#"),
    "L": ("#..", "#..", "#..", "#..", "###"),
    "M": ("#...#", "##.##", "#.#.#", "#...#", "#...#"),
    "N": ("#..#", "##.#", "#.##", "#..#", "#..#"),
    "O": (".#.", "#.#", "#.#", "#.#", ".#."),
    "P": ("##.", "#.#", "##.", "#..", "#.."),
    "R": ("##.", "#.#", "##.", "#.#", "#.#"),
    "S": (".##", "#..", ".#.", "..#", "##."),
    "T": ("###", ".#.", ".#.", ".#.", ".#."),
    "W": ("#...#", "#...#", "#.#.#", "##.##", "#...#"),
    " ": ("..", "..", "..", "..", ".."),
}
CHARACTERS = frozenset(_POINTS)
#: A cell by its upper and lower half.
_CELLS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def large(text: str, *, columns: int, rows: int) -> list[str]:
    """Large characters, as large as fit; at least one point on a column, whether it fits or not.

    Parameters
    ----------
    text
        Of CHARACTERS.
    columns, rows
        Cells of the terminal.

    Returns
    -------
    list of str
        Lines of equal length.

    Raises
    ------
    ValueError
        For another character: a defect of ours.

    Examples
    --------
    >>> for line in large("3", columns=6, rows=5): print(line)
    ██████
        ██
      ████
        ██
    ██████
    """
    if missing := set(text) - CHARACTERS:
        raise ValueError(f"no large drawing of {', '.join(sorted(missing))}")
    drawn = [".".join(_POINTS[character][row] for character in text) for row in range(POINTS)]
    size = max(1, min(2 * rows // POINTS, columns // points(text)))
    halves = [[point == "#" for point in line for _ in range(size)] for line in drawn for _ in range(size)]
    if len(halves) % 2:
        halves.append([False] * len(halves[0]))
    pairs = zip(halves[::2], halves[1::2], strict=True)
    return ["".join(_CELLS[pair] for pair in zip(upper, lower, strict=True)) for upper, lower in pairs]


def points(text: str) -> int:
    """How many points a text is wide: its columns in the smallest size."""
    return sum(len(_POINTS[character][0]) for character in text) + len(text) - 1
