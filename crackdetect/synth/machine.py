"""The roaster's own sound, a second at a time: fan noise, hum, motor, and what strikes the drum.

All shapes and numbers are chosen. The noise is dry of the room (a fan's noise is diffuse anyway); impacts, knocks,
rattle and ticks are returned apart, for they go through the room as the cracks do.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Doubles
from crackdetect.synth.chain import Sections, bump_sections
from crackdetect.synth.plan import Machine, RoastPlan
from crackdetect.synth.sounds import SoundBank

_POOL = 24


class Bed:
    """Steady noise of one regime's machine, of in-band rms about 1 before scaling by the renderer.

    ``cell(j)`` must be asked in order: filters carry their state.
    """

    def __init__(self, plan: RoastPlan, *, sounds: SoundBank | None, stream: int) -> None:
        self._plan, self._machine, self._stream = plan, plan.machine, stream
        fs = plan.samplerate
        self._shape = Sections(_tilt_sections(plan.machine, fs) + bump_sections(plan.machine.resonances, fs))
        self._cooling = Sections([*_tilt_sections(plan.machine, fs)])
        rng = np.random.default_rng([plan.seed, 11])
        self._phases = rng.uniform(0, 2 * np.pi, 8)
        self._seconds = np.arange(fs) / fs
        # hum of whole hertz: the same each second
        angle = 2 * np.pi * plan.machine.hum_hz * self._seconds
        self._hum = sum(np.sin(h * angle + self._phases[h]) / h for h in (1, 2, 3)) * 10 ** (plan.machine.hum_db / 20)
        self._loop: npt.NDArray[np.float32] | None = None
        self._offset = 0
        if sounds is not None and sounds.beds and plan.bed_index is not None:
            self._loop = bed_loop(sounds.beds[plan.bed_index % len(sounds.beds)], sounds.samplerate, fs, rng)
            self._offset = int(rng.integers(len(self._loop)))

    def cell(self, j: int, *, cooling: Doubles) -> Doubles:
        """Second j. cooling: 0 to 1 per sample, how far the cooling fan has taken over."""
        m, fs = self._machine, self._plan.samplerate
        rng = np.random.default_rng([self._plan.seed, self._stream, j])
        white = rng.standard_normal(fs)
        noise = self._shape(white)
        if cooling.any():
            other = self._cooling(rng.standard_normal(fs)) * 10 ** (m.cooling_db / 20)
            noise = noise * np.sqrt(1 - cooling) + other * np.sqrt(cooling)
        t = j + self._seconds
        if m.turn_s > 0:
            noise = noise * (1 + m.turn_depth * np.sin(2 * np.pi * t / m.turn_s + self._phases[0]))
        drift = 2 * np.pi * m.motor_hz * t + 3.0 * np.sin(2 * np.pi * t / 17.0) + self._phases[4]
        sine = np.sin(drift)
        square = sine * sine
        # sin x + 0.5 sin 2x + 0.3 sin 5x
        motor = sine * (1 + np.cos(drift) + 0.3 * (16 * square * square - 20 * square + 5))
        noise = noise + self._hum + 10 ** (m.motor_db / 20) * motor
        if self._loop is not None:
            index = (self._offset + j * fs + np.arange(fs)) % len(self._loop)
            share = self._plan.bed_share
            noise = (1 - share) * noise + share * self._loop[index]
        return np.asarray(noise, np.float64)


def _tilt_sections(machine: Machine, samplerate: int) -> list[list[float]]:
    """Noise falling with f**-tilt from 100 Hz, by alternating first-order poles and zeros, scaled to unit rms."""
    if machine.tilt < 0.05:
        return []
    sections = []
    step = 4.0
    frequency = 100.0
    while frequency < 0.4 * samplerate:
        pole = np.exp(-2 * np.pi * frequency / samplerate)
        zero = np.exp(-2 * np.pi * min(frequency * step ** min(machine.tilt, 1.0), 0.48 * samplerate) / samplerate)
        sections.append([1.0, -float(zero), 0.0, 1.0, -float(pole), 0.0])
        frequency *= step
    impulse = Sections(sections)(np.concatenate([[1.0], np.zeros(8191)]))
    scale = 1 / float(np.sqrt((impulse**2).sum()))
    sections[0] = [c * scale for c in sections[0][:3]] + sections[0][3:]
    return sections


def bed_loop(
    bed: npt.NDArray[np.float32], bank_rate: int, samplerate: int, rng: np.random.Generator
) -> npt.NDArray[np.float32]:
    """A real bed at another speed and colour, cross-faded into itself, of unit rms."""
    from scipy.signal import resample

    speed = float(rng.uniform(0.88, 1.14))
    part = bed[: 20 * bank_rate].astype(np.float64)
    wave = resample(part, max(64, int(len(part) * samplerate / bank_rate / speed)))
    fade = min(len(wave) // 4, samplerate // 2)
    ramp = np.sqrt(np.linspace(0, 1, fade))
    wave[:fade] = wave[:fade] * ramp + wave[-fade:] * ramp[::-1]
    wave = wave[: len(wave) - fade]
    return np.asarray(wave / max(float(np.sqrt(np.mean(wave**2))), 1e-9), np.float32)


class Impacts:
    """Tumbling beans, the pour, the knock, the rattle and the tick: what strikes, a second at a time.

    Levels are peaks over the in-band rms, which the renderer knows: every cell is in units of that rms.
    """

    def __init__(self, plan: RoastPlan, *, stream: int) -> None:
        self._plan, self._stream = plan, stream
        fs = plan.samplerate
        rng = np.random.default_rng([plan.seed, 12])
        low = float(np.exp(rng.uniform(np.log(600), np.log(3_000))))
        self._pool = [_strike(rng, fs, low, float(rng.uniform(0.0005, 0.004))) for _ in range(_POOL)]
        knock = _strike(rng, fs, float(rng.uniform(150, 1_500)), float(rng.uniform(0.003, 0.03)))
        self._knock = knock
        self._tick = _strike(rng, fs, float(rng.uniform(800, 5_000)), float(rng.uniform(0.0005, 0.004)))
        self._rattle = [_strike(rng, fs, float(rng.uniform(1_500, 5_000)), 0.004) for _ in range(4)]
        self._spill = np.zeros(fs)  # what of a second's strikes sounds in the next

    def cell(self, j: int) -> Doubles:
        """Samples of second number ``j``."""
        plan, m = self._plan, self._plan.machine
        fs = plan.samplerate
        rng = np.random.default_rng([plan.seed, self._stream, j])
        out = np.concatenate([self._spill, np.zeros(fs)])

        def put(time: float, wave: Doubles, level: float) -> None:
            i = int((time - j) * fs)
            n = min(len(wave), len(out) - i)
            out[i : i + n] += level * wave[:n]

        charge = plan.charge_s if plan.charge_s is not None else -1e9
        drop = plan.drop_s if plan.drop_s is not None else 1e9
        base = 10 ** (m.impact_db / 20)
        for time in (j + np.sort(rng.uniform(0, 1, rng.poisson(m.impacts_per_second)))).tolist():
            level = base * float(np.exp(rng.normal(0, m.impact_spread)))
            if charge <= time < drop:
                put(time, self._pool[int(rng.integers(_POOL))], level)
        for start, length, rate in ((charge, 3.0, 300.0), (drop, 2.0, 400.0)):  # beans pour in, beans leave
            if j - length < start < j + 1:
                for time in (j + rng.uniform(0, 1, rng.poisson(rate))).tolist():
                    if start <= time < start + length:
                        level = 4 * base * float(np.exp(rng.normal(0, 0.7)))
                        put(time, self._pool[int(rng.integers(_POOL))], level)
        if m.knock_db is not None and m.turn_s > 0:
            for time in _every(m.turn_s, j):
                put(time, self._knock, 10 ** (m.knock_db / 20) * float(rng.uniform(0.7, 1.0)))
        if m.tick_per_second > 0:
            for time in _every(1 / m.tick_per_second, j):
                put(time, self._tick, 10 ** (m.tick_db / 20) * float(rng.uniform(0.8, 1.0)))
        if m.rattle_per_minute > 0 and rng.random() < m.rattle_per_minute / 60:
            start = j + float(rng.uniform(0, 0.7))
            level = 10 ** (m.rattle_db / 20)
            for _ in range(int(rng.integers(3, 12))):
                put(start, self._rattle[int(rng.integers(4))], level * float(rng.uniform(0.2, 1)))
                start += float(rng.uniform(0.01, 0.06))
        self._spill = out[fs:]
        return out[:fs]


def _every(period_s: float, j: int) -> list[float]:
    """The multiples of a period within second j."""
    return [k * period_s for k in range(int(j / period_s), int((j + 1) / period_s) + 2) if j <= k * period_s < j + 1]


def _strike(rng: np.random.Generator, samplerate: int, low_hz: float, tau: float) -> Doubles:
    """A short knock of a few damped modes, largest sample 1."""
    t = np.arange(int(min(8 * tau, 0.15) * samplerate) + 4) / samplerate
    wave = 0.3 * rng.standard_normal(len(t)) * np.exp(-t / (0.3 * tau))
    for _ in range(4):
        frequency = min(low_hz * float(2 ** rng.uniform(0, 2.5)), 0.45 * samplerate)
        wave += (
            float(rng.exponential())
            * np.exp(-t / tau)
            * np.sin(2 * np.pi * frequency * t + float(rng.uniform(0, 6.28)))
        )
    wave *= 1 - np.exp(-t / 0.0002)
    return np.asarray(wave / max(float(np.abs(wave).max()), 1e-9), np.float64)
