"""Hears a microphone for a while."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from crackdetect.blocks import Samples, Source

#: How often it is asked whether enough was heard, seconds.
_LOOK_S = 1.0


def hear_for(
    source: Source,
    seconds: float,
    *,
    peak: Callable[[float], None],
    enough: Callable[[Samples], bool] | None = None,
) -> Samples:
    """What is heard from now on.

    Parameters
    ----------
    source
        Gives blocks as they sound; it stays open.
    seconds
        How long, by the computer's clock.
    peak
        Takes the largest absolute sample of each block, full scale = 1.
    enough
        Asked once a second, with all that was heard, whether it may end before.

    Returns
    -------
    Samples
        float32, shape (n,); empty when nothing came.
    """
    parts: list[Samples] = []
    began = looked = time.monotonic()
    for block in source:
        parts.append(block.samples)
        if len(block.samples):
            peak(float(np.abs(block.samples).max()))
        now = time.monotonic()
        if now - began >= seconds:
            break
        if enough is not None and now - looked >= _LOOK_S:
            looked = now
            if enough(np.concatenate(parts)):
                break
    return np.concatenate(parts) if parts else np.zeros(0, np.float32)
