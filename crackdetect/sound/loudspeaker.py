"""A roast that is played can be listened to: its sound on the system's loudspeaker."""

from __future__ import annotations

from typing import Any

import numpy as np

from crackdetect.audio.devices import AUDIO_LOCK
from crackdetect.audio.silenced_stderr import quiet
from crackdetect.blocks import Block, Samples
from crackdetect.errors import DeviceError
from crackdetect.worker import Worker

#: Blocks that wait for the loudspeaker, at most; what is late is left out.
_WAITING = 10
#: What is loudest of the last blocks is played at this, full scale = 1; louder sound is turned down at once.
_PEAK = 0.5
#: By how much it may be raised: the embedded recordings are some 60 dB under full scale.
_MOST_GAIN = 2_000.0
_CLOSE_S = 1.0


class Loudspeaker:
    """An observer of blocks that plays them, as loud as they can be played without clipping.

    Parameters
    ----------
    samplerate
        Hz of the blocks.
    volume
        0 to 1.

    Raises
    ------
    DeviceError
        When there is no loudspeaker.
    """

    def __init__(self, *, samplerate: int, volume: float) -> None:
        try:
            import sounddevice
        except (OSError, ImportError):
            raise DeviceError("no sound can be played, as the audio layer PortAudio is missing") from None
        self._volume = volume
        self._loudest = 0.0
        try:
            with AUDIO_LOCK, quiet():
                self._stream: Any = sounddevice.OutputStream(
                    samplerate=samplerate, channels=1, dtype="float32", latency="high"
                )
                self._stream.start()
        except (sounddevice.PortAudioError, ValueError) as error:
            raise DeviceError(f"the roast cannot be played on a loudspeaker ({error})") from None
        self._worker: Worker[Samples] = Worker(
            self._play, name="loudspeaker", failed=lambda error: None, arrange=_newest
        )

    def observe(self, block: Block) -> None:
        """Returns at once."""
        self._worker.put(block.samples)

    def close(self) -> None:
        """Ends the sound."""
        self._worker.close(within_s=_CLOSE_S, discard=True)
        with AUDIO_LOCK, quiet():
            self._stream.abort()
            self._stream.close()

    def _play(self, samples: Samples) -> None:
        if len(samples) == 0:
            return
        self._loudest = max(float(np.abs(samples).max()), 0.98 * self._loudest)
        gain = min(_MOST_GAIN, self._volume * _PEAK / max(self._loudest, 1e-9))
        self._stream.write(np.ascontiguousarray(samples * np.float32(gain)))


def _newest(waiting: list[Samples]) -> None:
    del waiting[:-_WAITING]
