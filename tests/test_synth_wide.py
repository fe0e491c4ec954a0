"""Machines with beans in them: what physics says of blows, walls, rooms and choruses, and the plan of levels."""

from __future__ import annotations

import json
import tracemalloc
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.integrate
import scipy.signal
import scipy.stats

from crackdetect.blocks import Samples
from crackdetect.cli.entry import main
from crackdetect.errors import SettingError
from crackdetect.synth import blows, kinds, mechanism, voices, wide
from crackdetect.synth.chorus import SHAPES, Chorus
from crackdetect.synth.contact import BEAN_RADIUS_M, between_beans, contact_time, fall_speed, pulse_spectrum
from crackdetect.synth.levels import in_band, in_band_rms
from crackdetect.synth.place import Place, place_response
from crackdetect.synth.plan import RoastPlan, plan_roast
from crackdetect.synth.recorder import Coder, SlowGain
from crackdetect.synth.render import Renderer
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.stage import Stage
from crackdetect.synth.truth import Truth
from crackdetect.synth.tumbling import Tumbling
from crackdetect.synth.walls import Wall, modal_density, plate_modes, wall_responses
from crackdetect.train.scenes import rendered, wide_scene

STEEL = Wall("steel", 0.001, 0.45, 0.25, decay_s=0.02, decay_slope=0.5)


@cache
def _bank() -> SoundBank:
    rng = np.random.default_rng(5)
    t = np.arange(2_000) / 44_100

    def snap(tau: float) -> Samples:
        return (rng.standard_normal(2_000) * np.exp(-t / tau)).astype(np.float32)

    snaps = tuple(snap(0.001) for _ in range(10))
    knocks = tuple(np.concatenate([np.zeros(500, np.float32), snap(0.004)]) for _ in range(4))
    bed = rng.standard_normal(3 * 44_100).astype(np.float32)
    return SoundBank(cracks={"pop": (snaps,)}, distractors=knocks, beds=(bed,))


def _plan(seed: int = 1, **changes: Any) -> RoastPlan:
    """A machine with beans; nothing else in the room, a plain recorder."""
    plan = plan_roast(seed=seed, family="wide", scenario="chorus", duration_s=changes.pop("duration_s", 20.0))
    return _bare(plan, **changes)


def _bare(plan: RoastPlan, **changes: Any) -> RoastPlan:
    assert plan.wide is not None
    own = {name: changes.pop(name) for name in list(changes) if name in wide.WideMachine.__slots__}
    roast = {name: changes.pop(name) for name in list(changes) if name in wide.Wide.__slots__}
    plain = {
        "parts": (),
        "gain_range_db": 0.0,
        "coder_noise_db": 0.0,
        "flicker": 0.0,
        "second_blow": "",
        "gusts": "none",
    }
    still = {"air_steps": (), "hood": (), "lid_open": (), "chaff_per_minute": 0.0, "crackle_per_minute": 0.0}
    machine = replace(plan.wide.machine, **(plain | {"second_share": 0.0} | own))
    now = replace(plan.wide, machine=machine, **(still | roast))
    quiet = {"household": (), "bits": 32, "strays_per_minute": 0.0, "first_start_s": None}
    return replace(plan, wide=now, **(quiet | changes))


# -- physics of a blow -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("speed", [0.1, 1.0])
def test_a_contact_lasts_as_the_equation_of_motion_says(speed: float) -> None:
    """m x'' = -4/3 E* sqrt(R) x^1.5 (Hertz 1882), integrated by scipy until the body leaves again."""
    mass, radius, modulus = 0.00015, BEAN_RADIUS_M, 100e6

    def motion(_: float, state: Any) -> list[float]:
        return [state[1], -4 / 3 * modulus * np.sqrt(radius) * max(state[0], 0.0) ** 1.5 / mass]

    def leaves(_: float, state: Any) -> float:
        return float(state[0])

    leaves.terminal, leaves.direction = True, -1.0  # type: ignore[attr-defined]
    done = scipy.integrate.solve_ivp(motion, (0, 0.01), [0.0, speed], events=leaves, rtol=1e-9, atol=1e-14)
    assert contact_time(mass, radius, modulus, np.array([speed]))[0] == pytest.approx(done.t_events[0][0], rel=0.005)


