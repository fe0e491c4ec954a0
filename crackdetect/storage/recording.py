"""The sound of a roast as FLAC, written while it is heard, in a thread of its own.

What is cut off anywhere stays readable: libsndfile hands whole FLAC frames (4,096 samples) to the system as soon as
they are full, and the header of an unfinished file says "length unknown", which RFC 9639 allows (8.2: a total of 0).
Tried by killing the writer and by cutting the file at any byte: at most the last two frames are missing, a fifth of a
second. :func:`mend` enters the length, for readers that insist on it.

A roast that was gone on with has several parts, ``sound-<first sample>.flac``; :func:`join` makes one of them, with
silence where nothing was heard, so that times in it are those of the events.
"""

from __future__ import annotations

import contextlib
import errno
import math
import os
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from crackdetect.audio.files import open_recording
from crackdetect.blocks import Block, Samples
from crackdetect.errors import InputError, OutputError
from crackdetect.notation import clock
from crackdetect.notice import FAILED, Notice, Notices
from crackdetect.storage.atomic_file import replace_for_good, sync_folder
from crackdetect.worker import Worker

PRIVACY = (
    "The recording holds everything the microphone hears, speech in the room among it; it stays on this computer, in "
    "the folder of the roast, and is sent nowhere."
)
SOUND_NAME = "sound.flac"
_PART = "sound-{:012d}.flac"
_PART_NAME = re.compile(r"sound-(\d{12,15})\.flac")
#: Of a part that cannot be read: it is kept, and no longer taken for a part.
_UNREADABLE = "unreadable-"
#: 24 bits hold what microphones of 16 and 24 bits give, and the mean of two channels of 16, to the bit.
_FORMAT = {"format": "FLAC", "subtype": "PCM_24", "channels": 1}
_TOTAL = 2**36 - 1
#: Sound that waits for a slow disk, at most; beyond it silence is written in its place, and told.
QUEUE_S = 30.0
#: The disk gets what was written this often: together with a FLAC frame, within the promised second.
SYNC_EVERY_S = 0.5
#: The recording leaves this much room for the events and the log, bytes (chosen).
RESERVE = 64 * 2**20
_FULL = "the disk is full"
#: What the last of the sound may take to be written at the end.
_CLOSE_S = 20.0


