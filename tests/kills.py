"""Roasts that are killed at random moments, with everything attached that keeps them; and what is left of each.

A process of its own imports everything once and forks a roast on demand (``Nursery``). A roast hears the demonstration
recording from somewhere before first crack on, twenty times faster than it happened, and is followed by a journal, a
recorder, and a webhook's outbox with its courier. Beside them a witness writes down what was said and when, by plain
writes that a kill cannot undo. ``python tests/trials.py kills`` does it two hundred times.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from crackdetect import model as model_files
from crackdetect.audio.files import open_recording
from crackdetect.blocks import Block
from crackdetect.config import About, Settings, Target
from crackdetect.events import Event
from crackdetect.listening.attachments import ObservedSource
from crackdetect.pipeline import Pipeline
from crackdetect.running.loop import listen
from crackdetect.storage import recovery
from crackdetect.storage.journal import Journal, new_folder, read_events
from crackdetect.storage.recording import Recorder
from crackdetect.storage.recording import join as join_sound
from crackdetect.webhook.courier import Courier
from crackdetect.webhook.outbox import FILE_NAME, Outbox
from crackdetect.webhook.post import Postman
from crackdetect.webhook.selection import Selection
from crackdetect.webhook.sink import WebhookSink

FASTER = 20.0
BLOCK_S = 0.05
RATE = 32_000
DEMO = model_files.data_folder("recordings_synthetic") / "demo_roast.flac"
SETTINGS = Settings(charge_at=1.0, target=Target(seconds=20))
ALL = Selection(("all",))


def sound() -> np.ndarray:
    """The demonstration from a hundred seconds before its first crack on."""
    source = open_recording(DEMO)
    samples = np.concatenate([block.samples for block in source])
    source.close()
    return samples[240 * RATE :]


class Paced:
    """The sound as a microphone gives it, only faster; it counts what it has given."""

    samplerate = RATE
    kind = "microphone"
    name = "demonstration"

    def __init__(self, samples: np.ndarray, witness: Witness) -> None:
        self._samples = samples
        self._witness = witness

    def __iter__(self) -> Iterator[Block]:
        step = round(BLOCK_S * RATE)
        begin = time.monotonic()
        for start in range(0, len(self._samples), step):
            time.sleep(max(0.0, begin + start / RATE / FASTER - time.monotonic()))
            block = Block(self._samples[start : start + step])
            yield block
            self._witness.heard(start + len(block.samples))

    def close(self) -> None:
        pass


class Witness:
    """Lines of time, kind, and an event or the number of samples heard."""

    def __init__(self, path: Path) -> None:
        self._descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def _write(self, kind: str, text: str) -> None:
        os.write(self._descriptor, f"{time.monotonic()} {kind} {text}\n".encode())

    def close(self) -> None:
        os.close(self._descriptor)

    def heard(self, samples: int) -> None:
        self._write("heard", str(samples))

    def send(self, event: Event) -> None:
        self._write("said", event.to_json())


def roast(home: Path, name: str, url: str, samples: np.ndarray) -> None:
    """One roast, in the forked process; it ends only by being killed, or with the sound."""
    follow(home, new_folder(home / "data", name), url, samples)


def follow(home: Path, folder: Path, url: str, samples: np.ndarray) -> None:
    """The roast in ``folder`` with all that keeps it, to its end; everything is let go of."""
    witness = Witness(folder / "witness")
    model = model_files.shipped()
    started = datetime.now().astimezone().isoformat()
    pipeline = Pipeline(
        samplerate=RATE,
        model=model,
        settings=SETTINGS,
        roast=folder.name,
        source="microphone",
        about=About(started=started, coffee="Trial"),
    )
    journal, recorder = Journal(folder), Recorder(folder, samplerate=RATE)
    outbox = Outbox(home / "data" / FILE_NAME)
    courier = Courier(outbox, Postman(url, None))
    webhook = WebhookSink(outbox, [courier], addresses=[url], selection=ALL)
    source = ObservedSource(Paced(samples, witness), [recorder])
    listen(source, pipeline, [journal, webhook, witness])
    journal.close()
    recorder.close()
    courier.close(within_s=10)
    outbox.close()
    witness.close()


class Nursery:
    """Forks roasts below ``home`` that send to ``url``."""

    def __init__(self, home: Path, url: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, __file__, str(home), url],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "OMP_NUM_THREADS": "1", "CRACKDETECT_HOME": str(home)},
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "ready\n"

    def fork(self, name: str) -> int:
        """Begins a roast; returns its process."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        print(name, file=self._process.stdin, flush=True)
        return int(self._process.stdout.readline())

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(10)
        self._process.stdout.close()


