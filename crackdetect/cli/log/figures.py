"""Figures of several roasts: their options, what stands in their way, the files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from crackdetect.cli.options import figure_options, replace_option, together
from crackdetect.terminal.lines import tell

if TYPE_CHECKING:
    from matplotlib.figure import Figure

log_figure_options = together(
    figure_options("A figure as PNG.", "A figure as SVG.", "A figure as PDF."),
    replace_option("FILE may be there already, even where it is no figure of ours."),
)


def check_places(wanted: Sequence[tuple[str, Path]], *, replace: bool) -> None:
    """Before anything else is done: whether the figures can be drawn and written.

    Parameters
    ----------
    wanted
        Kind (``png``, ``svg``, ``pdf``) and place of each.
    replace
        Whether a file that is no figure of ours may be replaced.

    Raises
    ------
    MissingPartError, OutputError, SettingError
        When they cannot.
    """
    from crackdetect.errors import require
    from crackdetect.storage import atomic_file

    if wanted:
        require("report", "matplotlib")
    for kind, path in wanted:
        atomic_file.place_of(path, replace=replace, own=atomic_file.is_own(kind))


def draw(make: Callable[[], Figure], wanted: Sequence[tuple[str, Path]], *, replace: bool) -> None:
    """Writes a figure to each place, and tells so. See :func:`check_places`."""
    from crackdetect.report import drawing

    for kind, path in wanted:
        drawing.save(make(), path, kind=kind, replace=replace)
        tell(f"wrote {path}")
