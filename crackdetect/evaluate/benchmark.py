"""Makes the recordings of the benchmark, has them heard by the whole path, and scores them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import closing, nullcontext
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path

import numpy as np

from crackdetect.blocks import Block, Samples
from crackdetect.config import Sensitivity, Settings
from crackdetect.errors import InputError
from crackdetect.evaluate import gaussian, popcorn, real_sounds
from crackdetect.evaluate.hearing import Hearing
from crackdetect.evaluate.kept import KeptScores
from crackdetect.evaluate.limits import poisson_cusum_delay, ramp_start
from crackdetect.evaluate.real_sounds import RealSounds
from crackdetect.evaluate.rivals import Rivals
from crackdetect.evaluate.scoring import Score, score
from crackdetect.evaluate.sets import POPCORN_LEAD_S, Task
from crackdetect.events import Event
from crackdetect.pipeline import Pipeline
from crackdetect.recordings import find_recordings, open_recording
from crackdetect.synth.plan import RoastPlan
from crackdetect.synth.render import Renderer
from crackdetect.synth.truth import Truth
from crackdetect.train.sounds import SAMPLERATE
from crackdetect.workers import each

#: Fewest strays a minute that the optimal test is asked about: with none at all, one crack would be proof.
_LEAST_STRAYS = 0.2
#: What the best date knows of ramps (s) and peaks (cracks a minute): what the benchmark draws them from.
_RAMPS_S, _PEAKS = range(10, 61, 5), (40, 60, 80, 100, 125, 150)
#: It hears so much of the plateau, s, and looks so far back from there: more tells nothing of the start.
_DATE_PLATEAU_S, _DATE_SPAN_S = 60.0, 180.0


@dataclass(frozen=True, slots=True)
class Signal:
    """A recording and its truth. blocks: to be read once."""

    blocks: Iterable[Block]
    truth: Truth
    samplerate: int


def make(task: Task, sounds: RealSounds | None) -> Signal:
    """Renders, mixes or opens the recording of a task. sounds: needed where ``task.real``."""
    if task.source == "gaussian":
        samples, truth = gaussian.noise_with_cracks(seed=task.seed, duration_s=task.duration_s)
        return Signal([Block(samples)], truth, truth.samplerate)
    if task.source == "popcorn":
        assert sounds is not None
        assert task.popcorn is not None
        samples, truth = _popcorn(task, sounds, sounds.popcorn[task.popcorn])
        return Signal([Block(samples)], truth, truth.samplerate)
    assert task.plan is not None
    bank = sounds.bank(cracks=task.cracks, bed=task.bed) if sounds is not None and task.real else None
    renderer = Renderer(task.plan, sounds=bank)
    return Signal(map(Block, renderer.blocks()), renderer.truth, task.plan.samplerate)


def _popcorn(task: Task, sounds: RealSounds, wave: Samples) -> tuple[Samples, Truth]:
    rate = SAMPLERATE
    if task.plan is None:
        return popcorn.as_it_is(wave, rate)
    assert task.plan.samplerate == rate
    length = round(POPCORN_LEAD_S * rate) + len(wave)
    noise: list[Samples] = []
    for block in Renderer(task.plan, sounds=sounds.bank(bed=task.bed)).blocks():
        noise.append(block)
        if sum(map(len, noise)) >= length:
            break
    bed = np.concatenate(noise)[:length]
    return popcorn.in_machine_noise(wave, rate, bed, lead_s=POPCORN_LEAD_S, snr_db=task.snr_db)


def hear(
    signal: Signal, hearing: Hearing, *, rivals: Rivals | None = None, others: dict[str, list[Event]] | None = None
) -> list[Event]:
    """All events of a recording, by the pipeline. The rivals get the same samples, and so does a pipeline of each other
    sensitivity, whose events are put into ``others``."""
    heard: dict[Sensitivity, list[Event]] = {
        sensitivity: [] for sensitivity in (hearing.sensitivity, *(hearing.others() if others is not None else ()))
    }
    pipelines = {
        sensitivity: Pipeline(
            samplerate=signal.samplerate, model=hearing.model, settings=Settings(sensitivity=sensitivity)
        )
        for sensitivity in heard
    }
    for block in signal.blocks:
        for sensitivity, pipeline in pipelines.items():
            heard[sensitivity] += pipeline.push(block)
        if rivals is not None:
            rivals.push(block.samples)
    for sensitivity, pipeline in pipelines.items():
        heard[sensitivity] += pipeline.finish()
    if others is not None:
        others.update({name: events for name, events in heard.items() if name != hearing.sensitivity})
    return heard[hearing.sensitivity]


def run_task(task: Task, hearing: Hearing) -> Score:
    """Makes, hears and scores one recording."""
    with closing(open_recording(task.path)) if task.path is not None else nullcontext() as source:
        if source is not None:
            assert task.path is not None
            signal = Signal(source, read_truth(Path(task.path).with_suffix(".json")), source.samplerate)
        else:
            sounds = real_sounds.load(hearing.sounds) if task.real and hearing.sounds is not None else None
            signal = make(task, sounds)
        # popcorn's truth was made by a general detector: it cannot be compared with itself
        rivals = Rivals(samplerate=signal.samplerate) if hearing.rivals and task.source != "popcorn" else None
        others: dict[str, list[Event]] = {}
        events = hear(signal, hearing, rivals=rivals, others=others)
    plan = task.plan if task.source == "plan" else None
    return score(
        task.name,
        events,
        signal.truth,
        theme=task.theme,
        optimal_delay_s=None if plan is None else optimal_delay_s(plan),
        best_error_s=None if plan is None else best_error_s(plan, signal.truth),
        rivals=None if rivals is None else rivals.sweeps(signal.truth),
        others=others,
    )


def optimal_delay_s(plan: RoastPlan) -> float | None:
    """Mean delay of the optimal test (``limits``) for the plan's ramp and strays, 10 hours between false alarms,
    if it knew both and heard every crack; None where first crack does not begin."""
    if plan.first_start_s is None or plan.first_start_s < 0:
        return None
    return _optimal_delay_s(max(plan.strays_per_minute, _LEAST_STRAYS), plan.peak_per_minute, plan.ramp_s)


@lru_cache(maxsize=1000)
def _optimal_delay_s(strays: float, peak: float, ramp_s: float) -> float:
    return poisson_cusum_delay(
        background_per_minute=strays, rise_per_minute=peak, ramp_s=ramp_s, between_false_h=10.0, runs=4000
    )


def best_error_s(plan: RoastPlan, truth: Truth) -> float | None:
    """Error (s) of the best date (``limits.ramp_start``), if each crack until the end of the plateau, a minute of it at
    most, were heard and the strays' rate, but not this ramp, were known (and strays did not come in clumps); None where
    first crack does not begin.
    """
    if plan.first_start_s is None or plan.first_start_s < 0:
        return None
    plateau = plan.first_start_s + plan.ramp_s + min(plan.first_hold_s, _DATE_PLATEAU_S)
    found = ramp_start(
        [event.time_s for event in truth.events if event.kind in ("first", "stray")],
        now=min(plateau, truth.duration_s if truth.drop_s is None else truth.drop_s),
        background=max(plan.strays_per_minute, _LEAST_STRAYS) / 60,
        ramps=_RAMPS_S,
        peaks=[peak / 60 for peak in _PEAKS],
        span=_DATE_SPAN_S,
    )
    return found.middle - plan.first_start_s


def run(
    tasks: Sequence[Task],
    hearing: Hearing,
    *,
    kept: KeptScores | None = None,
    resume: bool = True,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, str], None] | None = None,
) -> dict[str, list[Score]]:
    """Scores of all tasks by row, in the order of the tasks.

    kept: where finished recordings are kept; with ``resume`` those already there are not heard again.
    jobs, cluster: see ``workers.each``. progress: called with the number of recordings done and the name of the last;
    at first with the number of those kept, and "".
    """
    scores = kept.load(tasks) if kept is not None and resume else {}
    say = progress or (lambda done, name: None)
    say(len(scores), "")
    open_tasks = [(i, task) for i, task in enumerate(tasks) if i not in scores]
    work = each(partial(run_task, hearing=hearing), [task for _, task in open_tasks], jobs=jobs, cluster=cluster)
    for number, result in work:
        i, task = open_tasks[number]
        scores[i] = result
        if kept is not None:
            kept.save(task, result)
        say(len(scores), task.name)
    found: dict[str, list[Score]] = {}
    for i, task in enumerate(tasks):
        found.setdefault(task.row, []).append(scores[i])
    return found


def folder_tasks(folder: Path) -> list[Task]:
    """A task for every recording in ``folder`` that has a truth file (the same name, ``.json``) beside it.

    Raises InputError when there is none, or when a truth file cannot be read: that is told before anything is heard.
    """
    paths = [path for path in find_recordings([folder]) if path.with_suffix(".json").is_file()]
    if not paths:
        raise InputError(f"folder {folder} holds no recording with a truth file beside it (NAME.flac and NAME.json)")
    for path in paths:
        read_truth(path.with_suffix(".json"))
    return [Task("recordings", path.stem, "file", path=str(path)) for path in paths]


def read_truth(path: Path) -> Truth:
    """Raises InputError."""
    try:
        return Truth.from_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(f"truth file {path} cannot be read; see recordings_synthetic/README.md") from None
