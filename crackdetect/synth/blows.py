"""What one blow of a bean sounds like before the lid and the room: ways of making it that share nothing.

A generator makes ``rows`` of waveforms once a machine, and says for each blow which row it has and how strongly it
sounds it, from the bean's speed (m/s) and the stiffness it has by then (E*, Pa). Thousands of blows a second are then
sums of a few trains of impulses, each convolved with its row. All shapes and numbers are chosen, but for the contact
times (``contact.py``) and the modes of walls (``walls.py``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
import scipy.fft

from crackdetect.blocks import Doubles
from crackdetect.synth.contact import BEAN_RADIUS_M, between_beans, contact_time, fall_speed, pulse_spectrum
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.walls import wall_responses
from crackdetect.synth.wide import WideMachine

Rows = npt.NDArray[np.intp]
#: Waveforms of a generator that draws from a pool.
_POOL = 14
_POINTS, _TIMES = 4, 3
#: The middle of a contact lies so long after the blow's instant, s.
_CENTRE_S = 0.0002


class Choice(Protocol):
    """Chooses the response that each blow is heard by."""

    def __call__(self, rng: np.random.Generator, speed: Doubles, modulus: Doubles) -> tuple[Rows, Doubles]:
        """Row and amplitude of each blow."""


@dataclass(frozen=True, slots=True, eq=False)
class Blows:
    """waveforms: float64 (rows, samples). choose: see Choice."""

    waveforms: Doubles
    choose: Choice


Generator = Callable[[np.random.Generator, WideMachine, int, "SoundBank | None"], Blows]


def _hertz(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Blows:
    """Force pulses by contact time on the modes of the wall; between beans the pulse's derivative, without any wall.

    A sphere that is suddenly slowed radiates by its acceleration (A. Akay, J. Acoust. Soc. Am. 64, 977, 1978).
    """
    walls = wall_responses(rng, machine.wall, samplerate=samplerate, points=_POINTS)
    edges = _contact_edges(machine, _TIMES)
    middles = np.sqrt(edges[:-1] * edges[1:])
    size = scipy.fft.next_fast_len(walls.shape[1] + int(0.001 * samplerate), real=True)
    f = scipy.fft.rfftfreq(size, 1 / samplerate)
    later = np.exp(-2j * np.pi * f * _CENTRE_S)
    pulses = np.array([pulse_spectrum(t, f) for t in middles]) * later
    struck = scipy.fft.irfft(scipy.fft.rfft(walls, size)[:, None] * pulses, size).reshape(-1, size)
    between = scipy.fft.irfft(2j * np.pi * f * pulses, size)
    between *= float(rng.uniform(0.3, 1.0)) * float(np.abs(struck).max()) / float(np.abs(between).max())
    mass = machine.bean_g / 1000

    def choose(rng: np.random.Generator, speed: Doubles, modulus: Doubles) -> tuple[Rows, Doubles]:
        touching = rng.random(len(speed)) < machine.bean_on_bean
        own = contact_time(mass, BEAN_RADIUS_M, modulus, speed)
        pair = contact_time(*between_beans(mass, BEAN_RADIUS_M, modulus), speed)
        which = np.clip(np.searchsorted(edges, np.where(touching, pair, own)) - 1, 0, _TIMES - 1)
        point = np.where(touching, _POINTS, rng.integers(0, _POINTS, len(speed)))
        return point * _TIMES + which, speed

    return Blows(np.concatenate([struck, between]), choose)


def _slap(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Blows:
    """Beans on beans and on soft walls: the pulse's derivative by contact time, and its echoes in the vessel."""
    edges = _contact_edges(machine, 8) * 1.3
    size = scipy.fft.next_fast_len(int(0.005 * samplerate), real=True)
    f = scipy.fft.rfftfreq(size, 1 / samplerate)
    echoes = 1 + sum(
        float(rng.uniform(-0.5, 0.5)) * np.exp(-2j * np.pi * f * float(rng.uniform(0.0002, 0.0018))) for _ in range(4)
    )
    rows = [
        scipy.fft.irfft(2j * np.pi * f * pulse_spectrum(t, f) * np.exp(-2j * np.pi * f * 0.0004) * echoes, size)
        for t in np.sqrt(edges[:-1] * edges[1:])
    ]
    mass = machine.bean_g / 1000

    def choose(rng: np.random.Generator, speed: Doubles, modulus: Doubles) -> tuple[Rows, Doubles]:
        time = contact_time(*between_beans(mass, BEAN_RADIUS_M, modulus), speed)
        return np.clip(np.searchsorted(edges, time) - 1, 0, 7), speed * rng.choice([-1.0, 1.0], len(speed))

    return Blows(np.array(rows), choose)


