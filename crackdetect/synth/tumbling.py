"""When beans strike something, how fast, and which waveform each blow has: thousands a second, never one by one.

A rate of blows that swings with the machine (gusts off a drum's vanes, a hand that stirs, or evenly in a fluid bed),
Poisson within it; speeds log-normal, bent below that of free fall; beans that stiffen as they dry.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Doubles
from crackdetect.synth.air import CONTROL
from crackdetect.synth.blows import BLOWS
from crackdetect.synth.contact import fall_speed, slowed
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.wide import WideMachine

_ROWS_STREAM, _GUSTS_STREAM = 45, 49
#: Beans pour in and out for so long, so many times as many blows, each so many times as hard.
_POUR_S, _POUR_MORE, _POUR_HARDER = 2.5, 3.0, 2.0


class Tumbling:
    """The beans of one roast in a machine, from ``charge_s`` to ``drop_s``, their blows louder by ``drift_db`` at last.

    waveforms: float64 (rows, samples), the ways in which a blow of this machine can sound.
    """

    def __init__(
        self,
        machine: WideMachine,
        sounds: SoundBank | None,
        *,
        samplerate: int,
        charge_s: float,
        drop_s: float,
        drift_db: float = 0.0,
    ) -> None:
        self._machine, self._charge_s, self._drop_s, self._drift_db = machine, charge_s, drop_s, drift_db
        names = (machine.blow, machine.second_blow) if machine.second_blow else (machine.blow,)
        self._ways = [
            BLOWS[name](np.random.default_rng([machine.seed, _ROWS_STREAM, i]), machine, samplerate, sounds)
            for i, name in enumerate(names)
        ]
        # waveforms of two ways have no scale in common: a blow of one is made as strong as one of the other
        self._scales = [1 / float(np.median(np.sqrt((way.waveforms**2).sum(axis=1)))) for way in self._ways]
        parts = [way.waveforms for way in self._ways]
        self.waveforms = np.zeros((sum(len(p) for p in parts), max(p.shape[1] for p in parts)))
        first = 0
        for part in parts:
            self.waveforms[first : first + len(part), : part.shape[1]] = part
            first += len(part)
        self._phases = np.random.default_rng([machine.seed, _GUSTS_STREAM]).uniform(0, 2 * np.pi, 4)
        self._mean_gust = 1.0
        self._mean_gust = float(self.gusts(np.arange(0, 600, 0.05)).mean())

    def gusts(self, time_s: Doubles) -> Doubles:
        """Swing of the blows' rate about its mean, 1."""
        machine = self._machine
        if machine.gusts == "none":
            return np.ones_like(time_s)
        a, b, c, d = self._phases
        turn = 2 * np.pi * time_s / machine.turn_s
        if machine.gusts == "turn":
            # beans slide off each vane together: a raised cosine squared
            gust = 1 - machine.gust_depth + machine.gust_depth * (0.5 + 0.5 * np.cos(machine.vanes * turn + a)) ** 2
        else:
            # a hand: strokes that come and go, no two alike
            stroke = np.cos(turn + 1.5 * np.sin(0.23 * turn + a) + 1.1 * np.sin(0.61 * turn + b))
            pause = np.sin(0.071 * turn + c) + np.sin(0.043 * turn + d)
            gust = np.exp(machine.gust_depth * (1.2 * stroke + 0.8 * pause))
        return np.asarray(gust / self._mean_gust, np.float64)

    def instants(self, rng: np.random.Generator, second: int) -> tuple[Doubles, Doubles]:
        """Times (s) of the blows within a second of the recording, and how many times as hard each is (in a pour)."""
        t = second + (np.arange(CONTROL) + 0.5) / CONTROL
        pouring = (t >= self._charge_s) & (t < self._charge_s + _POUR_S)
        pouring |= (t >= self._drop_s) & (t < self._drop_s + _POUR_S)
        roasting = (t >= self._charge_s) & (t < self._drop_s)
        rate = self._machine.blows_per_second * np.where(pouring, _POUR_MORE, self.gusts(t) * roasting)
        bins = np.repeat(np.arange(CONTROL), rng.poisson(rate / CONTROL))
        times = second + (bins + rng.random(len(bins))) / CONTROL
        return times, np.where(pouring, _POUR_HARDER, 1.0)[bins]

    def drawn(self, rng: np.random.Generator, progress: Doubles) -> tuple[npt.NDArray[np.intp], Doubles]:
        """Row of the waveform and amplitude of blows, each at its share of the roast (0 to 1)."""
        machine, count = self._machine, len(progress)
        speed = machine.speed_mps * np.exp(machine.speed_spread * rng.standard_normal(count))
        speed = slowed(speed, fall_speed(machine.fall_m))
        modulus = machine.modulus_pa * machine.stiffening**progress
        row, amplitude = np.zeros(count, np.intp), np.zeros(count)
        way_of = (rng.random(count) < machine.second_share).astype(int)
        first = 0
        for i, way in enumerate(self._ways):
            own = np.flatnonzero(way_of == i)
            chosen, strength = way.choose(rng, speed[own], modulus[own])
            row[own], amplitude[own] = chosen + first, strength * self._scales[i]
            first += len(way.waveforms)
        return row, amplitude * 10 ** (self._drift_db * (progress - 0.5) / 20)