class Recorder:
    """Observes blocks and writes them to ``folder``.

    A disk that is full, or fails, ends the recording, not the listening.

    Parameters
    ----------
    folder
        Of the roast.
    samplerate
        Hz.
    first
        Sample of the roast at which this part begins.
    notices
        Where trouble is told, once.
    queue_s
        Sound that may wait for a slow disk, seconds; beyond it silence is written in its place, and told.
    sync_every_s
        How often the disk gets what was written, seconds.
    reserve
        Bytes that are left free for the events and the log.

    Raises
    ------
    OutputError
        When the file cannot be made.
    """

    def __init__(
        self,
        folder: Path,
        *,
        samplerate: int,
        first: int = 0,
        notices: Notices | None = None,
        queue_s: float = QUEUE_S,
        sync_every_s: float = SYNC_EVERY_S,
        reserve: int = RESERVE,
    ) -> None:
        self.path = folder / _PART.format(first)
        self.samplerate = samplerate
        self._notices = notices
        self._capacity = round(queue_s * samplerate)
        self._sync_every_s = sync_every_s
        self._reserve = reserve
        self._put = self._got = 0  # samples, each written by one thread only
        self._unfit = 0  # samples that found no room, since the last that did
        self._unfit_told = False
        self._written = first
        self._ended = False
        try:
            self._descriptor, self._file = _create(self.path, samplerate=samplerate)
        except OSError as error:
            raise OutputError(
                f"the sound cannot be recorded to {self.path} ({error.strerror}); check the disk"
            ) from error
        self._synced_at = -math.inf
        self._dirty = False
        self._worker: Worker[Block] = Worker(
            self._write,
            name="recorder",
            failed=self._fail,
            idle=self._sync,
            idle_every_s=sync_every_s,
            finish=self._finish,
        )

    def observe(self, block: Block) -> None:
        """Called by the hearing: takes the block and returns at once."""
        if self._ended:
            return
        count = len(block.samples)
        if self.waiting_samples + count > self._capacity:
            self._unfit += block.lost + count
            if not self._unfit_told:
                self._unfit_told = True
                self._tell("recording_gap", "the disk is too slow for the recording: silence stands where it has gaps")
            return
        if self._unfit:
            block = Block(block.samples, lost=block.lost + self._unfit)
            self._unfit = 0
        self._put += count
        self._worker.put(block)

    @property
    def waiting_samples(self) -> int:
        """Samples that are not written yet."""
        return self._put - self._got

    @property
    def written(self) -> int:
        """Sample of the roast up to which the file has been handed to the system."""
        return self._written

    def close(self) -> None:
        """Writes what waits and closes the file. May be called twice."""
        self._worker.close(within_s=_CLOSE_S)

    def _write(self, block: Block) -> None:
        if not self._ended:
            for part in _with_gaps(block, self.samplerate):
                self._file.write(part)
                self._written += len(part)
        self._got += len(block.samples)
        self._dirty = True
        self._sync()

    def _sync(self) -> None:
        now = time.monotonic()
        if self._ended or not self._dirty or now - self._synced_at < self._sync_every_s:
            return
        os.fsync(self._descriptor)
        self._synced_at, self._dirty = now, False
        if self._is_full():
            self._stop(_FULL)

    def _is_full(self) -> bool:
        return shutil.disk_usage(self.path.parent).free < self._reserve

    def _finish(self) -> None:
        self._ended = True
        # what fails here was told already, or the disk filled with the very last frame: what is there can be read
        with contextlib.suppress(OSError, RuntimeError):  # soundfile's errors are RuntimeErrors
            self._file.close()
            os.fsync(self._descriptor)
        os.close(self._descriptor)

    def _fail(self, error: BaseException) -> None:
        if isinstance(error, OSError | RuntimeError) and not isinstance(error, RecursionError):
            why = str(getattr(error, "strerror", None) or getattr(error, "error_string", None) or error)
            with contextlib.suppress(OSError):  # libsndfile calls a full disk a system error
                why = _FULL if self._is_full() else why
            self._stop(why)
        else:
            self._stop(f"a defect of crackdetect, {type(error).__name__}: {error}", kind=FAILED)

    def _stop(self, why: str, *, kind: str = "disk_full") -> None:
        if self._ended:
            return
        self._ended = True
        there = clock(self._written / self.samplerate)
        advice = f": free space on the disk of {self.path.parent}" if kind == "disk_full" else ""
        self._tell(kind, f"the recording ended at {there} ({why}); the roast is listened to all the same{advice}")

    def _tell(self, kind: str, message: str) -> None:
        if self._notices is not None:
            self._notices.put(Notice(kind, message))


def _with_gaps(block: Block, samplerate: int) -> Iterator[Samples]:
    """The block with silence for what was lost before it, in parts of a second."""
    for start in range(0, block.lost, samplerate):
        yield np.zeros(min(samplerate, block.lost - start), np.float32)
    if len(block.samples):
        yield np.nan_to_num(block.samples, posinf=1.0, neginf=-1.0)


def parts(folder: Path) -> Iterator[Path]:
    """Parts of the recording of a roast that has not ended yet, in order."""
    yield from sorted(path for path in folder.glob("sound-*.flac") if _PART_NAME.fullmatch(path.name))


