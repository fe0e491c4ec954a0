"""``crackdetect evaluate``."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crackdetect.cli.options import (
    SENSITIVITY,
    NumberRange,
    cluster_option,
    jobs_option,
    model_option,
    sounds_option,
)
from crackdetect.errors import InputError, OutputError, SettingError
from crackdetect.terminal.lines import complain, print_line, print_lines, tell

if TYPE_CHECKING:
    from crackdetect.config import Sensitivity
    from crackdetect.evaluate.real_sounds import RealSounds
    from crackdetect.evaluate.run import Setup
    from crackdetect.evaluate.score_cache import ScoreCache
    from crackdetect.evaluate.scoring import Score
    from crackdetect.evaluate.sets import Task
    from crackdetect.evaluate.taught import TaughtMachine
    from crackdetect.model import Model

#: A small benchmark for daily use.
QUICK_ROASTS, QUICK_HOURS = 3, 1 / 3


@click.command(name="evaluate")
@click.argument("folder", required=False, type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--quick", is_flag=True, help="A small benchmark for daily use, under two minutes.")
@click.option("--sets", "sets", metavar="N,N", help="Only these sets, 0 to 7.  [default: all; with FOLDER 6]")
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
@sounds_option("Folder of real sounds, one sub-folder a class; only what never trains is used.")
@model_option
@click.option("--sensitivity", type=SENSITIVITY, default="usual", show_default=True)
@jobs_option("Processes.")
@cluster_option
@click.option(
    "--work", type=click.Path(path_type=Path, file_okay=False), help="Folder for finished recordings.  [default: cache]"
)
@click.option(
    "--resume/--fresh",
    default=True,
    help="Go on with what the work folder holds of this very model, program and plan (the default), or hear all again.",
)
@click.option(
    "--left-out",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of models named by the families that they were taught without: what each hears of those in set 7; "
    "with --taught, what teaching it such machines is worth.",
)
@click.option(
    "--taught",
    metavar="MACHINES",
    type=click.IntRange(2, 1000),
    help="Instead of the sets: teach so many machines as 'teach' does, and judge each by its next roasts.",
)
@click.option(
    "--speed",
    is_flag=True,
    help="Instead of the sets: processor time and memory beside general detectors, in pairs of runs on four sounds; "
    "some 15 minutes, with --quick a third of it.",
)
@click.option(
    "--longest",
    metavar="HOURS",
    type=NumberRange(1, 24),
    help="With --speed: memory and time are also told of a recording of so many hours.  [default: 1]",
)
@click.option(
    "--against",
    "against",
    metavar="REVISION",
    help="With --speed: beside this branch, tag or commit of the checkout instead, and whether the events are equal.",
)
@click.option("--baselines/--no-baselines", default=True, show_default=True, help="Also score general detectors.")
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
    left_out: Path | None,
    taught: int | None,
    speed: bool,
    longest: float | None,
    against: str | None,
    baselines: bool,
    json_path: Path | None,
    figure_path: Path | None,
) -> None:
    """Score the whole path against known truth.

    Without FOLDER: recordings whose machines, rooms and seeds training never met, in sets. 0: cracks in Gaussian noise;
    1: machines of every kind; 2: real machines; 3: real pops and snaps, popcorn; 4: nothing cracks; 5: whole roasts;
    7: families of machines, of cracks and of blows. Sets 2, 3, half of 4 and a part of 7 need --sounds.

    With FOLDER, set 6, strangers: every recording in it that has a truth file (NAME.json) beside it, in groups by
    sub-folder, or by what their names share before a number; with --sets these sets beside it.

    Beside ours stand general detectors on the same signals, and the limits of what can be known. Every figure has its
    95 % interval.

    With --taught: machines of many families, each drawn apart from its roasts, taught by up to five of them in several
    ways and judged by the next two, and by kitchens (--quiet-hours on all machines together).

    With --speed: smooth noise, a grainy drum, a clicking bed and a whole roast, in whole processes and in memory.

    An interrupted run goes on where it was: every finished recording is kept in the work folder (not with --taught nor
    --speed).

    Example: crackdetect evaluate --quick
    """
    from crackdetect import model as model_files
    from crackdetect.evaluate.left_out import find_models, hear_left_out
    from crackdetect.evaluate.run import Setup
    from crackdetect.evaluate.score_cache import ScoreCache
    from crackdetect.storage.paths import cache_folder

    model = model_files.load_model(model_path)
    if quick:
        roasts, quiet_hours = min(roasts, QUICK_ROASTS), min(quiet_hours, QUICK_HOURS)
    _check_places(json_path, figure_path)
    if not speed and (longest, against) != (None, None):
        raise SettingError("--longest and --against go with --speed")
    if speed:
        if (folder, sets, figure_path, left_out, taught) != (None,) * 5:
            raise SettingError("--speed has sounds of its own; give it alone, or with --quick, --longest or --against")
        _write(json_path, _speed(model, model_path, quick=quick, longest=longest, against=against))
        return
    if taught is not None:
        if (folder, sets, figure_path) != (None,) * 3:
            raise SettingError("--taught judges machines of its own; leave FOLDER, --sets and --figure out")
        how = {"machines": taught, "quiet_hours": quiet_hours, "seed": seed, "sounds": sounds}
        _teach(model, left_out, how, jobs=jobs, cluster=cluster, json_path=json_path)
        return
    chosen = _chosen(folder, sets, quick=quick, left_out=left_out)
    todo, real, missing = _tasks(folder, chosen, roasts=roasts, quiet_hours=quiet_hours, seed=seed, sounds=sounds)

    failed: list[str] = []

    def hear(some: Sequence[Task], path: Path | None) -> Mapping[str, Sequence[Score]]:
        setup = Setup(model if path is None else model_files.load(path), sensitivity, sounds, baselines)
        kept = ScoreCache(work or cache_folder() / "evaluate", setup=setup.identity, sounds=real)
        return _run(some, setup, kept, failed, resume=resume, jobs=jobs, cluster=cluster)

    scores = hear(todo, None) if left_out is None else hear_left_out(find_models(left_out), todo, hear)
    about = {
        "model": {"name": model.name, "digest": model.digest},
        "seed": seed,
        "sensitivity": sensitivity,
        "not_run": missing,
        "not_heard": failed,
    }
    if scores:
        _tell(scores, about, json_path=json_path, figure_path=figure_path)
    for sentence in failed:
        complain(sentence)
    if failed:
        count = len(failed) + sum(map(len, scores.values()))
        complain(f"{len(failed)} of {count} recordings could not be heard, see above; the figures are of the others")
        raise click.exceptions.Exit(InputError.exit_code)


def _chosen(folder: Path | None, sets: str | None, *, quick: bool, left_out: Path | None) -> tuple[int, ...]:
    """Sets to be made. Raises SettingError for what contradicts itself."""
    from crackdetect.evaluate.sets import SETS, parse_sets

    if left_out is not None:
        if folder is not None or sets is not None:
            raise SettingError("--left-out hears set 7 alone; leave the folder and --sets out")
        return (7,)
    if sets is not None:
        return parse_sets(sets)
    if folder is not None and quick:
        raise SettingError("a folder is scored as it is; leave --quick or the folder out, or say which --sets")
    return SETS if folder is None else ()


def _tasks(
    folder: Path | None, chosen: tuple[int, ...], *, roasts: int, quiet_hours: float, seed: int, sounds: Path | None
) -> tuple[Sequence[Task], RealSounds | None, Sequence[str]]:
    """What is to be scored, the real sounds that it needs, and sentences on what cannot be. Raises SettingError."""
    from crackdetect.evaluate import real_sounds, run
    from crackdetect.evaluate.sets import STRANGERS, not_run, tasks

    real = real_sounds.load(sounds) if sounds is not None and chosen else None
    todo = tasks(roasts=roasts, quiet_hours=quiet_hours, seed=seed, sounds=real, chosen=chosen)
    missing = not_run(real, chosen)
    if folder is not None:
        todo += run.folder_tasks(folder)
    elif STRANGERS in chosen:
        missing.append("6 strangers: needs a FOLDER of recordings with truth files")
    if not todo:
        raise SettingError("nothing to run: " + ("; ".join(missing) or "give more --quiet-hours"))
    return todo, real, missing


def _check_places(json_path: Path | None, figure_path: Path | None) -> None:
    """Before the hours of hearing. Raises OutputError, MissingPartError."""
    from crackdetect.evaluate import figure

    for path in (json_path, figure_path):
        if path is not None and not path.resolve().parent.is_dir():
            raise OutputError(f"folder {path.parent} does not exist; make it first")
    if figure_path is not None:
        figure.check(figure_path)


def _run(
    todo: Sequence[Task],
    setup: Setup,
    kept: ScoreCache,
    failed: list[str],
    *,
    resume: bool,
    jobs: int,
    cluster: str | None,
) -> Mapping[str, Sequence[Score]]:
    """Scores by row of the table, with a line of progress. Ctrl-C tells how to go on from there.

    failed: gets a sentence on each recording that cannot be heard.
    """
    from crackdetect.evaluate import run
    from crackdetect.terminal.progress import progress_line

    done, failed_before = 0, len(failed)
    with progress_line("recordings", total=len(todo)) as line:

        def advance(count: int, name: str) -> None:
            nonlocal done
            if count and not name:
                line.say(f"{count} of {len(todo)} recordings are kept from before (--fresh hears them again)")
            done = count
            line.advance(count)

        try:
            return run.run(
                todo,
                setup,
                kept=kept,
                resume=resume,
                jobs=jobs,
                cluster=cluster,
                progress=advance,
                failed=failed.append,
            )
        except KeyboardInterrupt:
            count = done - (len(failed) - failed_before)
            line.say(f"{count} of {len(todo)} recordings are kept; the same command goes on from there")
            raise


def _tell(
    scores: Mapping[str, Sequence[Score]], about: Mapping[str, Any], *, json_path: Path | None, figure_path: Path | None
) -> None:
    """The tables, and where they are wanted the figure and all figures as JSON. Raises OutputError."""
    from crackdetect.evaluate import figure
    from crackdetect.evaluate.aggregate import aggregate
    from crackdetect.evaluate.overview import by_family, overview
    from crackdetect.evaluate.sets import FAMILIES_ROW
    from crackdetect.evaluate.table import as_text

    figures = {row: aggregate(own) for row, own in scores.items()}
    families = by_family(scores.get(FAMILIES_ROW, ()))
    count = sum(len(own) for own in scores.values())
    hours = sum(s.duration_s for own in scores.values() for s in own) / 3600
    heading = (
        f"model {about['model']['name']} {about['model']['digest']}, seed {about['seed']}, "
        f"sensitivity {about['sensitivity']}: {count} recordings, {hours:.1f} hours"
    )
    print_line(heading)
    print_lines(["", *overview(figures, title="set").splitlines(), ""])
    if families:
        print_lines([*overview(families, title="family").splitlines(), ""])
    print_lines(as_text(figures).splitlines())
    for sentence in about["not_run"]:
        tell(f"not run: {sentence}")
    if figure_path is not None:
        figure.draw(figure_path, scores, figures, title=heading)
    recordings = {row: [s.to_dict() for s in own] for row, own in scores.items()}
    _write(json_path, {**about, "sets": figures, "families": families, "recordings": recordings})


def _speed(
    model: Model, model_path: Path | None, *, quick: bool, longest: float | None, against: str | None
) -> Mapping[str, Any]:
    """Measures and tells the speed. Raises SettingError."""
    from crackdetect.cli.speed import tell_against, tell_speed

    if model_path is not None:
        raise SettingError("--speed measures the shipped model; leave --model out")
    if against is None:
        return tell_speed(model, quick=quick, longest_h=longest or (1 / 6 if quick else 1.0))
    if longest is not None:
        raise SettingError("--longest and --against exclude each other; give one of them")
    return tell_against(against, quick=quick)


def _teach(
    model: Model,
    left_out: Path | None,
    how: Mapping[str, Any],
    *,
    jobs: int,
    cluster: str | None,
    json_path: Path | None,
) -> None:
    """Teaches machines, and tells what it is worth.

    left_out: folder of models, each of which is taught machines of the families that it does not know. how: of
    :func:`crackdetect.evaluate.taught.teach_machines`, machines and hours shared among them.
    """
    from crackdetect import model as model_files
    from crackdetect.evaluate.left_out import find_models
    from crackdetect.evaluate.taught import teach_machines
    from crackdetect.evaluate.taught_figures import taught_figures, taught_table, told_of_another
    from crackdetect.terminal.progress import progress_line

    stranger = [] if left_out is None else find_models(left_out)
    taught = [(model_files.load(one.path), sorted(one.families)) for one in stranger] or [(model, [])]
    shared = {"machines": max(2, how["machines"] // len(taught)), "quiet_hours": how["quiet_hours"] / len(taught)}
    machines: list[TaughtMachine] = []
    with progress_line("machines", total=len(taught) * shared["machines"]) as line:
        for known, families in taught:
            own = {**how, **shared, "model": known, "families": families, "jobs": jobs, "cluster": cluster}
            machines.extend(teach_machines(**own, progress=lambda done: line.advance(len(machines) + done)))
    figures = taught_figures(machines)
    who = f"model {model.name} {model.digest}" if not stranger else f"{len(stranger)} models, each on what it never met"
    print_line(f"{who}, seed {how['seed']}: {len(machines)} machines")
    print_lines(["", *taught_table(figures).splitlines(), "", told_of_another(machines)])
    about = {"models": [{"name": known.name, "digest": known.digest} for known, _ in taught], "seed": how["seed"]}
    _write(json_path, {**about, "ways": figures, "machines": [machine.to_dict() for machine in machines]})


def _write(path: Path | None, content: Mapping[str, Any]) -> None:
    """As JSON, where a place was named. Raises OutputError."""
    if path is None:
        return
    try:
        path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror}); choose another place") from None
