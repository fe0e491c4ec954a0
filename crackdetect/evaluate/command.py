"""``crackdetect evaluate``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click


@click.command(name="evaluate")
@click.argument("folder", required=False, type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--quick", is_flag=True, help="A small benchmark for daily use, under two minutes.")
@click.option("--roasts", type=click.IntRange(1, 1000), default=60, show_default=True, help="Whole synthetic roasts.")
@click.option(
    "--quiet-hours",
    type=click.FloatRange(0, 200),
    default=6.0,
    show_default=True,
    help="Hours of machine and kitchen sound in which nothing cracks.",
)
@click.option("--seed", type=click.IntRange(0, 999), default=0, show_default=True)
@click.option(
    "--sounds",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of real sounds, one sub-folder a class; only its validation half is used.",
)
@click.option("--model", "model_path", type=click.Path(path_type=Path), help="A model file; default: the shipped one.")
@click.option("--jobs", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes.")
@click.option("--json", "json_path", type=click.Path(path_type=Path), help="Also write all figures to this file.")
def command(
    folder: Path | None,
    quick: bool,
    roasts: int,
    quiet_hours: float,
    seed: int,
    sounds: Path | None,
    model_path: Path | None,
    jobs: int,
    json_path: Path | None,
) -> None:
    """Score the whole path against known truth.

    Without FOLDER: synthetic roasts whose machines, rooms and seeds training never met. With FOLDER: every recording
    in it that has a truth file (NAME.json) beside it.

    Example: crackdetect evaluate --quick
    """
    from rich.console import Console
    from rich.progress import Progress

    from crackdetect import model_files
    from crackdetect.errors import OutputError
    from crackdetect.evaluate import benchmark
    from crackdetect.evaluate.table import aggregate, as_text

    model = model_files.load(model_path) if model_path else model_files.shipped()
    with Progress(console=Console(stderr=True), disable=not sys.stderr.isatty()) as progress:
        if folder is not None:
            bar = progress.add_task("recordings", total=None)
            scores = benchmark.run_folder(folder, model=model, progress=lambda: progress.advance(bar))
        else:
            if quick:
                roasts, quiet_hours = min(roasts, 6), min(quiet_hours, 0.5)
            chosen = benchmark.tasks(roasts=roasts, quiet_hours=quiet_hours, seed=seed, sounds=sounds)
            bar = progress.add_task("recordings", total=len(chosen))
            scores = benchmark.run(
                chosen, sounds=sounds, model=model, jobs=jobs, progress=lambda: progress.advance(bar)
            )
    figures = {name: aggregate(found) for name, found in scores.items()}
    click.echo(f"model {model.name} {model.digest}, seed {seed}")
    click.echo(as_text(figures))
    if folder is None and sounds is None:
        click.echo("not run without --sounds: real beds, real cracks, real distractors", err=True)
    if json_path is not None:
        content = {
            "model": {"name": model.name, "digest": model.digest},
            "sets": figures,
            "recordings": {name: [s.to_dict() for s in found] for name, found in scores.items()},
        }
        try:
            json_path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
        except OSError as error:
            raise OutputError(f"{json_path} cannot be written ({error.strerror}); choose another place") from None
