"""The benchmark as one picture: recall against SNR, reliability, delay and dating."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.errors import OutputError, SettingError, require
from crackdetect.evaluate.aggregate import SNR_NAMES
from crackdetect.evaluate.baseline_scores import THRESHOLDS
from crackdetect.evaluate.detection import SNR_EDGES
from crackdetect.evaluate.scoring import Score
from crackdetect.evaluate.tradeoff import MISSED_AS_S
from crackdetect.pipeline import CRACK_FROM

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
    require("report", "matplotlib")


def draw(
    path: Path, scores: Mapping[str, Sequence[Score]], figures: Mapping[str, Mapping[str, Any]], *, title: str
) -> None:
    """Writes the figure of all sets.

    Parameters
    ----------
    path : pathlib.Path
        Ends with one of :data:`SUFFIXES`.
    scores, figures : mapping
        The recordings' scores, and what :func:`~crackdetect.evaluate.aggregate.aggregate` makes of them, by row of the
        benchmark.
    title : str

    Raises
    ------
    MissingPartError, OutputError, SettingError
        As :func:`check`.
    """
    check(path)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    canvas = FigureCanvasAgg(Figure(figsize=(11, 12), layout="constrained"))
    picture = canvas.figure
    recall, baselines, reliability, delay, curve, strangers = picture.subplots(3, 2).ravel()
    _recall(recall, scores)
    _beside(baselines, figures)
    _reliability(reliability, figures)
    _delay(delay, scores)
    _tradeoff(curve, figures)
    _announced(strangers, figures)
    picture.suptitle(title)
    try:
        picture.savefig(path, dpi=120)
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror}); choose another place") from None


def _recall(axes: Axes, scores: Mapping[str, Sequence[Score]]) -> None:
    edges = np.arange(6, 31)
    for row, own in scores.items():
        snr = np.array([v for s in own for v in s.detection.crack_snr_db])
        found = np.array([p for s in own for p in s.detection.crack_probabilities]) >= CRACK_FROM
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
        (f for row, f in figures.items() if f.get("baselines") and f["cracks"] and row.startswith(("1", "5"))), None
    )
    own = own or next((f for f in figures.values() if f.get("baselines") and f["cracks"]), None)
    own = own or next((f for f in figures.values() if f["cracks"]), None)
    if own is not None:
        centres = [*((a + b) / 2 for a, b in zip(SNR_EDGES[:-2], SNR_EDGES[1:-1], strict=True)), _LAST_CENTRE_DB]
        for label, part in [("crackdetect", own), *((name, own["baselines"].get(name, {})) for name in THRESHOLDS)]:
            values = [part.get(f"recall_at_1_false_{name}") for name in SNR_NAMES]
            axes.plot(centres, [np.nan if v is None else v for v in values], marker="o", label=label)
    axes.set(xlabel="SNR of the crack (dB)", ylabel="found", ylim=(0, 1.02), title="At one false crack a minute")
    _legend(axes)


def _reliability(axes: Axes, figures: Mapping[str, Mapping[str, Any]]) -> None:
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=1, label="honest")
    for row, own in figures.items():
        if own["cracks"] and own["reliability"]:
            said = [part["mean_probability"] for part in own["reliability"]]
            axes.plot(said, [part["true_share"] for part in own["reliability"]], marker=".", label=row)
    axes.set(xlabel="probability given", ylabel="share that was a crack", ylim=(0, 1.02), title="Reliability")
    _legend(axes)


def _delay(axes: Axes, scores: Mapping[str, Sequence[Score]]) -> None:
    """Share of the roasts announced by a time after the true start, and the optimal test's mean where it is known."""
    for row, own in scores.items():
        roasts = [s for s in own if s.announcement.present]
        delays = np.sort([s.announcement.delay_s for s in roasts if s.announcement.delay_s is not None])
        if not len(delays):
            continue
        (line,) = axes.step(delays, np.arange(1, len(delays) + 1) / len(roasts), where="post", label=row)
        optimal = [s.optimal_delay_s for s in roasts if s.optimal_delay_s is not None]
        if optimal:
            axes.axvline(float(np.mean(optimal)), color=line.get_color(), linestyle=":", linewidth=1)
    axes.set(
        xlabel="seconds after the true start (dotted: optimal test, mean)",
        ylabel="roasts announced",
        ylim=(0, 1.02),
        title="First crack",
    )
    _legend(axes)


def _tradeoff(axes: Axes, figures: Mapping[str, Mapping[str, Any]]) -> None:
    """A curve for each row with roasts, a point for each threshold, the usual one as a ring."""
    usual = TrackerSettings().threshold
    for row, own in figures.items():
        points = [p for p in own["tradeoff"] if p["cost_s"] is not None and p["false_in_10_h"] is not None]
        if not points:
            continue
        false, late = [p["false_in_10_h"] for p in points], [p["cost_s"] for p in points]
        (line,) = axes.plot(false, late, marker=".", label=row)
        now = next((i for i, p in enumerate(points) if p["threshold"] == usual), None)
        if now is not None:
            axes.plot(false[now], late[now], marker="o", fillstyle="none", color=line.get_color())
    axes.set(
        xlabel="false or too early, in 10 h before or without first crack (ring: usual)",
        ylabel=f"mean delay, missed as {MISSED_AS_S:g} s (s)",
        title="Delay against false words",
    )
    _legend(axes)


def _announced(axes: Axes, figures: Mapping[str, Mapping[str, Any]]) -> None:
    """Share of the roasts announced, with its interval."""
    rows = [row for row, own in figures.items() if own["first_crack_present"]]
    for place, row in enumerate(rows):
        share = figures[row]["first_crack_announced"] / figures[row]["first_crack_present"]
        low, high = figures[row]["intervals"]["first_crack_announced"]
        axes.errorbar(share, -place, xerr=[[share - low], [high - share]], marker="o", color="C0", capsize=3)
    axes.set(xlabel="share of roasts announced", xlim=(-0.02, 1.02), title="Announced, 95 % interval")
    axes.set_yticks([-place for place in range(len(rows))], rows)
    axes.grid(alpha=0.3)


def _legend(axes: Axes) -> None:
    axes.grid(alpha=0.3)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(fontsize="small")
