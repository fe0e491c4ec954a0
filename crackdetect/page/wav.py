"""Sound for a browser."""

from __future__ import annotations

import io
import wave

import numpy as np

from crackdetect.blocks import Samples


def as_wav(samples: Samples, samplerate: int) -> bytes:
    """16-bit WAV of one channel. samples: full scale ±1, what is louder is clipped. samplerate: Hz."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(samplerate)
        file.writeframes((np.clip(samples, -1.0, 1.0) * 32_767).astype("<i2").tobytes())
    return out.getvalue()
