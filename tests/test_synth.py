"""The generator: truth that the samples hold to, samples that do not depend on how they are asked for."""

from __future__ import annotations

import json
import shlex
import tracemalloc
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal
import scipy.stats
from commands import Run

from crackdetect import model
from crackdetect.blocks import Samples
from crackdetect.cli import entry
from crackdetect.errors import OutputError, SettingError
from crackdetect.storage import rendered_roast
from crackdetect.synth import household
from crackdetect.synth.chain import room_response
from crackdetect.synth.cracks import first_crack, second_crack
from crackdetect.synth.machine import Bed, Impacts
from crackdetect.synth.plan import HOUSEHOLD_KINDS, Colour, Household, Machine, Microphone, RoastPlan, Room, plan_roast
from crackdetect.synth.render import Renderer, _crack_recording
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.truth import Truth

NAMES = ("demo_roast", "quiet", "noisy", "second_crack", "busy_kitchen")


def _still(**changes: object) -> RoastPlan:
    """Single cracks over steady noise and nothing else."""
    plan = RoastPlan(
        seed=8,
        scenario="chorus",
        samplerate=44_100,
        duration_s=20.0,
        strays_per_minute=40.0,
        stray_clump_probability=0.0,
        snr_low_db=25.0,
        snr_high_db=35.0,
        machine=Machine(turn_s=0.0, impacts_per_second=0.0, hum_db=-60.0, motor_db=-60.0),
        room=Room(rt60_s=0.1, direct_db=20.0, early=0),
        microphone=Microphone(),
        bits=32,
    )
    return replace(plan, **changes)  # type: ignore[arg-type]  # names are checked by replace


def test_same_seed_same_samples_however_they_are_asked_for() -> None:
    plan = plan_roast(seed=5, scenario="kitchen", samplerate=16_000, duration_s=15.0)
    whole = Renderer(plan).render()
    assert np.array_equal(whole, Renderer(plan).render())
    for block_s in (0.1, 7.3):
        assert np.array_equal(whole, np.concatenate(list(Renderer(plan).blocks(block_s))))
    assert not np.array_equal(whole, Renderer(replace(plan, seed=6)).render())


def test_truth_gives_the_place_and_the_level_of_each_crack() -> None:
    """Order-4 band-pass 1-12 kHz (scipy.signal): peak within 1 ms of the truth, level within 1.5 dB of it."""
    plan = _still()
    renderer = Renderer(plan)
    sos = scipy.signal.butter(4, (1_000, 12_000), "bandpass", fs=plan.samplerate, output="sos")
    band = scipy.signal.sosfiltfilt(sos, renderer.render().astype(float))
    noise = float(np.sqrt(np.median(band**2) / scipy.stats.chi2.ppf(0.5, 1)))  # of a Gaussian: robust rms
    times = np.array([e.time_s for e in renderer.truth.events])
    alone = [e for e in renderer.truth.events if (np.abs(times - e.time_s) < 0.2).sum() == 1 and 0.3 < e.time_s < 19.7]
    assert len(alone) >= 4
    for event in alone:
        centre = round(event.time_s * plan.samplerate)
        near = np.abs(band[centre - 800 : centre + 800])
        assert abs(int(near.argmax()) - 800) / plan.samplerate <= 0.001
        assert 20 * np.log10(near.max() / noise) == pytest.approx(event.snr_db, abs=1.5)


def test_strays_are_a_poisson_process_and_clumps_are_not() -> None:
    """Index of dispersion of counts is 1 for Poisson (Cox & Lewis 1966, from memory); gaps pass a KS test."""
    plan = _still(duration_s=36_000.0, strays_per_minute=6.0)
    times = np.array([e.time_s for e in Renderer(plan).truth.events])
    counts = np.histogram(times, np.arange(0, 36_001, 60))[0]
    assert counts.mean() == pytest.approx(6.0, abs=0.4)
    assert counts.var() / counts.mean() == pytest.approx(1.0, abs=0.25)
    assert scipy.stats.kstest(np.diff(times), "expon", args=(0, 10.0)).pvalue > 0.001
    clumped = np.array([e.time_s for e in Renderer(replace(plan, stray_clump_probability=0.6)).truth.events])
    again = np.histogram(clumped, np.arange(0, 36_001, 60))[0]
    assert again.mean() == pytest.approx(6.0, abs=0.5)
    assert again.var() / again.mean() > 1.6


