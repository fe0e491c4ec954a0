"""What all figures share: their size, their clock, and how they are written.

Objects only, no global state of the drawing library.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from crackdetect.notation import clock
from crackdetect.report import style
from crackdetect.storage import atomic_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Inches: a figure beside text, and one for the width of a phone.
WIDE, NARROW = 8.6, 3.75
#: Margins beside the axes, inches.
LEFT, RIGHT = 0.62, 0.12
DPI = 160
#: No dates, so that the same figure is the same file; and our name, by which ``writing`` knows it again.
_METADATA: dict[str, dict[str, str | None]] = {
    "png": {"Software": "crackdetect"},
    "svg": {"Date": None, "Title": "crackdetect"},
    "pdf": {"CreationDate": None, "Creator": "crackdetect"},
}


def save(figure: Figure, path: Path, *, kind: str, replace: bool = False) -> None:
    """Writes a figure, whole or not at all.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    path : pathlib.Path
    kind : {"png", "svg", "pdf"}
    replace : bool
        A file that is no such figure of ours may be there.

    Raises
    ------
    SettingError, OutputError
        When something else is there, or the file cannot be written.
    """
    with atomic_file.whole_file(path, replace=replace, own=atomic_file.is_own(kind)) as part, style.styled():
        figure.savefig(part, format=kind, dpi=DPI, metadata=_METADATA[kind])


def as_svg(figure: Figure, *, salt: str) -> str:
    """A figure as a drawing inside a page. salt: keeps the names inside it apart from those of other drawings."""
    out = io.StringIO()
    with style.styled(salt=salt):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Type": None, "Format": None})
    return out.getvalue()


def new_figure(width: float, height: float, *, above: float = 0.15, left: float = LEFT, right: float = RIGHT) -> Figure:
    """Margins in inches, fixed: finding them by drawing would take as long as the figure itself."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    figure.subplots_adjust(
        left=left / width, right=1 - right / width, top=1 - above / height, bottom=0.48 / height, hspace=0.12
    )
    return figure


def clock_ticks(axes: Axes, *, axis: Literal["x", "y"] = "x") -> None:
    """Whole steps of a minute or its parts."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    low, high = axes.get_xlim() if axis == "x" else axes.get_ylim()
    inches = axes.get_figure(root=True).get_size_inches()[0] if axis == "x" else 3.0  # type: ignore[union-attr]
    most = max(3.0, inches * 1.6)
    step = next((step for step in (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800) if (high - low) / step <= most), 3600)
    chosen = axes.xaxis if axis == "x" else axes.yaxis
    chosen.set_major_locator(MultipleLocator(step))
    chosen.set_major_formatter(FuncFormatter(lambda value, _: clock(value)))
