"""``crackdetect train``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from crackdetect.options import on_cluster


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
@click.option(
    "--sounds",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of real sounds, one sub-folder a class (see DEVELOPERS.md).",
)
@click.option(
    "--classifier",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Model whose classifier is kept: only what follows it is taught, in half the time.",
)
@click.option(
    "--jobs",
    type=click.IntRange(1, 256),
    default=1,
    show_default=True,
    help="Processes, and networks fitted at a time.",
)
@on_cluster
def command(
    out: Path,
    name: str,
    seed: int,
    scenes: int,
    sounds: Path | None,
    classifier: Path | None,
    jobs: int,
    cluster: str | None,
) -> None:
    """Fit the small classifier on rendered scenes, and on real sounds if a folder is given.

    The same seed, scenes and sounds give the same file, bit for bit, with the same versions of the packages.

    Example: crackdetect train --scenes 50 --out my-model.json
    """
    from rich.console import Console
    from rich.progress import Progress

    from crackdetect import model_files
    from crackdetect.errors import OutputError
    from crackdetect.train import fit, judging
    from crackdetect.train.scenes import heard_in
    from crackdetect.train.sounds import find, sources

    calibration, judged = max(10, scenes // 8), max(6, scenes // 4)
    arguments = f"--seed {seed} --scenes {scenes}" + ("" if sounds is None else " --sounds DIR")
    card: dict[str, Any] = {"reproduced_by": f"crackdetect train {arguments} --name {name}", "real_sounds": {}}
    if sounds is not None:
        card["real_sounds"] = sources(sounds, find(sounds))
    kept = None
    if classifier is not None:
        kept, of = model_files.load_classifier(classifier, judge=judging.untaught())
        card["reproduced_by"] += " --classifier FILE"
        same = ("training_scenes", "training_rows", *(("real_sounds",) if sounds is None else ()))
        card |= {key: of[key] for key in same if key in of}
        origin = {"model": kept.digest, "reproduced_by": of.get("reproduced_by", "unknown")}
        card["classifier"] = of.get("classifier", origin)  # it may itself have been kept
    if not out.parent.is_dir():
        raise OutputError(f"folder {out.parent} does not exist; make it first")
    with Progress(console=Console(stderr=True), disable=not sys.stderr.isatty()) as progress:
        fitted = 0 if kept is not None else heard_in(scenes)
        bar = progress.add_task("training", total=fitted + heard_in(calibration) + judged + 2)
        model = fit.train(
            out,
            name=name,
            seed=seed,
            count=scenes,
            calibration_count=calibration,
            judge_count=judged,
            sounds=sounds,
            jobs=jobs,
            cluster=cluster,
            card=card,
            classifier=kept,
            progress=lambda what: progress.update(bar, advance=1, description=what),
        )
    click.echo(f"wrote {out}: model {model.name} {model.digest}")
