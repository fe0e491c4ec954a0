"""Commands as they are typed, what they print and how they end; and one small roast to type them on."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import soundfile
from clicks import clicks_in_noise, poisson_times
from patience import PATIENCE_S

from crackdetect.blocks import Block
from crackdetect.config import Settings
from crackdetect.errors import DeviceLost
from crackdetect.model import Model
from crackdetect.pipeline import Pipeline

#: Programs that run a command in a process of its own.
PROGRAMS = Path(__file__).resolve().parent / "programs"
RATE = 16_000
#: Two strays, then a chorus from 30 s on.
SOUND = clicks_in_noise(
    [5.0, 14.0, *poisson_times(90, 30, 60, seed=4)], samplerate=RATE, duration_s=60, frequency_hz=3_000
)


class Done(NamedTuple):
    """What a command did: its exit code, and what it wrote to standard output and standard error."""

    code: int
    out: str
    err: str

    @property
    def events(self) -> list[dict[str, Any]]:
        """Standard output as JSON Lines."""
        return [json.loads(line) for line in self.out.splitlines()]

    #: The same of a list.
    rows = events

    @property
    def errors(self) -> list[str]:
        """The sentences on standard error that are not notes."""
        return [line for line in self.err.splitlines() if not line.startswith("note: ")]


class Run(Protocol):
    """Runs a command in this process: ``run("analyze", path)``."""

    def __call__(self, *arguments: object) -> Done: ...


def run_process(command: Sequence[object], **options: Any) -> subprocess.CompletedProcess[str]:
    """Runs the interpreter with these arguments in a process of its own."""
    return subprocess.run(
        [sys.executable, *map(str, command)],
        text=True,
        timeout=PATIENCE_S,
        check=False,
        stderr=subprocess.PIPE,
        **{"stdout": subprocess.PIPE, **options},
    )


def expected_events(model: Model, path: Path, roast: str, settings: Settings | None = None) -> list[str]:
    """The path spelled out: whole file, one block."""
    samples, rate = soundfile.read(path, dtype="float32")
    pipeline = Pipeline(samplerate=rate, model=model, settings=settings, roast=roast)
    return [event.to_json() for event in [*pipeline.push(Block(samples)), *pipeline.finish()]]


class LostMicrophone:
    """Gives the sound block by block, then is lost."""

    kind, name, samplerate, channel_note = "microphone", "Desk", RATE, "the mean of the first two channels"
    given: tuple[Any, ...] = ()

    def __init__(self, device: str | None, *, channel: int | None, **options: object) -> None:
        LostMicrophone.given = (device, channel)

    def __iter__(self) -> Iterator[Block]:
        for start in range(0, len(SOUND), 1_600):
            yield Block(SOUND[start : start + 1_600])
        raise DeviceLost("microphone 'Desk' was lost; check its cable, then listen again")

    def close(self) -> None: ...


class EndingMicrophone(LostMicrophone):
    """Its sound ends."""

    def __iter__(self) -> Iterator[Block]:
        yield Block(SOUND[:RATE])
