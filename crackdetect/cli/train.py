"""``crackdetect train``."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crackdetect.cli.options import cluster_option, jobs_option, sounds_option
from crackdetect.errors import OutputError
from crackdetect.terminal.lines import print_line, tell

if TYPE_CHECKING:
    from crackdetect.hearing.classifier import ClassifierModel
    from crackdetect.train.own_roasts import OwnRoasts

#: Scenes of the wide family that what learns the machine at hand is taught on, at most: as the shipped model was.
_MACHINES = 320


@click.command(name="train")
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("first-crack.json"), show_default=True, help="Model file."
)
@click.option("--name", default="first-crack", show_default=True, help="Name of the model.")
@click.option("--seed", type=click.IntRange(0, 999), default=1, show_default=True)
@click.option(
    "--scenes",
    type=click.IntRange(10, 9999),
    default=600,
    show_default=True,
    help="Ordinary scenes rendered, of 50 s each; others come in proportion.",
)
@sounds_option("Folder of real sounds, one sub-folder a class (see 'crackdetect guide training').")
@click.option(
    "--classifier",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Model whose classifier is kept: only what follows it is taught, in half the time.",
)
@click.option(
    "--context",
    "kept_model",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Model whose classifiers are kept: what learns the machine at hand is taught, in 40 minutes on two cores.",
)
@click.option(
    "--machines",
    type=click.IntRange(8, 5333),
    help="Scenes of the wide family that this is taught on, others in proportion; by default 320 at most, by --scenes.",
)
@click.option(
    "--heard",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder to keep what was heard in; what is there is not heard again.  [default: the cache, until it is done]",
)
@click.option(
    "--leave-out",
    "left_out",
    metavar="FAMILY",
    multiple=True,
    help="With --context: a family of machines that teaches nothing, such as crack:modes; several by several options. "
    "'evaluate --left-out' then tells how strangers are heard.",
)
@click.option(
    "--families",
    is_flag=True,
    help="With --context: tell in the model's card how each family of machines is heard when it teaches no network; "
    "four times as long.",
)
@click.option(
    "--from-log",
    is_flag=True,
    help="With --context: your recorded roasts of which you said when first crack began teach as well. Written only if "
    "they are heard better by networks that have not met them.",
)
@jobs_option("Processes, and networks fitted at a time.")
@cluster_option
def command(
    out: Path,
    name: str,
    seed: int,
    scenes: int,
    sounds: Path | None,
    classifier: Path | None,
    kept_model: Path | None,
    heard: Path | None,
    left_out: tuple[str, ...],
    machines: int | None,
    families: bool,
    from_log: bool,
    jobs: int,
    cluster: str | None,
) -> None:
    """Fit a model on rendered scenes, and on real sounds if a folder is given.

    The same seed, scenes and sounds give the same file, bit for bit, with the same versions of the packages. An
    interrupted run goes on where it was: what was heard is kept, and given the same command again not heard again.

    Example: crackdetect train --scenes 50 --out my-model.json
    """
    from crackdetect import __version__
    from crackdetect import model as model_files
    from crackdetect.terminal.progress import progress_line
    from crackdetect.train import fit
    from crackdetect.train.scenes import heard_in, machines_in
    from crackdetect.train.steps import Progress, steps

    if cluster is not None and heard is None:
        raise click.UsageError("--cluster goes with --heard; give a folder that its workers see as well")
    if classifier is not None and kept_model is not None:
        raise click.UsageError("--classifier and --context exclude each other; give one of them")
    if left_out and kept_model is None:
        raise click.UsageError("--leave-out goes with --context; give the model whose classifiers are kept")
    if families and kept_model is None:
        raise click.UsageError("--families goes with --context; give the model whose classifiers are kept")
    if from_log and kept_model is None:
        raise click.UsageError("--from-log goes with --context; give the model whose classifiers are kept")
    calibration, whole = max(10, scenes // 8), max(6, scenes // 4)
    if machines is None:
        machines = max(8, min(_MACHINES, scenes * 8 // 15))
    if not out.parent.is_dir():
        raise OutputError(f"folder {out.parent} does not exist; make it first")
    own = None if kept_model is None or not from_log else _own_roasts(kept_model, sounds, jobs=jobs)
    fitted = 0 if classifier is not None or kept_model is not None else heard_in(scenes)
    after = (heard_in(calibration), whole) if kept_model is None else (0, 0)
    progress = Progress(
        steps(train=fitted, calibrate=after[0], context=after[1], machines=machines_in(machines), families=families)
    )
    paths = (None if path is None else path.resolve() for path in (out, sounds, classifier, kept_model))
    settled = (__version__, seed, scenes, machines, sorted(left_out), families, from_log, *paths)
    with _folder(heard, settled) as folder, progress_line("training", total=progress.whole_s) as line:

        def told(what: str) -> None:
            line.label(what)
            line.advance(progress.told(what))

        run = fit.TrainingRun(seed=seed, sounds=sounds, heard_in=folder, jobs=jobs, cluster=cluster, progress=told)
        if kept_model is not None:
            golden, card = model_files.golden_of(kept_model), model_files.card_of(kept_model)
            kept = model_files.load(kept_model, own_machine=False)
            without = frozenset(left_out)
            taught = fit.teach_machines(
                out, kept, run, golden=golden, card=card, count=machines, leave_out=without, left_out=families, own=own
            )
        else:
            card, given = _card(f"--seed {seed} --scenes {scenes}", name, sounds, classifier)
            taught = fit.train(
                out,
                run,
                name=name,
                count=scenes,
                calibration_count=calibration,
                context_count=whole,
                machine_count=machines,
                card=card,
                classifier=given,
            )
    if taught is None:
        print_line(f"It is not better on your own roasts, so {out} was not written.")
        return
    print_line(f"wrote {out}: model {taught.name} {taught.digest}")
    if own is not None:
        print_line(f"Try it with: crackdetect listen --model {out}; 'teach --model' teaches it your machines anew.")


@contextmanager
def _folder(given: Path | None, settled: tuple[object, ...]) -> Iterator[Path]:
    """Where what is heard is kept: the folder that was asked for, or one of the cache until the training has ended.

    settled: what tells one training from another.
    """
    from crackdetect.storage.paths import cache_folder

    folder = given
    if folder is None:
        folder = cache_folder() / "train" / hashlib.sha256(repr(settled).encode()).hexdigest()[:16]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder} cannot be written ({error.strerror}); choose another with --heard") from None
    try:
        yield folder
    except KeyboardInterrupt:
        tell(f"What was heard is kept in {folder}; the same command goes on from there")
        raise
    if given is None:
        shutil.rmtree(folder, ignore_errors=True)


def _own_roasts(path: Path, sounds: Path | None, *, jobs: int) -> OwnRoasts:
    """The roasts of the log that can teach and judge, heard again. path: of the model.

    Raises ModelError where the model does not learn machines, InputError where too few roasts can judge.
    """
    from functools import partial

    from crackdetect import model as model_files
    from crackdetect.cli.kept_roasts import MOST_ROASTS, count, heard_again, print_comparison
    from crackdetect.errors import InputError, ModelError
    from crackdetect.storage import paths
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.teach.comparison import LEAST
    from crackdetect.train.own_roasts import OwnRoasts

    model = model_files.load(path)
    if model.own_machine is None:
        raise ModelError(f"model {model.name} does not learn machines; take the shipped one")
    if sounds is None and model_files.card_of(path).get("real_sounds"):
        tell("note: this model was taught with real sounds as well; without --sounds it may forget them")
    with RoastLog() as log:
        recorded = [roast for roast in log.roasts() if roast.recording is not None][:MOST_ROASTS]
        records = [log.record(roast) for roast in reversed(recorded)]
    said = [one for _, one in heard_again(records, model, paths.data_folder(), jobs=jobs) if one.lesson.said]
    if len(said) < LEAST:
        raise InputError(
            f"{count(len(said))} of the log can teach: recorded, with a first crack that you marked, confirmed or "
            f"corrected; it takes {LEAST} to tell whether the training helps: crackdetect review last"
        )
    titles = "the model before", "trained with them"
    return OwnRoasts(said, partial(print_comparison, f"your {count(len(said))}", titles=titles))


def _card(
    arguments: str, name: str, sounds: Path | None, classifier: Path | None
) -> tuple[dict[str, Any], ClassifierModel | None]:
    """The model's card, and the classifier that is kept, if any. Raises ModelError, InputError."""
    from crackdetect import model as model_files
    from crackdetect.train.sounds import find, sources

    real = "" if sounds is None else " --sounds DIR"
    card: dict[str, Any] = {"reproduced_by": f"crackdetect train {arguments}{real} --name {name}", "real_sounds": {}}
    if sounds is not None:
        card["real_sounds"] = sources(sounds, find(sounds))
    if classifier is None:
        return card, None
    kept, of = model_files.load_classifier(classifier)
    card["reproduced_by"] += " --classifier FILE"
    same = ("training_scenes", "training_rows", *(("real_sounds",) if sounds is None else ()))
    card |= {key: of[key] for key in same if key in of}
    origin = {"model": of["digest"], "reproduced_by": of.get("reproduced_by", "unknown")}
    card["classifier"] = of.get("classifier", origin)  # it may itself have been kept
    return card, kept
