"""Makes the recordings of the benchmark, has them heard by the whole path, and scores them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path

import numpy as np

from crackdetect.audio.files import find_recordings, open_recording
from crackdetect.blocks import Block, Samples
from crackdetect.config import Sensitivity, Settings
from crackdetect.deciding.tracker import Judged, TrackerSettings
from crackdetect.errors import InputError
from crackdetect.evaluate import gaussian, real_sounds
from crackdetect.evaluate.announcement import EvidenceRise
from crackdetect.evaluate.announcement_limit import poisson_cusum_delay
from crackdetect.evaluate.baseline_scores import BaselineScores
from crackdetect.evaluate.dating_limit import ramp_start
from crackdetect.evaluate.detection import Candidate
from crackdetect.evaluate.real_sounds import RealSounds
from crackdetect.evaluate.score_cache import ScoreCache
from crackdetect.evaluate.scoring import Score, score
from crackdetect.evaluate.sets import POPCORN_LEAD_S, STRANGERS, Task
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.pipeline import Evidence, Pipeline
from crackdetect.running.parallel import imap
from crackdetect.synth.plan import RoastPlan
from crackdetect.synth.render import Renderer
from crackdetect.synth.truth import Truth
from crackdetect.train import popcorn
from crackdetect.train.sounds import SAMPLERATE

#: Fewest strays a minute that the optimal test is asked about: with none at all, one crack would be proof.
_LEAST_STRAYS = 0.2
#: What the best date knows of ramps (s) and peaks (cracks a minute): what the benchmark draws them from.
_RAMPS_S, _PEAKS = range(10, 61, 5), (40, 60, 80, 100, 125, 150)
#: It hears so much of the plateau, s, and looks so far back from there: more tells nothing of the start.
_DATE_PLATEAU_S, _DATE_SPAN_S = 60.0, 180.0


@dataclass(frozen=True, slots=True)
class Setup:
    """How every recording of a run is heard.

    Attributes
    ----------
    model : Model
    sensitivity : {"earlier", "usual", "surer"}
    sounds : pathlib.Path or None
        Folder of real sounds.
    baselines : bool
        Also ask the general detectors.
    """

    model: Model
    sensitivity: Sensitivity = "usual"
    sounds: Path | None = None
    baselines: bool = True

    @property
    def identity(self) -> str:
        """What tells the scores of one setup from those of another."""
        return f"{self.model.digest} {self.sensitivity} {self.baselines}"


@dataclass(frozen=True, slots=True)
class Signal:
    """A recording and its truth.

    Attributes
    ----------
    blocks : iterable of Block
        To be read once.
    truth : Truth
    samplerate : int
        Hz.
    """

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


@dataclass(frozen=True, slots=True)
class Heard:
    """What a recording was heard to hold.

    Attributes
    ----------
    events : list of Event
        All that was said.
    candidates : list of Candidate
        All that was judged.
    rise : EvidenceRise
        The evidence, had nothing been announced.
    """

    events: list[Event]
    candidates: list[Candidate]
    rise: EvidenceRise


def hear(signal: Signal, setup: Setup, *, baselines: BaselineScores | None = None) -> Heard:
    """A recording by the pipeline; and once more by one that never announces, which costs a fifth of the whole.

    Parameters
    ----------
    signal : Signal
        Its blocks are read.
    setup : Setup
    baselines : BaselineScores, optional
        General detectors that get the same samples.
    """
    candidates: list[Candidate] = []
    evidence: list[Evidence] = []

    def judged(answer: Judged | Evidence) -> None:
        if isinstance(answer, Judged):
            candidates.append(Candidate(answer.candidate.time, answer.candidate.probability))

    def weighed(answer: Judged | Evidence) -> None:
        if isinstance(answer, Evidence):
            evidence.append(answer)

    settings, usual = Settings(sensitivity=setup.sensitivity), TrackerSettings()
    parts = partial(Pipeline, samplerate=signal.samplerate, model=setup.model, settings=settings)
    pipeline = parts(watch=judged)
    silent = parts(watch=weighed, phase_settings=replace(usual, threshold=math.inf))
    events: list[Event] = []
    for block in signal.blocks:
        events += pipeline.push(block)
        silent.push(block)
        if baselines is not None:
            baselines.push(block.samples)
    events += pipeline.finish()
    silent.finish()
    return Heard(events, candidates, EvidenceRise.of(evidence, ready_s=usual.ready_s))


def run_task(task: Task, setup: Setup) -> Score:
    """Makes (or opens), hears and scores one recording."""
    if task.path is not None:
        with closing(open_recording(task.path)) as source:
            truth = read_truth(Path(task.path).with_suffix(".json"))
            return _hear_and_score(task, setup, Signal(source, truth, source.samplerate))
    sounds = real_sounds.load(setup.sounds) if task.real and setup.sounds is not None else None
    return _hear_and_score(task, setup, make(task, sounds))


def _hear_and_score(task: Task, setup: Setup, signal: Signal) -> Score:
    # popcorn's truth was made by a general detector: it cannot be compared with itself
    ask = setup.baselines and task.source != "popcorn"
    baselines = BaselineScores(samplerate=signal.samplerate) if ask else None
    heard = hear(signal, setup, baselines=baselines)
    # the limits are those of a rise with a kink, which the wide family has not
    plan = task.plan if task.source == "plan" and task.plan is not None and task.plan.wide is None else None
    return score(
        task.name,
        heard.events,
        signal.truth,
        theme=task.theme,
        optimal_delay_s=None if plan is None else optimal_delay_s(plan),
        best_error_s=None if plan is None else best_error_s(plan, signal.truth),
        candidates=heard.candidates,
        rise=heard.rise,
        baselines=None if baselines is None else baselines.finish(signal.truth),
    )


def optimal_delay_s(plan: RoastPlan) -> float | None:
    """Mean delay (s) of the optimal test (``announcement_limit``) for the plan's ramp and strays.

    The test knows both, hears every crack and is false once in 10 hours. None where first crack does not begin.
    """
    if plan.first_start_s is None or plan.first_start_s < 0:
        return None
    return _optimal_delay_s(max(plan.strays_per_minute, _LEAST_STRAYS), plan.peak_per_minute, plan.ramp_s)


@lru_cache(maxsize=1000)
def _optimal_delay_s(strays: float, peak: float, ramp_s: float) -> float:
    return poisson_cusum_delay(
        background_per_minute=strays, rise_per_minute=peak, ramp_s=ramp_s, between_false_h=10.0, runs=4000
    )


def best_error_s(plan: RoastPlan, truth: Truth) -> float | None:
    """Error (s) of the best date of first crack (``dating_limit``); None where it does not begin.

    The best date hears each crack until the end of the plateau, a minute of it at most, and knows the strays' rate, but
    not this ramp (nor that strays come in clumps).
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
    setup: Setup,
    *,
    kept: ScoreCache | None = None,
    resume: bool = True,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, str], None] | None = None,
    failed: Callable[[str], object] | None = None,
) -> dict[str, list[Score]]:
    """Scores of all tasks by row, in the order of the tasks.

    Parameters
    ----------
    tasks : sequence of Task
    setup : Setup
    kept : ScoreCache, optional
        Where finished recordings are kept; with ``resume`` those already there are not heard again.
    jobs, cluster
        See :func:`crackdetect.running.parallel.imap`.
    progress : callable, optional
        Called with the number of recordings done, those that cannot be heard among them, and the name of the last; at
        first with the number of those kept, and "".
    failed : callable, optional
        Takes a sentence on each recording that cannot be heard, which is left out; without it the first ends all.

    Raises
    ------
    InputError
        When a recording or the cluster cannot be reached.
    OutputError
        When a score cannot be kept.
    """
    scores = kept.load(tasks) if kept is not None and resume else {}
    say = progress or (lambda done, name: None)
    say(len(scores), "")
    open_tasks = [(i, task) for i, task in enumerate(tasks) if i not in scores]
    done = len(scores)
    work = imap(partial(_score_or_why, setup=setup), [task for _, task in open_tasks], jobs=jobs, cluster=cluster)
    for number, result in work:
        i, task = open_tasks[number]
        if isinstance(result, InputError):
            if failed is None:
                raise result
            failed(str(result))
        else:
            scores[i] = result
            if kept is not None:
                kept.save(task, result)
        done += 1
        say(done, task.name)
    found: dict[str, list[Score]] = {}
    for i in sorted(scores):
        found.setdefault(tasks[i].row, []).append(scores[i])
    return found


