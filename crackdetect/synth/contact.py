"""A bean that strikes something: for how long it touches, and the force meanwhile, by Hertz's law.

Sources: K. L. Johnson, Contact Mechanics (1985), section 11.4, for the duration (from memory; the tests integrate the
equation of motion); the force's shape, a half sine to the power 1.5, follows from Hertz's force and a penetration that
is nearly a half sine (S. C. Hunter, J. Mech. Phys. Solids 5, 162, 1957, from memory).
"""

from __future__ import annotations

import numpy as np

from crackdetect.blocks import Doubles

#: A coffee bean weighs so much, grams (100 to 400 g of green coffee counted: common practice, no source).
BEAN_G = (0.13, 0.17)
#: Radius of its rounded back, metres (chosen: a bean is some 10 by 7 by 4 mm).
BEAN_RADIUS_M = 0.0042
#: Acceleration of free fall (CODATA, standard).
GRAVITY = 9.80665


def contact_time(mass_kg: Doubles | float, radius_m: float, modulus_pa: Doubles | float, speed_mps: Doubles) -> Doubles:
    """Seconds that two bodies touch: 2.87 (m^2 / (R E*^2 v))^(1/5).

    mass_kg, radius_m: reduced mass and radius of the pair (against a wall: the bean's own). modulus_pa: E*, of which
    the inverse is the sum of (1 - nu^2) / E over both. speed_mps: of approach.
    """
    return np.asarray(2.87 * (mass_kg**2 / (radius_m * modulus_pa**2 * speed_mps)) ** 0.2, np.float64)


def between_beans(mass_kg: float, radius_m: float, modulus_pa: Doubles | float) -> tuple[float, float, Doubles | float]:
    """The same three numbers for two equal beans: half the mass, half the radius, half the modulus."""
    return mass_kg / 2, radius_m / 2, modulus_pa / 2


def fall_speed(height_m: float) -> float:
    """Metres a second after a free fall: no bean is faster unless something throws it."""
    return float(np.sqrt(2 * GRAVITY * height_m))


def slowed(speed_mps: Doubles, fastest_mps: float) -> Doubles:
    """Speeds of a distribution that has no end, brought below the fastest there can be; the slow ones hardly change."""
    return np.asarray(speed_mps / np.sqrt(1 + (speed_mps / fastest_mps) ** 2), np.float64)


def pulse_spectrum(duration_s: float, frequencies: Doubles) -> Doubles:
    """Spectrum (real, 1 at 0 Hz) of a unit of momentum given as sin(pi t / T)^1.5, centred on its middle."""
    u = (np.arange(48) + 0.5) / 48
    weight = np.sin(np.pi * u) ** 1.5
    weight /= weight.sum()
    return np.asarray(np.cos(2 * np.pi * np.outer(frequencies, (u - 0.5) * duration_s)) @ weight, np.float64)
