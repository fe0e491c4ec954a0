"""The look of all figures and of the page: a few colours with one meaning each, and the type.

The hues can be told apart with any kind of colour vision (after Okabe and Ito's set, from memory, darkened for text);
nothing is said by colour alone: each moment has its own line and its own label. Every colour has a second value for a
dark page; the page swaps them by name.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple


class Tone(NamedTuple):
    """A colour on a light page (and on paper), and on a dark one; ``#rrggbb``."""

    light: str
    dark: str


#: Each light value is used for one thing only, so that the page can find it and put the other in its place.
TONES = {
    "paper": Tone("#fcfaf6", "#15181c"),
    "ink": Tone("#20252b", "#ece8e1"),
    "faint": Tone("#5f666e", "#a9afb7"),
    "rule": Tone("#d8d2c8", "#3b4149"),
    "rate": Tone("#0b5c9e", "#74b9f3"),
    "band": Tone("#c3d9ec", "#24435e"),
    "first": Tone("#b8430a", "#ff9a5c"),
    "second": Tone("#7a3a98", "#cfa2ee"),
    "develop": Tone("#f6e5d8", "#33251b"),
    "trouble": Tone("#8a6d00", "#e3c04a"),
}

INK, FAINT, RULE, PAPER = (TONES[name].light for name in ("ink", "faint", "rule", "paper"))
RATE, BAND, FIRST, SECOND = (TONES[name].light for name in ("rate", "band", "first", "second"))
DEVELOP, TROUBLE = TONES["develop"].light, TONES["trouble"].light

#: Lines of roasts that are compared: a hue and a dash each (Okabe and Ito, from memory).
LINES = (
    ("#0072b2", "-"),
    ("#d55e00", "--"),
    ("#009e73", "-."),
    ("#cc79a7", ":"),
    ("#20252b", (0, (6, 1, 1, 1, 1, 1))),
    ("#56b4e9", (0, (1, 1))),
    ("#e69f00", (0, (4, 1))),
    ("#8a6d00", (0, (3, 1, 1, 1))),
)

_SETTINGS: dict[Any, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titlelocation": "left",
    "axes.titlecolor": INK,
    "axes.labelcolor": FAINT,
    "axes.labelsize": 8.5,
    "axes.edgecolor": RULE,
    "axes.facecolor": PAPER,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "text.color": INK,
    "text.parse_math": False,  # a name may hold dollar signs
    "xtick.color": RULE,
    "ytick.color": RULE,
    "xtick.labelcolor": FAINT,
    "ytick.labelcolor": FAINT,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "svg.fonttype": "path",
    "svg.hashsalt": "crackdetect",
    "pdf.fonttype": 42,
}


@contextmanager
def styled(*, salt: str = "") -> Iterator[None]:
    """Settings of matplotlib while figures are made or saved. salt: keeps names inside several drawings apart."""
    import warnings

    import matplotlib

    with warnings.catch_warnings(), matplotlib.rc_context(_SETTINGS | {"svg.hashsalt": f"crackdetect{salt}"}):
        # letters that the typeface lacks are drawn as boxes; the page and the terminal have the name in full
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        yield


def on_page(svg: str) -> str:
    """A drawing for the page: colours by name, so that they follow light, dark and print."""
    for name, tone in TONES.items():
        svg = svg.replace(tone.light, f"var(--{name},{tone.light})")
    return svg[svg.index("<svg") :]
