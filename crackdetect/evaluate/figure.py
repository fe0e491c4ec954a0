"""The benchmark as one picture: recall against SNR, reliability, delay and dating."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crackdetect.errors import MissingPartError, OutputError, SettingError
from crackdetect.evaluate.rivals import THRESHOLDS
from crackdetect.evaluate.scoring import SNR_EDGES, Score
from crackdetect.evaluate.table import SNR_NAMES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SUFFIXES = (".png", ".svg", ".pdf")
#: Where the last, open class of SNR is drawn, dB.
_LAST_CENTRE_DB = 20.0
#: Fewest cracks in a step of SNR for a point of the curve.
_LEAST_CRACKS = 20


def check(path: Path) -> None:
    """Before hours of work: can this figure be drawn at all? Raises MissingPartError, OutputError or SettingError."""
    if path.suffix.lower() not in SUFFIXES:
        raise SettingError(f"figure {path} has no known kind; end its name with one of {', '.join(SUFFIXES)}")
    if not path.resolve().parent.is_dir():
        raise OutputError(f"folder {path.parent} does not exist; make it first")
    try:
        import matplotlib  # noqa: F401  # only whether it is there
    except ModuleNotFoundError:
        raise MissingPartError(
            "the figure needs matplotlib; install it with: pip install 'crackdetect[report]'"
        ) from None


def draw(
    path: Path, scores: Mapping[str, Sequence[Score]], figures: Mapping[str, Mapping[str, Any]], *, title: str
) -> None:
    """Writes the figure of all sets. scores, figures: by row of the benchmark. Raises as :func:`check`."""
    check(path)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    canvas = FigureCanvasAgg(Figure(figsize=(11, 8.5), layout="constrained"))
    picture = canvas.figure
    recall, rivals, reliability, delay = picture.subplots(2, 2).ravel()
    _recall(recall, scores)
    _beside(rivals, figures)
    _reliability(reliability, figures)
    _delay(delay, scores)
    picture.suptitle(title)
    try:
        picture.savefig(path, dpi=120)
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror}); choose another place") from None


def _recall(axes: Axes, scores: Mapping[str, Sequence[Score]]) -> None:
    edges = np.arange(6, 31)
    for row, own in scores.items():
        snr = np.array([v for s in own for v in s.crack_snr_db])
        found = np.array([p for s in own for p in s.crack_probabilities]) > 0
        there, _ = np.histogram(snr, edges)
        hit, _ = np.histogram(snr[found], edges)
        enough = there >= _LEAST_CRACKS
        if enough.any():
            axes.plot((edges[:-1] + 0.5)[enough], hit[enough] / there[enough], marker=".", label=row)
    axes.set(xlabel="SNR of the crack (dB)", ylabel="found", ylim=(0, 1.02), title="Single cracks, as said")
    _legend(axes)


def _beside(axes: Axes, figures: Mapping[str, Mapping[str, Any]]) -> None:
    """The rows of synthetic machines, where everything is known: ours and the general detectors."""
    own = next(
        (f for row, f in figures.items() if f.get("rivals") and f["cracks"] and row.startswith(("1", "5"))), None
    )
    own = own or next((f for f in figures.values() if f.get("rivals") and f["cracks"]), None)
    if own is not None:
        centres = [*((a + b) / 2 for a, b in zip(SNR_EDGES[:-2], SNR_EDGES[1:-1], strict=True)), _LAST_CENTRE_DB]
        for label, part in [("crackdetect", own), *((name, own["rivals"].get(name, {})) for name in THRESHOLDS)]:
            values = [part.get(f"recall_at_1_false_{name}") for name in SNR_NAMES]
            axes.plot(centres, [np.nan if v is None else v for v in values], marker="o", label=label)
    axes.set(xlabel="SNR of the crack (dB)", ylabel="found", ylim=(0, 1.02), title="At one false crack a minute")
    _legend(axes)


def _reliability(axes: Axes, figures: Mapping[str, Mapping[str, Any]]) -> None:
    axes.plot([0.5, 1], [0.5, 1], color="0.6", linewidth=1, label="honest")
    for row, own in figures.items():
        if own["cracks"] and own["reliability"]:
            said = [part["mean_probability"] for part in own["reliability"]]
            axes.plot(said, [part["true_share"] for part in own["reliability"]], marker=".", label=row)
    axes.set(xlabel="probability said", ylabel="share that was a crack", ylim=(0, 1.02), title="Reliability")
    _legend(axes)


def _delay(axes: Axes, scores: Mapping[str, Sequence[Score]]) -> None:
    """Share of the roasts announced by a time after the true start, and what the optimal test needs in the mean."""
    for row, own in scores.items():
        roasts = [s for s in own if s.has_first_crack and s.optimal_delay_s is not None]
        delays = np.sort([s.delay_s for s in roasts if s.delay_s is not None])
        if not len(delays):
            continue
        (line,) = axes.step(delays, np.arange(1, len(delays) + 1) / len(roasts), where="post", label=row)
        optimal = float(np.mean([s.optimal_delay_s for s in roasts]))
        axes.axvline(optimal, color=line.get_color(), linestyle=":", linewidth=1)
    axes.set(
        xlabel="seconds after the true start (dotted: optimal test, mean)",
        ylabel="roasts announced",
        ylim=(0, 1.02),
        title="First crack",
    )
    _legend(axes)


def _legend(axes: Axes) -> None:
    axes.grid(alpha=0.3)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(fontsize="small")
