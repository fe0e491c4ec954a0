"""``crackdetect listen ARGUMENT...`` on a second of noise: the microphone is replaced, all else is the real command."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np

from crackdetect.audio import microphone
from crackdetect.blocks import Block


class NoiseMicrophone:
    """In place of the microphone, for its audio layer may be missing here."""

    kind, name, samplerate, channel_note = "microphone", "test", 16_000, None

    def __init__(self, device: str | None, **options: object) -> None: ...

    def __iter__(self) -> Iterator[Block]:
        yield Block(np.random.default_rng(1).normal(0, 0.01, 16_000).astype(np.float32))

    def close(self) -> None: ...


microphone.MicrophoneSource = NoiseMicrophone  # type: ignore[misc, assignment]  # a stand-in

from crackdetect.cli.entry import main  # noqa: E402 - not before the microphone is replaced

if __name__ == "__main__":
    sys.exit(main(["listen", *sys.argv[1:]]))
