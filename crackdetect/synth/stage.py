"""Sounds a roast of the wide family, a second at a time: blows, cracks, air and parts through lid, room, microphone.

All that happens in a second is laid into a few rows of samples, and each row goes through one filter, from where it
sounds to what the microphone gives: one transform of all rows together, one back. Levels are known beforehand, by
Campbell's theorem (the rms of a shot noise of rate r is sqrt(r E[a^2] integral h^2); N. R. Campbell, Proc. Camb. Phil.
Soc. 15, 117, 1909, from memory), so that the truth needs no rendering. The unit is the machine's in-band rms before any
change of its air.
"""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt
import scipy.fft

from crackdetect.blocks import Doubles, Floats
from crackdetect.synth.air import CONTROL, Tones, flicker, hiss_taps, hood_gain, step_gain
from crackdetect.synth.machine import bed_loop
from crackdetect.synth.mechanism import INSIDE, specimens, uttered
from crackdetect.synth.paths import Complexes, Paths
from crackdetect.synth.placing import Sound, kitchen_sound, mix
from crackdetect.synth.plan import RoastPlan
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.tumbling import Tumbling
from crackdetect.synth.voices import CRACKS, doubled
from crackdetect.synth.wide import Hiss, Wide

#: Streams of chance: of a machine, then of a roast.
_VOICE, _HOOD, _PROBE, _LOOP = 44, 48, 74, 75
_CRACK, _BLOW, _WHITE = 71, 72, 73
#: So many blows stand for all when levels are reckoned.
_PROBED = 8_000
#: A crack is placed by its peak, so one may begin in the second before; no crack is longer before its peak, s.
_BEFORE_S = 0.06


