"""The named benchmark: sets of synthetic recordings that training never met, and anyone's recordings with truth."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from crackdetect.blocks import Block
from crackdetect.classify import Model
from crackdetect.errors import InputError, MissingPartError, SettingError
from crackdetect.evaluate.scoring import Score, score
from crackdetect.events import Event
from crackdetect.phase import PhaseSettings
from crackdetect.pipeline import Pipeline
from crackdetect.synth.plan import RoastPlan, plan_roast
from crackdetect.synth.render import Renderer
from crackdetect.synth.truth import Truth
from crackdetect.train.scenes import FIRST_SEED
from crackdetect.train.sounds import bank

SAMPLERATES = (44_100, 44_100, 48_000, 32_000, 16_000)


@dataclass(frozen=True, slots=True)
class Task:
    """One recording to render, hear and score. real: uses real sounds."""

    set_name: str
    plan: RoastPlan
    real: bool


def tasks(*, roasts: int, quiet_hours: float, seed: int, sounds: Path | None) -> list[Task]:
    """The benchmark's recordings: the same for the same numbers.

    ``roasts`` whole roasts of synthetic sounds; where there are real sounds, half as many with real machine noise
    under synthetic cracks, and half as many with real cracks and distractors; ``quiet_hours`` in which nothing cracks.
    """
    if not 0 <= seed < 1000:
        raise SettingError(f"seed {seed} is out of range; give 0 to 999")
    chosen: list[Task] = []
    first_seed = FIRST_SEED["evaluate"]
    real_sounds = None if sounds is None else bank(sounds, "validate")

    def plan(i: int, scenario: str, **real: object) -> RoastPlan:
        own = first_seed + seed * 10_000 + i
        duration = 600.0 if scenario in ("kitchen", "machine") else None
        return plan_roast(
            seed=own,
            scenario=scenario,
            samplerate=SAMPLERATES[i % len(SAMPLERATES)],
            duration_s=duration,
            **real,  # type: ignore[arg-type]  # names are checked by plan_roast
        )

    for i in range(roasts):
        chosen.append(Task("roasts", plan(i, "second" if i % 5 == 4 else "roast"), False))
    if real_sounds is not None and real_sounds.beds:
        for i in range(roasts // 2):
            rng = np.random.default_rng([first_seed, seed, i, 1])
            bed = int(rng.integers(len(real_sounds.beds)))
            chosen.append(Task("real beds", plan(2000 + i, "roast", bed_index=bed), True))
    if real_sounds is not None and real_sounds.cracks:
        for i in range(roasts // 2):
            extra: dict[str, object] = {"real_crack_fraction": 1.0}
            if real_sounds.distractors:
                extra["real_distractor_rate_per_minute"] = 2.0
            chosen.append(Task("real cracks", plan(4000 + i, "roast", **extra), True))
    for i in range(round(quiet_hours * 6)):
        extra = {}
        real = real_sounds is not None and i % 2 == 1
        if real and real_sounds is not None:
            rng = np.random.default_rng([first_seed, seed, i, 2])
            if real_sounds.distractors:
                extra["real_distractor_rate_per_minute"] = float(rng.uniform(5, 30))
            if real_sounds.beds and i % 4 == 1:
                extra["bed_index"] = int(rng.integers(len(real_sounds.beds)))
        chosen.append(Task("nothing cracks", plan(6000 + i, "machine" if i % 6 == 0 else "kitchen", **extra), real))
    return chosen


def hear(blocks: Iterable[Block], *, samplerate: int, model: Model, settings: PhaseSettings | None) -> list[Event]:
    """All events of a recording, by the pipeline."""
    pipeline = Pipeline(samplerate=samplerate, model=model, phase_settings=settings)
    events = pipeline.start()
    for block in blocks:
        events += pipeline.push(block)
    return events + pipeline.finish()


def run_task(task: Task, *, sounds: Path | None, model: Model, settings: PhaseSettings | None) -> Score:
    """sounds: folder of real sounds, of which the side kept from training is used."""
    renderer = Renderer(task.plan, sounds=bank(sounds, "validate") if task.real and sounds is not None else None)
    events = hear(map(Block, renderer.blocks()), samplerate=task.plan.samplerate, model=model, settings=settings)
    return score(f"{task.set_name} {task.plan.seed}", events, renderer.truth)


def run(
    chosen: Sequence[Task],
    *,
    sounds: Path | None,
    model: Model,
    settings: PhaseSettings | None = None,
    jobs: int = 1,
    progress: Callable[[], None] | None = None,
) -> dict[str, list[Score]]:
    """Scores of all tasks by set, in order, on ``jobs`` processes."""
    try:
        from joblib import Parallel, delayed
    except ModuleNotFoundError:
        raise MissingPartError.training() from None
    found: dict[str, list[Score]] = {}
    work = (delayed(run_task)(task, sounds=sounds, model=model, settings=settings) for task in chosen)
    for task, result in zip(chosen, Parallel(n_jobs=jobs, return_as="generator")(work), strict=True):
        found.setdefault(task.set_name, []).append(result)
        if progress is not None:
            progress()
    return found


def run_folder(
    folder: Path, *, model: Model, settings: PhaseSettings | None = None, progress: Callable[[], None] | None = None
) -> dict[str, list[Score]]:
    """Scores of all recordings in ``folder`` that have a truth file (the same name, ``.json``) beside them."""
    from crackdetect.recordings import find_recordings, open_recording

    pairs = [(path, path.with_suffix(".json")) for path in find_recordings([folder])]
    pairs = [(path, truth) for path, truth in pairs if truth.is_file()]
    if not pairs:
        raise InputError(f"folder {folder} holds no recording with a truth file beside it (NAME.flac and NAME.json)")
    scores: list[Score] = []
    for path, truth_path in pairs:
        try:
            truth = Truth.from_json(truth_path.read_text(encoding="utf-8"))
        except (OSError, ValueError, KeyError, TypeError):
            raise InputError(f"truth file {truth_path} cannot be read; see recordings_synthetic/README.md") from None
        source = open_recording(path)
        try:
            events = hear(source, samplerate=source.samplerate, model=model, settings=settings)
        finally:
            source.close()
        scores.append(score(path.name, events, truth))
        if progress is not None:
            progress()
    return {"recordings": scores}