def nurse(home: Path, url: str) -> None:
    """In the nursery's process: forks one roast a line."""
    samples = sound()
    model_files.shipped()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    print("ready", flush=True)
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            roast(home, line.strip(), url, samples)
            os._exit(0)
        print(child, flush=True)


@dataclass
class Left:
    """What was left of a roast that was killed. killed: seconds, monotonic."""

    name: str
    killed: float
    said: list[tuple[float, dict[str, Any]]] = field(default_factory=list)
    heard: list[tuple[float, int]] = field(default_factory=list)
    kept: list[dict[str, Any]] = field(default_factory=list)
    sound_samples: int = 0
    identity: str = ""

    @property
    def lost_events(self) -> list[dict[str, Any]]:
        """Said more than a second before the kill, and not in the journal."""
        kept = {event["seq"]: event for event in self.kept}
        return [event for at, event in self.said if at < self.killed - 1.0 and kept.get(event["seq"]) != event]

    @property
    def lost_sound_s(self) -> float:
        """Wall seconds of sound that are missing at the end of the recording; it came twenty times faster."""
        in_time = max((samples for at, samples in self.heard if at < self.killed), default=0)
        return max(0, in_time - self.sound_samples) / RATE / FASTER

    @property
    def lost_last_s(self) -> float:
        """Seconds before the kill of the oldest event that is missing, 0 = none is."""
        kept = {event["seq"] for event in self.kept}
        return max((self.killed - at for at, event in self.said if event["seq"] not in kept), default=0.0)


def kill_one(nursery: Nursery, home: Path, name: str, *, after_s: float) -> Left:
    """Begins a roast, kills it ``after_s`` later, and looks at what is there."""
    process = nursery.fork(name)
    time.sleep(after_s)
    os.kill(process, signal.SIGKILL)
    left = Left(name, time.monotonic())
    until = left.killed + 10
    while _alive(process) and time.monotonic() < until:
        time.sleep(0.01)
    folder = home / "data" / "roasts" / name
    witness = folder / "witness"
    for line in witness.read_text(encoding="utf-8").splitlines() if witness.exists() else ():
        at, kind, text = line.split(" ", 2)
        if kind == "said":
            left.said.append((float(at), json.loads(text)))
        else:
            left.heard.append((float(at), int(text)))
    if (folder / "events.jsonl").exists():
        left.kept = read_events(folder)
    return left


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def close_one(home: Path, left: Left) -> None:
    """What the next start does, under CRACKDETECT_HOME: the roast is closed as it stands and goes into the log."""
    for cut_off in recovery.find(home / "data"):
        if cut_off.state.roast == left.name:
            left.identity = recovery.close(cut_off, model_files.shipped())
    sound = join_sound(home / "data" / "roasts" / left.name)
    if sound is not None:
        source = open_recording(sound)
        left.sound_samples = sum(len(block.samples) for block in source)
        source.close()


def moments(count: int, *, seed: int) -> list[float]:
    """Seconds until each kill: from the first import to well into development."""
    chance = random.Random(seed)
    return [chance.uniform(0.05, 7.0) for _ in range(count)]


if __name__ == "__main__":
    nurse(Path(sys.argv[1]), sys.argv[2])
