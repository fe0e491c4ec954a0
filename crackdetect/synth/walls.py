"""What the beans strike: plates of metal or glass and wires, as the sum of their modes, with beans lying in them.

Sources: modal density of a thin plate and modes of a simply supported one, L. Cremer, M. Heckl & B. A. T. Petersson,
Structure-Borne Sound (2005), and of a clamped beam, R. D. Blevins, Formulas for Natural Frequency and Mode Shape (1979)
(both from memory); materials are handbook values (from memory). Sizes and losses are chosen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Doubles

#: Young's modulus (Pa), density (kg/m^3), Poisson's ratio.
MATERIALS: dict[str, tuple[float, float, float]] = {
    "steel": (200e9, 7850.0, 0.29),
    "aluminium": (69e9, 2700.0, 0.33),
    "glass": (64e9, 2230.0, 0.20),  # borosilicate
    "cast iron": (110e9, 7200.0, 0.26),
    "wire": (200e9, 7850.0, 0.29),
}
#: Roots of cos x cosh x = 1: a beam clamped at both ends.
_BEAM = (4.730, 7.853, 10.996, 14.137, 17.279, 20.420)
#: More modes than that are noise to any ear.
_MOST_MODES = 500
_SOUND = 343.0


@dataclass(frozen=True, slots=True)
class Wall:
    """What the beans strike.

    Attributes
    ----------
    material : str
        Of MATERIALS.
    thickness_m : float
        Of the plate, or a wire's diameter.
    width_m, height_m : float
        Of the plate; of a wire mesh the longest and the shortest wire.
    decay_s, decay_slope : float
        Time for 60 dB at 3 kHz with beans in it, seconds; it falls as f**-slope.
    perforated_hz : float
        Below it both sides of a perforated wall cancel, 0 = closed.
    """

    material: str
    thickness_m: float
    width_m: float
    height_m: float
    decay_s: float
    decay_slope: float
    perforated_hz: float = 0.0


def modal_density(wall: Wall) -> float:
    """Modes a hertz of a thin plate, the same at all frequencies: (S / h) sqrt(3 rho (1 - nu^2) / E)."""
    modulus, density, poisson = MATERIALS[wall.material]
    area = wall.width_m * wall.height_m
    return float(area / wall.thickness_m * np.sqrt(3 * density * (1 - poisson**2) / modulus))


def plate_modes(wall: Wall, highest_hz: float) -> tuple[Doubles, Doubles, Doubles]:
    """Frequencies of a simply supported plate's modes up to ``highest_hz``, and their two mode numbers."""
    modulus, density, poisson = MATERIALS[wall.material]
    bending = wall.thickness_m * np.sqrt(modulus / (12 * density * (1 - poisson**2)))
    factor = np.pi / 2 * bending
    most = np.sqrt(highest_hz / factor)
    m, n = np.meshgrid(
        np.arange(1, int(most * wall.width_m) + 2), np.arange(1, int(most * wall.height_m) + 2), indexing="ij"
    )
    frequency = factor * ((m / wall.width_m) ** 2 + (n / wall.height_m) ** 2)
    below = frequency < highest_hz
    return frequency[below].astype(np.float64), m[below].astype(np.float64), n[below].astype(np.float64)


def wall_responses(rng: np.random.Generator, wall: Wall, *, samplerate: int, points: int) -> Doubles:
    """Sound of a unit of momentum given to the wall at once, at ``points`` places: (points, samples), the largest 1.

    A mode answers as strongly as it moves at the place, and is heard as strongly as it radiates: below the critical
    frequency a plate radiates weakly, by the square root of f / fc in amplitude (chosen within what is measured).
    """
    top = min(0.46 * samplerate, 20_000.0)
    if wall.material == "wire":
        frequency, shape = _wires(rng, wall, top, points)
    else:
        frequency, m, n = plate_modes(wall, top)
        if len(frequency) > _MOST_MODES:
            kept = np.sort(rng.choice(len(frequency), _MOST_MODES, replace=False))
            frequency, m, n = frequency[kept], m[kept], n[kept]
        # a real shell is curved, riveted and dented: its modes lie about where the plate's are
        frequency = frequency * np.exp(rng.normal(0, 0.02, len(frequency)))
        x, y = rng.uniform(0.1, 0.9, (2, points, 1))
        shape = np.sin(np.pi * x * m) * np.sin(np.pi * y * n)
        modulus, density, _ = MATERIALS[wall.material]
        critical = _SOUND**2 / (1.8 * np.sqrt(modulus / density) * wall.thickness_m)
        shape = shape * np.sqrt(np.minimum(frequency / critical, 1.0))
    if wall.perforated_hz:
        ratio = frequency / wall.perforated_hz
        shape = shape * ratio / np.sqrt(1 + ratio**2)
    decay = wall.decay_s * (3_000 / frequency) ** wall.decay_slope
    decay = np.clip(decay, 0.004, 0.080)
    t = np.arange(int(min(0.7 * float(decay.max(initial=0.004)), 0.045) * samplerate)) / samplerate
    phase = rng.uniform(-0.3, 0.3, len(frequency))  # the way from each mode to the microphone differs a little
    modes = np.exp(-6.91 * t / decay[:, None]) * np.cos(2 * np.pi * frequency[:, None] * t + phase[:, None])
    out = np.asarray(shape @ modes, np.float64)
    out *= 1 - 0.999 * np.clip((t / t[-1] - 0.8) / 0.2, 0, 1)
    return out / max(float(np.abs(out).max()), 1e-12)


def _wires(rng: np.random.Generator, wall: Wall, top_hz: float, points: int) -> tuple[Doubles, Doubles]:
    """Wires clamped in a frame, each a beam of its own length: f = x^2 / (2 pi L^2) sqrt(E I / (rho A))."""
    modulus, density, _ = MATERIALS["wire"]
    lengths = np.exp(rng.uniform(np.log(wall.height_m), np.log(wall.width_m), 24))
    root = wall.thickness_m / 4 * np.sqrt(modulus / density)  # sqrt(E I / rho A) of a round wire
    frequency = (np.array(_BEAM) ** 2 / (2 * np.pi))[:, None] * root / lengths**2
    strength = rng.uniform(0.2, 1.0, (points, *frequency.shape)) * rng.choice([-1, 1], (points, *frequency.shape))
    near = rng.random((points, 1, len(lengths))) < 0.25  # a bean touches a few of them
    strength = strength * np.where(near, 1.0, 0.1)
    below = (frequency < top_hz) & (frequency > 60.0)
    if not below.any():
        below = frequency == frequency.min()
    return frequency[below], strength[:, below]
