"""What one crack sounds like before the lid and the room: ways of making it that share nothing.

A generator draws the voice that all cracks of a batch have on a machine; the voice then gives one crack after another,
each a little different. ``pitch`` is 1 for first crack and above for second, which is higher and shorter (Wilson 2014).
A crack is a sudden release of vapour, as popcorn's pop (Virot & Ponomarenko, J. R. Soc. Interface 12, 20141247, 2015);
a pulse of .1 to .6 ms, broadband, over in some milliseconds. All shapes and numbers are chosen.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.fft

from crackdetect.blocks import Doubles
from crackdetect.synth.chance import log_uniform
from crackdetect.synth.cracks import first_crack
from crackdetect.synth.plan import Colour
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.walls import wall_responses
from crackdetect.synth.wide import WideMachine

#: One crack: a generator of chance and a pitch; samples from its begin, at most 50 ms, of any scale.
Voice = Callable[[np.random.Generator, float], Doubles]
Generator = Callable[[np.random.Generator, WideMachine, int, "SoundBank | None"], Voice]


def _time(length_s: float, samplerate: int) -> Doubles:
    return np.arange(int(length_s * samplerate)) / samplerate


def _modes(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Voice:
    """Sums of damped tones with a little noise, as the narrow family has."""
    centre, decay = log_uniform(rng, 700, 5_000), log_uniform(rng, 0.0006, 0.004)
    spread, noise = float(rng.uniform(0.4, 1.4)), float(rng.uniform(0.0, 0.8))

    def voice(rng: np.random.Generator, pitch: float) -> Doubles:
        colour = Colour(centre * pitch, spread, decay / np.sqrt(pitch), noise, doubles=0.0)
        return first_crack(rng, samplerate=samplerate, colour=colour)

    return voice


def _noise(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Voice:
    """A burst of band-passed noise, its envelope t^a exp(-t / tau)."""
    centre, octaves = log_uniform(rng, 1_200, 6_000), float(rng.uniform(0.7, 2.5))
    tau, power = log_uniform(rng, 0.0004, 0.003), float(rng.uniform(0.1, 1.0))

    def voice(rng: np.random.Generator, pitch: float) -> Doubles:
        own = tau / np.sqrt(pitch) * float(np.exp(rng.normal(0, 0.25)))
        t = _time(min(9 * own + 0.002, 0.03), samplerate)
        middle = min(centre * pitch * float(2 ** rng.normal(0, 0.25)), 11_000.0, 0.4 * samplerate)
        spectrum = scipy.fft.rfft(rng.standard_normal(len(t)))
        f = scipy.fft.rfftfreq(len(t), 1 / samplerate)
        spectrum *= np.exp(-0.5 * (np.log2((f + 1) / middle) / (octaves / 2)) ** 2)
        return np.asarray(scipy.fft.irfft(spectrum, len(t)) * (t / own) ** power * np.exp(-t / own), np.float64)

    return voice


def _recoil(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Voice:
    """The bursting bean kicks the wall it lies on: a force that rises at once and leaks away, on the wall's modes."""
    walls = wall_responses(rng, machine.wall, samplerate=samplerate, points=6)
    rise, leak = log_uniform(rng, 0.00001, 0.00006), log_uniform(rng, 0.0001, 0.0006)
    direct = float(rng.uniform(0.0, 0.8))

    def voice(rng: np.random.Generator, pitch: float) -> Doubles:
        t = _time(0.003, samplerate)
        own = leak / pitch * float(np.exp(rng.normal(0, 0.3)))
        force = np.exp(-t / own) - np.exp(-t / min(rise, own / 2))
        force /= np.abs(force).sum()
        wave = np.convolve(walls[int(rng.integers(len(walls)))], force)
        gas = np.diff(force, prepend=0.0)
        wave[: len(gas)] += direct * gas * float(np.abs(wave).max()) / max(float(np.abs(gas).max()), 1e-12)
        return np.asarray(wave, np.float64)

    return voice


