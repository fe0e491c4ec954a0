"""How fast the hearing is, beside general detectors and beside another revision of itself.

Machines differ and are noisy, so nothing is measured alone: two runs after each other are a pair, who begins changes
from pair to pair, and what is told is the median of the pairs' ratios with the smallest and the largest. Runs are whole
processes, from their start to their end, in seconds of processor time; the numeric libraries have one thread.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from crackdetect.blocks import Block, Samples
from crackdetect.errors import CrackdetectError
from crackdetect.model import Model
from crackdetect.pipeline import Pipeline
from crackdetect.synth.plan import plan_roast
from crackdetect.synth.render import Renderer

Measure = TypeVar("Measure")

#: Hz.
SAMPLERATE = 44_100
#: Blocks of a recording and of a microphone, seconds; of the latter so much is heard.
_BLOCK_S, _LIVE_BLOCK_S, _LIVE_S = 3.0, 0.01, 60.0
#: Runs a command and says on standard error what it took: the peak of a process that a large one starts is the large
#: one's, so a small one starts it. Its standard input ends with whoever started it, and the command with that.
_LAUNCHER = """
import hashlib, json, os, subprocess, sys, threading, time
digest, began = hashlib.sha256(), time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE)
threading.Thread(target=lambda: (os.read(0, 1), child.kill()), daemon=True).start()
while part := child.stdout.read(1 << 16):
    digest.update(part)
code = child.wait()
took = {"seconds": time.perf_counter() - began, "megabytes": None, "said": digest.hexdigest()}
try:
    import resource
except ModuleNotFoundError:
    pass
else:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    unit = 1 << 20 if sys.platform == "darwin" else 1 << 10
    took |= {"seconds": used.ru_utime + used.ru_stime, "megabytes": used.ru_maxrss * unit / 1e6}
