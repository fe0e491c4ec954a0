"""Sounds of a kitchen that are not cracks. All shapes and numbers are chosen; each call is another specimen.

Every function gives float64 samples whose largest is 1. A kitchen has one keyboard, one clock, one dog: what such a
thing sounds like is drawn from ``own``, a generator that begins anew for each specimen of a kitchen's kind, and only
what differs from one specimen to the next (when, how hard, how long) from ``rng``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.synth.plan import HOUSEHOLD_KINDS


def make(kind: str, rng: np.random.Generator, *, kitchen: int, samplerate: int, duration_s: float) -> Doubles:
    """One specimen of a kind of HOUSEHOLD_KINDS, up to 20 s long. kitchen: its seed; see above."""
    own = np.random.default_rng([kitchen, 25, HOUSEHOLD_KINDS.index(kind)])
    wave = _KINDS[kind](rng, own, samplerate, min(duration_s, 20.0))
    peak = float(np.abs(wave).max()) if len(wave) else 0.0
    return wave / peak if peak > 0 else wave


def _modes(
    rng: np.random.Generator, fs: int, *, low: float, high: float, count: int, tau: tuple[float, float], length_s: float
) -> Doubles:
    """Damped tones."""
    t = np.arange(int(length_s * fs)) / fs
    wave = np.zeros(len(t))
    top = min(high, 0.45 * fs)
    for _ in range(count):
        frequency = np.exp(rng.uniform(np.log(low), np.log(max(top, low * 1.01))))
        decay = np.exp(rng.uniform(np.log(tau[0]), np.log(tau[1])))
        wave += rng.exponential() * np.exp(-t / decay) * np.sin(2 * np.pi * frequency * t + rng.uniform(0, 6.28))
    return wave


def _noise(rng: np.random.Generator, fs: int, *, low: float, high: float, length_s: float) -> Doubles:
    """Noise between two frequencies, by transform."""
    length = max(8, int(length_s * fs))
    spectrum = np.fft.rfft(rng.standard_normal(length))
    f = np.fft.rfftfreq(length, 1 / fs)
    spectrum *= (f / low) ** 2 / (1 + (f / low) ** 2) / (1 + (f / high) ** 4)
    wave = np.fft.irfft(spectrum, length)
    return wave / max(float(np.abs(wave).max()), 1e-12)


def _decaying(
    rng: np.random.Generator, fs: int, *, low: float, high: float, tau: float, rise: float = 0.0003
) -> Doubles:
    wave = _noise(rng, fs, low=low, high=high, length_s=6 * tau + 0.004)
    t = np.arange(len(wave)) / fs
    return np.asarray(wave * np.exp(-t / tau) * (1 - np.exp(-t / rise)), np.float64)


def _place(parts: list[tuple[float, Doubles]], fs: int, duration_s: float) -> Doubles:
    """Sounds at their times, summed."""
    length = max([int(duration_s * fs)] + [int(start * fs) + len(w) for start, w in parts])
    out = np.zeros(length)
    for start, wave in parts:
        i = int(start * fs)
        out[i : i + len(wave)] += wave
    return out


def _typing(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    rate = own.uniform(1.0, 4.0) * rng.uniform(0.8, 1.25)  # keys a second, up to 200 a minute and more
    low, high = own.uniform(800, 2500), own.uniform(4000, 12000)
    tau = own.uniform(0.001, 0.004)
    thump, upstroke = own.uniform(150, 500), own.uniform(0.2, 0.8)
    parts = []
    time = 0.0
    while time < duration:
        key = rng.uniform(0.9, 1.1)  # keys of one keyboard differ a little
        press = _decaying(rng, fs, low=low * key, high=high * key, tau=tau * rng.uniform(0.8, 1.25))
        body = _modes(rng, fs, low=thump, high=thump * 1.5, count=2, tau=(0.004, 0.02), length_s=0.06)
        level = rng.uniform(0.5, 1)
        parts += [(time, level * press), (time + 0.001, 0.4 * level * body)]
        up = _decaying(rng, fs, low=low * 1.2, high=high, tau=tau)
        parts.append((time + rng.uniform(0.05, 0.14), level * upstroke * rng.uniform(0.7, 1.4) * up))
        time += rng.gamma(4, 1 / (4 * rate))
    return _place(parts, fs, duration)


def _dishes(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    parts = []
    for start in np.sort(rng.uniform(0, duration, 1 + rng.poisson(duration * rng.uniform(0.3, 3)))).tolist():
        ring = _modes(
            rng, fs, low=900, high=9000, count=int(rng.integers(3, 9)), tau=(0.02, rng.uniform(0.05, 0.5)), length_s=0.7
        )
        click = _decaying(rng, fs, low=1500, high=12000, tau=rng.uniform(0.0005, 0.003))
        level = rng.exponential(0.5) + 0.1
        parts += [(start, level * ring), (start, level * rng.uniform(0, 2) * click)]
    return _place(parts, fs, duration)


def _knocks(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    parts = []
    low, gap, count = own.uniform(90, 400), rng.uniform(0.1, 0.4), int(rng.integers(1, 6))
    body = _modes(own, fs, low=low, high=low * 6, count=5, tau=(0.005, 0.04), length_s=0.15)
    tau, clicks = own.uniform(0.001, 0.006), own.uniform(0, 1.0)
    for i in range(count):
        click = _decaying(rng, fs, low=800, high=5000, tau=tau)
        start, hard = i * gap * rng.uniform(0.95, 1.05), rng.uniform(0.6, 1.0)
        parts += [(start, hard * body), (start, hard * clicks * rng.uniform(0.5, 1.5) * click)]
    return _place(parts, fs, 0.2)


def _door(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    slam = _decaying(rng, fs, low=40, high=own.uniform(300, 1500), tau=own.uniform(0.05, 0.2), rise=0.003)
    latch = _decaying(rng, fs, low=own.uniform(700, 1500), high=own.uniform(5000, 10000), tau=own.uniform(0.002, 0.01))
    return _place([(0.1, slam), (rng.uniform(0.0, 0.3), rng.uniform(0.1, 0.8) * latch)], fs, 0.6)


def _claps(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    rate = rng.uniform(1, 5)
    centre, wide, tau = own.uniform(700, 2500), own.uniform(1.5, 4), own.uniform(0.004, 0.015)
    starts = np.arange(0, min(duration, rng.uniform(0.3, 6)), 1 / rate)
    return _place(
        [
            (
                float(s + rng.normal(0, 0.01) + 0.05),
                rng.uniform(0.6, 1)
                * _decaying(rng, fs, low=centre * 0.7, high=centre * wide, tau=tau * rng.uniform(0.8, 1.25)),
            )
            for s in starts
        ],
        fs,
        0.2,
    )


def _footsteps(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    gap, hard, tau = own.uniform(0.4, 0.8), own.uniform(0, 1), own.uniform(0.002, 0.01)
    low, high = own.uniform(300, 1000), own.uniform(2000, 6000)
    feet = [_modes(own, fs, low=50, high=300, count=4, tau=(0.01, 0.05), length_s=0.2) for _ in range(2)]
    parts = []
    for i, step in enumerate(np.arange(0, duration, gap).tolist()):
        start, level = step + gap * rng.uniform(0, 0.1), rng.uniform(0.6, 1.0)
        parts.append((start, level * feet[i % 2]))
        click = _decaying(rng, fs, low=low, high=high, tau=tau * rng.uniform(0.8, 1.25))
        parts.append((start, level * hard * rng.uniform(0.6, 1.4) * click))
    return _place(parts, fs, duration)


def _resonate(wave: Doubles, fs: int, frequencies: list[float], widths: list[float]) -> Doubles:
    from scipy.signal import lfilter

    out = np.zeros(len(wave))
    for frequency, width in zip(frequencies, widths, strict=True):
        r = np.exp(-np.pi * width / fs)
        a = [1, -2 * r * np.cos(2 * np.pi * min(frequency, 0.45 * fs) / fs), r * r]
        out += lfilter([1 - r], a, wave)
    return out


def _speech(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    """Syllables: a pulse train through moving formants, fricatives, plosive bursts."""
    pitch = own.uniform(85, 260)
    parts = []
    time = 0.0
    while time < duration:
        length = rng.uniform(0.08, 0.28)
        n = int(length * fs)
        contour = pitch * (1 + 0.15 * np.sin(np.linspace(0, rng.uniform(0, 3), n)) + rng.normal(0, 0.05))
        phase = np.cumsum(contour / fs)
        pulses = np.diff(np.floor(phase), prepend=0.0) - 0.02
        formants = [rng.uniform(250, 900), rng.uniform(900, 2500), rng.uniform(2300, 3500), rng.uniform(3300, 4500)]
        vowel = _resonate(pulses, fs, formants, [80.0, 110.0, 160.0, 250.0]) * np.hanning(n)
        parts.append((time, vowel / max(float(np.abs(vowel).max()), 1e-9) * rng.uniform(0.4, 1)))
        if rng.random() < 0.45:  # a fricative
            hiss = _noise(
                rng, fs, low=rng.uniform(1500, 5000), high=rng.uniform(5000, 12000), length_s=rng.uniform(0.05, 0.15)
            )
            parts.append((time + length * 0.9, rng.uniform(0.1, 0.5) * hiss * np.hanning(len(hiss))))
        if rng.random() < 0.45:  # a plosive
            burst = _decaying(
                rng, fs, low=rng.uniform(300, 2500), high=rng.uniform(2500, 8000), tau=rng.uniform(0.002, 0.012)
            )
            parts.append((max(0.0, time - 0.02), rng.uniform(0.1, 0.7) * burst))
        time += length * rng.uniform(0.9, 1.4) + (rng.uniform(0.2, 0.8) if rng.random() < 0.15 else 0)
    return _place(parts, fs, duration)


def _music(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    beat, drum, tau = own.uniform(0.25, 0.6), own.uniform(0.2, 1), own.uniform(0.01, 0.05)
    parts = []
    for i, start in enumerate(np.arange(0, duration, beat).tolist()):
        base = 110 * 2 ** (rng.integers(0, 36) / 12)
        t = np.arange(int(beat * 1.5 * fs)) / fs
        note = sum(np.sin(2 * np.pi * base * h * t) / h for h in range(1, 8) if base * h < 0.45 * fs)
        parts.append((start, np.asarray(note) * np.exp(-t / rng.uniform(0.1, 0.6)) * rng.uniform(0.3, 1)))
        if i % 2 == 1:
            parts.append((start, drum * rng.uniform(0.7, 1) * _decaying(rng, fs, low=1500, high=12000, tau=tau)))
    return _place(parts, fs, duration)


def _dog(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    parts = []
    pitch, length, rough = own.uniform(300, 900), own.uniform(0.1, 0.25), own.uniform(0.2, 0.8)
    for i in range(int(rng.integers(1, 5))):
        n = int(length * rng.uniform(0.8, 1.25) * fs)
        phase = np.cumsum(pitch * rng.uniform(0.9, 1.1) * (1 + 0.4 * np.sin(np.linspace(0, np.pi, n))) / fs)
        bark = sum(np.sin(2 * np.pi * h * phase) / h for h in range(1, 8)) + rough * rng.standard_normal(n)
        parts.append((i * rng.uniform(0.3, 0.7), np.asarray(bark) * np.hanning(n) ** 0.5))
    return _place(parts, fs, 0.5)


def _clock(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    gap = float(own.choice([0.5, 1.0]))
    tick = _decaying(
        own, fs, low=own.uniform(1000, 3000), high=own.uniform(4000, 10000), tau=own.uniform(0.0008, 0.005)
    )
    tick += 0.5 * _modes(own, fs, low=1500, high=8000, count=3, tau=(0.002, 0.01), length_s=1.0)[: len(tick)]
    tock = own.uniform(0.6, 1)
    return _place(
        [
            (float(s), (1.0 if i % 2 else tock) * rng.uniform(0.95, 1) * tick)
            for i, s in enumerate(np.arange(0, max(duration, 4), gap))
        ],
        fs,
        duration,
    )


def _rain(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    n = int(duration * fs)
    drops = np.zeros(n)
    count = rng.poisson(duration * own.uniform(50, 600))
    drops[rng.integers(0, n, count)] = rng.exponential(1, count) * rng.choice([-1, 1], count)
    kernel = _decaying(own, fs, low=1000, high=9000, tau=own.uniform(0.0005, 0.003))
    return np.convolve(drops, kernel)[:n] + 0.05 * rng.standard_normal(n)


def _water(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    wave = _noise(rng, fs, low=own.uniform(200, 800), high=own.uniform(2000, 9000), length_s=duration)
    bubbles = [
        (
            float(s),
            rng.uniform(0.1, 0.6) * _modes(rng, fs, low=400, high=2500, count=1, tau=(0.005, 0.03), length_s=0.1),
        )
        for s in rng.uniform(0, max(duration - 0.1, 0.1), rng.poisson(duration * 12))
    ]
    mixed = _place(bubbles, fs, duration)[: len(wave)]
    wave[: len(mixed)] += mixed
    edge = np.minimum(1, np.minimum(np.arange(len(wave)), np.arange(len(wave))[::-1]) / (0.1 * fs))
    return wave * edge


def _crinkle(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    """A bag: bursts of dense, tiny clicks."""
    parts = []
    time = 0.0
    low, high = own.uniform(1500, 4000), own.uniform(6000, 15000)
    while time < duration:
        length = rng.uniform(0.1, 0.8)
        for start in rng.uniform(0, length, rng.poisson(length * rng.uniform(20, 120))).tolist():
            click = _decaying(rng, fs, low=low, high=high, tau=rng.uniform(0.0004, 0.003))
            parts.append((time + start, rng.exponential(0.4) * click))
        time += length + rng.uniform(0.1, 1.0)
    return _place(parts, fs, duration)


def _switch(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    click = _decaying(
        own, fs, low=own.uniform(1000, 3000), high=own.uniform(5000, 14000), tau=own.uniform(0.0008, 0.004)
    )
    body = _modes(own, fs, low=300, high=3000, count=4, tau=(0.003, 0.02), length_s=0.1)
    bounce = own.uniform(0.003, 0.03) * rng.uniform(0.8, 1.25)
    return _place([(0.0, click), (bounce, rng.uniform(0.2, 1) * click), (0.0, 0.5 * body)], fs, 0.1)


def _scrape(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    """Stick and slip."""
    duration = min(duration, 3.0)
    n = int(duration * fs)
    pulses = np.zeros(n)
    time = 0.0
    rate = own.uniform(30, 200)
    while time < duration - 0.01:
        pulses[int(time * fs)] = rng.uniform(0.5, 1)
        time += rng.gamma(6, 1 / (6 * rate))
    wave = _resonate(pulses, fs, np.exp(own.uniform(np.log(300), np.log(4000), 4)).tolist(), [60.0, 90.0, 120.0, 200.0])
    return wave * np.hanning(n) ** 0.3


def _keys(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    bunch = [_modes(own, fs, low=2500, high=12000, count=4, tau=(0.005, 0.06), length_s=0.2) for _ in range(5)]
    parts = []
    for start in rng.uniform(0, min(duration, 3), rng.poisson(min(duration, 3) * 14) + 2).tolist():
        parts.append((start, rng.exponential(0.5) * bunch[int(rng.integers(len(bunch)))]))
    return _place(parts, fs, 0.5)


def _sneeze(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    wave = _noise(rng, fs, low=400, high=rng.uniform(3000, 8000), length_s=rng.uniform(0.2, 0.5))
    t = np.linspace(0, 1, len(wave))
    return wave * np.minimum(1, t * 20) * np.exp(-4 * t)


def _mains(rng: np.random.Generator, own: np.random.Generator, fs: int, duration: float) -> Doubles:
    """Clicks that the mains sends through a supply: one or two samples wide."""
    wave = np.zeros(int(0.02 * fs))
    wave[0], wave[1] = 1.0, -rng.uniform(0, 1)
    return wave


_KINDS: dict[str, Callable[[np.random.Generator, np.random.Generator, int, float], Doubles]] = {
    "typing": _typing,
    "dishes": _dishes,
    "knocks": _knocks,
    "door": _door,
    "claps": _claps,
    "footsteps": _footsteps,
    "speech": _speech,
    "music": _music,
    "dog": _dog,
    "clock": _clock,
    "rain": _rain,
    "water": _water,
    "crinkle": _crinkle,
    "switch": _switch,
    "scrape": _scrape,
    "keys": _keys,
    "sneeze": _sneeze,
    "mains": _mains,
}