def _ring(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Blows:
    """A few damped tones about one pitch, as of loose small parts."""
    centre = float(np.exp(rng.uniform(np.log(900), np.log(6_000))))
    decay = float(np.exp(rng.uniform(np.log(0.002), np.log(0.015))))
    t = np.arange(int(1.1 * decay * samplerate) + 32) / samplerate
    rows = np.zeros((_POOL, len(t)))
    for row in rows:
        for _ in range(int(rng.integers(3, 7))):
            frequency = min(centre * float(2 ** rng.uniform(-0.8, 0.8)), 0.45 * samplerate)
            own = decay * float(rng.uniform(0.4, 1.0))
            row += (
                rng.exponential() * np.exp(-6.91 * t / own) * np.sin(2 * np.pi * frequency * t + rng.uniform(0, 6.28))
            )
        row *= 1 - np.exp(-t / 0.00008)
    return _pool(rows)


def _rustle(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Blows:
    """Rubbing: noise that swells and fades, without any sudden edge."""
    slope = float(rng.uniform(0.0, 1.2))
    low, high = float(rng.uniform(300, 2_500)), float(rng.uniform(5_000, 16_000))
    longest = float(rng.uniform(0.004, 0.014))
    rows = np.zeros((_POOL, int(longest * samplerate) + 16))
    for row in rows:
        length = int(rng.uniform(0.5, 1.0) * longest * samplerate) + 8
        spectrum = scipy.fft.rfft(rng.standard_normal(len(row)))
        f = scipy.fft.rfftfreq(len(row), 1 / samplerate)
        spectrum *= (f + 100.0) ** -slope / np.sqrt((1 + (low / (f + 1)) ** 4) * (1 + (f / high) ** 4))
        row[:length] = scipy.fft.irfft(spectrum, len(row))[:length] * np.hanning(length)
    return _pool(rows)


def _scratch(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Blows:
    """A bean that slides over holes or wires: five to twenty-five catches in some milliseconds."""
    frequency = min(float(np.exp(rng.uniform(np.log(1_500), np.log(9_000)))), 0.44 * samplerate)
    gap = float(np.exp(rng.uniform(np.log(0.00015), np.log(0.0009))))
    tau = float(rng.uniform(0.00008, 0.0003))
    t = np.arange(int(0.0016 * samplerate)) / samplerate
    catch = np.exp(-t / tau) * np.sin(2 * np.pi * frequency * t)
    counts = rng.integers(5, 26, _POOL)
    rows = np.zeros((_POOL, int(min(float(counts.max()) * gap * 1.5, 0.015) * samplerate) + len(t) + 2))
    for row, count in zip(rows, counts.tolist(), strict=True):
        at = np.cumsum(rng.gamma(4, gap / 4, count))
        strength = np.sin(np.pi * (np.arange(count) + 0.5) / count) * rng.uniform(0.3, 1, count)
        index = (at * samplerate).astype(int)
        inside = index < len(row) - len(t)
        np.add.at(row, index[inside], strength[inside])
        row[:] = np.convolve(row, catch)[: len(row)]
    return _pool(rows)


def _thud(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Blows:
    """Beans that fall on a heap: a soft mass on a soft spring, with a little of the broadband edge."""
    rows = np.zeros((_POOL, int(0.018 * samplerate)))
    t = np.arange(rows.shape[1]) / samplerate
    low = float(rng.uniform(200, 900))
    edge = float(10 ** rng.uniform(-1.6, -0.7))
    for row in rows:
        tau = float(rng.uniform(0.0006, 0.0025))
        row += t / tau * np.exp(1 - t / tau) * np.sin(2 * np.pi * low * float(rng.uniform(0.7, 1.4)) * t)
        rough = rng.standard_normal(len(t)) * np.exp(-t / float(rng.uniform(0.0004, 0.0015)))
        row += edge * rough * (1 - np.exp(-t / 0.0003))
    return _pool(rows)


def _bounce(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Blows:
    """A hard kernel that bounces: two to five taps, each gap shorter by the coefficient of restitution."""
    rows = np.zeros((_POOL, int(0.020 * samplerate)))
    t = np.arange(rows.shape[1]) / samplerate
    width = float(rng.uniform(0.00004, 0.00012))
    body = min(float(np.exp(rng.uniform(np.log(2_000), np.log(10_000)))), 0.44 * samplerate)
    restitution = float(rng.uniform(0.3, 0.65))
    for row in rows:
        at, gap, strength = 0.0005, float(rng.uniform(0.0012, 0.007)), 1.0
        for _ in range(int(rng.integers(2, 6))):
            since = t - at
            row += strength * np.exp(-0.5 * (since / width) ** 2)
            ringing = np.exp(-np.maximum(since, 0) / 0.0003) * np.sin(2 * np.pi * body * since)
            row += 0.5 * strength * np.where(since > 0, ringing, 0.0)
            at, gap, strength = at + gap, gap * restitution, strength * restitution
    return _pool(rows)


def _grain(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Blows:
    """The loudest ten milliseconds of recorded knocks and clinks, pitched."""
    assert sounds is not None
    length = int(0.012 * samplerate)
    rows = np.zeros((_POOL, length))
    few = rng.integers(0, len(sounds.distractors), 3)
    speed = float(rng.uniform(0.7, 2.5))
    for row in rows:
        source = sounds.distractors[int(rng.choice(few))]
        row[:] = _cut(rng, source, sounds.samplerate / samplerate * speed * float(rng.uniform(0.85, 1.2)), length)
    return _pool(rows)


def _cut(rng: np.random.Generator, source: npt.NDArray[np.float32], step: float, length: int) -> Doubles:
    """A grain about one of the largest rises of a recording, read ``step`` of its samples at a time."""
    block = 64
    power = (source[: len(source) // block * block].astype(np.float64).reshape(-1, block) ** 2).sum(axis=1) + 1e-12
    rise = np.log(power[1:] + 1e-3 * power.max()) - np.log(power[:-1] + 1e-3 * power.max())
    if len(rise) == 0:
        return np.zeros(length)
    best = np.argsort(rise)[-5:]
    start = max(0.0, float(rng.choice(best)) * block)
    # read through a low-pass of its own length where it is sped up, or it would alias
    read = np.interp(start + step * np.arange(length), np.arange(len(source)), source, right=0.0)
    fade = np.minimum(1, np.arange(length) / (0.0006 * length / 0.012))
    fall = np.minimum(1, np.arange(length)[::-1] / (0.5 * length))
    return np.asarray(read * fade * fall, np.float64)


def _pool(rows: Doubles) -> Blows:
    """Each blow sounds one of the rows, whichever; all rows have the same energy."""
    rows = rows / np.maximum(np.sqrt((rows**2).sum(axis=1, keepdims=True)), 1e-12)

    def choose(rng: np.random.Generator, speed: Doubles, modulus: Doubles) -> tuple[Rows, Doubles]:
        return rng.integers(0, len(rows), len(speed)), speed

    return Blows(rows, choose)


def _contact_edges(machine: WideMachine, bins: int) -> Doubles:
    """Bounds of classes of contact time that hold nearly all blows of a roast, seconds."""
    mass, fastest = machine.bean_g / 1000, fall_speed(machine.fall_m)
    slow = machine.speed_mps * np.exp(-2 * machine.speed_spread)
    shortest = contact_time(mass, BEAN_RADIUS_M, machine.modulus_pa * machine.stiffening, np.array([fastest]))[0]
    longest = contact_time(*between_beans(mass, BEAN_RADIUS_M, machine.modulus_pa), np.array([slow]))[0]
    return np.geomspace(shortest, longest, bins + 1)


#: Ways to make a blow, by name.
BLOWS: dict[str, Generator] = {
    "hertz": _hertz,
    "slap": _slap,
    "ring": _ring,
    "rustle": _rustle,
    "scratch": _scratch,
    "thud": _thud,
    "bounce": _bounce,
    "grain": _grain,
}
