"""WAV and raw PCM from a stream that cannot go back, such as standard input."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO, Literal

import numpy as np

from crackdetect.audio.channels import MIN_DURATION_S, block_frames, check_format, given_channel, one_channel, too_short
from crackdetect.blocks import Block, Frames
from crackdetect.errors import InputError
from crackdetect.notation import clock

#: Raw formats, all little-endian: numpy type (three bytes are taken apart by hand) and bytes a sample.
RAW_FORMATS = {"s16": ("<i2", 2), "s24": ("s24", 3), "s32": ("<i4", 4), "f32": ("<f4", 4)}
#: A claimed data size from here up (2 GiB less a page, 0xFFFFFFFF) means that it was not known when written.
UNKNOWN_SIZE = 0x7FFF_F000
#: Before its sound a WAV has so many chunks at most, and so many bytes in them (chosen).
MOST_CHUNKS, MOST_BYTES = 1_000, 2**28
#: What arrives is passed on at once; this bounds a block where the sender is faster than the listener.
BLOCK_S = 3.0
#: Other formats by their first bytes; they would pass for raw PCM.
_OTHER_MARKS = {
    b"fLaC": "FLAC",
    b"OggS": "Ogg",
    b"ID3": "MP3",
    b"FORM": "AIFF",
    b"riff": "W64",
    b"RIFX": "RIFX",
}
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE


class StreamSource:
    """WAV or raw PCM from a stream that cannot go back. See :func:`crackdetect.audio.files.open_stdin`.

    Attributes as :class:`crackdetect.audio.files.RecordingSource`. A block is what has arrived, up to
    ``block_s`` seconds, so that a live stream is heard at once.
    """

    def __init__(
        self,
        stream: BinaryIO,
        *,
        samplerate: int | None = None,
        channels: int | None = None,
        sample_format: str | None = None,
        channel: int | None = None,
        kind: Literal["file", "stdin"] = "stdin",
        name: str = "standard input",
        block_s: float = BLOCK_S,
    ) -> None:
        if sample_format is not None and sample_format not in RAW_FORMATS:
            known = ", ".join(RAW_FORMATS)
            raise InputError(f"sample format {sample_format!r} is unknown; choose one of {known}")
        self.kind: Literal["file", "stdin"] = kind
        self.name = name
        self.notes: list[str] = []
        self.truncated = False
        self.duration_s: float | None = None
        self._stream = stream
        self._left: int | None = None  # bytes of sound still promised; None = up to the end
        head = self._read_fully(12)
        if head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE":
            self._pending = b""
            self._take_wav_header(samplerate)
        else:
            self._pending = head
            self._take_raw(head, samplerate, channels, sample_format)
        check_format(name, self.samplerate, self.channels)
        if self._left is not None:
            self.duration_s = self._left / self._frame_bytes / self.samplerate
        self.channel_note: str | None = None
        self._channel: int | None = 0
        if channel is not None:
            self._channel = given_channel(name, channel, self.channels)
            if self.channels > 1:
                self.channel_note = f"channel {channel} of {self.channels}, as asked for"
        elif self.channels > 1:
            self._channel = None
            self.channel_note = (
                f"the mean of {self.channels} channels: a stream cannot be read ahead to choose one; "
                "name a channel if they differ"
            )
        self._block_bytes = block_frames(block_s, self.samplerate, self.channels) * self._frame_bytes

    def _take_raw(self, head: bytes, samplerate: int | None, channels: int | None, sample_format: str | None) -> None:
        if not head:
            raise InputError(f"{self.name} is empty; pipe a WAV or raw PCM into it")
        for mark, what in _OTHER_MARKS.items():
            if head.startswith(mark):
                raise InputError(f"{self.name} carries {what}, which needs a file; save it and give its name instead")
        if samplerate is None:
            raise InputError(
                f"{self.name} does not begin with a WAV header and its sample rate is not given; "
                "pipe a WAV, or say what the raw PCM is with --samplerate and --sample-format"
            )
        if sample_format is None:
            sample_format = "s16"
            self.notes.append(f"{self.name} is taken as s16: signed 16-bit little-endian samples")
        self.samplerate = samplerate
        self.channels = 1 if channels is None else channels
        self._dtype, width = RAW_FORMATS[sample_format]
        self._frame_bytes = width * self.channels

    def _take_wav_header(self, samplerate: int | None) -> None:
        big_size: int | None = None
        frame: tuple[str, int, int, int] | None = None
        chunks = passed = 0
        while True:
            chunk = self._read_fully(8)
            if len(chunk) < 8:
                raise InputError(f"{self.name} ends within its WAV header; there is no sound in it")
            mark, size = struct.unpack("<4sI", chunk)
            if mark == b"data":
                break
            chunks, passed = chunks + 1, passed + size
            if chunks > MOST_CHUNKS or passed > MOST_BYTES:
                raise InputError(f"{self.name} is a WAV whose sound does not begin anywhere; export it again")
            content = self._read_fully(min(size, 65_536))
            self._discard(size - len(content) + size % 2)
            if mark == b"ds64" and len(content) >= 16:
                big_size = struct.unpack("<Q", content[8:16])[0]
            if mark == b"fmt ":
                frame = _wav_format(self.name, content)
        if frame is None:
            raise InputError(f"{self.name} is a WAV without a format chunk; export it again")
        self._dtype, self.channels, self.samplerate, width = frame
        self._frame_bytes = width * self.channels
        if samplerate is not None and samplerate != self.samplerate:
            raise InputError(f"{self.name} is a WAV of {self.samplerate} Hz, not {samplerate} Hz; leave the rate out")
        if size == 0xFFFF_FFFF and big_size:
            self._left = big_size
        elif 0 < size < UNKNOWN_SIZE:
            self._left = size

    def __iter__(self) -> Iterator[Block]:
        position = 0
        while data := self._read_some():
            usable = len(data) - len(data) % self._frame_bytes
            self._pending = data[usable:]
            if usable:
                frames = _decode(data[:usable], self._dtype).reshape(-1, self.channels)
                position += len(frames)
                yield Block(one_channel(frames, self._channel))
        if position < MIN_DURATION_S * self.samplerate:
            raise InputError(too_short(self.name, position, self.samplerate))
        if self._left:
            self.truncated = True
            there = clock(position / self.samplerate)
            self.notes.append(
                f"{self.name} breaks off at {there} of {clock(self.duration_s)}: "
                "the rest is missing; what is there is heard"
            )
        elif self._pending:
            self.truncated = True
            self.notes.append(f"{self.name} ends within a sample; its last {len(self._pending)} bytes are left out")

    def close(self) -> None:
        """Standard input belongs to the process and stays open."""
        if self.kind == "file":
            self._stream.close()

    def _read_some(self) -> bytes:
        """Bytes kept from before and what has arrived; ``b""`` at the end (less than a frame stays kept)."""
        kept = self._pending
        while True:
            wanted = max(1, self._block_bytes - len(kept))
            if self._left is not None:
                wanted = min(wanted, self._left)
            read = getattr(self._stream, "read1", self._stream.read)
            fresh: bytes = read(wanted) if wanted else b""
            if self._left is not None:
                self._left -= len(fresh)
            kept += fresh
            if not fresh:
                if len(kept) < self._frame_bytes:
                    self._pending = kept
                    return b""
                return kept
            if len(kept) >= self._frame_bytes:
                return kept

    def _read_fully(self, count: int) -> bytes:
        data = b""
        while len(data) < count and (more := self._stream.read(count - len(data))):
            data += more
        return data

    def _discard(self, count: int) -> None:
        while count > 0 and (more := self._stream.read(min(count, 65_536))):
            count -= len(more)


def _wav_format(name: str, content: bytes) -> tuple[str, int, int, int]:
    """Sample type, channels, sample rate, bytes a sample of a WAV ``fmt`` chunk (Microsoft, WAVEFORMATEX)."""
    if len(content) < 16:
        raise InputError(f"{name} is a WAV with a damaged format chunk; export it again")
    tag, channels, samplerate, _, _, bits = struct.unpack("<HHIIHH", content[:16])
    if tag == _EXTENSIBLE and len(content) >= 26:
        tag = struct.unpack("<H", content[24:26])[0]
    types = {(_PCM, 8): "u1", (_PCM, 16): "<i2", (_PCM, 24): "s24", (_PCM, 32): "<i4"}
    types |= {(_FLOAT, 32): "<f4", (_FLOAT, 64): "<f8"}
    if (tag, bits) not in types:
        raise InputError(
            f"{name} is a WAV of a kind that cannot be streamed (format {tag}, {bits} bit); use 16-bit PCM"
        )
    return types[tag, bits], channels, samplerate, bits // 8


def _decode(data: bytes, dtype: str) -> Frames:
    """Little-endian samples as float32, full scale = ±1."""
    if dtype == "s24":
        padded = np.zeros((len(data) // 3, 4), np.uint8)
        padded[:, 1:] = np.frombuffer(data, np.uint8).reshape(-1, 3)
        return padded.reshape(-1).view("<i4").astype(np.float32) / np.float32(2**31)
    values = np.frombuffer(data, dtype)
    if dtype == "u1":
        return (values.astype(np.float32) - 128) / np.float32(128)
    if dtype in ("<f4", "<f8"):
        return values.astype(np.float32)
    return values.astype(np.float32) / np.float32(2 ** (8 * values.itemsize - 1))