def _shell(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Voice:
    """A pulse of .1 to .6 ms through the resonances of a shell and of the air in it."""
    width = log_uniform(rng, 0.0001, 0.0006)
    tones = [(log_uniform(rng, 500, 9_000), float(rng.uniform(2, 14)), float(rng.uniform(0.2, 1.0))) for _ in range(5)]

    def voice(rng: np.random.Generator, pitch: float) -> Doubles:
        size = scipy.fft.next_fast_len(int(0.03 * samplerate), real=True)
        t = np.arange(size) / samplerate
        own = width / pitch * float(np.exp(rng.normal(0, 0.25)))
        pulse = np.where(t < own, np.sin(np.pi * t / own) ** 2, 0.0)
        pulse[0] += 1e-9
        f = scipy.fft.rfftfreq(size, 1 / samplerate)
        through = np.full(len(f), 0.3 + 0j)
        for frequency, quality, gain in tones:
            x = f / (frequency * float(np.exp(rng.normal(0, 0.03))))
            through += gain * float(rng.uniform(0.4, 1.0)) * (1j * x / quality) / (1 - x**2 + 1j * x / quality)
        through *= 1j * f / (1j * f + 300.0)  # a pulse of pressure has no mean
        return np.asarray(scipy.fft.irfft(scipy.fft.rfft(pulse) * through, size), np.float64)

    return voice


def _dipole(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Voice:
    """A sharp pulse to both sides: first or second derivative of a Gaussian, and its reflection off something near."""
    width, order = log_uniform(rng, 0.00003, 0.00016), int(rng.integers(1, 3))
    echo, delay = float(rng.uniform(-0.6, 0.6)), float(rng.uniform(0.0002, 0.0012))

    def voice(rng: np.random.Generator, pitch: float) -> Doubles:
        own = width / np.sqrt(pitch) * float(np.exp(rng.normal(0, 0.2)))
        t = _time(0.008, samplerate)
        wave = np.zeros(len(t))
        for at, strength in ((0.001, 1.0), (0.001 + delay * float(rng.uniform(0.7, 1.4)), echo)):
            u = (t - at) / own
            wave += strength * (-u if order == 1 else u**2 - 1) * np.exp(-0.5 * u**2)
        return np.asarray(wave * rng.choice([-1.0, 1.0]), np.float64)

    return voice


def _dull(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Voice:
    """A pop from under the beans and behind the lid: what is left is below some kilohertz."""
    edge, tau = log_uniform(rng, 1_200, 3_200), log_uniform(rng, 0.0008, 0.004)
    steep, rough = int(rng.integers(1, 3)), float(rng.uniform(0.1, 0.6))

    def voice(rng: np.random.Generator, pitch: float) -> Doubles:
        own = tau / pitch * float(np.exp(rng.normal(0, 0.3)))
        size = scipy.fft.next_fast_len(int(0.03 * samplerate), real=True)
        t = np.arange(size) / samplerate
        source = np.exp(-t / own) * (
            np.cos(2 * np.pi * edge * pitch * float(rng.uniform(0.6, 1.2)) * t) + rough * rng.standard_normal(size)
        )
        f = scipy.fft.rfftfreq(size, 1 / samplerate)
        through = 1 / (1 + 1j * f / (edge * pitch * float(np.exp(rng.normal(0, 0.15))))) ** steep
        return np.asarray(scipy.fft.irfft(scipy.fft.rfft(source) * through, size), np.float64)

    return voice


def _micro(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Voice:
    """A fracture that runs in steps: two to eight tiny pulses within one or two milliseconds."""
    few, span = int(rng.integers(2, 6)), float(rng.uniform(0.0008, 0.0022))
    body, tau = log_uniform(rng, 2_500, 9_000), log_uniform(rng, 0.00006, 0.0003)

    def voice(rng: np.random.Generator, pitch: float) -> Doubles:
        t = _time(0.012, samplerate)
        wave = np.zeros(len(t))
        for at in rng.uniform(0, span, int(rng.integers(few, 9))).tolist():
            since = t - 0.0003 - at
            frequency = min(body * pitch * float(np.exp(rng.normal(0, 0.2))), 0.44 * samplerate)
            grown = -np.expm1(-np.maximum(since, 0) / 0.00003)
            tick = np.exp(-np.maximum(since, 0) / tau) * np.cos(2 * np.pi * frequency * since)
            strength = float(rng.pareto(1.5)) + 0.3  # many small steps, a few large ones
            wave += np.where(since > 0, strength * rng.choice([-1, 1]) * tick * grown, 0.0)
        return wave

    return voice


def _jet(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Voice:
    """Vapour: a blast wave as behind any small explosion, (1 - t / T) exp(-t / T) (Friedlander 1946), then a hiss."""
    width, hiss = log_uniform(rng, 0.00008, 0.0005), float(rng.uniform(0.1, 0.9))
    tau, low = log_uniform(rng, 0.001, 0.006), log_uniform(rng, 1_500, 6_000)

    def voice(rng: np.random.Generator, pitch: float) -> Doubles:
        own = width / pitch * float(np.exp(rng.normal(0, 0.3)))
        t = _time(0.035, samplerate)
        blast = (1 - t / own) * np.exp(-t / own) * -np.expm1(-t / (0.1 * own))
        spectrum = scipy.fft.rfft(rng.standard_normal(len(t)))
        f = scipy.fft.rfftfreq(len(t), 1 / samplerate)
        x = f / min(low * pitch, 0.3 * samplerate)
        spectrum *= x**2 / (1 + x**3)
        leaving = scipy.fft.irfft(spectrum, len(t)) * t / tau * np.exp(1 - t / (tau / pitch))
        share = hiss * float(np.exp(rng.normal(0, 0.4)))
        blast /= max(float(np.abs(blast).max()), 1e-12)
        return np.asarray(blast + share * leaving / max(float(np.abs(leaving).max()), 1e-12), np.float64)

    return voice


def _grain(rng: np.random.Generator, machine: WideMachine, samplerate: int, sounds: SoundBank | None) -> Voice:
    """Recorded snaps, pops and crackles of one recording if it has enough, pitched."""
    from scipy.signal import resample

    assert sounds is not None
    classes = list(sounds.cracks.values())
    recordings = classes[int(rng.integers(len(classes)))]
    alike = recordings[int(rng.integers(len(recordings)))]
    if len(alike) < 8:
        alike = tuple(snippet for recording in recordings for snippet in recording)
    speed = float(np.exp(rng.uniform(np.log(0.75), np.log(1.5))))

    def voice(rng: np.random.Generator, pitch: float) -> Doubles:
        snippet = alike[int(rng.integers(len(alike)))][: int(0.06 * sounds.samplerate)]
        own = speed * pitch**0.6 * float(rng.uniform(0.9, 1.1))
        length = max(16, int(len(snippet) * samplerate / sounds.samplerate / own))
        wave = np.asarray(resample(snippet.astype(np.float64), length), np.float64)[: int(0.045 * samplerate)]
        return wave * np.minimum(1, np.arange(len(wave))[::-1] / (0.005 * samplerate))

    return voice


#: Ways to make a crack, by name.
CRACKS: dict[str, Generator] = {
    "modes": _modes,
    "noise": _noise,
    "recoil": _recoil,
    "shell": _shell,
    "dipole": _dipole,
    "dull": _dull,
    "micro": _micro,
    "jet": _jet,
    "grain": _grain,
}


def doubled(rng: np.random.Generator, wave: Doubles, voice: Voice, pitch: float, samplerate: int) -> Doubles:
    """A crack after a crack of the same bean, 2 to 20 ms later, hardly weaker: one crack to whoever counts."""
    delay = int(rng.uniform(0.002, 0.020) * samplerate)
    again = voice(rng, pitch)
    scale = float(10 ** (rng.uniform(-8, -1) / 20)) * float(np.abs(wave).max()) / max(float(np.abs(again).max()), 1e-12)
    out = np.zeros(max(len(wave), delay + len(again)))
    out[: len(wave)] += wave
    out[delay : delay + len(again)] += scale * again
    return out
