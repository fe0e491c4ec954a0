"""Where the machine and the microphone stand: images of the source in the walls, Sabine's tail, the table top.

Sources: image sources, J. B. Allen & D. A. Berkley, J. Acoust. Soc. Am. 65, 943, 1979; reverberation time
.161 V / (S alpha) and direct against reverberant sound, 20 lg(r_h / r) with r_h = .057 sqrt(V / RT), W. C. Sabine and
H. Kuttruff, Room Acoustics (both from memory). Sizes of kitchens and distances are chosen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Doubles

_SOUND = 343.0
#: Images up to so many reflections; what comes later is the tail.
_ORDER = 3
#: High tones decay sooner, low ones later: bounds (Hz) and factors of the reverberation time.
_BANDS = ((0.0, 700.0, 1.1), (700.0, 4_000.0, 1.0), (4_000.0, 24_000.0, 0.65))


@dataclass(frozen=True, slots=True)
class Place:
    """Where the machine and the microphone stand.

    Attributes
    ----------
    room_m : tuple of float
        Length, width, height, m.
    rt60_s : float
        Reverberation time at 1 to 4 kHz, seconds.
    distance_m, kitchen_m : float
        Machine to microphone, and to where the rest of the kitchen sounds.
    table, table_m : float
        Strength of the reflection off the table, 0 to 1, and how much longer its way is.
    """

    room_m: tuple[float, float, float] = (3.5, 2.8, 2.5)
    rt60_s: float = 0.4
    distance_m: float = 0.6
    kitchen_m: float = 1.8
    table: float = 0.6
    table_m: float = 0.08

    @property
    def absorption(self) -> float:
        """Sabine's mean coefficient."""
        length, width, height = self.room_m
        surface = 2 * (length * width + length * height + width * height)
        return float(min(0.161 * length * width * height / (surface * self.rt60_s), 0.95))

    def direct_db(self, distance_m: float) -> float:
        """Direct sound against all reverberation."""
        length, width, height = self.room_m
        return float(20 * np.log10(0.057 * np.sqrt(length * width * height / self.rt60_s) / distance_m))


def place_response(rng: np.random.Generator, place: Place, distance_m: float, *, samplerate: int) -> Doubles:
    """Impulse response over ``distance_m``, the direct sound first and of height 1."""
    room = np.array(place.room_m)
    microphone = np.array([rng.uniform(0.2, 0.8) * room[0], rng.uniform(0.2, 0.8) * room[1], rng.uniform(0.75, 1.1)])
    for _ in range(200):
        angle = float(rng.uniform(0, 2 * np.pi))
        away = np.array([np.cos(angle), np.sin(angle), float(rng.uniform(-0.1, 0.25))])
        source = microphone + distance_m * away / np.linalg.norm(away)
        if (source > 0.1).all() and (source < room - 0.1).all():
            break
    source = np.clip(source, 0.1, room - 0.1)
    length = max(int(0.02 * samplerate), int(0.75 * place.rt60_s * samplerate))  # cut 45 dB down
    out = np.zeros(length)
    direct = float(np.linalg.norm(source - microphone))
    reflected = float(np.sqrt(1 - place.absorption))
    # images: room by room away, mirrored in odd ones
    index = np.stack(np.meshgrid(*[np.arange(-_ORDER, _ORDER + 1)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    order = np.abs(index).sum(axis=1)
    index, order = index[(order > 0) & (order <= _ORDER)], order[(order > 0) & (order <= _ORDER)]
    images = np.where(index % 2 == 0, index * room + source, (index + 1) * room - source)
    way = np.linalg.norm(images - microphone, axis=1)
    strength = direct / way * reflected**order * rng.choice([1.0, 1.0, 1.0, 0.6], len(way))  # not all walls are bare
    _tap(out, (way - direct) / _SOUND * samplerate, strength)
    _tap(out, np.array([place.table_m / _SOUND * samplerate]), np.array([place.table]))
    out += _tail(
        rng, place, length, samplerate, energy=10 ** (-place.direct_db(direct) / 10), images=float((out**2).sum())
    )
    out[0] += 1.0
    return out


def _tap(out: Doubles, at: Doubles, strength: Doubles) -> None:
    """Adds pulses at fractions of samples, shared by the two beside."""
    whole = np.floor(at).astype(int)
    share = at - whole
    for index, part in ((whole, 1 - share), (whole + 1, share)):
        inside = (index >= 0) & (index < len(out))
        np.add.at(out, index[inside], (strength * part)[inside])


def _tail(
    rng: np.random.Generator, place: Place, length: int, samplerate: int, *, energy: float, images: float
) -> Doubles:
    """Noise that decays by 60 dB in its time, of what energy the images have not."""
    t = np.arange(length) / samplerate
    f = np.fft.rfftfreq(length, 1 / samplerate)
    spectrum = np.fft.rfft(rng.standard_normal(length))
    tail = np.zeros(length)
    for low, high, factor in _BANDS:
        part = np.fft.irfft(np.where((f >= low) & (f < high), spectrum, 0), length)
        tail += part * np.exp(-6.91 * t / (factor * place.rt60_s))
    tail *= 1 - np.exp(-((t / 0.012) ** 2))  # the images are early, the tail grows dense
    scale = np.sqrt(max(energy - images, 0.2 * energy) / float((tail**2).sum()))
    return np.asarray(tail * scale, np.float64)
