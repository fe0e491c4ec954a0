"""Renders a plan: truth first, then samples, a second at a time in constant memory.

Everything is computed on a fixed grid of one-second cells from generators seeded by the cell, so the samples do not
depend on how they are asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Doubles, Samples
from crackdetect.errors import SettingError
from crackdetect.synth.chain import GainControl, Reverberator, Sections, microphone_sections, room_response
from crackdetect.synth.cracks import first_crack, second_crack
from crackdetect.synth.levels import in_band, in_band_rms
from crackdetect.synth.machine import Bed, Impacts
from crackdetect.synth.placing import Sound, kitchen_sound, mix, resampled
from crackdetect.synth.plan import RoastPlan
from crackdetect.synth.recorder import Coder, SlowGain
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.stage import Stage, needs
from crackdetect.synth.truth import Truth, TruthEvent

#: Seconds of the machine alone that are rendered first to know its level.
_PROBE_S = 6
#: Names of the streams of chance, so that none depends on how much another has drawn.
Thing = TypeVar("Thing")
_CRACK_STREAM, _TIMES_STREAM, _REAL_STREAM, _ALIKE_STREAM = 21, 22, 23, 26
#: Standard deviations from 5 to 95 % of a normal distribution.
_FIVE_TO_95 = 3.2897
#: A recording with so many cracks can lend a whole roast its cracks; few would be heard again and again.
_ENOUGH_ALIKE = 20


class Renderer:
    """One roast. sounds: real sounds that the plan may ask for (see RoastPlan's ``real_*`` and ``bed_index``)."""

    def __init__(self, plan: RoastPlan, *, sounds: SoundBank | None = None) -> None:
        self.plan = plan
        self._sounds = sounds
        self._length = round(plan.duration_s * plan.samplerate)
        self._wide = None if plan.wide is None else self._wide_stage()
        self._cracks = self._crack_schedule()
        self._others = self._other_schedule()
        self.truth = self._make_truth()

    def _wide_stage(self) -> Stage:
        assert self.plan.wide is not None
        missing = [field for field in needs(self.plan.wide) if not (self._sounds and getattr(self._sounds, field))]
        if missing:
            raise SettingError(f"this plan needs recorded {missing[0]}; render it with the sounds it was drawn for")
        return Stage(self.plan, self._sounds)

    # -- what happens ---------------------------------------------------------------------------------------

    def _crack_schedule(self) -> list[Sound]:
        plan = self.plan
        rng = np.random.default_rng([plan.seed, _TIMES_STREAM])
        times: list[tuple[float, str]] = []
        low = plan.charge_s if plan.charge_s is not None else 0.0
        high = plan.drop_s if plan.drop_s is not None else plan.duration_s
        # strays: alone, or two to four within half a second
        p = plan.stray_clump_probability
        mean_size = 1 + 2 * p
        for start in rng.uniform(
            low, high, rng.poisson(plan.strays_per_minute / mean_size * (high - low) / 60)
        ).tolist():
            size = 1 + (int(rng.integers(1, 4)) if rng.random() < p else 0)
            time = start
            for _ in range(size):
                times.append((time, "stray"))
                time += float(rng.uniform(0.05, 0.6))
        if plan.wide is not None:  # each audible bean once
            for kind, chorus in (("first", plan.first_chorus), ("second", plan.second_chorus)):
                if chorus is not None:
                    times += [(t, kind) for t in chorus.times(rng).tolist() if low <= t < high]
            return self._sounded(times, rng)
        # choruses: thinning of a homogeneous process (Lewis & Shedler, Naval Res. Logistics Q. 26, 1979)
        for kind, peak, rate in (
            ("first", plan.peak_per_minute, plan.first_per_minute),
            ("second", plan.second_peak_per_minute, plan.second_per_minute),
        ):
            if (plan.first_start_s if kind == "first" else plan.second_start_s) is None:
                continue
            count = rng.poisson(peak * plan.duration_s / 60)
            proposed = rng.uniform(0, plan.duration_s, count)
            kept = rng.uniform(0, peak, count)
            times += [(t, kind) for t, u in zip(proposed.tolist(), kept.tolist(), strict=True) if u < rate(t)]
        return self._sounded(times, rng)

    def _sounded(self, times: list[tuple[float, str]], rng: np.random.Generator) -> list[Sound]:
        """Cracks at their levels: evenly between the plan's bounds, or normally about their middle (wide family)."""
        plan = self.plan
        middle, spread = (plan.snr_low_db + plan.snr_high_db) / 2, (plan.snr_high_db - plan.snr_low_db) / _FIVE_TO_95
        sounds = []
        for number, (time, kind) in enumerate(sorted(times)):
            if plan.wide is None:
                snr = float(rng.uniform(plan.snr_low_db, plan.snr_high_db))
            else:
                snr = float(rng.normal(middle, spread))
            if kind == "second":
                snr += plan.second_snr_offset_db
            at = round(time * plan.samplerate)
            if at < self._length:
                sounds.append(Sound(number, at, kind, "synthetic", snr))
        return sounds

    def _other_schedule(self) -> list[Sound]:
        plan = self.plan
        found = [
            Sound(i, round(h.start_s * plan.samplerate), "distractor", h.kind, h.level_db, h.duration_s)
            for i, h in enumerate(plan.household)
        ]
        if self._sounds is not None and self._sounds.distractors and plan.real_distractor_rate_per_minute > 0:
            rng = np.random.default_rng([plan.seed, _REAL_STREAM])
            count = rng.poisson(plan.real_distractor_rate_per_minute * plan.duration_s / 60)
            for i, time in enumerate(np.sort(rng.uniform(0, plan.duration_s, count)).tolist()):
                which = int(rng.integers(len(self._sounds.distractors)))
                level = float(rng.uniform(plan.real_distractor_low_db, plan.real_distractor_high_db))
                found.append(
                    Sound(100_000 + i, round(time * plan.samplerate), "distractor", f"real {which}", level, 8.0)
                )
        return sorted((s for s in found if s.at < self._length), key=lambda s: (s.at, s.number))

    def _make_truth(self) -> Truth:
        plan = self.plan
        heard_db = [s.level_db if self._wide is None else self._wide.crack_db(s) for s in self._cracks]
        events = [
            TruthEvent(s.at / plan.samplerate, s.kind, level, s.label)
            for s, level in zip(self._cracks, heard_db, strict=True)
        ]
        events += [TruthEvent(s.at / plan.samplerate, s.kind, float("-inf"), s.label) for s in self._others]
        last = plan.duration_s if plan.drop_s is None else min(plan.drop_s, plan.duration_s)

        def begins(start_s: float | None) -> float | None:
            """None too when it lies outside the recording or after the drop: nobody could hear it begin."""
            return start_s if start_s is not None and 0 <= start_s < last else None

        return Truth(
            samplerate=plan.samplerate,
            duration_s=self._length / plan.samplerate,
            charge_s=plan.charge_s,
            first_crack_start_s=begins(plan.first_start_s),
            first_crack_end_s=plan.first_end_s,
            second_crack_start_s=begins(plan.second_start_s),
            drop_s=plan.drop_s if plan.drop_s is not None and plan.drop_s < plan.duration_s else None,
            peak_per_minute=plan.peak_per_minute,
            events=tuple(sorted(events, key=lambda e: e.time_s)),
            plan=plan.to_dict(),
        )

    # -- samples --------------------------------------------------------------------------------------------

    def render(self) -> Samples:
        """The whole recording, float32."""
        return np.concatenate(list(self.blocks()))

    def blocks(self, block_s: float = 1.0) -> Iterator[Samples]:
        """The recording in blocks of ``block_s`` seconds (the last one shorter)."""
        size = max(1, round(block_s * self.plan.samplerate))
        kept: list[Samples] = []
        held = 0
        for cell in self._cells():
            kept.append(cell)
            held += len(cell)
            if held >= size:
                joined = np.concatenate(kept)
                for start in range(0, held - size + 1, size):
                    yield joined[start : start + size]
                rest = joined[held - held % size :]
                kept, held = [rest], len(rest)
        if held:
            yield np.concatenate(kept)

    def _cells(self) -> Iterator[Samples]:
        if self._wide is not None:
            yield from self._wide_cells()
            return
        plan, fs = self.plan, self.plan.samplerate
        rng = np.random.default_rng([plan.seed, 13])
        near = room_response(rng, plan.room, samplerate=fs)  # roaster to microphone
        far = room_response(rng, plan.room, samplerate=fs)  # the rest of the kitchen
        bed_rms, whole_rms = self._probe(near)
        stage = _Stage(self, near, far, bed_rms)
        scale = 10 ** (plan.level_dbfs / 20) / whole_rms
        control = GainControl(plan.microphone.gain_control, reference=whole_rms, samplerate=fs)
        done = 0
        j = 0
        while done < self._length:
            cell = control(stage.cell(j)) * scale
            out = self._quantised(cell, j)[: self._length - done]
            done += len(out)
            yield out
            j += 1

    def _wide_cells(self) -> Iterator[Samples]:
        assert self.plan.wide is not None
        plan, fs, machine = self.plan, self.plan.samplerate, self.plan.wide.machine
        stage = self._wide_stage()
        stage.schedule(self._cracks, self._others)
        scale = 10 ** (plan.level_dbfs / 20) / stage.whole_rms
        gain = SlowGain(
            range_db=machine.gain_range_db, fall_s=0.3, rise_s=machine.gain_rise_s, reference=stage.whole_rms,
            samplerate=fs,
        )  # fmt: skip
        coder = None
        if machine.coder_noise_db:
            coder = Coder(noise_db=machine.coder_noise_db, highest_hz=machine.coder_hz, samplerate=fs)
        late = 0 if coder is None else coder.delay
        done = j = 0
        while done < self._length:
            cell = gain(stage.cell(j)) * scale
            cell = cell if coder is None else coder(cell)
            cell, late = cell[late:], max(0, late - len(cell))
            out = self._quantised(cell, j)[: self._length - done]
            done += len(out)
            yield out
            j += 1

    def _probe(self, near: npt.NDArray[np.float32]) -> tuple[float, float]:
        """In-band rms of the roasting machine's noise before and after the microphone's filter, and its whole rms.

        The impacts' levels are given over the in-band rms of the steady noise; the cracks' SNR over that of all.
        """
        plan, fs = self.plan, self.plan.samplerate
        bed = Bed(plan, sounds=self._sounds, stream=31)
        microphone = Sections(microphone_sections(plan.microphone, fs))
        cells = [microphone(bed.cell(j, cooling=np.zeros(fs))) for j in range(_PROBE_S)]
        steady = np.concatenate(cells[1:])
        return in_band_rms(steady, fs), float(np.sqrt(np.mean(steady**2)))

    def _quantised(self, cell: Doubles, j: int) -> Samples:
        bits = self.plan.bits
        if bits == 32:
            return cell.astype(np.float32)
        full = 2.0 ** (bits - 1)
        rng = np.random.default_rng([self.plan.seed, 14, j])
        dither = rng.random(len(cell)) - rng.random(len(cell))  # triangular, one step
        return (np.clip(np.round(cell * full + dither), -full, full - 1) / full).astype(np.float32)


class _Stage:
    """Renders cells before gain control: the machine, the cracks and the household through room and microphone."""

    def __init__(
        self, owner: Renderer, near: npt.NDArray[np.float32], far: npt.NDArray[np.float32], bed_rms: float
    ) -> None:
        plan = owner.plan
        self._plan, self._sounds = plan, owner._sounds
        self._fs = plan.samplerate
        self._bed = Bed(plan, sounds=self._sounds, stream=32)
        self._impacts = Impacts(plan, stream=33)
        self._near, self._far = Reverberator(near, cell=self._fs), Reverberator(far, cell=self._fs)
        self._bed_rms = bed_rms
        sections = microphone_sections(plan.microphone, self._fs)
        self._microphone = Sections(sections)
        # the first 30 ms of room and microphone decide where a crack's peak lies and how high it is
        early = near[: int(0.03 * self._fs)].astype(np.float64)
        self._early = Sections(sections)(np.concatenate([early, np.zeros(int(0.02 * self._fs))]))
        self._alike = None if self._sounds is None else _crack_recording(self._sounds, plan.seed)
        self._cracks = list(owner._cracks)
        self._others = list(owner._others)
        self._pending_near: list[tuple[int, Doubles]] = []
        self._pending_far: list[tuple[int, Doubles]] = []
        self._noise_rms = self._with_impacts(near, sections)

    def _with_impacts(self, near: npt.NDArray[np.float32], sections: list[list[float]]) -> float:
        """In-band rms of noise and tumbling together, without knock, rattle and ticks."""
        from dataclasses import replace

        machine = replace(self._plan.machine, knock_db=None, rattle_per_minute=0.0, tick_per_second=0.0)
        plan = replace(self._plan, machine=machine, charge_s=None, drop_s=None, first_start_s=None, second_start_s=None)
        impacts, room = Impacts(plan, stream=34), Reverberator(near, cell=self._fs)
        microphone = Sections(sections)
        cells = [
            microphone(room((impacts.cell(j) * self._bed_rms).astype(np.float32)).astype(np.float64))
            for j in range(_PROBE_S)
        ]
        struck = in_band_rms(np.concatenate(cells[1:]), self._fs)
        return float(np.hypot(self._bed_rms, struck))

    def cell(self, j: int) -> Doubles:
        plan, fs = self._plan, self._fs
        t = j + np.arange(fs) / fs
        cooling = np.zeros(fs) if plan.drop_s is None else np.clip((t - plan.drop_s) / 1.5, 0, 1)
        start, end = j * fs, (j + 1) * fs
        near = self._impacts.cell(j) * self._bed_rms
        # a crack is placed by its peak, so one may begin in the cell before the one it peaks in
        while self._cracks and self._cracks[0].at - int(0.05 * fs) < end:
            sound = self._cracks.pop(0)
            wave, peak = self._crack(sound)
            self._pending_near.append((sound.at - peak, wave))
        while self._others and self._others[0].at < end:
            sound = self._others.pop(0)
            wave = kitchen_sound(sound, seed=plan.seed, samplerate=fs, sounds=self._sounds, noise_rms=self._bed_rms)
            self._pending_far.append((sound.at, wave))
        self._pending_near = mix(near, self._pending_near, start)
        far = np.zeros(fs)
        self._pending_far = mix(far, self._pending_far, start)
        through = self._near(near.astype(np.float32)).astype(np.float64) + self._far(far.astype(np.float32))
        return self._microphone(self._bed.cell(j, cooling=cooling) + through)

    def _crack(self, sound: Sound) -> tuple[Doubles, int]:
        """A crack's dry waveform at its level, and the sample of its peak after room and microphone."""
        plan = self._plan
        rng = np.random.default_rng([plan.seed, _CRACK_STREAM, sound.number])
        bank = self._sounds
        if bank is not None and bank.cracks and rng.random() < plan.real_crack_fraction and sound.kind != "second":
            alike = self._alike or _one_of(rng, _one_of(rng, list(bank.cracks.values())))
            snippet = _one_of(rng, alike)
            wave = resampled(snippet, bank.samplerate, self._fs, speed=float(rng.uniform(0.85, 1.18)))
        elif sound.kind == "second":
            wave = second_crack(rng, samplerate=self._fs, colour=plan.colour)
        else:
            wave = first_crack(rng, samplerate=self._fs, colour=plan.colour)
        heard = in_band(np.convolve(wave, self._early), self._fs)
        peak = int(np.abs(heard).argmax())
        gain = self._noise_rms * 10 ** (sound.level_db / 20) / max(float(np.abs(heard[peak])), 1e-12)
        return wave * gain, peak


def _crack_recording(bank: SoundBank, seed: int) -> tuple[Samples, ...] | None:
    """The beans of one roast sound alike: in every second one all real cracks are of one recording that has enough."""
    rng = np.random.default_rng([seed, _ALIKE_STREAM])
    enough = [[alike for alike in cracks if len(alike) >= _ENOUGH_ALIKE] for cracks in bank.cracks.values()]
    classes = [cracks for cracks in enough if cracks]
    return _one_of(rng, _one_of(rng, classes)) if classes and rng.random() < 0.5 else None


def _one_of(rng: np.random.Generator, things: Sequence[Thing]) -> Thing:
    return things[int(rng.integers(len(things)))]
