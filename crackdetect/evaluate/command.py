"""``crackdetect evaluate``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crackdetect.options import NumberRange, on_cluster

if TYPE_CHECKING:
    from crackdetect.config import Sensitivity

#: A small benchmark for daily use.
QUICK_ROASTS, QUICK_HOURS = 3, 1 / 3


@click.command(name="evaluate")
@click.argument("folder", required=False, type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--quick", is_flag=True, help="A small benchmark for daily use, under two minutes.")
@click.option("--sets", "sets", metavar="N,N", help="Only these sets, 0 to 5.  [default: all]")
@click.option(
    "--roasts",
    type=click.IntRange(1, 1000),
    default=60,
    show_default=True,
    help="Recordings of set 1 and of set 5; the other rows have a share of it.",
)
@click.option(
    "--quiet-hours",
    type=NumberRange(0, 200),
    default=20.0,
    show_default=True,
    help="Hours of machine and kitchen sound in which nothing cracks (set 4).",
)
@click.option("--seed", type=click.IntRange(0, 999), default=0, show_default=True)
@click.option(
    "--sounds",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of real sounds, one sub-folder a class; only what never trains is used.",
)
@click.option("--model", "model_path", type=click.Path(path_type=Path), help="A model file; default: the shipped one.")
@click.option("--sensitivity", type=click.Choice(["earlier", "usual", "surer"]), default="usual", show_default=True)
@click.option("--jobs", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes.")
@on_cluster
@click.option(
    "--work", type=click.Path(path_type=Path, file_okay=False), help="Folder for finished recordings.  [default: cache]"
)
@click.option(
    "--resume/--fresh",
    default=True,
    help="Go on with what the work folder holds of this very model, program and plan (the default), or hear all again.",
)
@click.option("--rivals/--no-rivals", default=True, show_default=True, help="Also score general detectors.")
@click.option(
    "--compare-sensitivity", is_flag=True, help="Also announce with the other sensitivities, on the same signals."
)
@click.option("--json", "json_path", type=click.Path(path_type=Path), help="Also write all figures to this file.")
@click.option("--figure", "figure_path", type=click.Path(path_type=Path), help="Also draw them (png, svg or pdf).")
def command(
    folder: Path | None,
    quick: bool,
    sets: str | None,
    roasts: int,
    quiet_hours: float,
    seed: int,
    sounds: Path | None,
    model_path: Path | None,
    sensitivity: Sensitivity,
    jobs: int,
    cluster: str | None,
    work: Path | None,
    resume: bool,
    rivals: bool,
    compare_sensitivity: bool,
    json_path: Path | None,
    figure_path: Path | None,
) -> None:
    """Score the whole path against known truth.

    Without FOLDER: recordings whose machines, rooms and seeds training never met, in sets. 0: cracks in Gaussian noise;
    1: machines of every kind; 2: real machines; 3: real pops and snaps, popcorn; 4: nothing cracks; 5: whole roasts.
    Sets 2, 3 and half of 4 need --sounds. With FOLDER: every recording in it that has a truth file (NAME.json) beside
    it. Beside ours stand general detectors on the same signals, and the limits of what can be known.

    An interrupted run goes on where it was: every finished recording is kept in the work folder.

    Example: crackdetect evaluate --quick
    """
    from crackdetect import console, model_files
    from crackdetect.errors import OutputError, SettingError
    from crackdetect.evaluate import benchmark, figure, real_sounds
    from crackdetect.evaluate.hearing import Hearing
    from crackdetect.evaluate.kept import KeptScores
    from crackdetect.evaluate.sets import SETS, not_run, parse_sets, tasks
    from crackdetect.evaluate.table import aggregate, as_text
    from crackdetect.places import cache_folder

    model = model_files.load(model_path) if model_path else model_files.shipped()
    chosen = SETS if sets is None else parse_sets(sets)
    if folder is not None and (sets is not None or quick):
        raise SettingError("a folder is scored as it is; leave --sets and --quick out, or the folder")
    for path in (json_path, figure_path):
        if path is not None and not path.resolve().parent.is_dir():
            raise OutputError(f"folder {path.parent} does not exist; make it first")
    if figure_path is not None:
        figure.check(figure_path)
    missing: list[str] = []
    real = None
    if folder is not None:
        todo = benchmark.folder_tasks(folder)
    else:
        if quick:
            roasts, quiet_hours = min(roasts, QUICK_ROASTS), min(quiet_hours, QUICK_HOURS)
        real = real_sounds.load(sounds) if sounds is not None else None
        todo = tasks(roasts=roasts, quiet_hours=quiet_hours, seed=seed, sounds=real, chosen=chosen)
        missing = not_run(real, chosen)
    if not todo:
        raise SettingError("nothing to run: " + ("; ".join(missing) or "give more --quiet-hours"))
    hearing = Hearing(model, sensitivity, sounds, rivals, compare_sensitivity)
    kept = KeptScores(work or cache_folder() / "evaluate", hearing=hearing, sounds=real)
    done = 0
    with console.progress_line("recordings", total=len(todo)) as line:

        def advance(count: int, name: str) -> None:
            nonlocal done
            if count and not name:
                line.say(f"{count} of {len(todo)} recordings are kept from before (--fresh hears them again)")
            done = count
            line.advance(count)

        try:
            scores = benchmark.run(
                todo, hearing, kept=kept, resume=resume, jobs=jobs, cluster=cluster, progress=advance
            )
        except KeyboardInterrupt:
            line.say(f"{done} of {len(todo)} recordings are kept; the same command goes on from there")
            raise
    figures = {row: aggregate(own) for row, own in scores.items()}
    hours = sum(s.duration_s for own in scores.values() for s in own) / 3600
    heading = (
        f"model {model.name} {model.digest}, seed {seed}, sensitivity {sensitivity}: "
        f"{len(todo)} recordings, {hours:.1f} hours"
    )
    click.echo(heading)
    click.echo(as_text(figures))
    for sentence in missing:
        click.echo(f"not run: {sentence}", err=True)
    if figure_path is not None:
        figure.draw(figure_path, scores, figures, title=heading)
    if json_path is not None:
        content: dict[str, Any] = {
            "model": {"name": model.name, "digest": model.digest},
            "seed": seed,
            "sensitivity": sensitivity,
            "not_run": missing,
            "sets": figures,
            "recordings": {row: [s.to_dict() for s in own] for row, own in scores.items()},
        }
        try:
            json_path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
        except OSError as error:
            raise OutputError(f"{json_path} cannot be written ({error.strerror}); choose another place") from None