def test_contacts_of_beans_last_some_hundred_microseconds() -> None:
    """.15 g, 4.2 mm, 1 m/s, E* of 12 MPa to 2 GPa: 50 to 400 us by hand; between two beans 15 % longer (2^(1/5))."""
    ends = contact_time(0.00015, BEAN_RADIUS_M, np.array([2e9, 12e6]), np.array([1.0, 1.0]))
    assert 45e-6 < ends[0] < 55e-6
    assert 350e-6 < ends[1] < 400e-6
    pair = contact_time(*between_beans(0.00015, BEAN_RADIUS_M, 12e6), np.array([1.0]))[0]
    assert pair == pytest.approx(ends[1] * 2**0.2)


def test_a_longer_contact_excites_less_of_the_high_tones() -> None:
    """A half sine of length T falls 3 dB by about 0.6 / T (shock testing, from memory); to the power 1.5 a little
    above. 2 kHz comes through a pulse of 100 us and hardly through one of 1 ms."""
    f = np.array([0.0, 2_000.0])
    assert pulse_spectrum(0.0001, f) == pytest.approx([1.0, 1.0], abs=0.06)
    assert abs(pulse_spectrum(0.001, f)[1]) < 0.12
    assert fall_speed(0.2) == pytest.approx(1.98, abs=0.01)


def test_a_plate_has_the_modes_that_its_density_says() -> None:
    """Count up to f against n f, less the half-modes of the edges, P/4 (f / pi^2 ... ) as Weyl's law has them for
    simply supported edges (from memory): N = S k^2 / 4 pi - P k / 4 pi + 1/4."""
    density = modal_density(STEEL)
    assert density == pytest.approx(0.45 * 0.25 / 0.001 * np.sqrt(3 * 7850 * (1 - 0.29**2) / 200e9))
    for highest in (5_000.0, 12_000.0):
        wave_number = np.sqrt(density * highest * 4 * np.pi / (0.45 * 0.25))  # S k^2 / 4 pi = n f
        expected = density * highest - 2 * (0.45 + 0.25) * wave_number / (4 * np.pi) + 0.25
        assert len(plate_modes(STEEL, highest)[0]) == pytest.approx(expected, rel=0.03)


def test_a_wall_rings_as_long_as_its_losses_let_it() -> None:
    """Backward integration (Schroeder 1965) of the response about 3 kHz: 60 dB in its decay time."""
    wall = replace(STEEL, decay_s=0.03, decay_slope=0.0)
    response = wall_responses(np.random.default_rng(1), wall, samplerate=44_100, points=1)[0]
    band = scipy.signal.sosfilt(scipy.signal.butter(2, (2_000, 4_500), "bandpass", fs=44_100, output="sos"), response)
    energy = 10 * np.log10(np.cumsum(band[::-1] ** 2)[::-1] / (band**2).sum())
    assert ((energy > -20).sum() - (energy > -5).sum()) / 44_100 * 4 == pytest.approx(0.03, rel=0.2)


def test_holes_take_the_lows_away() -> None:
    closed, holed = (
        np.abs(np.fft.rfft(wall_responses(np.random.default_rng(1), wall, samplerate=44_100, points=1)[0], 8_192)) ** 2
        for wall in (STEEL, replace(STEEL, perforated_hz=4_000.0))
    )
    low, high = slice(100, 180), slice(1_500, 2_500)  # about 500 to 1000 Hz, and 8 to 13 kHz
    assert 10 * np.log10(closed[low].sum() / closed[high].sum() * holed[high].sum() / holed[low].sum()) > 8


# -- many blows ------------------------------------------------------------------------------------------------


