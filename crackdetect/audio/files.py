"""Recordings as sources of sound: files that libsndfile reads, and WAV or raw PCM on standard input.

A source is an iterable of :class:`crackdetect.blocks.Block` with ``samplerate``, ``kind``, ``name``,
``duration_s`` and ``close()``. Both stream: memory does not grow with the length of the recording.
"""

from __future__ import annotations

import os
import re
import stat
import struct
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext, suppress
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np

from crackdetect.audio.channels import (
    MIN_DURATION_S,
    block_frames,
    check_format,
    choose_channel,
    given_channel,
    one_channel,
    sampled_parts,
    too_short,
)
from crackdetect.audio.silenced_stderr import quiet
from crackdetect.audio.stdin import BLOCK_S, MOST_CHUNKS, UNKNOWN_SIZE, StreamSource
from crackdetect.blocks import Block, Frames, Samples
from crackdetect.errors import InputError
from crackdetect.notation import clock

#: What a folder is searched for. A file named by itself may have any name.
SUFFIXES = frozenset({".wav", ".flac", ".aif", ".aiff", ".aifc", ".ogg", ".oga", ".opus", ".mp3", ".w64", ".rf64"})
#: A length above this is libsndfile's way of saying that the header does not give one.
_MAX_FRAMES = 2**48
#: Sought in one handle again and again, libsndfile 1.2 finds wrong places in these (measured: 8 of 200 in Vorbis); and
#: an MP3 needs what is before a place to decode it.
_SOUGHT_ANEW = frozenset({"OGG", "MP3"})
_LEAD_IN = 8_192
#: What libsndfile says of an existing file that its MP3 decoder gives up on.
_MISLEADING = "File does not exist"

_SIZE_LINE = re.compile(r"\s*(?:data|SSND|Data Size|riff|Riff size)\s*:\s*(\d+) \(should be (\d+)\)")


class RecordingSource:
    """A file, read block by block. Make one with :func:`open_recording`.

    Attributes
    ----------
    samplerate
        Hz.
    channels
        In the file.
    duration_s
        Seconds, ``None`` where the header does not say.
    channel_note
        One sentence on which channel is heard and why, ``None`` for a mono file.
    notes
        Sentences worth telling; complete once the source has been read to its end.
    truncated
        Whether the recording breaks off before its header's length, or is damaged from some point on.
    """

    kind: Literal["file"] = "file"

    def __init__(self, path: Path, *, channel: int | None = None, block_s: float = BLOCK_S) -> None:
        self.name = str(path)
        self.path = path
        self.notes: list[str] = []
        self.truncated = False
        self._file = _open_sound(path)
        try:
            self._take_header(channel, block_s)
        except BaseException:
            self._file.close()
            raise

    def _take_header(self, channel: int | None, block_s: float) -> None:
        self.samplerate: int = self._file.samplerate
        self.channels: int = self._file.channels
        check_format(self.name, self.samplerate, self.channels)
        frames: int = self._file.frames
        self._frames = frames if frames < _MAX_FRAMES else None
        if frames < MIN_DURATION_S * self.samplerate:
            raise InputError(too_short(self.name, frames, self.samplerate))
        self.duration_s = None if self._frames is None else frames / self.samplerate
        self._block_frames = block_frames(block_s, self.samplerate, self.channels)
        promised = self._promised_share()
        if promised is not None and self.duration_s is not None:
            self._tell_truncated(self.duration_s, self.duration_s * promised)
        self.channel_note: str | None = None
        self._channel: int | None = 0  # counted from 0; None is the mean of all
        if channel is not None:
            self._channel = given_channel(self.name, channel, self.channels)
            if self.channels > 1:
                self.channel_note = f"channel {channel} of {self.channels}, as asked for"
        elif self.channels > 1:
            self._channel, self.channel_note = choose_channel(
                self._sampled_parts(), samplerate=self.samplerate, channels=self.channels
            )

    def __iter__(self) -> Iterator[Block]:
        import soundfile

        position = 0
        while True:
            # Not-a-number tells, after an error in the middle of a block, how much of it had been decoded.
            buffer = np.full((self._block_frames, self.channels), np.nan, np.float32)
            try:
                with _decoding(self._file):
                    frames = self._file.read(out=buffer)
            except soundfile.LibsndfileError:
                written = np.flatnonzero(np.isfinite(buffer).any(axis=1))
                frames = buffer[: written[-1] + 1 if len(written) else 0]
                position += len(frames)
                if position == 0:
                    raise InputError(
                        f"{self.name} cannot be decoded: it is damaged from the start; export it again"
                    ) from None
                if len(frames):
                    yield Block(one_channel(frames, self._channel))
                self._tell_truncated(position / self.samplerate, self.duration_s)
                return
            if len(frames) == 0:
                break
            position += len(frames)
            yield Block(one_channel(frames, self._channel))
        # Half a second: where there is no index, the length of an MP3 is an estimate.
        if self._frames is not None and self._frames - position > max(0.5 * self.samplerate, 0.01 * self._frames):
            self._tell_truncated(position / self.samplerate, self.duration_s)

    def part(self, first: int, count: int) -> Samples:
        """A part of the channel that is heard, from anywhere. Not while the recording is iterated over.

        Parameters
        ----------
        first
            Sample, from 0.
        count
            Samples.

        Returns
        -------
        numpy.ndarray of float32, shape (count,)
            Silence before its beginning, after its end and where it is damaged, and in place of what is no number.
        """
        import soundfile

        samples: Samples = np.zeros(count, np.float32)
        begins = max(0, -first)
        place = first + begins
        if place >= self._file.frames or begins >= count:
            return samples
        anew = self._file.format in _SOUGHT_ANEW
        before = min(place, _LEAD_IN if anew else 0)
        opened = _open_sound(self.path) if anew else nullcontext(self._file)
        with opened as file, suppress(soundfile.LibsndfileError), _decoding(file):
            file.seek(place - before)
            frames = file.read(before + count - begins, dtype="float32", always_2d=True)[before:]
            there = np.nan_to_num(one_channel(frames, self._channel), posinf=1.0, neginf=-1.0)
            samples[begins : begins + len(there)] = there
        return samples

    @property
    def frames(self) -> int | None:
        """Samples of each channel, ``None`` where the header does not say."""
        return self._frames

    def close(self) -> None:
        """Closes the file."""
        self._file.close()

    def _tell_truncated(self, there_s: float, promised_s: float | None) -> None:
        if self.truncated:
            return
        self.truncated = True
        of = "" if promised_s is None else f" of {clock(promised_s)}"
        self.notes.append(
            f"{self.name} breaks off at {clock(there_s)}{of}: what follows is missing or damaged; "
            "what is there is heard"
        )

    def _promised_share(self) -> float | None:
        """How many times longer the header says the sound is than what is there; ``None`` = it agrees.

        libsndfile quietly shortens such a file; only its log says so.
        """
        for line in str(self._file.extra_info).splitlines():
            if match := _SIZE_LINE.match(line):
                promised, there = int(match[1]), int(match[2])
                if there < promised < UNKNOWN_SIZE and there > 0:
                    return promised / there
        if self._file.format == "OGG" and not _ogg_is_complete(self.path):
            self.truncated = True
            self.notes.append(f"{self.name} breaks off: its last page is missing; what is there is heard")
        return None

    def _sampled_parts(self) -> Iterator[Frames]:
        """What the channel is chosen by; through a second handle, to leave the first alone."""
        import soundfile

        starts, part = sampled_parts(self._frames, self.samplerate, self.channels)
        with _open_sound(self.path) as file:
            for start in starts:
                try:
                    with _decoding(file):
                        file.seek(start)
                        frames = file.read(part, dtype="float32", always_2d=True)
                except soundfile.LibsndfileError:
                    return  # damaged from here on; what was measured will do
                yield frames


