"""The roast's clock between events."""

from __future__ import annotations

import time
from collections.abc import Callable


class RoastClock:
    """Seconds from the first sample, by the computer's clock: it runs on when the microphone does not.

    Parameters
    ----------
    monotonic
        Seconds that never run back.
    """

    def __init__(self, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._began: float | None = None

    def hear(self, announced_at: float) -> None:
        """A statement was made at this second of the sound. The least delayed one sets the clock."""
        began = self._monotonic() - announced_at
        self._began = began if self._began is None else min(self._began, began)

    @property
    def now(self) -> float:
        """0 before anything was heard."""
        return 0.0 if self._began is None else max(0.0, self._monotonic() - self._began)