def test_the_chorus_follows_its_rate() -> None:
    """Ramp, hold and fall hold peak x (ramp/2 + hold + fall/2) cracks, within four standard deviations of Poisson."""
    plan = _still(
        duration_s=600.0, strays_per_minute=0.0, first_start_s=100.0, ramp_s=60.0, peak_per_minute=150.0,
        first_hold_s=120.0, first_fall_s=60.0,
    )  # fmt: skip
    truth = Renderer(plan).truth
    expected = 150 / 60 * (30 + 120 + 30)
    assert len(truth.events) == pytest.approx(expected, abs=4 * np.sqrt(expected))
    assert truth.first_crack_start_s == 100.0
    assert truth.first_crack_end_s == pytest.approx(100 + 60 + 120 + 54)
    assert truth.density(130.0) == pytest.approx(75.0)
    assert all(100 <= e.time_s <= 340 for e in truth.events)


def test_a_ramp_fills_as_the_square_of_time() -> None:
    """A rate that rises as t has given the share (t / ramp)**2 of its cracks by t: 40 ramps together, KS test."""
    plan = _still(
        duration_s=200.0, strays_per_minute=0.0, first_start_s=50.0, ramp_s=60.0, peak_per_minute=100.0,
        first_hold_s=40.0, first_fall_s=40.0,
    )  # fmt: skip
    times = np.array([e.time_s for seed in range(40) for e in Renderer(replace(plan, seed=seed)).truth.events])
    ramp = times[times < 110]
    assert len(ramp) == pytest.approx(40 * 50, abs=4 * np.sqrt(40 * 50))
    assert scipy.stats.kstest(((ramp - 50) / 60) ** 2, "uniform").pvalue > 0.001


@pytest.mark.long
def test_second_crack_is_brighter_and_shorter_than_first(librosa: Any) -> None:
    """First is louder, lower in pitch, slower in rate: AIP release (2014, read) on P. S. Wilson, JASA 135."""
    rng = np.random.default_rng(0)
    centroids = {
        kind: np.median([
            librosa.feature.spectral_centroid(y=wave[:512], sr=44_100, n_fft=512)[0, 0]
            for wave in (make(rng, samplerate=44_100, colour=Colour()) for _ in range(40))
        ])
        for kind, make in (("first", first_crack), ("second", second_crack))
    }  # fmt: skip
    assert centroids["second"] > 1.5 * centroids["first"]
    plan = plan_roast(seed=1, scenario="second")
    assert plan.second_snr_offset_db < 0
    assert plan.second_peak_per_minute > plan.peak_per_minute


def test_a_crack_rises_at_once_and_is_short() -> None:
    """Of single (not double) cracks: half its height within 1 ms of a tenth of it, all of it within 1 ms as a rule
    (its modes beat), 20 dB down 15 ms later. Chosen; popcorn's pop is as sudden (from memory)."""
    rng = np.random.default_rng(1)
    to_largest = []
    for _ in range(60):
        wave = np.abs(first_crack(rng, samplerate=44_100, colour=Colour(doubles=0.0)))
        first, half, largest = (wave > 0.1).argmax(), (wave > 0.5).argmax(), wave.argmax()
        last = np.flatnonzero(wave > 0.1)[-1]
        assert (half - first) / 44_100 < 0.001
        assert (last - largest) / 44_100 < 0.015
        to_largest.append((largest - first) / 44_100)
    assert np.quantile(to_largest, 0.75) < 0.001


def test_charge_and_drop_are_heard_as_levels() -> None:
    """Pouring beans double the power (chosen) against the empty machine and stand out from the tumbling after them;
    soon after the drop the cooling fan is 9 dB above the roasting, as planned."""
    plan = _still(
        duration_s=30.0, strays_per_minute=0.0, charge_s=10.0, drop_s=20.0,
        machine=Machine(turn_s=0.0, impact_db=6.0, cooling_db=9.0),
    )  # fmt: skip
    second = Renderer(plan).render().reshape(30, 44_100).astype(float)
    level = 10 * np.log10((np.diff(second, axis=1) ** 2).mean(axis=1))  # the difference: without the hum
    assert level[10:12].mean() - level[2:9].mean() > 3
    assert level[10:12].mean() - level[14:19].mean() > 2
    assert 10 * np.log10((second[24:30] ** 2).mean() / (second[2:9] ** 2).mean()) == pytest.approx(9.0, abs=1.5)