print(json.dumps(took), file=sys.stderr)
sys.exit(code)
"""


@dataclass(frozen=True, slots=True)
class Run:
    """What a process took.

    Attributes
    ----------
    seconds : float
        Of processor time; of the clock, where the system does not tell.
    megabytes : float or None
        Of memory at its peak.
    said : str
        Digest of what it wrote.
    """

    seconds: float
    megabytes: float | None
    said: str


@dataclass(frozen=True, slots=True)
class Spread:
    """Median, smallest and largest of some figures."""

    median: float
    low: float
    high: float

    @classmethod
    def of(cls, figures: Sequence[float]) -> Spread:
        """Of one figure or more."""
        return cls(float(np.median(figures)), min(figures), max(figures))

    def to_list(self) -> list[float]:
        """Median, smallest, largest."""
        return [self.median, self.low, self.high]


@dataclass(frozen=True, slots=True)
class Compared:
    """Pairs of runs on one sound.

    Attributes
    ----------
    sound, other : str
        Names of the sound and of what stands beside ours.
    seconds : float
        Of sound.
    ours, theirs : tuple of Run
        One each a pair.
    """

    sound: str
    other: str
    seconds: float
    ours: tuple[Run, ...]
    theirs: tuple[Run, ...]

    @property
    def ratio(self) -> Spread:
        """Our time over theirs, of each pair: below 1 ours is faster."""
        return Spread.of([one.seconds / other.seconds for one, other in zip(self.ours, self.theirs, strict=True)])

    @property
    def same(self) -> bool:
        """Whether both always wrote the same."""
        return len({run.said for run in (*self.ours, *self.theirs)}) == 1

    def to_dict(self) -> dict[str, Any]:
        """For a JSON file."""
        return {
            "sound": self.sound,
            "other": self.other,
            "seconds": self.seconds,
            "ratio": self.ratio.to_list(),
            "ours": {"seconds": [run.seconds for run in self.ours], "megabytes": peak(self.ours)},
            "theirs": {"seconds": [run.seconds for run in self.theirs], "megabytes": peak(self.theirs)},
        }


@dataclass(frozen=True, slots=True)
class InMemory:
    """The hearing of samples that are there already, beside a band-pass over them, without any start.

    Attributes
    ----------
    sound : str
    real_time : float
        Seconds of sound a second of processor time, median.
    bandpasses : Spread
        Time of so many band-passes over the same samples.
    live_percent : float
        Of a core, in blocks of 10 ms, median.
    live_bandpasses : Spread
        The same in these blocks.
    """

    sound: str
    real_time: float
    bandpasses: Spread
    live_percent: float
    live_bandpasses: Spread

    def to_dict(self) -> dict[str, Any]:
        """For a JSON file."""
        return {
            "sound": self.sound,
            "real_time": self.real_time,
            "bandpasses": self.bandpasses.to_list(),
            "live_percent": self.live_percent,
            "live_bandpasses": self.live_bandpasses.to_list(),
        }


def peak(runs: Sequence[Run]) -> float | None:
    """Most memory of any of them, MB; None where the system does not tell."""
    return max((run.megabytes for run in runs if run.megabytes is not None), default=None)


def in_pairs(
    one: Callable[[], Measure], other: Callable[[], Measure], *, pairs: int
) -> Iterator[tuple[Measure, Measure]]:
    """So many pairs; the other begins in every second one, for what comes second may find the machine warmer."""
    for number in range(pairs):
        if number % 2:
            second = other()
            yield one(), second
        else:
            yield one(), other()


def run(command: Sequence[str], *, env: Mapping[str, str] | None = None) -> Run:
    """Runs a command to its end. Raises CrackdetectError with its last words when it fails."""
    started = [sys.executable, "-S", "-c", _LAUNCHER, *command]
    # what is installed has been compiled; a checkout is once, unless that is forbidden
    env = {name: value for name, value in (env or os.environ).items() if name != "PYTHONDONTWRITEBYTECODE"}
    with subprocess.Popen(started, stdin=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env) as launcher:
        assert launcher.stderr is not None
        *words, took = launcher.stderr.read().splitlines() or [""]
    if launcher.returncode != 0:
        raise CrackdetectError(f"{' '.join(command)} failed: {words[-1] if words else took}")
    return Run(**json.loads(took))


def hearing(path: Path) -> list[str]:
    """The command that hears a recording."""
    return [sys.executable, "-m", "crackdetect", "analyze", str(path), "--format", "jsonl"]


def compared(
    files: Mapping[str, tuple[Path, float]],
    others: Callable[[Path], Mapping[str, Callable[[], Run]]],
    *,
    pairs: int,
    progress: Callable[[], None],
) -> Iterator[Compared]:
    """Ours beside each of the others on each sound; before, each is run once on the first, which does not count.

    So what is compiled or read from the disk for the first time does not.

    Parameters
    ----------
    files : mapping
        By the name of the sound its file and its length, seconds.
    others : callable
        Takes the file and gives what runs each of the others, by its name.
    pairs : int
        1 or more, of each.
    progress : callable
        Called after each pair.
    """
    for number, (sound, (path, seconds)) in enumerate(files.items()):
        for name, other in others(path).items():
            if number == 0:
                for first in (other, partial(run, hearing(path))):
                    first()
            met = []
            for pair in in_pairs(partial(run, hearing(path)), other, pairs=pairs):
                met.append(pair)
                progress()
            ours, theirs = zip(*met, strict=True)
            yield Compared(sound, name, seconds, ours, theirs)


def in_memory(sound: str, path: Path, model: Model, *, pairs: int) -> InMemory:
    """Times the hearing inside this process. path: of a sound at SAMPLERATE, which is read beforehand."""
    import soundfile

    from crackdetect.train.bandpass_peaks import bandpassed

    samples, _ = soundfile.read(path, dtype="float32")
    part = samples[: round(_LIVE_S * SAMPLERATE)]
    seconds, live_seconds = len(samples) / SAMPLERATE, len(part) / SAMPLERATE

    def both() -> tuple[float, float]:
        return _processor_s(partial(hear, samples, _BLOCK_S, model)), _processor_s(
            partial(hear, part, _LIVE_BLOCK_S, model)
        )

    def bandpass() -> tuple[float, float]:
        return (_processor_s(partial(bandpassed, samples, SAMPLERATE)),) * 2

    times = np.array(list(in_pairs(both, bandpass, pairs=pairs)))  # (pair, ours or the band-pass, whole or live)
    whole, live, filtered = times[:, 0, 0], times[:, 0, 1], times[:, 1, 0]
    return InMemory(
        sound,
        float(np.median(seconds / whole)),
        Spread.of((whole / filtered).tolist()),
        float(np.median(100 * live / live_seconds)),
        Spread.of((live / live_seconds / (filtered / seconds)).tolist()),
    )


def hear(samples: Samples, block_s: float, model: Model) -> None:
    """All samples through the pipeline, in blocks of so many seconds."""
    pipeline, length = Pipeline(samplerate=SAMPLERATE, model=model), round(block_s * SAMPLERATE)
    for start in range(0, len(samples), length):
        pipeline.push(Block(samples[start : start + length]))
    pipeline.finish()


def _processor_s(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


# -- what is heard -----------------------------------------------------------------------------------------------


def sounds(seconds: float) -> Iterator[tuple[str, Samples]]:
    """From hardly a candidate to thirty blows a second, of so many seconds each, at SAMPLERATE."""
    smooth = _noise(np.random.default_rng(1), seconds)
    yield "smooth noise", smooth
    yield "a grainy drum", _rendered("wide", 7_001, seconds)
    yield "a clicking bed", _clicking(smooth, seconds)
    yield "a roast", _rendered("narrow", 3, seconds)


def write_sounds(folder: Path, seconds: float) -> dict[str, tuple[Path, float]]:
    """Each sound in a WAV file of 16 bits, by its name, with its length in seconds."""
    import soundfile

    found = {}
    for number, (name, samples) in enumerate(sounds(seconds)):
        path = folder / f"{number}.wav"
        soundfile.write(path, samples, SAMPLERATE, subtype="PCM_16")
        found[name] = path, len(samples) / SAMPLERATE
    return found


def write_long(source: Path, path: Path, seconds: float) -> None:
    """A sound again and again, until there are so many seconds of it."""
    import soundfile

    samples, samplerate = soundfile.read(source, dtype="int16")
    left = round(seconds * samplerate)
    with soundfile.SoundFile(path, "w", samplerate, 1, "PCM_16") as file:
        while left > 0:
            file.write(samples[:left])
            left -= len(samples)


def _noise(rng: np.random.Generator, seconds: float) -> Samples:
    return (0.02 * rng.standard_normal(round(seconds * SAMPLERATE))).astype(np.float32)


def _clicking(smooth: Samples, seconds: float) -> Samples:
    """Thirty blows a second of all levels, lengths and pitches on smooth noise."""
    rng, i = np.random.default_rng(2), np.arange(1_500)
    clicking = smooth.astype(np.float64)
    for start in rng.integers(0, len(smooth) - len(i), round(30 * seconds)).tolist():
        level, decay_s, hertz = 10 ** (rng.uniform(6, 26) / 20), rng.uniform(0.0008, 0.004), rng.uniform(1_500, 9_000)
        wave = np.cos(2 * np.pi * hertz * i / SAMPLERATE + rng.uniform(0, 6))
        clicking[start : start + len(i)] += 0.02 * level * np.exp(-i / decay_s / SAMPLERATE) * wave
    return np.clip(clicking, -1, 1).astype(np.float32)


def _rendered(family: str, seed: int, seconds: float) -> Samples:
    plan = plan_roast(seed=seed, samplerate=SAMPLERATE, duration_s=seconds, family=family)
    return Renderer(plan).render()
