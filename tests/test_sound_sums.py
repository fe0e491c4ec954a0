"""How loud a machine, its cracks and the microphone are: sums against closed forms, and what is told of them."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from itertools import permutations
from pathlib import Path
from queue import SimpleQueue
from types import SimpleNamespace

import numpy as np
import pytest
from clicks import clicks_in_noise
from conftest import OWN_MACHINE, POINT, plain_classifier

from crackdetect import model as model_files
from crackdetect.blocks import Block
from crackdetect.cli import listen
from crackdetect.deciding.machine_sums import MachineSums
from crackdetect.errors import ModelError
from crackdetect.hearing.onset import Cell
from crackdetect.hearing.spectrum import BAND_EDGES, BANDS, frame_length
from crackdetect.listening.other_microphone import listens_to_the_microphone
from crackdetect.model import Model, digest_of
from crackdetect.notice import Notice
from crackdetect.pipeline import Pipeline
from crackdetect.roast.record import Crack, Moment, Roast, RoastRecord
from crackdetect.storage import machine_profiles
from crackdetect.teach.heard_again import hear_again
from crackdetect.teach.machine_profile import HALF_LIFE, MachineProfile, weighed
from crackdetect.teach.sound_sums import (
    MicrophoneCheck,
    MicrophoneLevels,
    SoundSums,
    crack_levels,
    level_sums,
    loudness_told,
    mean_sd,
    microphone_change,
    stretches,
)

RATE = 44_100
CELL_S = 128 * frame_length(RATE) / 4 / RATE


def of_roast(seed: int) -> SoundSums:
    rng = np.random.default_rng(seed)
    levels = rng.normal(-60, 3, BANDS)
    cracks = rng.normal(15, 2, 40)
    sums = np.array([40.0, cracks.sum(), (cracks**2).sum()])
    return SoundSums(level_sums(levels), sums, np.array([500.0, 90.0, 60.0]), np.array([10.0, 60.0, 2.0]))


def assert_same(one: SoundSums, other: SoundSums) -> None:
    for each in fields(one):
        assert getattr(one, each.name) == pytest.approx(getattr(other, each.name), rel=1e-9, abs=1e-6)


def test_roasts_added_and_taken_out_in_any_order_are_the_same() -> None:
    parts = [of_roast(seed) for seed in range(4)]
    whole = parts[0] + parts[1] + parts[2] + parts[3]
    for order in permutations(parts):
        assert_same(order[0] + order[1] + order[2] + order[3], whole)
    assert_same(whole - parts[2] - parts[0], parts[1] + parts[3])
    assert_same(whole - whole, SoundSums.none())


def test_a_roast_counts_half_after_so_many_others() -> None:
    """Exponential forgetting of equal roasts is a geometric series, (1 - q^n) / (1 - q) with q = 2^(-1/20)."""
    one, q = of_roast(1), 2 ** (-1 / HALF_LIFE)
    for count in (1, 20, 37):
        assert_same(weighed([one] * count), (1 - q**count) / (1 - q) * one)


def test_mean_and_spread_are_numpys() -> None:
    values, weights = np.random.default_rng(2).normal(14, 3, 50), np.random.default_rng(3).uniform(0, 1, 50)
    sums = np.array([weights.sum(), weights @ values, weights @ values**2])
    mean = np.average(values, weights=weights)
    sd = np.sqrt(np.average((values - mean) ** 2, weights=weights))
    assert mean_sd(sums) == pytest.approx((mean, sd))
    assert SoundSums.none().crack_db is None


def test_sounds_are_counted_before_in_and_after_first_crack() -> None:
    times, likely = np.array([10.0, 50.0, 100.0, 130.0, 170.0, 180.0]), np.array([0.9, 0.4, 0.5, 0.9, 0.1, 0.8])
    seconds, counts = stretches(times, likely, start_s=100.0, end_s=160.0, length_s=200.0)
    assert (seconds.tolist(), counts.tolist()) == ([100.0, 60.0, 40.0], [1.0, 2.0, 1.0])
    sums = replace(SoundSums.none(), seconds=seconds, likely=counts)
    assert sums.likely_per_minute == pytest.approx((0.6, 2.0, 1.5))
    seconds, counts = stretches(times, likely, start_s=None, end_s=None, length_s=200.0)
    assert (seconds.tolist(), counts.tolist()) == ([200.0, 0.0, 0.0], [4.0, 0.0, 0.0])
    seconds, _ = stretches(times, likely, start_s=-5.0, end_s=400.0, length_s=200.0)
    assert seconds.tolist() == [0.0, 200.0, 0.0]


def test_the_level_of_cracks_is_that_of_what_counts_as_one() -> None:
    """In the log what was none, a second crack and what is not heard again are beside them."""
    heard = (
        (10.0, "first", 9.0),
        (20.01, "first", 12.0),
        (30.0, "second", 30.0),
        (40.0, "first", 16.0),
        (90.0, "first", 1.0),
    )
    cracks = tuple(Crack(at, kind, 0.9, db) for at, kind, db in heard)  # type: ignore[arg-type]
    moments = {"first_crack.start": Moment(marked_s=15.0)}
    record = RoastRecord(Roast(1, "one", "2026-01-01", "2026-01-01T00:00:00+00:00", moments=moments), cracks=cracks)
    times, weights = np.array([10.0, 20.0, 30.0, 40.0]), np.array([0.0, 1.0, 1.0, 0.5])
    assert crack_levels(record, times, weights) == pytest.approx([1.5, 12 + 8, 144 + 128])
    assert crack_levels(record, np.zeros(0), np.zeros(0)).tolist() == [0, 0, 0]
    loud = replace(record, cracks=tuple(crack._replace(snr_db=1e9) for crack in cracks))
    assert crack_levels(loud, times, weights) == pytest.approx([1.5, 1.5 * 120, 1.5 * 120**2])


def test_what_is_told_of_it() -> None:
    assert loudness_told(SoundSums.none()) == []
    sums = replace(of_roast(3), cracks=np.array([10.0, 140.0, 1960.0 + 90.0]))
    assert loudness_told(sums) == [
        "cracks that were heard here are usually 14 dB over the noise (give or take 3 dB)",
        "sounds a minute that it takes for cracks as shipped: 1.2 before first crack, 40.0 in it, 2.0 after it",
    ]


# -- the microphone --------------------------------------------------------------------------------------------


def cells(levels_db: np.ndarray, *, seconds: float = 70.0, seed: int = 0) -> list[Cell]:
    """Of noise of these levels, dB of full scale, scattered by half a dB."""
    rng, length = np.random.default_rng(seed), frame_length(RATE)
    energy = 10 ** (levels_db / 10) * length * 0.375 * length / 2
    count = round(seconds / CELL_S)
    return [Cell(i, (energy * 10 ** rng.normal(0, 0.05, (3, BANDS))).astype(np.float32)) for i in range(count)]


USUAL = np.linspace(-50, -70, BANDS)


@pytest.mark.parametrize("samplerate", [16_000, 44_100, 48_000])
def test_white_noise_has_the_level_of_its_bandwidth(model: Model, samplerate: int) -> None:
    """Of white noise of variance v a band of f Hz has the power 2 f v / samplerate (flat); the median of
    a sum of n energies lies under their mean by some tenths of a dB in the wide bands (Wilson and Hilferty, PNAS 17,
    684, 1931)."""
    rng = np.random.default_rng(5)
    samples = (0.01 * rng.normal(size=20 * samplerate)).astype(np.float32)
    heard = hear_again([Block(samples)], samplerate=samplerate, model=model)
    assert heard.levels is not None
    assert heard.length_s == pytest.approx(20, abs=0.5)
    bin_hz = samplerate / frame_length(samplerate)
    carried = np.isfinite(heard.levels)
    widths = np.diff(BAND_EDGES)[carried] * bin_hz
    power_db = 10 * np.log10(2 * widths * 1e-4 / samplerate)
    assert carried.sum() == (BANDS if samplerate > 40_000 else 7)
    wide = widths > 1500
    assert heard.levels[carried][wide][:-1] == pytest.approx(power_db[wide][:-1], abs=0.5)


def test_a_minute_is_listened_to_and_a_short_recording_says_what_it_can() -> None:
    heard = MicrophoneLevels(RATE)
    given = cells(USUAL)
    heard.push(given[: round(64 / CELL_S)])
    assert heard.levels is None
    heard.push(given[round(64 / CELL_S) :])
    assert heard.levels == pytest.approx(USUAL, abs=0.1)
    for seconds, says in ((20.0, True), (12.0, False)):
        short = MicrophoneLevels(RATE)
        short.push(cells(USUAL, seconds=seconds))
        assert (short.finish() is not None) is says


def taught_by(*levels: np.ndarray) -> SoundSums:
    return weighed([replace(SoundSums.none(), levels=level_sums(one)) for one in levels])


@pytest.mark.parametrize(
    ("taught", "change", "words"),
    [
        ([0, 1, -1], 0.0, ""),
        ([0, 1, -1], -8.0, ""),
        ([0, 1, -1], -12.0, "is about 12 dB softer than when this machine was taught: the roaster may not have been"),
        ([0, 1, -1], 15.0, "is about 15 dB louder than when this machine was taught"),
        ([0], -12.0, "or the microphone was moved or turned down"),
        ([0, 12, -12], -12.0, ""),  # it never stood in one place
        ([0, 1, -1], np.where(np.arange(BANDS) > 6, -14.0, 0.0), "differs by up to 14 dB in some pitches"),
        ([0, 1, -1], np.where(np.arange(BANDS) == 2, 20.0, 0.0), ""),  # a fan's whistle
        ([0, 1, -1], np.where(np.arange(BANDS) > 6, np.nan, 0.0), ""),  # a lower sample rate
        ([0, 1, -1], np.full(BANDS, np.nan), ""),
    ],
)
def test_it_is_told_where_the_microphone_is_not_what_it_was(taught: list[float], change: object, words: str) -> None:
    said = microphone_change(taught_by(*(USUAL + shift for shift in taught)), USUAL + np.asarray(change, float))
    assert words in said if words else said == ""
    assert not said or said.endswith("; put it back as it was, or teach again")


def test_it_is_told_once_and_not_where_nothing_is_known() -> None:
    for sums, count in ((taught_by(USUAL), 1), (SoundSums.none(), 0)):
        check = MicrophoneCheck(sums, samplerate=RATE)
        said = [check.push([cell]) for cell in cells(USUAL - 12, seconds=200)]
        assert sum(map(bool, said)) == count


@pytest.fixture(scope="module")
def learning(tmp_path_factory: pytest.TempPathFactory) -> Model:
    path = tmp_path_factory.mktemp("learning") / "learning.json"
    plain = plain_classifier(path)
    model_files.save(path, replace(plain, own_machine=OWN_MACHINE), golden=model_files.golden_of(path), card={})
    return model_files.load(path)


def profile_of(model: Model, sound: SoundSums) -> MachineProfile:
    sums = MachineSums.none(POINT)
    return MachineProfile("drum", model.digest, ("monday",), replace(sums, machine=1.0), sound=sound)


def test_at_the_roaster_a_microphone_turned_down_by_12_db_is_told(tmp_path: Path, learning: Model) -> None:
    """Of the same sound, one time as it was; 20 lg(1/4) dB = -12.04 dB. Cut into any blocks it is the same."""
    sound = clicks_in_noise([20.0, 30.0, 33.0], samplerate=16_000, duration_s=70, frequency_hz=3_000)
    taught = hear_again([Block(sound)], samplerate=16_000, model=learning)
    sums = replace(SoundSums.none(), levels=level_sums(taught.levels))
    machine_profiles.adopt(profile_of(learning, sums), data=tmp_path)
    model = machine_profiles.knowing(learning, "drum", data=tmp_path, note=lambda sentence: None)

    def notices(samples: np.ndarray, model: Model, block: int) -> list[Notice]:
        queue: SimpleQueue[Notice] = SimpleQueue()
        overhear = listens_to_the_microphone(model, samplerate=16_000, data=tmp_path, notices=queue)
        pipeline = Pipeline(samplerate=16_000, model=model, overhear=overhear)
        for start in range(0, len(samples), block):
            pipeline.push(Block(samples[start : start + block]))
        return [queue.get_nowait() for _ in range(queue.qsize())]

    (notice,) = notices(sound / 4, model, 16_000)
    assert notice.kind == "other_microphone"
    assert "about 12 dB softer" in notice.message
    assert notices(sound / 4, model, 5_000) == [notice]
    assert notices(sound, model, 16_000) == notices(sound / 4, learning, 16_000) == []


def test_a_roast_that_is_gone_on_with_is_not_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    """What it hears next is not its first minute."""
    made: list[dict[str, object]] = []
    monkeypatch.setattr("crackdetect.pipeline.Pipeline", lambda **given: made.append(given))
    state = SimpleNamespace(settings=None, about=None)
    for cut_off in (None, SimpleNamespace(state=state)):
        listen._pipeline(None, SimpleNamespace(samplerate=RATE), "r", None, None, cut_off, trace=print, overhear=print)  # type: ignore[arg-type]
    assert [one["overhear"] for one in made] == [print, None]


# -- in a file -------------------------------------------------------------------------------------------------


def test_it_is_kept_and_a_file_of_before_knows_nothing_of_it(tmp_path: Path, learning: Model) -> None:
    path = tmp_path / "drum.json"
    sound = of_roast(1) + 0.3 * of_roast(2)
    profile = machine_profiles.write(profile_of(learning, sound), path, replace=False)
    read = machine_profiles.read(path)
    assert_same(read.sound, sound)
    assert read.says_the_same_as(profile)
    assert not replace(read, sound=of_roast(1)).says_the_same_as(profile)
    content = json.loads(path.read_text())
    assert content["format_version"] == 2
    before = {key: value for key, value in content.items() if key not in ("sound", "labels", "digest")}
    before |= {"format_version": 1}
    path.write_text(json.dumps(before | {"digest": digest_of(before)}))
    old = machine_profiles.read(path)
    assert_same(old.sound, SoundSums.none())
    assert old.fits(learning)
    assert loudness_told(old.sound) == []


@pytest.mark.parametrize(
    "change",
    [
        {"cracks": [1.0, 500.0, 1.0]},
        {"cracks": [-1.0, 0.0, 0.0]},
        {"cracks": [1.0, 1.0]},
        {"cracks": [1.0, 1.0, -1.0]},
        {"cracks": [1.0, 1.0, float("nan")]},
        {"levels": [[1.0] * BANDS] * 2},
        {"levels": [[1e300] * BANDS] * 3},
        {"levels": "loud"},
        {"seconds": [1.0, -1.0, 0.0]},
        {"likely": [[1.0], 1.0, 1.0]},
        {"likely": {}},
    ],
)
def test_sums_that_no_roasts_give_are_refused(tmp_path: Path, learning: Model, change: dict[str, object]) -> None:
    path = tmp_path / "drum.json"
    machine_profiles.write(profile_of(learning, of_roast(1)), path, replace=False)
    content = json.loads(path.read_text())
    content["sound"] |= change
    path.write_text(json.dumps(content | {"digest": digest_of(content)}))
    with pytest.raises(ModelError, match="is damaged; teach the machine again"):
        machine_profiles.read(path)
