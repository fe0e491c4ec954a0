"""What a machine utters beside air and beans.

Axle, squeak, scraper, rattling lid, pings, relays, ticks, clinks, its gate, and chaff. All shapes are chosen, but for a
glass's partials (near 1 : 2.3 : 4.2 : 6.6, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.synth.chance import log_uniform
from crackdetect.synth.wide import Wide

_SPECIMENS = 4
#: Parts that sound once (or so often as they say) a turn; the others at random times, but for the tick.
_TURNING = ("axle", "squeak", "scraper")
#: Sounds from within the vessel, which pass the lid.
INSIDE = ("chaff", "crackle")


@dataclass(frozen=True, slots=True)
class Uttered:
    """number, time_s, name and specimen of a part's sound, and its peak against a median first crack's, dB."""

    number: int
    time_s: float
    name: str
    specimen: int
    level_db: float


def uttered(wide: Wide, *, seed: int, duration_s: float, charge_s: float, drop_s: float) -> list[Uttered]:
    """All that is heard of the parts, in order of time."""
    machine = wide.machine
    rng = np.random.default_rng([seed, 61])
    found: list[tuple[float, str, float]] = []
    for part in machine.parts:
        own = rng.normal(0, 2)  # of this day
        if part.name in _TURNING:
            gap = (machine.turn_s or 2.0) / max(1, round(part.per_minute))
            times = np.arange(float(rng.uniform(0, gap)), duration_s, gap)
            times = times[times < drop_s]
            if part.name == "scraper":  # a hand is not a clock
                times = times + rng.normal(0, 0.1 * gap, len(times))
            if part.name == "squeak":  # comes and goes as the bearing warms
                phase, period = float(rng.uniform(0, 6.28)), float(rng.uniform(30, 200))
                times = times[np.sin(2 * np.pi * times / period + phase) > float(rng.uniform(-1, 0.3))]
        elif part.name == "tick":
            times = np.arange(float(rng.uniform(0, 1)), duration_s, 60 / part.per_minute)
        else:
            times = rng.uniform(0, duration_s, rng.poisson(part.per_minute * duration_s / 60))
        spread = 1.0 if part.name in ("tick", "axle") else 3.0
        found += [(time, part.name, part.level_db + own + rng.normal(0, spread)) for time in times.tolist()]
    if drop_s < duration_s and rng.random() < 0.8:
        found.append((drop_s - float(rng.uniform(0, 0.3)), "gate", float(rng.uniform(-4, 10))))
    if wide.beans:
        for name, per_minute, low, high in (
            ("chaff", wide.chaff_per_minute, -20.0, -2.0),
            ("crackle", wide.crackle_per_minute, -16.0, 0.0),
        ):
            start, end = max(0.0, charge_s), min(drop_s, duration_s)
            times = rng.uniform(start, end, rng.poisson(per_minute * max(end - start, 0.0) / 60))
            found += [(time, name, float(rng.uniform(low, high))) for time in times.tolist()]
    return [
        Uttered(i, time, name, int(rng.integers(_SPECIMENS)), level)
        for i, (time, name, level) in enumerate(sorted(f for f in found if 0 <= f[0] < duration_s))
    ]


def specimens(name: str, machine_seed: int, samplerate: int) -> list[Doubles]:
    """The four ways in which a part of a machine sounds: alike, as it is one thing."""
    own = np.random.default_rng([machine_seed, 62, sorted(PARTS).index(name)])
    make = PARTS[name](own, samplerate)
    return [make(np.random.default_rng([machine_seed, 63, sorted(PARTS).index(name), i])) for i in range(_SPECIMENS)]


Make = Callable[[np.random.Generator], Doubles]


def _ringing(rng: np.random.Generator, fs: int, tones: list[tuple[float, float, float]], length_s: float) -> Doubles:
    """Damped tones: Hz, seconds to 60 dB down, strength; each a little off."""
    t = np.arange(int(length_s * fs)) / fs
    wave = np.zeros(len(t))
    for frequency, decay, strength in tones:
        f = min(frequency * float(np.exp(rng.normal(0, 0.004))), 0.46 * fs)
        wave += strength * float(rng.uniform(0.5, 1)) * np.exp(-6.91 * t / decay) * np.sin(2 * np.pi * f * t)
    return wave


def _click(rng: np.random.Generator, fs: int, low: float, high: float, tau: float) -> Doubles:
    length = int(6 * tau * fs) + 32
    spectrum = np.fft.rfft(rng.standard_normal(length) * np.exp(-np.arange(length) / fs / tau))
    f = np.fft.rfftfreq(length, 1 / fs)
    spectrum *= (f / low) ** 2 / (1 + (f / low) ** 2) / (1 + (f / high) ** 4)
    wave = np.fft.irfft(spectrum, length)
    return np.asarray(wave / max(float(np.abs(wave).max()), 1e-12), np.float64)


def _added(parts: list[tuple[float, Doubles]], fs: int) -> Doubles:
    out = np.zeros(max(int(at * fs) + len(wave) for at, wave in parts))
    for at, wave in parts:
        i = int(at * fs)
        out[i : i + len(wave)] += wave
    return out


def _axle(own: np.random.Generator, fs: int) -> Make:
    low, decay = log_uniform(own, 150, 900), log_uniform(own, 0.02, 0.2)
    tones = [
        (low * float(own.uniform(1, 9)), decay * float(own.uniform(0.3, 1)), float(own.exponential())) for _ in range(6)
    ]
    edge = float(own.uniform(0.0, 1.0))

    def make(rng: np.random.Generator) -> Doubles:
        return _added([(0.0, _ringing(rng, fs, tones, decay)), (0.0, edge * _click(rng, fs, 700, 6_000, 0.0015))], fs)

    return make


def _squeak(own: np.random.Generator, fs: int) -> Make:
    pitch, length, bend = log_uniform(own, 900, 4_500), log_uniform(own, 0.06, 0.4), float(own.uniform(-0.3, 0.3))
    strength = own.uniform(0.1, 1.0, 4) / np.arange(1, 5)

    def make(rng: np.random.Generator) -> Doubles:
        n = int(length * float(rng.uniform(0.8, 1.2)) * fs)
        u = np.linspace(0, 1, n)
        phase = 2 * np.pi * np.cumsum(pitch * float(np.exp(rng.normal(0, 0.03))) * (1 + bend * u)) / fs
        whole = sum(s * np.sin(k * phase) for k, s in enumerate(strength, 1) if k * pitch * 1.35 < 0.46 * fs)
        return np.asarray(whole * np.hanning(n) ** 0.7 * (1 + 0.3 * rng.standard_normal(n)), np.float64)

    return make


def _scraper(own: np.random.Generator, fs: int) -> Make:
    rate, length = log_uniform(own, 60, 500), log_uniform(own, 0.1, 0.7)
    tones = [
        (log_uniform(own, 400, 7_000), log_uniform(own, 0.003, 0.02), float(own.exponential()) + 0.2) for _ in range(4)
    ]

    def make(rng: np.random.Generator) -> Doubles:
        n = int(length * float(rng.uniform(0.7, 1.2)) * fs)
        at = np.cumsum(rng.gamma(5, fs / (5 * rate), int(2 * rate * n / fs) + 2)).astype(int)
        pulses = np.zeros(n)
        pulses[at[at < n]] = rng.uniform(0.3, 1, int((at < n).sum()))
        return np.asarray(np.convolve(pulses * np.hanning(n) ** 0.5, _ringing(rng, fs, tones, 0.02)), np.float64)

    return make


def _rattle(own: np.random.Generator, fs: int) -> Make:
    tones = [
        (log_uniform(own, 900, 7_000), log_uniform(own, 0.005, 0.05), float(own.exponential()) + 0.2) for _ in range(5)
    ]
    rate = log_uniform(own, 15, 60)

    def make(rng: np.random.Generator) -> Doubles:
        count = int(rng.integers(4, 15))
        at = np.cumsum(rng.gamma(3, 1 / (3 * rate), count)).tolist()
        return _added([(time, float(rng.uniform(0.15, 1)) * _ringing(rng, fs, tones, 0.05)) for time in at], fs)

    return make


def _ping(own: np.random.Generator, fs: int) -> Make:
    count = int(own.integers(1, 5))
    tones = [
        (log_uniform(own, 800, 7_000), log_uniform(own, 0.03, 0.5), float(own.exponential()) + 0.2)
        for _ in range(count)
    ]
    edge = float(own.uniform(0, 0.8))

    def make(rng: np.random.Generator) -> Doubles:
        shift = float(np.exp(rng.normal(0, 0.1)))  # heat bends now this sheet, now that
        own_tones = [(f * shift, d, s) for f, d, s in tones]
        return _added(
            [(0.0, _ringing(rng, fs, own_tones, 0.4)), (0.0, edge * _click(rng, fs, 1_500, 9_000, 0.0006))], fs
        )

    return make


def _relay(own: np.random.Generator, fs: int) -> Make:
    low, high, tau = log_uniform(own, 700, 3_000), log_uniform(own, 4_000, 13_000), log_uniform(own, 0.0004, 0.003)
    bounce = log_uniform(own, 0.002, 0.012)
    body = [(log_uniform(own, 300, 3_000), log_uniform(own, 0.005, 0.04), float(own.uniform(0, 0.6))) for _ in range(3)]

    def make(rng: np.random.Generator) -> Doubles:
        second = float(rng.uniform(0.2, 0.9))
        return _added(
            [(0.0, _click(rng, fs, low, high, tau)), (bounce, second * _click(rng, fs, low, high, tau)),
             (0.0, _ringing(rng, fs, body, 0.04))], fs,
        )  # fmt: skip

    return make


def _tick(own: np.random.Generator, fs: int) -> Make:
    low, high, tau = log_uniform(own, 800, 3_000), log_uniform(own, 4_000, 12_000), log_uniform(own, 0.0003, 0.003)
    return lambda rng: _click(np.random.default_rng(int(low)), fs, low, high, tau)


def _clink(own: np.random.Generator, fs: int) -> Make:
    base, decay = log_uniform(own, 1_200, 4_000), log_uniform(own, 0.1, 0.8)
    tones = [(base * r, decay / r**0.5, float(own.exponential()) + 0.1) for r in (1.0, 2.3, 4.2, 6.6)]

    def make(rng: np.random.Generator) -> Doubles:
        return _ringing(rng, fs, tones, min(decay, 0.5)) + 0.0

    return make


def _gate(own: np.random.Generator, fs: int) -> Make:
    slide, clack = _scraper(own, fs), _axle(own, fs)

    def make(rng: np.random.Generator) -> Doubles:
        first = slide(rng)
        second = clack(rng)
        parts = [(0.0, 0.3 * first / max(float(np.abs(first).max()), 1e-12))]
        parts.append((len(first) / fs, second / max(float(np.abs(second).max()), 1e-12)))
        return _added(parts, fs)

    return make


def _chaff(own: np.random.Generator, fs: int) -> Make:
    low, length = log_uniform(own, 1_500, 7_000), log_uniform(own, 0.01, 0.08)

    def make(rng: np.random.Generator) -> Doubles:
        n = int(length * float(rng.uniform(0.5, 1.5)) * fs) + 16
        spectrum = np.fft.rfft(rng.standard_normal(n))
        f = np.fft.rfftfreq(n, 1 / fs)
        spectrum *= (f / low) ** 2 / (1 + (f / low) ** 3)
        return np.asarray(np.fft.irfft(spectrum, n) * np.hanning(n), np.float64)

    return make


def _crackle(own: np.random.Generator, fs: int) -> Make:
    low, tau = log_uniform(own, 1_500, 5_000), log_uniform(own, 0.0001, 0.0008)

    def make(rng: np.random.Generator) -> Doubles:
        count, span = int(rng.integers(3, 31)), float(rng.uniform(0.1, 1.5))
        return _added(
            [
                (float(rng.uniform(0, span)), float(rng.lognormal(0, 0.8)) * _click(rng, fs, low, 14_000, tau))
                for _ in range(count)
            ],
            fs,
        )

    return make


#: Makers of a part's sound, by name.
PARTS: dict[str, Callable[[np.random.Generator, int], Make]] = {
    "axle": _axle,
    "squeak": _squeak,
    "scraper": _scraper,
    "rattle": _rattle,
    "ping": _ping,
    "relay": _relay,
    "tick": _tick,
    "clink": _clink,
    "gate": _gate,
    "chaff": _chaff,
    "crackle": _crackle,
}