def _score_or_why(task: Task, setup: Setup) -> Score | InputError:
    """Or why the recording cannot be heard."""
    try:
        return run_task(task, setup)
    except InputError as error:
        return error


def folder_tasks(folder: Path) -> list[Task]:
    """A task for every recording in ``folder`` that has a truth file (the same name, ``.json``) beside it.

    Its row is its group: a sub-folder, or all whose names differ in the digits at the end only.
    Raises InputError when there is none, or when a truth file cannot be read: that is told before anything is heard.
    """
    paths = [path for path in find_recordings([folder]) if path.with_suffix(".json").is_file()]
    if not paths:
        raise InputError(f"folder {folder} holds no recording with a truth file beside it (NAME.flac and NAME.json)")
    for path in paths:
        read_truth(path.with_suffix(".json"))
    return [Task(f"{STRANGERS} {group}", path.stem, "file", path=str(path)) for path, group in _grouped(folder, paths)]


def _grouped(folder: Path, paths: Sequence[Path]) -> list[tuple[Path, str]]:
    """Each path with the name of its group: its sub-folder, else what its name shares with another's before digits."""
    stems = Counter(path.stem.rstrip("0123456789").rstrip("-_ .") for path in paths if path.parent == folder)
    found = []
    for path in paths:
        stem = path.stem.rstrip("0123456789").rstrip("-_ .")
        if path.parent != folder:
            group = path.parent.relative_to(folder).as_posix()
        else:
            group = stem if stem and stems[stem] > 1 else "recordings"
        found.append((path, group))
    return found


def read_truth(path: Path) -> Truth:
    """The truth in a file. Raises InputError when it cannot be read."""
    try:
        return Truth.from_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(f"truth file {path} cannot be read; see recordings_synthetic/README.md") from None
