"""Power cuts: every state in which a whole roast may leave the disk, and what the next start makes of it.

Each state has its seed in the test's name, so that it can be had again.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest
from left_behind import RATE
from power_loss import Moment, Promised, Tape, digests
from roasts import roast_events

from crackdetect.audio.files import open_recording
from crackdetect.blocks import Block, Samples
from crackdetect.errors import InputError
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.storage import recovery
from crackdetect.storage.journal import Journal, new_folder, read_events
from crackdetect.storage.log_file import FILE
from crackdetect.storage.recording import Recorder
from crackdetect.storage.roast_store import RoastLog

pytestmark = pytest.mark.skipif(os.name == "nt", reason="folders cannot be synced there")

CHOICES = 8
BLOCK = RATE // 4


def _events() -> list[Event]:
    fields = roast_events("monday", cracks=80)
    fields[0] |= {"samplerate": RATE}
    return [Event.from_dict(one) for one in fields]


def _hear(folder: Path, tape: Tape, events: list[Event], *, first: int, blocks: int) -> None:
    """A part of the roast, as the sinks get it; events and sound in turns."""
    journal = Journal(folder)
    recorder = Recorder(folder, samplerate=RATE, first=first, sync_every_s=0.0, reserve=0)
    sound = np.random.default_rng(first).normal(0, 0.05, (blocks, BLOCK)).astype(np.float32)
    for number in range(max(blocks, len(events))):
        if number < blocks:
            recorder.observe(Block(sound[number]))
            while recorder.waiting_samples:
                time.sleep(0.001)
        if number < len(events):
            journal.send(events[number])
            tape.look()
            if number % 2:
                journal.settle()
                tape.promised = _promised(tape, events[: number + 1], {})
    journal.close()
    recorder.close()
    tape.promised = _promised(tape, events, {first: sound.reshape(-1)})


def _promised(tape: Tape, events: list[Event], sound: Mapping[int, Samples]) -> Promised:
    """With what was before."""
    before = tape.promised
    return Promised(before.events.union(event.seq for event in events), {**before.sound, **sound})


@pytest.fixture(scope="module")
def moments(tmp_path_factory: pytest.TempPathFactory) -> list[Moment]:
    """Of a roast that was cut off, gone on with, ended, and put into the log."""
    root = tmp_path_factory.mktemp("disk")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CRACKDETECT_HOME", str(root))
        tape = Tape(root, patch)
        events = _events()
        folder = new_folder(root / "data", "monday")
        _hear(folder, tape, events[:50], first=0, blocks=40)
        _hear(folder, tape, events[50:], first=45 * BLOCK, blocks=40)
        recovery.keep(folder)
        tape.look()
    return tape.moments


def _sure_events(moment: Moment) -> set[int]:
    lines = [line for name in ("events.jsonl", "roast.jsonl") for one in moment.sure(name) for line in one.splitlines()]
    return {fields["seq"] for fields in map(json.loads, lines) if "seq" in fields}


def _sure_sound(moment: Moment) -> int:
    """Samples of the longest recording that the disk has for sure, under whatever name."""
    path = Path(os.environ["CRACKDETECT_HOME"]) / "look.flac"
    samples = 0
    for inode in moment.files.values():
        if inode.sure.startswith(b"fLaC"):
            path.write_bytes(inode.sure)
            with contextlib.suppress(InputError), contextlib.closing(open_recording(path)) as source:
                samples = max(samples, sum(len(block.samples) for block in source))
            path.unlink()
    return samples


def _check(moment: Moment, root: Path, model: Model, patch: pytest.MonkeyPatch, *, seed: int) -> None:
    """The promises, in one state."""
    moment.lay_out(root, seed=seed)
    patch.setenv("CRACKDETECT_HOME", str(root))
    sure, sure_sound = _sure_events(moment) | moment.promised.events, _sure_sound(moment)
    told: list[str] = []
    for cut_off in recovery.find(root / "data", tell=told.append):
        recovery.close(cut_off, model)
    folder = root / "data" / "roasts" / "monday"
    kept = {event["seq"] for event in read_events(folder)} if (folder / "roast.jsonl").exists() else set()
    assert sure <= kept, f"lost {sorted(sure - kept)}; {told}"
    in_log = 0
    if (root / "data" / FILE).exists():
        with RoastLog() as log:
            in_log = log.count()
    assert in_log == bool(kept)
    for name, content in digests(root):
        assert content, f"{name} is empty"
    parts = list(folder.glob("sound-*.flac")) if folder.exists() else []
    assert not kept or not parts, "sound is rejoined"
    if kept and sure_sound:
        with contextlib.closing(open_recording(folder / "sound.flac")) as source:
            whole = np.concatenate([block.samples for block in source])
        assert len(whole) >= sure_sound
        for first, samples in moment.promised.sound.items():
            np.testing.assert_allclose(whole[first : first + len(samples)], samples, atol=2**-22)
    before = dict(digests(root))
    assert recovery.find(root / "data") == []
    assert dict(digests(root)) == before, "a second start changes nothing"


def _states(moments: list[Moment], every: int, offset: int) -> Iterator[tuple[Moment, int]]:
    for number, moment in enumerate(moments):
        for choice in range(CHOICES):
            seed = CHOICES * number + choice
            if seed % every == offset:
                yield moment, seed


@pytest.mark.parametrize("offset", [0])
def test_no_state_after_a_power_cut_loses_what_was_synced(
    moments: list[Moment], tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch, offset: int
) -> None:
    """Every so many-th of the states; with ``-m long`` all of them."""
    for moment, seed in _states(moments, 61, offset):
        root = tmp_path / f"state-{seed}"
        _check(moment, root, model, monkeypatch, seed=seed)


@pytest.mark.long
@pytest.mark.parametrize("offset", range(10))
def test_none_of_all_states_after_a_power_cut_loses_what_was_synced(
    moments: list[Moment], tmp_path: Path, model: Model, monkeypatch: pytest.MonkeyPatch, offset: int
) -> None:
    assert CHOICES * len(moments) >= 2_000
    for moment, seed in _states(moments, 10, offset):
        root = tmp_path / f"state-{seed}"
        _check(moment, root, model, monkeypatch, seed=seed)