def _times(plan: RoastPlan, seconds: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    assert plan.wide is not None
    beans = Tumbling(plan.wide.machine, None, samplerate=44_100, charge_s=-1e9, drop_s=1e9)
    return np.concatenate([beans.instants(np.random.default_rng([plan.seed, j]), j)[0] for j in range(seconds)])


def test_blows_without_gusts_are_a_poisson_process() -> None:
    """Index of dispersion 1 (Cox & Lewis 1966, from memory), gaps exponential, as many as beans times their rate."""
    plan = _plan(batch_g=100.0, bean_g=0.15, blows_per_bean=1.5)
    times = np.sort(_times(plan, 120))
    assert len(times) == pytest.approx(120 * 100 / 0.15 * 1.5, rel=0.02)
    counts = np.histogram(times, np.arange(0, 120.01, 0.05))[0]
    assert counts.var() / counts.mean() == pytest.approx(1.0, abs=0.12)
    assert scipy.stats.kstest(np.diff(times)[:4_000], "expon", args=(0, 1 / 1_000)).pvalue > 0.001


def test_a_drums_vanes_are_in_the_envelopes_spectrum() -> None:
    """Three vanes, a turn of 1.5 s: blows come in gusts at 2 Hz, the largest line below 20 Hz."""
    plan = _plan(gusts="turn", turn_s=1.5, vanes=3, gust_depth=0.8)
    counts = np.histogram(_times(plan, 60), np.arange(0, 60.001, 0.02))[0].astype(float)
    power = np.abs(np.fft.rfft(counts - counts.mean())) ** 2
    f = np.fft.rfftfreq(len(counts), 0.02)
    assert f[1 + int(power[1:].argmax())] == pytest.approx(2.0, abs=0.02)
    assert counts.sum() / 60 == pytest.approx(plan.wide.machine.blows_per_second, rel=0.03)  # type: ignore[union-attr]


def test_a_hand_has_no_period() -> None:
    plan = _plan(gusts="irregular", turn_s=1.5, gust_depth=0.8)
    counts = np.histogram(_times(plan, 120), np.arange(0, 120.001, 0.02))[0].astype(float)
    assert counts.var() / counts.mean() > 2
    power = np.abs(np.fft.rfft(counts - counts.mean())[1:2_400]) ** 2
    assert power.max() < 0.3 * power.sum()


@pytest.mark.long
def test_blows_have_the_rms_that_campbells_theorem_gives() -> None:
    """Level of the beans alone in the recording against the sum over blows that the stage reckoned with."""
    for seed in range(6):
        with_beans, without = (_plan(seed, beans=beans, snr_low_db=14.0, snr_high_db=14.0) for beans in (True, False))
        stage = Stage(with_beans, None)
        unit = 10 ** (with_beans.level_dbfs / 20) / stage.whole_rms
        heard = in_band_rms(Renderer(with_beans).render().astype(float), 44_100) / unit
        assert heard == pytest.approx(1.0, rel=0.12), seed
        unit = 10 ** (without.level_dbfs / 20) / Stage(without, None).whole_rms
        assert in_band_rms(Renderer(without).render().astype(float), 44_100) / unit == pytest.approx(1.0, rel=0.05)


def test_a_median_blow_lies_below_a_median_crack_as_planned() -> None:
    """A few blows a second, each alone: the median of their peaks, recorded without air, against the cracks' median."""
    plan = _plan(
        3, blow="bounce", blows_per_bean=0.004, batch_g=150.0, bean_g=0.15, snr_low_db=28.0, snr_high_db=28.0,
        blow_below_db=14.0, blow_share=0.95, duration_s=60.0, level_dbfs=-50.0,
    )  # fmt: skip
    silent = replace(plan, wide=replace(plan.wide, beans=False))  # type: ignore[arg-type]
    stage, empty = Stage(plan, None), Stage(silent, None)
    found = []
    for j in range(60):
        # the two differ by the blows, and by the air's share of the whole, which is all but 1
        difference = in_band(stage.cell(j) - empty.cell(j) * stage.air_rms, 44_100)
        times = np.unique(np.nonzero(stage._trains(j)["struck"])[1]) / 44_100
        gaps = np.diff(np.concatenate([[-1], times, [2]]))
        for time, before, after in zip(times, gaps[:-1], gaps[1:], strict=True):
            if before > 0.06 and after > 0.06 and time < 0.9:
                found.append(np.abs(difference[int(time * 44_100) : int((time + 0.05) * 44_100)]).max())
    assert len(found) > 60
    assert 20 * np.log10(np.median(found)) == pytest.approx(28.0 - 14.0, abs=1.5)


def test_where_the_blows_are_many_they_stay_below_their_share() -> None:
    """A thousand blows a second only 8 dB below cracks of 25 dB would be far more than the noise is."""
    plan = _plan(1, snr_low_db=25.0, snr_high_db=25.0, blow_below_db=8.0, blow_share=0.6)
    assert Stage(plan, None).blows_rms == pytest.approx(0.6)


# -- the chorus ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", SHAPES)
def test_a_chorus_begins_where_two_in_a_hundred_have_come(shape: str) -> None:
    chorus = Chorus(100.0, 40.0, 90.0, shape, 0.5)
    times = np.concatenate([chorus.times(np.random.default_rng(seed)) for seed in range(60)])
    assert np.mean(times < 100.0) == pytest.approx(0.02, abs=0.004)
    rate = chorus.per_minute(np.arange(0.0, 600.0, 0.1))
    assert rate.max() == pytest.approx(90.0, rel=0.001)
    assert rate.argmax() * 0.1 == pytest.approx(140.0, abs=0.2)
    assert rate.sum() * 0.1 / 60 == pytest.approx(chorus.cracks, rel=0.01)
    # no kink: the rate's slope changes by little from one second to the next
    slope = np.diff(rate[::10])
    assert np.abs(np.diff(slope)).max() < 0.1 * np.abs(slope).max() + 0.05


def test_a_stalled_roast_falls_silent_for_half_a_minute() -> None:
    chorus = Chorus(100.0, 60.0, 120.0, "normal", 0.0, fade_s=170.0)
    assert chorus.per_minute(np.array([170.0]))[0] == 0.0
    assert chorus.per_minute(np.array([150.0, 190.0])).min() > 60.0
    times = np.concatenate([chorus.times(np.random.default_rng(seed)) for seed in range(20)])
    assert np.mean((times > 163) & (times < 177)) < 0.02


def test_cracks_are_log_normal_in_loudness() -> None:
    """5 and 95 % at the plan's bounds, before the air changes."""
    plan = _plan(
        first_start_s=60.0, ramp_s=60.0, peak_per_minute=400.0, duration_s=300.0, snr_low_db=10.0, snr_high_db=26.0
    )
    levels = [event.snr_db for event in Renderer(plan).truth.events]
    assert len(levels) > 300
    assert np.quantile(levels, [0.05, 0.5, 0.95]) == pytest.approx([10.0, 18.0, 26.0], abs=1.3)
    assert scipy.stats.kstest(levels, "norm", args=(18.0, 16 / 3.2897)).pvalue > 0.001


@pytest.mark.long
def test_cracks_are_recorded_at_their_place_and_level() -> None:
    """With and without cracks, nothing else changed: the difference peaks where the truth says, as high as it says."""
    for seed in range(5):
        plan = _plan(seed, strays_per_minute=30.0, stray_clump_probability=0.0, air_steps=((10.0, 6.0),))
        renderer = Renderer(plan)
        without = Renderer(replace(plan, strays_per_minute=0.0)).render().astype(float)
        cracks = in_band(renderer.render() - without, 44_100)
        steady = in_band(without, 44_100)
        times = np.array([event.time_s for event in renderer.truth.events])
        for event in renderer.truth.events:
            if not 1 < event.time_s < 19 or (np.abs(times - event.time_s) < 0.2).sum() > 1 or 9 < event.time_s < 12:
                continue
            at = round(event.time_s * 44_100)
            near = np.abs(cracks[at - 900 : at + 900])
            noise = np.sqrt(np.mean((steady[44_100 : 9 * 44_100] if event.time_s < 10 else steady[12 * 44_100 :]) ** 2))
            assert abs(int(near.argmax()) - 900) <= 44
            assert 20 * np.log10(near.max() / noise) == pytest.approx(event.snr_db, abs=2.0)


# -- room and recorder -----------------------------------------------------------------------------------------


def test_a_kitchens_decay_is_sabines() -> None:
    """Schroeder's backward integration, 1 to 4 kHz, slope from -5 to -25 dB; absorption from .161 V / (S RT)."""
    place = Place(room_m=(4.0, 3.0, 2.5), rt60_s=0.5)
    assert place.absorption == pytest.approx(0.161 * 30 / (59 * 0.5))
    sos = scipy.signal.butter(3, (1_000, 4_000), "bandpass", fs=44_100, output="sos")
    found = []
    for seed in range(4):
        response = place_response(np.random.default_rng(seed), place, 1.3, samplerate=44_100)
        band = scipy.signal.sosfilt(sos, response)
        energy = 10 * np.log10(np.cumsum(band[::-1] ** 2)[::-1] / (band**2).sum())
        found.append(((energy > -25).sum() - (energy > -5).sum()) / 44_100 * 3)
    assert np.mean(found) == pytest.approx(0.5, rel=0.2)


def test_direct_sound_lies_where_the_distance_says() -> None:
    """r_h = .057 sqrt(V / RT): at that distance as strong as the reverberation (H. Kuttruff, from memory)."""
    place = Place(room_m=(4.0, 3.0, 2.5), rt60_s=0.5, table=0.0)
    radius = 0.057 * np.sqrt(30 / 0.5)
    assert place.direct_db(radius) == pytest.approx(0.0, abs=1e-9)
    for distance in (0.5 * radius, 2 * radius):
        later = [
            float((place_response(np.random.default_rng(s), place, distance, samplerate=44_100)[1:] ** 2).sum())
            for s in range(6)
        ]
        assert -10 * np.log10(np.mean(later)) == pytest.approx(place.direct_db(distance), abs=2.0)


def test_a_slow_gain_brings_levels_together_within_its_range() -> None:
    fs = 16_000
    gain = SlowGain(range_db=8.0, fall_s=0.3, rise_s=2.0, reference=1.0, samplerate=fs)
    noise = np.random.default_rng(1).standard_normal(fs)
    levels = [np.std(gain(noise * level)) for level in [1.0] * 3 + [2.0] * 6 + [0.1] * 20]
    assert levels[2] == pytest.approx(1.0, rel=0.1)
    assert levels[8] == pytest.approx(1.0, rel=0.1)  # 6 dB are within its range
    assert levels[-1] == pytest.approx(0.1 * 10 ** (8 / 20), rel=0.05)  # 20 dB are not


def test_a_coder_without_loss_is_a_delay_and_else_leaves_its_noise() -> None:
    sound = np.random.default_rng(1).standard_normal(20_000)
    for noise_db, error_db in ((200.0, -200.0), (12.0, -12.0)):
        coder = Coder(noise_db=noise_db, highest_hz=22_050.0, samplerate=44_100)
        out = np.concatenate([coder(part) for part in np.split(sound, [3_000, 3_001, 12_000])])
        error = out[coder.delay :] - sound[: -coder.delay]
        assert 20 * np.log10(error.std()) == pytest.approx(error_db, abs=1.0)


@cache
def _without_parts(drop_s: float | None) -> list[Samples]:
    """The seconds of the machine below without any part; which are the same whatever parts are planned."""
    still = Stage(_plan(2, turn_s=5.0, drop_s=drop_s), None)
    still._parts.clear()
    return [still.cell(j) for j in range(20)]


@pytest.mark.parametrize("name", sorted(mechanism.PARTS))
def test_parts_are_as_loud_as_planned(name: str) -> None:
    """A recording with them against the same without: in-band peak at their level over a median crack's, within what
    two sounds together or another echo add, and not far less unless it is a thump."""
    turns = name in ("axle", "squeak", "scraper")
    planned = () if name in ("gate", "chaff", "crackle") else (wide.Part(name, 1.0 if turns else 12.0, 0.0),)
    plan = _plan(
        2, parts=planned, turn_s=5.0, drop_s=10.0 if name == "gate" else None,
        chaff_per_minute=12.0 if name == "chaff" else 0.0, crackle_per_minute=12.0 if name == "crackle" else 0.0,
    )  # fmt: skip
    stage = Stage(plan, None)
    loudest = max(part.level_db for part in stage._parts)
    peak = max(
        np.abs(in_band(stage.cell(j) - still, 44_100)).max() for j, still in enumerate(_without_parts(plan.drop_s))
    )
    crack_db = (plan.snr_low_db + plan.snr_high_db) / 2
    assert loudest - 12 < 20 * np.log10(peak) - crack_db < loudest + 3


# -- families --------------------------------------------------------------------------------------------------


def test_every_family_has_its_generator() -> None:
    assert set(wide.CRACK_NAMES) == set(voices.CRACKS)
    assert set(wide.BLOW_NAMES) == set(blows.BLOWS)
    assert set(wide.KIND_NAMES) == set(kinds.KINDS)
    assert len(wide.CRACK_NAMES) >= 6
    assert len(wide.BLOW_NAMES) >= 6


def test_drawing_leaves_out_what_it_is_told_to() -> None:
    bank = _bank()
    drawn = [plan_roast(seed=seed, family="wide", duration_s=50.0, sounds=bank).wide for seed in range(400)]
    met = frozenset().union(*(one.families for one in drawn if one is not None))
    assert met == set(wide.FAMILIES)
    gone = frozenset({"crack:dipole", "blow:hertz", "kind:drum"})
    for seed in range(200):
        one = plan_roast(seed=seed, family="wide", duration_s=50.0, sounds=bank, leave_out=gone).wide
        assert one is not None
        assert not one.families & gone
    without = [plan_roast(seed=seed, family="wide", duration_s=50.0).wide for seed in range(200)]
    assert not frozenset().union(*(one.families for one in without if one is not None)) & set(wide.RECORDED)


def test_drawn_machines_are_what_a_kitchen_may_hold() -> None:
    """Beans of .13 to .17 g (common practice), .2 to 4 blows of each a second, contacts of some 50 to 340 us (Hertz),
    direct sound from 11 dB below to 5 dB above its reverberation: nine in ten of 300 machines."""
    machines = [kinds.draw_machine(seed, samplerate=44_100)[0] for seed in range(300)]

    def middle(values: list[float]) -> tuple[float, float]:
        low, high = np.quantile(values, [0.05, 0.95])
        return float(low), float(high)

    assert all(0.13 <= machine.bean_g <= 0.17 for machine in machines)
    assert all(0.2 <= machine.blows_per_bean <= 4.0 for machine in machines)
    rates = middle([machine.blows_per_second for machine in machines])
    assert 300 < rates[0] < 700
    assert 3_000 < rates[1] < 6_000
    contacts = [
        float(
            contact_time(m.bean_g / 1_000, BEAN_RADIUS_M, m.modulus_pa * m.stiffening**0.5, np.array([m.speed_mps]))[0]
        )
        for m in machines
    ]
    assert 50e-6 < middle(contacts)[0] < 120e-6
    assert 200e-6 < middle(contacts)[1] < 340e-6
    direct = middle([machine.place.direct_db(machine.place.distance_m) for machine in machines])
    assert -11.0 < direct[0] < -5.0
    assert 2.0 < direct[1] < 6.0
    assert {machine.kind for machine in machines} == set(wide.KIND_NAMES) - {"recorded bed"}


def test_an_unknown_family_is_refused_by_name() -> None:
    with pytest.raises(SettingError, match="blow:nothing"):
        plan_roast(seed=1, family="wide", leave_out=frozenset({"blow:nothing"}))
    with pytest.raises(SettingError, match="every kind family"):
        plan_roast(seed=1, family="wide", leave_out=frozenset(f"kind:{name}" for name in wide.KIND_NAMES))
    with pytest.raises(SettingError, match="narrow or wide"):
        plan_roast(seed=1, family="tall")


@pytest.mark.parametrize("samplerate", [16_000, 44_100])
@pytest.mark.parametrize("family", wide.FAMILIES)
def test_every_family_sounds(family: str, samplerate: int) -> None:
    """Three seconds of each: finite, neither silent nor clipped, its cracks heard above the machine."""
    prefix, name = family.split(":")
    others = frozenset(other for other in wide.FAMILIES if other.startswith(f"{prefix}:") and other != family)
    plan = plan_roast(
        seed=7, family="wide", scenario="chorus", duration_s=3.0, samplerate=samplerate, sounds=_bank(),
        leave_out=others,
        overrides={"snr_low_db": 25.0, "snr_high_db": 27.0, "level_dbfs": -45.0, "household": (), "first_start_s": 1.5,
                   "ramp_s": 3.0, "peak_per_minute": 600.0},
    )  # fmt: skip
    assert plan.wide is not None
    assert family in plan.wide.families
    renderer = Renderer(plan, sounds=_bank())
    sound = renderer.render()
    assert np.isfinite(sound).all()
    assert -60 < 20 * np.log10(sound.std()) < -30
    assert np.abs(sound).max() < 0.99
    assert len(renderer.truth.events) > 5


def test_recorded_sounds_must_be_there_when_they_are_asked_for() -> None:
    others = frozenset(f"crack:{name}" for name in wide.CRACK_NAMES if name != "grain")
    plan = plan_roast(seed=1, family="wide", duration_s=3.0, sounds=_bank(), leave_out=others)
    with pytest.raises(SettingError, match="needs recorded cracks"):
        Renderer(plan)


def test_one_machine_roasts_twice_with_the_same_walls_and_other_cracks() -> None:
    one, two, other = (
        plan_roast(seed=seed, machine_seed=machine, family="wide", scenario="chorus", duration_s=5.0)
        for seed, machine in ((1, 9), (2, 9), (1, 10))
    )
    assert one.wide is not None and two.wide is not None and other.wide is not None  # noqa: PT018
    assert one.wide.machine == two.wide.machine
    assert one.microphone == two.microphone
    assert one.wide.machine != other.wide.machine
    first, second = Stage(one, None), Stage(two, None)
    assert np.array_equal(first._kernels, second._kernels)
    assert np.array_equal(first._paths["air"], second._paths["air"])
    assert [e.time_s for e in Renderer(one).truth.events] != [e.time_s for e in Renderer(two).truth.events]


def test_same_seeds_same_samples_however_they_are_asked_for() -> None:
    for seed in (3, 4):
        plan = plan_roast(seed=seed, family="wide", scenario="chorus", samplerate=16_000, duration_s=6.5)
        whole = Renderer(plan).render()
        assert len(whole) == 104_000
        assert np.array_equal(whole, Renderer(plan).render())
        assert np.array_equal(whole, np.concatenate(list(Renderer(plan).blocks(0.3))))
        again = RoastPlan.from_dict(json.loads(json.dumps(plan.to_dict())))
        assert again == plan
        assert np.array_equal(whole, Renderer(again).render())


@pytest.mark.long
def test_memory_does_not_grow_with_the_length() -> None:
    def peak(duration_s: float) -> float:
        renderer = Renderer(
            plan_roast(seed=2, family="wide", scenario="roast", samplerate=8_000, duration_s=duration_s)
        )
        tracemalloc.start()
        try:
            for _ in renderer.blocks():
                pass
            return tracemalloc.get_traced_memory()[1] / 1e6
        finally:
            tracemalloc.stop()

    peak(30.0)  # what is made once
    assert peak(600.0) < peak(60.0) + 4.0  # MB; the samples alone would be 19


def test_scenes_are_short_and_dense_or_whole_roasts_and_leave_out_families() -> None:
    gone = frozenset({"kind:oven", "crack:jet"})
    for number in range(30):
        short = wide_scene(number, bank=None, leave_out=gone)
        whole = wide_scene(number, bank=None, leave_out=gone, duration_s=None, machine_seed=5)
        assert short.plan.duration_s == 50.0
        assert 150.0 <= whole.plan.duration_s <= 480.0
        for scene in (short, whole):
            assert scene.plan.wide is not None
            assert not scene.plan.wide.families & gone
            assert not scene.real
        assert whole.plan.wide is not None
        assert whole.plan.wide.machine.seed == 5
        if short.scenario == "chorus":
            truth = rendered(short, None)[1]
            assert sum(event.kind == "first" for event in truth.events) >= 10
    lent = [wide_scene(number, bank=_bank()) for number in range(20)]
    assert {scene.real for scene in lent} == {False, True}


def test_the_command_renders_a_wide_roast(tmp_path: Path) -> None:
    arguments = ["synth", "roast", "--family", "wide", "--seed", "3", "--duration", "0:08", "--samplerate", "16000"]
    assert main([*arguments, "--out", str(tmp_path), "--set", "strays_per_minute=30"]) == 0
    truth = Truth.from_json((tmp_path / "roast-3.json").read_text(encoding="utf-8"))
    assert truth.plan is not None
    assert RoastPlan.from_dict(truth.plan).wide is not None
    assert truth.density(4.0) > 0
    assert (tmp_path / "roast-3.flac").stat().st_size > 50_000