def open_recording(
    path: str | Path, *, channel: int | None = None, block_s: float = BLOCK_S
) -> RecordingSource | StreamSource:
    """Opens a file of any kind that libsndfile reads.

    Parameters
    ----------
    channel
        Counted from 1; ``None`` takes the one in which cracks stand out best, or the mean.
    block_s
        Seconds a block, above 0 to 60.

    Raises
    ------
    InputError
        One sentence, on anything that cannot be heard.
    SettingError
        For a channel that it does not have.
    """
    path = Path(path)
    head = _head(path)
    if head[:4] == b"RIFF" and head[8:12] == b"WAVE" and _wav_size_is_zero(path):
        # A recorder that lost power leaves a length of 0; the sound is there all the same.
        source = StreamSource(path.open("rb"), channel=channel, kind="file", name=str(path), block_s=block_s)
        source.notes.append(f"{path} was never finished by its recorder; it is heard up to its last byte")
        return source
    return RecordingSource(path, channel=channel, block_s=block_s)


def find_recordings(paths: Iterable[str | Path]) -> list[Path]:
    """Files as given, folders as the sorted recordings in and below them.

    A folder below that may not be searched stands for itself, so that opening it says so.
    Raises InputError on a folder without any.
    """
    found: list[Path] = []
    for path in map(Path, paths):
        if not _is_folder(path):
            found.append(path)
            continue
        inside = sorted(_recordings_in(path))
        if not inside:
            raise InputError(f"folder {path} holds no recordings ({_suffix_list()}); name a folder that does")
        found += inside
    return found


def _recordings_in(folder: Path) -> Iterator[Path]:
    """What cannot be looked into or at is among them: opening it says why."""
    locked: list[Path] = []
    for parent, _, names in os.walk(folder, onerror=lambda error: locked.append(Path(error.filename))):
        for path in (Path(parent, name) for name in names):
            if path.suffix.lower() in SUFFIXES and _may_be_recording(path):
                yield path
    yield from locked


def _is_folder(path: Path) -> bool:
    try:
        return stat.S_ISDIR(path.stat().st_mode)
    except (OSError, ValueError):  # opening it says why
        return False


def _may_be_recording(path: Path) -> bool:
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except PermissionError:
        return True
    except OSError:  # a link to nowhere
        return False


