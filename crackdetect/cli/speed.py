"""``crackdetect evaluate --speed``: what is measured, and how it is told."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, NoReturn

from crackdetect.terminal.lines import print_lines, tell

if TYPE_CHECKING:
    from crackdetect.evaluate.speed import Run
    from crackdetect.model import Model
    from crackdetect.terminal.progress import ProgressLine

#: Length of each sound, minutes, and pairs; the same of a quick look.
_USUAL, _QUICK = (12.0, 5), (2.0, 3)
#: Lengths that show the growth, hours, before the longest.
_LENGTHS_H = (1 / 6, 1.0)


def tell_speed(model: Model, *, quick: bool, longest_h: float) -> dict[str, Any]:
    """Measures beside general detectors, tells it in tables, and gives it for a JSON file."""
    from crackdetect.evaluate import rivals, speed, speed_tables

    minutes, pairs = _QUICK if quick else _USUAL
    lengths = sorted({*(_LENGTHS_H[:1] if quick else _LENGTHS_H), longest_h})
    missing: list[str] = []

    def others(path: Path) -> Mapping[str, Callable[[], Run]]:
        found, missing[:] = rivals.commands(path)
        return {name: partial(speed.run, command) for name, command in found.items()}

    with _sounds(minutes, total=4 * (1 + len(others(Path())) * pairs) + len(lengths)) as (folder, files, line, step):
        compared = list(speed.compared(files, others, pairs=pairs, progress=step))
        inside = []
        for name, (path, _) in files.items():
            line.label(f"in memory: {name}")
            inside.append(speed.in_memory(name, path, model, pairs=pairs))
            step()
        grown = []
        for hours in lengths:
            line.label(f"{speed_tables.length(hours)} of sound")
            long = folder / "long.wav"
            speed.write_long(files["a grainy drum"][0], long, 3600 * hours)
            grown.append((hours, speed.run(speed.hearing(long))))
            step()
    print_lines(
        [
            f"{minutes:g} minutes of each sound, {pairs} pairs; times are of the processor, ratios ours over theirs",
            *("", *speed_tables.beside(compared).splitlines()),
            *("", *speed_tables.in_memory(inside).splitlines()),
            *("", *speed_tables.growth(grown).splitlines()),
        ]
    )
    for sentence in missing:
        tell(f"not run: {sentence}")
    return {
        "pairs": [one.to_dict() for one in compared],
        "in_memory": [one.to_dict() for one in inside],
        "growth": [{"hours": h, "seconds": run.seconds, "megabytes": run.megabytes} for h, run in grown],
        "not_run": missing,
    }


def tell_against(name: str, *, quick: bool) -> dict[str, Any]:
    """Measures beside another revision, tells it in a table, and gives it for a JSON file. Raises SettingError."""
    from crackdetect.evaluate import speed, speed_tables
    from crackdetect.evaluate.revision import commit_of, revision

    minutes, pairs = _QUICK if quick else _USUAL
    commit = commit_of(name)
    with revision(commit) as environment, _sounds(minutes, total=4 * pairs) as (_, files, _, step):

        def others(path: Path) -> Mapping[str, Callable[[], Run]]:
            return {name: partial(speed.run, speed.hearing(path), env=environment)}

        compared = list(speed.compared(files, others, pairs=pairs, progress=step))
    print_lines(
        [
            f"this checkout as it stands, and {name} ({commit[:9]}): {minutes:g} minutes of each sound, {pairs} pairs",
            *("", *speed_tables.beside(compared, events=True).splitlines()),
        ]
    )
    return {"against": commit, "pairs": [one.to_dict() | {"same_events": one.same} for one in compared]}


@contextmanager
def _sounds(
    minutes: float, *, total: int
) -> Iterator[tuple[Path, Mapping[str, tuple[Path, float]], ProgressLine, Callable[[], None]]]:
    """A folder for now with the sounds in it, the line of progress, and what is called after each of its steps."""
    from crackdetect.evaluate import speed
    from crackdetect.running.signals import ended_by_signals
    from crackdetect.terminal.progress import progress_line

    done = 0
    with (
        ended_by_signals(_leave, "SIGTERM", "SIGHUP"),
        TemporaryDirectory(prefix="crackdetect-speed-") as place,
        progress_line("sounds", total=total) as line,
    ):

        def step() -> None:
            nonlocal done
            done += 1
            line.advance(done)

        files = speed.write_sounds(Path(place), 60 * minutes)
        line.label("pairs of runs")
        yield Path(place), files, line, step


def _leave(name: str) -> NoReturn:
    """As the signal would, but what was made for now is gone."""
    raise SystemExit(128 + getattr(signal, name))
