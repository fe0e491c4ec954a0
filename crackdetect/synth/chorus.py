"""When the beans crack: each audible one once, at a time from a smooth distribution, so that no rate has a kink.

Beans of one batch differ in size, moisture and place, so the times at which they crack are spread as a sum (normal),
a product (log-normal) or a waiting for several things (gamma). Which of them is chosen; that first crack has a begin at
all is a convention: here the moment at which two in a hundred of the audible beans have cracked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special

from crackdetect.blocks import Doubles

SHAPES = ("normal", "log-normal", "gamma")
#: First crack begins when this share of its cracks have come.
BEGUN = 0.02
_BEGUN_NORMAL = float(scipy.special.ndtri(BEGUN))


@dataclass(frozen=True, slots=True)
class Chorus:
    """Cracks whose rate rises to ``peak_per_minute``, ramp_s after their begin at ``start_s``.

    shape: of SHAPES. skew: of the gamma distribution 2 / sqrt(k), of the log-normal sigma; not of the normal. fade_s:
    half a minute (about) around it without cracks, None = none; those beans crack by and by or never.
    """

    start_s: float
    ramp_s: float
    peak_per_minute: float
    shape: str
    skew: float
    fade_s: float | None = None
    fade_width_s: float = 15.0

    def _standard(self) -> tuple[float, float]:
        """Of the standard distribution: where the begin and the mode are."""
        if self.shape == "normal":
            return _BEGUN_NORMAL, 0.0
        if self.shape == "log-normal":
            return float(np.exp(self.skew * _BEGUN_NORMAL)), float(np.exp(-(self.skew**2)))
        k = 4 / self.skew**2
        return float(scipy.special.gammaincinv(k, BEGUN)), k - 1

    def _standardised(self, time_s: Doubles | float) -> tuple[Doubles, float]:
        begin, mode = self._standard()
        scale = self.ramp_s / (mode - begin)
        return np.asarray((np.asarray(time_s, np.float64) - self.start_s) / scale + begin, np.float64), scale

    def _density(self, x: Doubles) -> Doubles:
        if self.shape == "normal":
            return np.asarray(np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi), np.float64)
        positive = np.maximum(x, 1e-9)
        if self.shape == "log-normal":
            u = np.log(positive) / self.skew
            found = np.exp(-0.5 * u**2) / (np.sqrt(2 * np.pi) * self.skew * positive)
        else:
            k = 4 / self.skew**2
            found = np.exp((k - 1) * np.log(positive) - positive - scipy.special.gammaln(k))
        return np.asarray(np.where(x > 0, found, 0.0), np.float64)

    @property
    def cracks(self) -> float:
        """How many beans crack audibly, those of a fade included."""
        _, mode = self._standard()
        _, scale = self._standardised(0.0)
        return float(self.peak_per_minute / 60 * scale / self._density(np.array([mode]))[0])

    def _kept(self, time_s: Doubles) -> Doubles:
        if self.fade_s is None:
            return np.ones_like(time_s)
        return np.asarray(1 - np.exp(-(((time_s - self.fade_s) / self.fade_width_s) ** 4)), np.float64)

    def per_minute(self, time_s: Doubles) -> Doubles:
        """Expected cracks a minute at times."""
        x, scale = self._standardised(time_s)
        return np.asarray(60 * self.cracks * self._density(x) / scale * self._kept(time_s), np.float64)

    def end_s(self, share: float = 0.1) -> float:
        """Where the rate falls through a share of its peak for good."""
        t = self.start_s + np.linspace(0, 20 * self.ramp_s, 8_001)
        above = np.flatnonzero(self.per_minute(t) >= share * self.peak_per_minute)
        return float(t[above[-1]]) if len(above) else self.start_s

    def times(self, rng: np.random.Generator) -> Doubles:
        """When they crack, unsorted."""
        count = round(self.cracks)
        if self.shape == "normal":
            x = rng.standard_normal(count)
        elif self.shape == "log-normal":
            x = rng.lognormal(0.0, self.skew, count)
        else:
            x = rng.gamma(4 / self.skew**2, 1.0, count)
        begin, _ = self._standard()
        _, scale = self._standardised(0.0)
        times = self.start_s + (x - begin) * scale
        return np.asarray(times[rng.random(count) < self._kept(times)], np.float64)