def test_the_knock_comes_once_a_turn() -> None:
    machine = Machine(turn_s=1.25, turn_depth=0.0, impacts_per_second=0.0, hum_db=-60.0, motor_db=-60.0, knock_db=40.0)
    sound = Renderer(_still(strays_per_minute=0.0, machine=machine)).render()
    frames = (sound[: 44_100 * 20].reshape(-1, 441).astype(float) ** 2).sum(axis=1)  # 10 ms
    loud = scipy.signal.find_peaks(frames, height=20 * np.median(frames), distance=50)[0]
    assert np.diff(loud) * 0.01 == pytest.approx(1.25, abs=0.03)
    assert len(loud) >= 14


@pytest.mark.long
def test_memory_does_not_grow_with_the_length() -> None:
    def peak(duration_s: float) -> float:
        renderer = Renderer(plan_roast(seed=2, samplerate=8_000, duration_s=duration_s))
        tracemalloc.start()
        try:
            for _ in renderer.blocks():
                pass
            return tracemalloc.get_traced_memory()[1] / 1e6
        finally:
            tracemalloc.stop()

    peak(30.0)  # what is made once
    assert peak(600.0) < peak(60.0) + 3.0  # MB; the samples alone would be 17


def test_a_room_decays_by_sixty_decibels_in_its_time() -> None:
    """Backward integration of the response (Schroeder, J. Acoust. Soc. Am. 37, 409, 1965), slope from -5 to -25 dB."""
    response = room_response(
        np.random.default_rng(2), Room(rt60_s=0.6, direct_db=-20.0, early=0), samplerate=44_100
    ).astype(float)
    energy = 10 * np.log10(np.cumsum(response[::-1] ** 2)[::-1] / (response**2).sum())
    first, last = int((energy > -5).sum()), int((energy > -25).sum())
    assert (last - first) / 44_100 * 3 == pytest.approx(0.6, rel=0.25)


@pytest.mark.parametrize("kind", HOUSEHOLD_KINDS)
def test_every_household_sound_sounds(kind: str) -> None:
    for samplerate in (8_000, 44_100):
        wave = household.make(kind, np.random.default_rng(3), kitchen=1, samplerate=samplerate, duration_s=2.0)
        assert np.isfinite(wave).all()
        assert np.abs(wave).max() == pytest.approx(1.0)
        assert len(wave) < 21 * samplerate


def test_a_kitchen_has_one_clock_one_door_one_switch() -> None:
    """The strongest 10 ms of two specimens: spectra (in 20 bands) alike within a kitchen, unlike between kitchens."""

    def colour(kind: str, kitchen: int, chance: int) -> Samples:
        wave = household.make(kind, np.random.default_rng(chance), kitchen=kitchen, samplerate=44_100, duration_s=2.0)
        peak = int(np.abs(wave).argmax())
        energy = np.abs(np.fft.rfft(wave[max(0, peak - 110) : peak + 331], 512)) ** 2
        bands = np.log(np.add.reduceat(energy, np.unique(np.geomspace(4, 240, 20).astype(int))))
        return np.asarray(bands - bands.mean(), np.float32)

    for kind in ("clock", "door", "switch", "typing", "footsteps"):
        within = [np.abs(colour(kind, k, 1) - colour(kind, k, 2)).mean() for k in range(20)]
        between = [np.abs(colour(kind, k, 1) - colour(kind, k + 1, 2)).mean() for k in range(20)]
        assert np.mean(within) < 0.75 * np.mean(between), kind


def test_a_rattle_goes_on_into_the_next_second() -> None:
    """One in fifty of those that come every second has knocks past its end. What the second before leaves of a single
    strike is over after 32 ms."""
    fs = 8_000
    plan = _still(samplerate=fs)
    plan = replace(plan, machine=replace(plan.machine, rattle_per_minute=60.0, rattle_db=40.0))
    running = Impacts(plan, stream=1)
    left = [running.cell(j) - Impacts(plan, stream=1).cell(j) for j in range(300)]
    late = [second for second in left if np.abs(second[int(0.04 * fs) :]).max() > 1.0]
    assert 1 <= len(late) <= 20


