"""What was wrong with the sound: counted by the second, told at most once an episode."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Samples

#: A sample of this size is at full scale.
FULL_SCALE = 0.999
#: Silence is told after so many whole seconds of it; clipping from this share of a second's samples (and two) on, and
#: not again for so long. Above this share of clipped samples a second is out of shape.
_SILENT_AFTER_S = 3
_CLIPPED_SHARE = 0.001
_AGAIN_AFTER_S = 60
_OUT_OF_SHAPE = 0.2


@dataclass(frozen=True, slots=True)
class HealthFinding:
    """Something wrong with the sound of one second.

    kind, count, message: as in a ``health`` event. second: whole seconds from the first sample.
    """

    kind: str
    count: int
    message: str
    second: int


class Health:
    """Samples and losses in, one list of :class:`HealthFinding` a second out, whatever the blocks.

    Also keeps the totals from which a source with nothing to hear is recognised.
    """

    def __init__(self, *, samplerate: int) -> None:
        self.samplerate = samplerate
        self.reset()

    def reset(self) -> None:
        """As new."""
        self.totals: Counter[str] = Counter()
        self.seconds = 0
        self.silent_seconds = 0
        self.clipped_seconds = 0
        self._filled = 0  # samples of the current second, lost ones among them
        self._heard = 0
        self._low, self._high = np.inf, -np.inf
        self._clipped = 0
        self._lost: Counter[str] = Counter()
        self._silent_run = 0
        self._told_at: dict[str, int] = {}

    def go_on(self, position: int, *, totals: Mapping[str, int]) -> None:
        """As if ``position`` samples had been taken in and this been told of them."""
        self.seconds, self._filled = divmod(position, self.samplerate)
        self.totals.update(totals)

    @property
    def usable_share(self) -> float:
        """Share of the whole seconds that were neither silent, lost nor clipped out of shape (1 before any)."""
        if self.seconds == 0:
            return 1.0
        return 1 - (self.silent_seconds + self.clipped_seconds) / self.seconds

    def push(self, samples: Samples) -> list[HealthFinding]:
        """samples: float32 (n,). Returns what is to be said of the seconds that became whole."""
        told: list[HealthFinding] = []
        start = 0
        while start < len(samples):
            part = samples[start : start + self.samplerate - self._filled]
            low, high = float(part.min()), float(part.max())
            self._low, self._high = min(self._low, low), max(self._high, high)
            if low <= -FULL_SCALE or high >= FULL_SCALE:
                self._clipped += int(np.count_nonzero(np.abs(part) >= FULL_SCALE))
            self._filled += len(part)
            self._heard += len(part)
            start += len(part)
            if self._filled == self.samplerate:
                told += self._second()
        return told

    def lose(self, count: int, kind: str) -> list[HealthFinding]:
        """So many samples were lost (``gap``), useless (``invalid_samples``) or our own noise (``own_sound``).

        An ``outage`` counts as a gap and is not told: whoever noticed it has told it as a whole.
        """
        told: list[HealthFinding] = []
        if kind == "outage":
            self.totals["gap"] += count
        while count > 0:
            part = min(count, self.samplerate - self._filled)
            if kind != "outage":
                self._lost[kind] += part
            self._filled += part
            count -= part
            if self._filled == self.samplerate:
                told += self._second()
        return told

    def note(self, kind: str) -> None:
        """Something happened that has no length (``overflow``)."""
        self._lost[kind] += 1

    def finish(self) -> list[HealthFinding]:
        """The last, unfinished second."""
        return self._second() if self._filled or self._lost else []

    def _second(self) -> list[HealthFinding]:
        """Closes the current second."""
        second = self.seconds
        self.seconds += 1
        told: list[HealthFinding] = []
        for kind, count in self._lost.items():
            self.totals[kind] += count
            told.append(HealthFinding(kind, count, self._loss_message(kind, count), second))
        silent = self._heard == 0 or self._low == self._high
        told += self._silence(second) if silent else []
        if not silent:
            self._silent_run = 0
        told += self._clipping(second, silent=silent)
        self._filled = self._heard = self._clipped = 0
        self._low, self._high = np.inf, -np.inf
        self._lost.clear()
        return told

    def _silence(self, second: int) -> list[HealthFinding]:
        self.silent_seconds += 1
        self._silent_run += 1 if self._heard else 0
        if self._silent_run != _SILENT_AFTER_S:
            return []
        self.totals["silence"] += 1
        message = (
            f"exact silence for {_SILENT_AFTER_S} s: the microphone is muted, or this program lacks the "
            "permission to use it"
        )
        return [HealthFinding("silence", _SILENT_AFTER_S, message, second)]

    def _clipping(self, second: int, *, silent: bool) -> list[HealthFinding]:
        if not self._heard or self._clipped < max(2, _CLIPPED_SHARE * self._heard):
            return []
        self.totals["clipping"] += self._clipped
        if self._clipped > _OUT_OF_SHAPE * self._heard and not silent:
            self.clipped_seconds += 1
        if not self._may_tell("clipping", second):
            return []
        message = (
            f"{self._clipped} samples at full scale within a second: turn the microphone's level down "
            "or move it away from the roaster"
        )
        return [HealthFinding("clipping", self._clipped, message, second)]

    def _may_tell(self, kind: str, second: int) -> bool:
        last = self._told_at.get(kind)
        if last is not None and second - last < _AGAIN_AFTER_S:
            return False
        self._told_at[kind] = second
        return True

    def _loss_message(self, kind: str, count: int) -> str:
        if kind == "overflow":
            return "the audio system lost data and does not say how much; close other programs if it happens often"
        seconds = count / self.samplerate
        if kind == "invalid_samples":
            return f"{seconds:.3f} s of samples are not numbers; they were passed over as a gap"
        if kind == "own_sound":
            return f"{seconds:.3f} s were not listened to, as crackdetect itself sounded; passed over as a gap"
        return f"{seconds:.3f} s of sound were lost and were passed over as a gap"