def join(folder: Path) -> Path | None:
    """Makes one recording of the parts of a roast that has ended; ``None`` = there is none.

    A part in which nothing can be read stays beside it under another name. Killed in between, it can be called again.
    Raises OutputError.
    """
    whole = folder / SOUND_NAME
    found = list(parts(folder))
    if not whole.exists() and found:
        there = [(part, int(part.stem.partition("-")[2])) for part in found if mend(part)]
        readable = [part for part, _ in there]
        try:
            for part in found:  # before there is a whole one, after which every part that is left has gone into it
                if part not in readable:
                    _put_away(part)
            if not there:
                return None
            found = readable
            if len(there) == 1 and there[0][1] == 0:
                replace_for_good(there[0][0], whole)
            else:
                _write_joined(there, whole)
        except (OSError, InputError, RuntimeError) as error:  # soundfile's errors are RuntimeErrors
            raise OutputError(
                f"the recording in {folder} cannot be put together ({getattr(error, 'strerror', None) or error}); its "
                "parts are all there"
            ) from error
    if not whole.exists():
        return None
    for part in found:
        with contextlib.suppress(OSError):  # the whole one is there; what is left of it takes room only
            part.unlink(missing_ok=True)
    return whole


def _put_away(part: Path) -> None:
    """A part in which nothing can be read gets another name; an empty one goes. Raises OSError."""
    if part.stat().st_size:
        part.replace(part.with_name(_UNREADABLE + part.name))
    else:
        part.unlink()


def take_apart(folder: Path) -> None:
    """The whole recording, where there is one, becomes the first part of a roast that is gone on with.

    Raises OutputError.
    """
    try:
        if (folder / SOUND_NAME).exists():
            replace_for_good(folder / SOUND_NAME, folder / _PART.format(0))
    except OSError as error:
        raise OutputError(f"the recording in {folder} cannot be gone on with ({error.strerror})") from error


def mend(path: Path) -> int:
    """Enters the length of a FLAC file of ours that was cut off; returns its samples, 0 where nothing can be read."""
    try:
        source = open_recording(path)
        try:
            count = sum(len(block.samples) for block in source)
        finally:
            source.close()
    except (InputError, OSError):
        return 0
    # a file that may not be changed is heard all the same
    with contextlib.suppress(OSError), open(path, "r+b") as file:
        # RFC 9639, 8.2: after "fLaC" and a header of 4 bytes comes STREAMINFO; its bytes 10 to 17 end with the total,
        # 18 to 33 are a checksum of the samples, 0 = none. Where the power went it may promise more than is there.
        file.seek(18)
        fields = int.from_bytes(file.read(8), "big")
        if fields & _TOTAL != count:
            file.seek(18)
            file.write((fields & ~_TOTAL | count).to_bytes(8, "big") + bytes(16))
    return count


def _write_joined(there: list[tuple[Path, int]], whole: Path) -> None:
    import soundfile

    unfinished = whole.with_suffix(".joining")
    with soundfile.SoundFile(there[0][0]) as first:
        samplerate = first.samplerate
    descriptor, out = _create(unfinished, samplerate=samplerate)
    try:
        position = 0
        for path, first_sample in there:
            source = open_recording(path, channel=1)
            lost, known = max(0, first_sample - position), max(0, position - first_sample)
            for block in source:
                samples = block.samples[known:]  # a part begins where the events ended, the sound before it a bit later
                known -= len(block.samples) - len(samples)
                for part in _with_gaps(Block(samples, lost=lost), samplerate):
                    out.write(part)
                    position += len(part)
                lost = 0
            source.close()
        out.close()
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    replace_for_good(unfinished, whole)


def _create(path: Path, *, samplerate: int) -> tuple[int, Any]:
    """A FLAC file that only this user may read: its descriptor, to make sure of the disk, and the SoundFile on it.

    The disk has its name when it returns. Raises OSError.
    """
    import soundfile

    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o600)
    try:
        sync_folder(path.parent)
        return descriptor, soundfile.SoundFile(descriptor, "w", samplerate=samplerate, closefd=False, **_FORMAT)
    except (OSError, soundfile.LibsndfileError) as error:
        os.close(descriptor)
        if isinstance(error, OSError):
            raise
        raise OSError(errno.EIO, str(error)) from error
