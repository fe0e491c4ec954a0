"""How much sound went missing between two blocks: by the clocks, and by the sleep of the computer."""

from __future__ import annotations

import sys
import time
from collections import deque
from collections.abc import Callable

if sys.platform == "linux":
    _THROUGH_SLEEP, _STOPS_IN_SLEEP = time.CLOCK_BOOTTIME, time.CLOCK_MONOTONIC
elif sys.platform == "darwin":
    _THROUGH_SLEEP, _STOPS_IN_SLEEP = time.CLOCK_MONOTONIC, time.CLOCK_UPTIME_RAW

if sys.platform in ("linux", "darwin"):

    def clock_through_sleep() -> float:
        """Seconds of a clock that goes on while the computer sleeps."""
        return time.clock_gettime(_THROUGH_SLEEP)

    def asleep_s() -> float:
        """Seconds that the computer has slept, counted from some moment on."""
        return time.clock_gettime(_THROUGH_SLEEP) - time.clock_gettime(_STOPS_IN_SLEEP)

else:
    clock_through_sleep = time.monotonic  # goes on in sleep there

    def asleep_s() -> float:
        """Nothing is known of sleep here."""
        return 0.0


class GapMeter:
    """How many samples went missing between two blocks, from the clocks, where these can be trusted.

    The capture time of a block's first sample runs ahead of its frame count by a step where something was
    lost. The step must show in the audio layer's clock *and* in the computer's; the smaller one counts. It
    counts from 5 ms after the audio system reported an overflow, and from ``unreported_s`` without a report.
    Either way it must be four times the spread of the blocks before it, of which there must be 16. (Figures
    chosen.)

    Parameters
    ----------
    samplerate
        Hz.
    unreported_s
        Seconds from which a step counts without a report; more than what the device buffers, or lateness would pass
        for loss.
    """

    _HISTORY, _WARM = 32, 16
    _SPREADS = 4.0
    _REPORTED_S = 0.005

    def __init__(self, *, samplerate: int, unreported_s: float = 0.5) -> None:
        self.samplerate = samplerate
        self.unreported_s = unreported_s
        self._offsets: deque[tuple[float, float]] = deque(maxlen=self._HISTORY)
        self._frames = 0

    def push(self, frames: int, *, adc_s: float, clock_s: float, overflow: bool) -> int:
        """Takes a block and tells how many samples were lost just before it.

        Parameters
        ----------
        frames
            Length of the block.
        adc_s, clock_s
            The audio layer's clock and the computer's at its first sample, seconds; ``adc_s`` 0 = not known.
        overflow
            Whether the audio system reported one.
        """
        elapsed = self._frames / self.samplerate
        self._frames += frames
        now = (adc_s - elapsed, clock_s - elapsed)
        lost = 0
        if len(self._offsets) >= self._WARM:
            adc, clock = zip(*self._offsets, strict=True)
            middle = len(adc) // 2
            step = min(now[0] - sorted(adc)[middle], now[1] - sorted(clock)[middle])
            least = max(self._REPORTED_S if overflow else self.unreported_s, self._SPREADS * (max(adc) - min(adc)))
            if adc_s > 0 and step >= least:
                lost = round(step * self.samplerate)
        if lost:
            self._frames += lost
            now = (now[0] - lost / self.samplerate, now[1] - lost / self.samplerate)
            self._offsets.clear()
        self._offsets.append(now)
        return lost


class SleepMeter:
    """How long the computer slept: samples stop with it, and a stream may go on afterwards as if nothing had been.

    Compares the clock that stops in sleep with the one that does not (Linux: clock_gettime(2), macOS: its manual of the
    same name). On Windows Python has no clock that stops; there a stream does not survive the sleep, as a rule.
    """

    def __init__(self, *, asleep: Callable[[], float] = asleep_s) -> None:
        self._asleep = asleep
        self._slept_before = asleep()

    def push(self) -> float:
        """Seconds slept since the last call; below a quarter of a second it is taken for the clocks' own unevenness."""
        slept = self._asleep() - self._slept_before
        if slept < 0.25:
            return 0.0
        self._slept_before += slept
        return slept


class RateMeter:
    """Whether a device gives as many samples a second as it promises: if not, every time of the roast is off.

    Blocks come late, never early, so the least late one of a stretch lies on the line of true time: the slope from the
    least late block of the first stretch to that of the present one is the rate. (Chosen: stretches of 10 s; a word
    from 0.6 % on, half way between the 1 % that matters and the 0.3 % of the coarsest clock in use, and from a quarter
    of a second, which is more than the least late blocks differ by.)

    Parameters
    ----------
    samplerate
        As promised, Hz.
    """

    STRETCH_S = 10.0
    LEAST = 0.006
    #: What even the least late blocks of two stretches may differ by, seconds.
    UNEVEN_S = 0.24

    def __init__(self, *, samplerate: int) -> None:
        self.samplerate = samplerate
        self._position = 0
        self._first: tuple[float, float] | None = None  # sound time and lateness of the least late block
        self._least: tuple[float, float] | None = None
        self._stretch_end_s = self.STRETCH_S
        self._told = False

    def push(self, frames: int, *, clock_s: float) -> float | None:
        """Takes a block, at its arrival, by a clock that goes on in sleep.

        Parameters
        ----------
        frames
            Of the block, with what was lost before it.

        Returns
        -------
        float or None
            The share of the promised samples that the device gives, once, when it is off by more than LEAST.
        """
        self._position += frames
        elapsed_s = self._position / self.samplerate
        late_s = clock_s - elapsed_s
        if self._least is None or late_s < self._least[1]:
            self._least = (elapsed_s, late_s)
        if elapsed_s < self._stretch_end_s:
            return None
        self._stretch_end_s = elapsed_s + self.STRETCH_S
        here, self._least = self._least, None
        if self._first is None:
            self._first = here
            return None
        passed_s = here[0] - self._first[0]
        slower = (here[1] - self._first[1]) / passed_s if passed_s > 0 else 0.0
        if self._told or abs(slower) < max(self.LEAST, self.UNEVEN_S / max(passed_s, 1.0)):
            return None
        self._told = True
        return 1 / (1 + slower)