def test_hum_and_motor_are_the_sines_that_the_plan_asks_for() -> None:
    fs, j = 8_000, 7
    plan = _still(samplerate=fs)
    tones = replace(plan.machine, hum_hz=60.0, hum_db=0.0, motor_hz=100.0, motor_db=0.0)
    silent = replace(tones, hum_db=-300.0, motor_db=-300.0)
    with_tones, without = (
        Bed(replace(plan, machine=m), sounds=None, stream=1).cell(j, cooling=np.zeros(fs)) for m in (tones, silent)
    )
    phases = np.random.default_rng([plan.seed, 11]).uniform(0, 2 * np.pi, 8)
    t = j + np.arange(fs) / fs
    hum = sum(np.sin(2 * np.pi * 60.0 * h * t + phases[h]) / h for h in (1, 2, 3))
    turned = 2 * np.pi * 100.0 * t + 3.0 * np.sin(2 * np.pi * t / 17.0) + phases[4]
    motor = np.sin(turned) + 0.5 * np.sin(2 * turned) + 0.3 * np.sin(5 * turned)
    assert with_tones - without == pytest.approx(hum + motor, abs=1e-8)


def test_hum_is_of_whole_hertz() -> None:
    plan = _still()
    with pytest.raises(SettingError, match="whole number of hertz"):
        replace(plan, machine=replace(plan.machine, hum_hz=59.94))


@pytest.mark.parametrize("samplerate", [8_000, 16_000, 44_100])
def test_every_household_sound_reaches_the_recording(samplerate: int) -> None:
    """Through room and microphone, 25 dB above the machine: finite, nothing before its start, something after it."""
    plan = _still(samplerate=samplerate, duration_s=3.0, strays_per_minute=0.0)
    without = Renderer(plan).render()
    for kind in HOUSEHOLD_KINDS:
        sound = Renderer(replace(plan, household=(Household(kind, 1.0, 1.0, 25.0),))).render()
        assert np.isfinite(sound).all(), kind
        assert np.array_equal(sound[:samplerate], without[:samplerate]), kind
        assert np.abs(sound - without).max() > 5 * without.std(), kind


def _likeness(plan: RoastPlan, lent: Samples) -> float:
    """Median over cracks that are alone of the largest correlation with the lent wave, speeds of 0.84 to 1.19."""
    renderer = Renderer(plan, sounds=SoundBank(cracks={"pop": ((lent,),)}))
    sound = renderer.render().astype(float)
    times = np.array([e.time_s for e in renderer.truth.events])
    alone = [t for t in times if (np.abs(times - t) < 0.1).sum() == 1 and 0.3 < t < 19.7]
    assert len(alone) >= 4
    best = []
    for time in alone:
        heard = sound[round(time * 44_100) - 200 : round(time * 44_100) + 400]
        found = []
        for speed in np.arange(0.84, 1.2, 0.01):
            wave = np.interp(np.arange(400) * speed, np.arange(len(lent)), lent)
            power = np.sqrt(np.convolve(heard**2, np.ones(400), "valid") * (wave**2).sum())
            found.append(np.abs(np.correlate(heard, wave, "valid") / power).max())
        best.append(max(found))
    return float(np.median(best))


def test_a_lent_sound_takes_a_cracks_place() -> None:
    """With every crack real, the truth stays and the waveform there is the lent one at some speed; else it is not."""
    t = np.arange(900) / 44_100
    lent = (np.sin(2 * np.pi * 3_000 * t) * np.exp(-t / 0.002)).astype(np.float32)
    own = _still(snr_low_db=35.0, snr_high_db=40.0)
    lending = replace(own, real_crack_fraction=1.0)
    assert Renderer(lending, sounds=SoundBank(cracks={"pop": ((lent,),)})).truth.events == Renderer(own).truth.events
    assert _likeness(lending, lent) > 0.95
    assert _likeness(own, lent) < 0.7


def test_the_real_cracks_of_every_second_roast_are_of_one_recording() -> None:
    crack = np.ones(100, np.float32)
    enough, many, few = (crack,) * 20, (crack,) * 30, (crack,) * 2
    bank = SoundBank(cracks={"pop": (enough, few), "snap": (many,), "tick": (few,)})
    heard = {0: 0, 20: 0, 30: 0}
    for seed in range(40):
        heard[len(_crack_recording(bank, seed) or ())] += 1  # a KeyError for one that has too few
    assert heard[0] == pytest.approx(20, abs=9)
    assert min(heard.values()) > 0