def open_stdin(
    stream: BinaryIO,
    *,
    samplerate: int | None = None,
    channels: int | None = None,
    sample_format: str | None = None,
    channel: int | None = None,
    block_s: float = BLOCK_S,
) -> StreamSource:
    """WAV (known by its header) or raw PCM from a pipe.

    Parameters
    ----------
    stream
        Binary, e.g. ``sys.stdin.buffer``.
    samplerate, channels, sample_format
        Of raw PCM: Hz, count (default 1), and a key of RAW_FORMATS (default s16).
    channel
        Counted from 1; ``None`` takes the mean.
    block_s
        Seconds a block at most, above 0 to 60.

    Raises
    ------
    InputError
        On a keyboard, and on what cannot be heard.
    SettingError
        For a channel that it does not have.
    """
    if stream.isatty():
        raise InputError("standard input is the keyboard; pipe a WAV or raw PCM into it, or name a file")
    return StreamSource(
        stream,
        samplerate=samplerate,
        channels=channels,
        sample_format=sample_format,
        channel=channel,
        block_s=block_s,
    )


def _suffix_list() -> str:
    return ", ".join(sorted(suffix[1:] for suffix in SUFFIXES))


def _head(path: Path) -> bytes:
    """The first bytes. Raises InputError when the file is not one that can be read."""
    try:
        mode = path.stat().st_mode
    except PermissionError:
        raise InputError(f"{path} may not be reached by this user; change the permissions of its folder") from None
    except (OSError, ValueError) as error:
        raise InputError(_unreadable(path, error)) from None
    if not (stat.S_ISDIR(mode) or stat.S_ISREG(mode)):
        raise InputError(f"{path} is not an ordinary file; pipe it in and give - as the name")
    try:
        if stat.S_ISDIR(mode):
            with os.scandir(path):  # raises where it is locked
                raise InputError(f"{path} is a folder, not a recording; name a file in it")
        with path.open("rb") as file:
            head = file.read(4096)
    except PermissionError:
        raise InputError(f"{path} may not be read by this user; change its permissions") from None
    except OSError as error:
        raise InputError(_unreadable(path, error)) from None
    if not head:
        raise InputError(f"{path} is empty (0 bytes); record or export it again")
    return head


def _unreadable(path: Path, error: OSError | ValueError) -> str:
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return f"{path} does not exist; check the name"
    reason = error.strerror if isinstance(error, OSError) else None
    return f"{path} cannot be read ({reason or error}); check its name, or copy it to another disk"


def _wav_size_is_zero(path: Path) -> bool:
    """A data chunk of length 0 with bytes after it."""
    with path.open("rb") as file:
        file.seek(12)
        for _ in range(MOST_CHUNKS):
            if len(chunk := file.read(8)) < 8:
                break
            mark, size = struct.unpack("<4sI", chunk)
            if mark == b"data":
                return bool(size == 0 and len(file.read(64)) == 64)
            file.seek(size + size % 2, 1)
    return False


def _open_sound(path: Path) -> Any:
    """A ``soundfile.SoundFile``. Raises InputError."""
    import soundfile  # loads libsndfile: not before a file is opened

    head = _head(path)
    if path.suffix.lower() == ".raw":
        raise InputError(f"{path} has no header; pipe it in as - with --samplerate and --sample-format")
    # soundfile encodes a name strictly; one that is not UTF-8 goes as the bytes it is
    name = path if os.name == "nt" else os.fsencode(path)
    try:
        with quiet():  # the MP3 decoder comments on what it cannot read
            file = soundfile.SoundFile(name)
    except (soundfile.LibsndfileError, TypeError, OSError) as error:
        if _is_text(head):
            raise InputError(f"{path} is text, not sound, whatever its name says; name a recording") from None
        reason = (getattr(error, "error_string", "") or str(error)).strip().rstrip(".")
        if reason.startswith(_MISLEADING):
            reason = "nothing in it can be decoded"
        raise InputError(
            f"{path} is not a recording that can be read ({reason}); use WAV, FLAC, AIFF, OGG, MP3 or W64"
        ) from None
    if file.format == "RAW":  # libsndfile's guess by the name alone
        file.close()
        raise InputError(f"{path} has no header that says what it is; use WAV, FLAC, AIFF, OGG, MP3 or W64")
    return file


def _decoding(file: Any) -> AbstractContextManager[None]:
    """Around each read of a ``soundfile.SoundFile``: only the MP3 decoder comments on what is damaged."""
    return quiet() if file.format == "MP3" else nullcontext()


def _is_text(head: bytes) -> bool:
    """Decodes as UTF-8 (a character cut at the end aside) and has no control characters but white space."""
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:
            return False
        text = head[: error.start].decode("utf-8")
    return not any(ord(c) < 32 and c not in "\t\n\r\f" for c in text)


def _ogg_is_complete(path: Path) -> bool:
    """The last page carries the end-of-stream flag (RFC 3533, header type 0x04)."""
    with path.open("rb") as file:
        file.seek(0, 2)
        file.seek(max(0, file.tell() - 131_072))
        tail = file.read()
    last = tail.rfind(b"OggS\0")
    return last >= 0 and last + 5 < len(tail) and bool(tail[last + 5] & 0x04)
