"""From where something sounds to what the microphone gives: lid, cavity, room and microphone as one filter each.

Places: ``air`` and ``open`` within the vessel, its lid closed or open; ``struck`` and ``struck open`` on its wall;
``out`` on the machine's outside; ``far`` elsewhere in the kitchen; ``mic`` diffuse, which no room colours any more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.signal import sosfreqz

from crackdetect.blocks import Doubles
from crackdetect.synth.chain import microphone_sections
from crackdetect.synth.levels import IN_BAND_HZ
from crackdetect.synth.place import place_response
from crackdetect.synth.plan import Microphone
from crackdetect.synth.wide import WideMachine

Complexes = npt.NDArray[np.complex64]
_NEAR_STREAM, _FAR_STREAM = 46, 47
#: What of a response decides where a sound's peak lies and how high it is, s.
_EARLY_S = 0.030
#: No crack, blow or filter of the machine's is longer, s.
LONGEST_S = 0.050


@dataclass(frozen=True, slots=True, eq=False)
class _Spectra:
    """A filter over the long transform, and its first 60 ms over the short one."""

    whole: Complexes
    early: npt.NDArray[np.complex128]


class Paths:
    """The filters of a machine in its place, over transforms of ``size`` samples, a second of sound and its ends."""

    def __init__(self, machine: WideMachine, microphone: Microphone, *, samplerate: int) -> None:
        fs = samplerate
        near, far = (
            place_response(np.random.default_rng([machine.seed, stream]), machine.place, distance, samplerate=fs)
            for stream, distance in (
                (_NEAR_STREAM, machine.place.distance_m),
                (_FAR_STREAM, machine.place.kitchen_m),
            )
        )
        self.size = scipy.fft.next_fast_len(fs + len(near) + int(LONGEST_S * fs) + 4_096, real=True)
        self._short = scipy.fft.next_fast_len(int((2 * _EARLY_S + 2 * LONGEST_S) * fs), real=True)
        f = scipy.fft.rfftfreq(self.size, 1 / fs)
        self.frequencies = f
        self._band = (f >= IN_BAND_HZ[0]) & (f < IN_BAND_HZ[1])
        coarse = scipy.fft.rfftfreq(self._short, 1 / fs)
        self._short_band = (coarse >= IN_BAND_HZ[0]) & (coarse < IN_BAND_HZ[1])
        heard = sosfreqz(np.array(microphone_sections(microphone, fs)), f, fs=fs)[1]
        cavity = np.ones(len(f), complex)
        for frequency, quality, gain in machine.cavity:
            x = f / frequency
            cavity += gain * (1j * x / quality) / (1 - x**2 + 1j * x / quality)
        air, struck = (_lid(f, edge, machine.lid_leak) for edge in (machine.lid_air_hz, machine.lid_struck_hz))
        filters = {"air": cavity * air, "open": cavity, "struck": struck, "struck open": 1.0, "out": 1.0}
        self._spectra: dict[str, _Spectra] = {}
        for name, own in filters.items():
            self._spectra[name] = self._both(near, own * heard, int(_EARLY_S * fs))
        self._spectra["far"] = self._both(far, heard, int(_EARLY_S * fs))
        self._spectra["mic"] = self._both(np.ones(1), heard, 1)

    def _both(self, response: Doubles, own: npt.NDArray[np.complex128], early: int) -> _Spectra:
        whole = scipy.fft.rfft(response, self.size) * own
        start = scipy.fft.irfft(scipy.fft.rfft(response[:early], self.size) * own, self.size)[: 2 * early]
        return _Spectra(whole.astype(np.complex64), scipy.fft.rfft(start, self._short))

    def __getitem__(self, name: str) -> Complexes:
        return self._spectra[name].whole

    def heard(self, waves: Doubles, path: str) -> Doubles:
        """In-band waveforms as recorded, the first echoes included."""
        spectrum = scipy.fft.rfft(waves, self._short) * self._spectra[path].early
        return np.asarray(scipy.fft.irfft(np.where(self._short_band, spectrum, 0), self._short), np.float64)

    def energy(self, spectrum: npt.NDArray[np.complexfloating]) -> tuple[Doubles, Doubles]:
        """Sum of squares of a filter's response, in band and altogether (Parseval)."""
        power = np.abs(spectrum.astype(np.complex128)) ** 2 * (2 / self.size)
        return np.asarray((power * self._band).sum(axis=-1), np.float64), np.asarray(power.sum(axis=-1), np.float64)


def _lid(f: Doubles, edge_hz: float, leak: float) -> npt.NDArray[np.complex128]:
    """Two first-order low-passes, and what goes past the lid's rim."""
    if not edge_hz:
        return np.ones(len(f), np.complex128)
    return np.asarray(leak + (1 - leak) / (1 + 1j * f / edge_hz) ** 2, np.complex128)
