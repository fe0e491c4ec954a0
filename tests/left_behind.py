"""Roasts as a program that was ended leaves them on the disk, for the tests of what the next start makes of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import numpy as np

from crackdetect.blocks import Block, Samples
from crackdetect.config import About
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.notice import Notice
from crackdetect.pipeline import Pipeline
from crackdetect.storage import boot_clock
from crackdetect.storage.journal import Journal, new_folder
from crackdetect.storage.recording import Recorder

RATE = 8_000
RANDOM = np.random.default_rng(5)


def noise(seconds: float, *, bits: int = 16) -> Samples:
    """As a microphone of so many bits gives it."""
    full = 2 ** (bits - 1)
    return (np.round(RANDOM.normal(0, 0.05, round(seconds * RATE)) * full) / full).astype(np.float32)


def record(folder: Path, blocks: list[Block], **options: Any) -> list[Notice]:
    """Records blocks; what was told."""
    notices: SimpleQueue[Notice] = SimpleQueue()
    recorder = Recorder(folder, samplerate=RATE, notices=notices, **options)
    for block in blocks:
        recorder.observe(block)
    recorder.close()
    return [notices.get_nowait() for _ in range(notices.qsize())]


def leave(
    data: Path, name: str, model: Model, *, ago_s: float, summary: bool = False, clock_off_s: float = 0.0
) -> Path:
    """A roast of 20 s that nobody ended. clock_off_s: by so much the wall clock was ahead then."""
    started = datetime.now().astimezone() - timedelta(seconds=20 + ago_s - clock_off_s)
    about = About(coffee="Trial", started=started.isoformat())
    folder = new_folder(data, name)
    journal = Journal(folder)
    journal.clock = lambda: boot_clock.now().before(20 + ago_s)
    sound = noise(20)
    for event in _heard(model, summary):
        fields = {**event.fields, "about": about.as_fields()} if "about" in event.fields else event.fields
        journal.send(replace(event, roast=name, fields=fields))
    journal.close()
    record(folder, [Block(sound)])
    return folder


@cache
def _heard(model: Model, summary: bool) -> list[Event]:
    """Of such noise, once for all."""
    pipeline = Pipeline(samplerate=RATE, model=model, source="microphone", about=About(coffee="Trial"))
    return [*pipeline.push(Block(noise(20))), *pipeline.mark("charge"), *(pipeline.finish() if summary else [])]