class Stage:
    """plan: one with ``wide``. sounds: needed by families of recorded sounds.

    ``schedule`` first, then ``cell(j)`` for j = 0, 1, 2 ... whole_rms: of all that is steady, at all frequencies.
    """

    def __init__(self, plan: RoastPlan, sounds: SoundBank | None) -> None:
        assert plan.wide is not None
        self._plan, self._wide, self._sounds = plan, plan.wide, sounds
        self._machine = machine = plan.wide.machine
        self._fs = fs = plan.samplerate
        # a recording that begins or ends amid a roast has its beans in it all the time
        charge_s = plan.charge_s if plan.charge_s is not None else -1e9
        drop_s = plan.drop_s if plan.drop_s is not None else 1e9
        self._start_s, self._end_s = max(charge_s, 0.0), min(drop_s, plan.duration_s)
        self._tumbling = None
        if plan.wide.beans:
            self._tumbling = Tumbling(
                machine, sounds, samplerate=fs, charge_s=charge_s, drop_s=drop_s, drift_db=plan.wide.blow_drift_db
            )
        self._voice = CRACKS[machine.crack](self._chance(_VOICE), machine, fs, sounds)
        self._paths = Paths(machine, plan.microphone, samplerate=fs)
        self._levels()
        self._tail = np.zeros(self._paths.size - fs, np.float32)
        self._tones = Tones(machine, fs)
        self._samples = np.arange(fs) * (CONTROL / fs)
        self._parts = deque(
            uttered(plan.wide, seed=plan.seed, duration_s=plan.duration_s, charge_s=self._start_s, drop_s=drop_s)
        )
        self._specimens: dict[str, list[Doubles]] = {}
        self._pending: dict[str, list[tuple[int, Doubles]]] = {"air": [], "open": [], "out": [], "far": []}
        self._cracks: deque[Sound] = deque()
        self._others: deque[Sound] = deque()

    def _chance(self, *stream: int) -> np.random.Generator:
        """Of the machine."""
        return np.random.default_rng([self._machine.seed, *stream])

    # -- levels ---------------------------------------------------------------------------------------------

    def _levels(self) -> None:
        plan, machine, paths = self._plan, self._machine, self._paths
        #: Peak of a median first crack.
        self._crack = 10 ** ((plan.snr_low_db + plan.snr_high_db) / 40)
        blows_whole = self._blow_levels() if self._tumbling is not None else self._no_blows()
        #: In-band rms of the air at first.
        self.air_rms = float(np.sqrt(1 - self.blows_rms**2))
        steady = self._hiss_levels()
        heard = np.abs(paths["mic"])
        tones = sum(
            10 ** (tone.level_db / 10) * float(np.interp(tone.hz, paths.frequencies, heard)) ** 2
            for tone in machine.tones
        )
        self.whole_rms = float(np.sqrt(self.air_rms**2 * (steady + tones) + blows_whole))
        opened = [float(paths.energy(paths[name])[0]) for name in ("open", "air", "struck open", "struck")]
        self._open_crack_db = float(10 * np.log10(opened[0] / opened[1]))
        self._open_blows = opened[2] / opened[3]

    def _no_blows(self) -> float:
        self.blows_rms, self._blow_gain, self._course = 0.0, 0.0, np.zeros(8)
        return 0.0

    def _blow_levels(self) -> float:
        """Sets the blows' gain and in-band rms; returns their power at all frequencies."""
        assert self._tumbling is not None
        wide, paths = self._wide, self._paths
        waveforms = self._tumbling.waveforms
        self._kernels: Complexes = scipy.fft.rfft(waveforms.astype(np.float32), paths.size, axis=1)
        # blows from all of a roast, in order of time
        row, amplitude = self._tumbling.drawn(self._chance(_PROBE), np.linspace(0, 1, _PROBED))
        peaks = np.abs(paths.heard(waveforms, "struck")).max(axis=1)
        band, whole = paths.energy(self._kernels * paths["struck"])
        per_sample = self._machine.blows_per_second / self._fs
        power = per_sample * amplitude**2 * band[row]
        rms = float(np.sqrt(power.mean()))
        #: Share of the blows' power at the middles of eight parts of the roast.
        self._course = power.reshape(8, -1).mean(axis=1) / rms**2
        median = float(np.median(np.abs(amplitude) * peaks[row]))
        wanted = self._crack * 10 ** (-wide.blow_below_db / 20) / median
        self._blow_gain = min(wanted, wide.blow_share / rms)
        #: In-band rms of the blows, lid closed.
        self.blows_rms = self._blow_gain * rms
        return float(self._blow_gain**2 * per_sample * np.mean(amplitude**2 * whole[row]))

    def _hiss_levels(self) -> float:
        """Makes the filters of the noises, each of in-band rms 1; returns the power of the first at all frequencies.

        Of steady noise a room only changes the colour, so it is recorded through the microphone alone.
        """
        machine, paths, fs = self._machine, self._paths, self._fs
        pitch = self._chance(_HOOD)
        hood = Hiss("hood", float(pitch.uniform(150, 900)), 0.8, 0.9, 0.0)
        cooling = Hiss("cooling", float(pitch.uniform(300, 3_000)), 0.7, 0.8, 0.0)
        self._hisses: dict[str, Complexes] = {}
        steady = 1.0
        for name, hisses, bumps in (
            ("hood", (hood,), ()), ("cooling", (cooling,), ()), ("machine", machine.hisses, machine.bumps),
        ):  # fmt: skip
            spectrum = scipy.fft.rfft(hiss_taps(hisses, bumps, fs), paths.size) * paths["mic"]
            band, whole = paths.energy(spectrum)
            self._hisses[name] = (spectrum / np.sqrt(band)).astype(np.complex64)
            steady = float(whole / band)
        self._loop: Floats | None = None
        if machine.kind == "recorded bed" and self._sounds is not None:
            beds = self._sounds.beds
            which = int(self._chance(_LOOP).integers(len(beds)))
            loop = bed_loop(beds[which], self._sounds.samplerate, fs, self._chance(_LOOP, 1))
            part = loop[: paths.size].astype(np.float64)
            band, whole = paths.energy(scipy.fft.rfft(part, paths.size) * paths["mic"])
            self._loop = (loop * np.sqrt(len(part) / band)).astype(np.float32)
            steady = float(whole / band)
        return steady

    def crack_db(self, sound: Sound) -> float:
        """Peak of a crack over the in-band noise of its moment, dB."""
        t = np.array([sound.at / self._fs])
        opened = bool(self._opened(t)[0])
        course = float(np.interp(self._progress(t)[0] * 8 - 0.5, np.arange(8), self._course))
        blows = self.blows_rms**2 * course * (self._open_blows if opened else 1.0)
        noise = np.sqrt((self.air_rms * step_gain(self._wide, t)[0]) ** 2 + blows + hood_gain(self._wide, t)[0] ** 2)
        return float(sound.level_db + (self._open_crack_db if opened else 0.0) - 20 * np.log10(noise))

    def _progress(self, time_s: Doubles) -> Doubles:
        """Share of the roast that is over, 0 to 1."""
        return np.clip((time_s - self._start_s) / max(self._end_s - self._start_s, 1.0), 0, 1)

    def _opened(self, time_s: Doubles) -> npt.NDArray[np.bool_]:
        """Whether the lid is open."""
        opened = np.zeros(len(time_s), bool)
        for start, end in self._wide.lid_open:
            opened |= (time_s >= start) & (time_s < end)
        return opened

    # -- samples --------------------------------------------------------------------------------------------

    def schedule(self, cracks: list[Sound], others: list[Sound]) -> None:
        """Cracks (by their peak) and sounds of the kitchen (by their begin), in order of time."""
        self._cracks, self._others = deque(cracks), deque(others)

    def cell(self, j: int) -> Doubles:
        """Second j, before gain control, in-band rms of the machine about 1."""
        rows = self._events(j) + self._air(j)
        spectra = scipy.fft.rfft(np.stack([row for row, _ in rows]), self._paths.size, axis=1)
        whole = np.zeros(spectra.shape[1], np.complex64)
        for spectrum, (_, through) in zip(spectra, rows, strict=True):
            whole += spectrum * through
        for path, trains in self._trains(j).items():
            spectra = scipy.fft.rfft(trains, self._paths.size, axis=1)
            whole += np.einsum("rb,rb->b", spectra, self._kernels) * self._paths[path]
        out = scipy.fft.irfft(whole, self._paths.size)
        out[: len(self._tail)] += self._tail
        self._tail = out[self._fs :].copy()
        return np.asarray(out[: self._fs], np.float64)

    def _air(self, j: int) -> list[tuple[Floats, Complexes]]:
        """Rows of the second's noises and tones, and their filters."""
        plan, fs = self._plan, self._fs
        grid = j + np.arange(CONTROL + 1) / CONTROL
        cooling = np.zeros(len(grid)) if plan.drop_s is None else np.clip((grid - plan.drop_s) / 1.5, 0, 1)
        swing = flicker(self._machine, grid) * self.air_rms
        gain = swing * step_gain(self._wide, grid) * np.sqrt(1 - cooling)
        rng = np.random.default_rng([plan.seed, _WHITE, j])
        rows = [(self._tones.cell(j) * self._curve(self.air_rms * (1 - cooling)), self._paths["mic"])]
        if self._loop is None:
            rows.append((self._white(rng, gain), self._hisses["machine"]))
        else:
            index = (j * fs + np.arange(fs)) % len(self._loop)
            rows.append((self._loop[index] * self._curve(gain), self._paths["mic"]))
        if cooling.any():
            louder = 10 ** (self._machine.cooling_db / 20)
            rows.append((self._white(rng, swing * louder * np.sqrt(cooling)), self._hisses["cooling"]))
        hood = hood_gain(self._wide, grid)
        if hood.any():
            rows.append((self._white(rng, hood), self._hisses["hood"]))
        return rows

    def _curve(self, control: Doubles) -> Floats:
        return np.asarray(np.interp(self._samples, np.arange(len(control)), control), np.float32)

    def _white(self, rng: np.random.Generator, gain: Doubles) -> Floats:
        return np.asarray(rng.standard_normal(self._fs, np.float32) * self._curve(gain), np.float32)

    def _trains(self, j: int) -> dict[str, Floats]:
        """Impulses of the second's blows, by path: (waveforms, samples)."""
        if self._tumbling is None:
            return {}
        fs = self._fs
        rng = np.random.default_rng([self._plan.seed, _BLOW, j])
        times, harder = self._tumbling.instants(rng, j)
        row, amplitude = self._tumbling.drawn(rng, self._progress(times))
        strength = (amplitude * harder * self._blow_gain).astype(np.float32)
        index = row * fs + np.minimum(((times - j) * fs).astype(np.intp), fs - 1)
        opened = self._opened(times)
        found = {}
        for path, which in (("struck", ~opened), ("struck open", opened)):
            if which.any():
                trains = np.zeros(len(self._kernels) * fs, np.float32)
                np.add.at(trains, index[which], strength[which])
                found[path] = trains.reshape(-1, fs)
        return found

    def _events(self, j: int) -> list[tuple[Floats, Complexes]]:
        """Rows of the second's cracks, parts and kitchen, by where they sound, and their filters."""
        fs = self._fs
        start, end = j * fs, (j + 1) * fs
        while self._cracks and self._cracks[0].at - int(_BEFORE_S * fs) < end:
            sound = self._cracks.popleft()
            path, wave, peak = self._cracked(sound)
            self._pending[path].append((sound.at - peak, wave))
        while self._parts and self._parts[0].time_s < j + 1:
            part = self._parts.popleft()
            path = "air" if part.name in INSIDE else "out"
            if part.name not in self._specimens:
                waves = specimens(part.name, self._machine.seed, fs)
                self._specimens[part.name] = [self._levelled(wave, path) for wave in waves]
            wave = self._specimens[part.name][part.specimen] * (self._crack * 10 ** (part.level_db / 20))
            self._pending[path].append((int(part.time_s * fs), wave))
        while self._others and self._others[0].at < end:
            sound = self._others.popleft()
            made = kitchen_sound(sound, seed=self._plan.seed, samplerate=fs, sounds=self._sounds, noise_rms=1.0)
            self._pending["far"].append((sound.at, made))
        rows = []
        for path, pending in self._pending.items():
            if pending:
                row = np.zeros(fs)
                self._pending[path] = mix(row, pending, start)
                rows.append((row.astype(np.float32), self._paths[path]))
        return rows

    def _levelled(self, wave: Doubles, path: str) -> Doubles:
        """A part's sound with an in-band peak of 1 as recorded, or less: a thump is not made louder than a thump."""
        start = max(0, int(np.abs(wave).argmax()) - int(0.02 * self._fs))  # the loudest of what may last a second
        heard = float(np.abs(self._paths.heard(wave[start : start + int(0.08 * self._fs)], path)).max())
        return wave / max(heard, 0.3 * float(np.abs(wave).max()), 1e-12)

    def _cracked(self, sound: Sound) -> tuple[str, Doubles, int]:
        """Where a crack sounds, its waveform at its level, and the sample of its peak as recorded."""
        rng = np.random.default_rng([self._plan.seed, _CRACK, sound.number])
        wide = self._wide
        pitch = wide.voice_pitch * (wide.second_pitch if sound.kind == "second" else 1.0)
        wave = self._voice(rng, pitch)
        if rng.random() < wide.doubles:
            wave = doubled(rng, wave, self._voice, pitch, self._fs)
        opened = bool(self._opened(np.array([sound.at / self._fs]))[0])
        path = "open" if opened else "air"
        heard = np.abs(self._paths.heard(wave, path))
        peak = int(heard.argmax())
        level = sound.level_db + (self._open_crack_db if opened else 0.0)
        return path, wave * (10 ** (level / 20) / max(float(heard[peak]), 1e-12)), peak


def needs(wide: Wide) -> tuple[str, ...]:
    """Which recorded sounds a roast cannot do without: fields of a SoundBank."""
    wanted = {"crack:grain": "cracks", "blow:grain": "distractors", "kind:recorded bed": "beds"}
    return tuple(field for family, field in wanted.items() if family in wide.families)