def test_a_roast_of_one_recording_has_its_cracks_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen at the place where a lent sound is brought to the roast's sample rate."""
    lent: list[float] = []

    def noted(wave: Samples, bank_rate: int, samplerate: int, *, speed: float) -> Samples:
        lent.append(float(wave[0]))
        return wave

    monkeypatch.setattr("crackdetect.synth.render.resampled", noted)
    recordings = [tuple(np.full(100, level, np.float32) for _ in range(20)) for level in (0.25, 0.5)]
    bank = SoundBank(cracks={"pop": (recordings[0],), "snap": (recordings[1],)})
    for seed in range(6):
        lent.clear()
        Renderer(_still(seed=seed, real_crack_fraction=1.0), sounds=bank).render()
        alike = _crack_recording(bank, seed)
        assert set(lent) == ({0.25, 0.5} if alike is None else {float(alike[0][0])})


def test_sixteen_bits_and_clipping() -> None:
    sound = Renderer(_still(bits=16, level_dbfs=-3.0, duration_s=3.0)).render()
    steps = sound.astype(float) * 32768
    assert np.array_equal(steps, np.round(steps))
    assert sound.max() == pytest.approx(32767 / 32768)


@pytest.mark.parametrize(
    ("overrides", "told"),
    [({"ramp": 3.0}, "ramp"), ({"ramp_s": 0.0}, "ramp_s"), ({"peak_per_minute": 1e300}, "peak_per_minute"),
     ({"duration_s": -1.0}, "duration"), ({"snr_low_db": float("nan")}, "snr_low_db"), ({"bits": 12}, "bits"),
     ({"charge_s": 90.0, "drop_s": 60.0}, "charge_s 90 is not before the drop"), ({"charge_s": 5e3}, "charge_s 5000")],
)  # fmt: skip
def test_numbers_out_of_range_are_refused_by_name(overrides: dict[str, float], told: str) -> None:
    with pytest.raises(SettingError, match=told):
        plan_roast(seed=1, overrides=overrides)


def test_truth_holds_only_what_the_recording_holds() -> None:
    """Excerpt of 20 s: first crack before it, second crack and drop after it; then a drop before first crack."""
    truth = Renderer(_still(first_start_s=-300.0, second_start_s=400.0, drop_s=500.0)).truth
    assert (truth.first_crack_start_s, truth.first_crack_end_s) == (None, None)
    assert (truth.second_crack_start_s, truth.drop_s) == (None, None)
    truth = Renderer(_still(first_start_s=10.0, second_start_s=12.0, drop_s=8.0)).truth
    assert (truth.first_crack_start_s, truth.first_crack_end_s, truth.second_crack_start_s) == (None, None, None)
    assert truth.drop_s == 8.0
    assert all(e.time_s < 8.0 + 3 * 0.6 for e in truth.events)  # a clump may outlast the drop


def test_truth_survives_its_file() -> None:
    truth = Renderer(plan_roast(seed=3)).truth
    again = Truth.from_json(truth.to_json())
    assert again.events == truth.events
    assert again.density(300.0) == truth.density(300.0)
    assert json.loads(truth.to_json())["format"] == "crackdetect-truth"


@pytest.mark.parametrize("name", NAMES)
def test_the_embedded_recordings_are_what_their_truth_says(name: str) -> None:
    """The first three seconds rendered again from the plan; one step of 16 bits is left to other processors."""
    import soundfile

    folder = model.data_folder("recordings_synthetic")
    truth = Truth.from_json((folder / f"{name}.json").read_text(encoding="utf-8"))
    assert truth.plan is not None
    plan = RoastPlan.from_dict(truth.plan)
    blocks = Renderer(plan).blocks()
    again = np.concatenate([next(blocks) for _ in range(3)])
    stored, samplerate = soundfile.read(folder / f"{name}.flac", dtype="float32", frames=3 * plan.samplerate)
    assert samplerate == plan.samplerate
    assert np.abs(stored - again).max() <= 1 / 32768


def _rounded(content: Any) -> Any:
    """JSON with numbers of twelve digits."""
    return json.loads(json.dumps(content), parse_float=lambda text: f"{float(text):.12g}")


def test_the_readmes_commands_make_the_embedded_recordings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each command, typed as it stands there, asks for the plan in the truth beside the recording."""
    folder = model.data_folder("recordings_synthetic")
    asked: dict[str, RoastPlan] = {}

    def note(plans: Any, folder: Path, **_: object) -> list[Path]:
        asked.update(plans)
        return []

    monkeypatch.setattr(rendered_roast, "render_to_files", note)
    for line in (folder / "README.md").read_text(encoding="utf-8").splitlines():
        if line.startswith("crackdetect synth "):
            assert entry.main(shlex.split(line)[1:]) == 0
    assert sorted(asked) == sorted(NAMES)
    for name, plan in asked.items():
        truth = Truth.from_json((folder / f"{name}.json").read_text(encoding="utf-8"))
        # numpy's exponentials end on other bits on other processors
        assert _rounded(RoastPlan.from_dict(truth.plan or {}).to_dict()) == _rounded(plan.to_dict()), name


def test_the_embedded_recordings_fit() -> None:
    folder = model.data_folder("recordings_synthetic")
    assert sum((folder / f"{name}.flac").stat().st_size for name in NAMES) < 30e6


# -- files -----------------------------------------------------------------------------------------------------


def _short() -> RoastPlan:
    return plan_roast(seed=1, scenario="chorus", samplerate=8_000, duration_s=4.0)


def test_a_file_is_the_rendering_and_its_truth(tmp_path: Path) -> None:
    import soundfile

    assert rendered_roast.render_to_files([("a.b", _short())], tmp_path / "new") == [tmp_path / "new" / "a.b.flac"]
    stored, samplerate = soundfile.read(tmp_path / "new" / "a.b.flac", dtype="float32")
    assert samplerate == 8_000
    assert np.array_equal(stored, Renderer(_short()).render())
    text = (tmp_path / "new" / "a.b.json").read_text(encoding="utf-8")
    assert Truth.from_json(text) == replace(Renderer(_short()).truth, plan=json.loads(text)["plan"])
    assert len(list((tmp_path / "new").iterdir())) == 2


@pytest.mark.parametrize("container", ["flac", "wav"])
def test_a_full_disk_is_told_and_leaves_what_was_there(
    container: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import soundfile

    older = tmp_path / f"x.{container}"
    older.write_bytes(b"an older recording")
    written = soundfile.SoundFile.write
    cells: list[int] = []

    def full(self: Any, data: Any) -> None:
        cells.append(len(data))
        if len(cells) > 2:
            raise soundfile.LibsndfileError(2)  # "System error.", as libsndfile says when the disk is full
        written(self, data)

    monkeypatch.setattr(soundfile.SoundFile, "write", full)
    with pytest.raises(OutputError, match=r"x\.\w+ cannot be written \(System error\); free some space"):
        rendered_roast.render_to_files([("x", _short())], tmp_path, container=container)
    assert older.read_bytes() == b"an older recording"
    assert list(tmp_path.iterdir()) == [older]


def test_an_interrupt_leaves_no_unfinished_file(tmp_path: Path) -> None:
    seconds: list[float] = []

    def stop(done_s: float) -> None:
        seconds.append(done_s)
        if len(seconds) == 6:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        rendered_roast.render_to_files([("whole", _short()), ("half", _short())], tmp_path, progress=stop)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["whole.flac", "whole.json"]


@pytest.mark.parametrize("name", ["../x", "a/b", "a\\b", "C:x", "..", "", "a\0b"])
def test_a_name_stays_in_its_folder(name: str, tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="is not a plain file name"):
        rendered_roast.render_to_files([(name, _short())], tmp_path / "in")
    assert list(tmp_path.iterdir()) == []


def test_synth_writes_recordings_and_truths(run: Run, tmp_path: Path) -> None:
    import soundfile

    arguments = ["synth", "quiet", "--seed", 7, "--count", 2, "--duration", "0:10", "--samplerate", 8_000]
    done = run(*arguments, "--out", tmp_path / "new", "--set", "strays_per_minute=3.5", "--container", "wav")
    assert done.code == 0, done.err
    assert [Path(line).name for line in done.out.splitlines()] == ["quiet-7.wav", "quiet-8.wav"]
    for number, name in enumerate(["quiet-7", "quiet-8"]):
        info = soundfile.info(tmp_path / "new" / f"{name}.wav")
        assert (info.samplerate, info.duration) == (8_000, 10.0)
        truth = json.loads((tmp_path / "new" / f"{name}.json").read_text(encoding="utf-8"))
        assert (truth["plan"]["seed"], truth["plan"]["strays_per_minute"]) == (7 + number, 3.5)
    named = run(*arguments, "--out", tmp_path / "named", "--name", "calm")
    assert [Path(line).name for line in named.out.splitlines()] == ["calm-7.flac", "calm-8.flac"]
