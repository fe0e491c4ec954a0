"""The review of a kept roast without a browser: what is asked and why, pictures, sound, and what the page lets in."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal
import soundfile
from commands import Run
from roasts import HOSTILE, roast_events

from crackdetect.errors import InputError
from crackdetect.roast.corrections import Corrections, CrackLabel
from crackdetect.roast.doubtful import ALIKE_S, doubtful
from crackdetect.roast.record import Crack, Moment, Roast, RoastRecord
from crackdetect.storage import unsaid_sounds
from crackdetect.storage.journal import roasts_folder
from crackdetect.storage.kept_sound import own_recording
from crackdetect.storage.recording import SOUND_NAME
from crackdetect.storage.roast_store import RoastLog

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

from patience import PATIENCE_S, wait_until  # noqa: E402
from reviewed import CRACKS, MISSED, RATE, Reviewed, kept_roast  # noqa: E402

from crackdetect.audio.files import RecordingSource  # noqa: E402
from crackdetect.page import door, tiles  # noqa: E402
from crackdetect.page.tiles import COLUMNS, FINEST_S, ROWS, Tiles  # noqa: E402


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reviewed]:
    """One that is asked by many, none of whom says anything."""
    with Reviewed(tmp_path_factory.mktemp("home")) as page:
        yield page
        assert page.record.corrections == Corrections()


@pytest.fixture
def reviewed(tmp_path: Path) -> Iterator[Reviewed]:
    with Reviewed(tmp_path) as page:
        yield page


# -- what is asked ---------------------------------------------------------------------------------------------


def record(*cracks: tuple[float, float], said: Corrections | None = None) -> RoastRecord:
    """cracks: rows of seconds and probability. Charge at 0, drop at 600 s."""
    moments = {
        "charge": Moment(marked_s=0.0),
        "first_crack.start": Moment(heard_s=300.0, earliest_s=290.0, latest_s=310.0),
        "first_crack.end": Moment(heard_s=400.0),
        "drop": Moment(marked_s=600.0),
    }
    roast = Roast(1, "monday", "2026-03-01", "2026-03-01T00:00:00+00:00", moments=moments)
    heard = tuple(Crack(at, "first", sure, 15.0) for at, sure in cracks)
    return RoastRecord(roast, heard, corrections=said or Corrections())


def places(found: RoastRecord, most: int = 20) -> list[int]:
    return [one.place for one in doubtful(found, most=most)]


def test_the_nearest_to_the_boundary_comes_first() -> None:
    assert places(record((100.0, 0.8), (200.0, 0.52), (300.0, 0.65), (400.0, 0.95))) == [1, 2, 0]


def test_the_order_is_spread_over_the_roast() -> None:
    """Three alike at one place, one a bit surer far from them: it comes before the second of the three."""
    assert places(record((100.0, 0.55), (100.5, 0.55), (101.0, 0.55), (400.0, 0.7))) == [0, 3, 2, 1]
    # by the formula: at the distance d the second teaches 1 - exp(-d / 10 s) of what it would alone
    near, far = 4 * 0.55 * 0.45 * (1 - np.exp(-1.0 / ALIKE_S)), 4 * 0.7 * 0.3
    assert near < far


def test_what_was_listened_to_or_lies_outside_the_roast_is_not_asked() -> None:
    said = Corrections((CrackLabel(200.0, None, "Ada", "2026-03-01"),))
    assert places(record((-5.0, 0.5), (200.0, 0.5), (200.5, 0.5), (300.0, 0.6), (601.0, 0.5), said=said)) == [3, 2]
    assert places(record((100.0, 0.95))) == []
    assert len(places(record(*((float(at), 0.6) for at in range(100))), most=7)) == 7


def test_what_was_almost_taken_for_a_crack_is_asked_about_as_well() -> None:
    """Counted on from the cracks; of .2 to .5 as the formula has it, .48 before .55 before .3; less than .2 never."""
    unsaid = [Crack(100.0, "first", 0.3, 0.0), Crack(300.0, "first", 0.48, 0.0), Crack(500.0, "first", 0.19, 0.0)]
    found = record((200.0, 0.55), (400.0, 0.75))
    asked = doubtful(found, most=20, unsaid=unsaid)
    assert [(one.place, one.crack.at_s) for one in asked] == [(3, 300.0), (0, 200.0), (2, 100.0), (1, 400.0)]
    assert asked[2].why.startswith("The program was 30 % sure of it, too little to say so, it came before first crack")
    said = Corrections((CrackLabel(300.0, True, "Ada", "2026-03-01"),))
    assert [one.place for one in doubtful(record((200.0, 0.55), said=said), most=20, unsaid=unsaid)] == [0, 1]


@pytest.mark.parametrize(
    ("at", "why"),
    [
        (100.0, "The program was 60 % sure of it, it came before first crack, and it stands alone."),
        (305.0, "The program was 60 % sure of it, it lies where first crack may have begun, and it stands alone."),
        (350.0, "The program was 60 % sure of it, and it stands alone."),
        (500.0, "The program was 60 % sure of it, it came after first crack had ended, and it stands alone."),
    ],
)
def test_it_says_why_it_asks(at: float, why: str) -> None:
    assert [one.why for one in doubtful(record((at, 0.6)), most=1)] == [why]


def test_a_review_of_ten_cards_ends_in_the_log(reviewed: Reviewed) -> None:
    shown = reviewed.shown()
    assert shown["asked"] == 10  # every fourth of forty is .55 sure, the others .9
    answers = [True, False, None] * 4
    expected = {}
    for left, is_crack in zip(range(9, -1, -1), answers, strict=False):
        place, why = shown["cards"][0]
        assert why
        expected[shown["cracks"][place][0]] = is_crack
        status, stands = reviewed.say({"crack": place, "is": is_crack})
        assert (status, len(stands["cards"])) == (200, left)
        shown |= stands
    assert {one.at: one.is_crack for one in reviewed.record.corrections.cracks} == expected
    assert {one.by for one in reviewed.record.corrections.labels} == {"Ada"}
    assert shown["more"] == 0
    number, words = shown["undo"]
    status, stands = reviewed.say({"undo": number})
    assert len(stands["cards"]) == 1
    assert len(reviewed.record.corrections.labels) == 9
    assert reviewed.say({"undo": number})[0] == 409  # another page was faster


def test_a_moment_is_moved_refused_put_back_and_undone(reviewed: Reviewed) -> None:
    def start(stands: dict[str, Any]) -> tuple[Any, ...]:
        mark = next(one for one in stands["marks"] if one["what"] == "first_crack.start")
        return mark["at"], mark["whose"], mark["heard"], mark["interval"]

    assert start(reviewed.shown()) == (40.0, "heard", 40.0, [34.0, 46.0])
    status, stands = reviewed.say({"mark": "first_crack.start", "at": 42.5})
    assert (status, *start(stands)) == (200, 42.5, "corrected", 40.0, [34.0, 46.0])
    assert stands["undo"][1] == "first crack to 0:38"
    status, told = reviewed.say({"mark": "first_crack.start", "at": 140.0})
    assert (status, "must come after" in told) == (409, True)
    assert start(reviewed.shown())[0] == 42.5
    assert start(reviewed.say({"mark": "first_crack.start", "at": None})[1])[:2] == (None, "corrected")
    assert start(reviewed.say({"undo": reviewed.shown()["undo"][0]})[1])[:2] == (42.5, "corrected")
    assert start(reviewed.say({"restore": "first_crack.start"})[1])[:2] == (40.0, "heard")
    assert reviewed.record.roast.moment("first_crack.start").heard_s == 40.0


def test_a_crack_that_was_missed_is_added_at_the_sound_itself_and_undone(reviewed: Reviewed) -> None:
    """The sound has a click at 45.0 s that the log does not know; a person points 40 ms beside it."""
    place = len(reviewed.shown()["cracks"])
    status, stands = reviewed.say({"missed": 45.04, "within": 0.08})
    assert status == 200
    ((at),) = stands["missed"]
    assert at == stands["placed"] == pytest.approx(MISSED, abs=0.003)
    assert [place, True] in stands["labels"]
    assert stands["undo"][1] == "a crack added, 0:40"
    label = reviewed.record.corrections.labels[-1]
    assert (label.at, label.is_crack, label.by) == (pytest.approx(at, abs=1e-5), True, "Ada")
    assert label.when[:2] == "20"
    assert reviewed.record.not_heard == (label,)
    _, stands = reviewed.say({"crack": place, "is": False})  # on second thoughts
    assert ([place, False] in stands["labels"], stands["missed"]) == (True, [at])
    _, stands = reviewed.say({"undo": stands["undo"][0]})
    assert [place, True] in stands["labels"]
    _, stands = reviewed.say({"undo": stands["undo"][0]})
    assert (stands["missed"], stands["labels"], stands["undo"]) == ([], [], None)


def test_what_was_heard_is_not_added_again(reviewed: Reviewed) -> None:
    status, stands = reviewed.say({"missed": 42.03, "within": 0.08})
    assert (status, stands["missed"], stands["placed"]) == (200, [], 42.0)
    assert [(label.at, label.is_crack) for label in reviewed.record.corrections.labels] == [(42.0, True)]


@pytest.mark.parametrize("at", [-5.0, 0.0, 149.9999, 1e5])
def test_a_place_outside_of_the_recording_is_its_end(reviewed: Reviewed, at: float) -> None:
    status, stands = reviewed.say({"missed": at, "within": 0.1})
    assert status == 200
    assert 0 <= stands["placed"] <= 150


def test_the_log_and_the_report_show_what_was_added(reviewed: Reviewed) -> None:
    from crackdetect.terminal.roast_lines import correction_rows

    reviewed.say({"missed": 45.0, "within": 0.05})
    reviewed.say({"crack": 0, "is": True})
    (missed, heard) = correction_rows(reviewed.record)
    assert missed[0] == "not heard"
    assert missed[1].startswith("a crack at 0:40 (Ada, 20")
    reviewed.say({"missed": 31.0, "within": 0.05})
    assert correction_rows(reviewed.record)[0][1].startswith("cracks at 0:26, 0:40 (Ada, 20")
    reviewed.say({"undo": reviewed.shown()["undo"][0]})
    assert heard[1].startswith("1 crack (Ada, 20")
    roast_figures = pytest.importorskip("crackdetect.report.roast_figures")
    drawn = roast_figures.density(reviewed.record).axes[-1]
    (plus,) = [line for line in drawn.lines if line.get_marker() == "+"]
    assert list(plus.get_xdata()) == [pytest.approx(40.0, abs=0.01)]  # since charge


NONSENSE = [
    None, 5, [], "crack", {}, {"crack": 0}, {"crack": -1, "is": True}, {"crack": True, "is": True},
    {"crack": 0, "is": 1},
    {"crack": 0, "is": "yes"}, {"crack": "0", "is": True}, {"mark": "lunch", "at": 1}, {"mark": "cooled", "at": 1},
    {"mark": ["drop"], "at": 1}, {"mark": "drop"}, {"mark": "drop", "at": "5"}, {"mark": "drop", "at": 1e300},
    {"missed": "5", "within": 0.1}, {"missed": 5}, {"missed": None, "within": 0.1}, {"missed": 5, "within": True},
    {"mark": "drop", "at": True}, {"restore": "coffee"}, {"undo": "1"}, {"undo": -1},
]  # fmt: skip


@pytest.mark.parametrize("said", NONSENSE)
def test_nonsense_is_not_taken(standing: Reviewed, said: Any) -> None:
    assert standing.say(said)[0] == 400


@pytest.mark.parametrize(
    "body", [b"", b"{", b"\xff", b"[" * 900, b'{"mark":"drop","at":NaN}', b'{"mark":"drop","at":1e999}']
)
def test_what_is_no_json_is_not_taken(standing: Reviewed, body: bytes) -> None:
    assert standing.ask("POST", "/say", body=body, Origin=standing.place.origin)[0] == 400


def test_a_crack_or_an_undo_that_is_not_there_is_told(standing: Reviewed) -> None:
    for said in ({"crack": 10**9, "is": True}, {"undo": 5}):
        status, told = standing.say(said)
        assert (status, told.endswith(".")) == (409, True)


def test_a_roast_that_was_deleted_meanwhile_is_told(reviewed: Reviewed) -> None:
    with RoastLog(reviewed.log) as log:
        log.delete([log.find("1")])
    assert reviewed.say({"crack": 0, "is": True})[0] == 409


def test_sounds_that_were_almost_taken_for_cracks_are_cards_like_others(tmp_path: Path) -> None:
    """As ``teach`` keeps them; answered, they stand in the log as places where no crack was heard."""
    from crackdetect.page.asking import Asking

    number = kept_roast(tmp_path)
    log = tmp_path / "roasts.sqlite3"
    with RoastLog(log) as opened:
        roast = opened.find(str(number))
        cracks = opened.record(roast).cracks
    kept = [(20.25, 0.45), (cracks[3].at_s, 0.4), (70.125, 0.3), (71.0, 0.1)]
    unsaid_sounds.keep(roast, kept, folder=tmp_path)
    asking = Asking(log, number, by="Ada")
    shown = asking.shown()
    assert shown["cracks"][40:] == [
        [20.25, "unsaid", 0.45, 0.0],
        [70.125, "unsaid", 0.3, 0.0],
        [71.0, "unsaid", 0.1, 0.0],
    ]
    assert {40, 41} < {place for place, _ in shown["cards"]}
    assert 42 not in {place for place, _ in shown["cards"]}
    before = shown["asked"]
    stands = asking.say({"crack": 40, "is": True})
    assert (stands["labels"], stands["missed"], stands["asked"]) == ([[40, True]], [], before)
    assert stands["undo"][1].startswith("a crack, ")
    assert 40 not in {place for place, _ in stands["cards"]}
    added = asking.add(99.5)
    assert (added["missed"], added["labels"]) == ([99.5], [[40, True], [43, True]])
    assert asking.add(70.125)["labels"] == [[40, True], [41, True], [43, True]]
    assert asking.say({"crack": 43, "is": False})["labels"][-1] == [43, False]
    with RoastLog(log) as opened:
        labels = opened.record(roast).corrections.cracks
    assert [(one.at, one.is_crack) for one in labels] == [(20.25, True), (70.125, True), (99.5, False)]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{}",
        b"[" * 50_000,
        b'{"format": 1}',
        b"\xff",
        b" " * 200_000,
        *(
            b'{"format": "crackdetect-sounds", "format_version": 1, "sounds": %s}' % rows
            for rows in (b"7", b"[[1]]", b'[["x", 0.4]]', b"[[1e400, 0.4]]", b"[[1, 7]]", b"[null]")
        ),
    ],
)
def test_damaged_sounds_ask_nothing(tmp_path: Path, content: bytes) -> None:
    number = kept_roast(tmp_path)
    with RoastLog(tmp_path / "roasts.sqlite3") as opened:
        roast = opened.find(str(number))
    assert unsaid_sounds.kept(roast, folder=tmp_path) == ()
    unsaid_sounds.keep(roast, [(1.0, 0.4)], folder=tmp_path)
    assert [one.at_s for one in unsaid_sounds.kept(roast, folder=tmp_path)] == [1.0]
    (path,) = (tmp_path / "machines").iterdir()
    path.write_bytes(content)
    assert unsaid_sounds.kept(roast, folder=tmp_path) == ()
    named = replace(roast, recording_sha256="../../elsewhere")
    unsaid_sounds.keep(named, [(1.0, 0.4)], folder=tmp_path)
    assert len(list(tmp_path.rglob("*.sounds"))) == 1


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_a_text(tmp_path: Path, name: str) -> None:
    from crackdetect.page.asking import Asking

    number = kept_roast(tmp_path, coffee=name, sound=np.zeros(RATE, np.float32))
    shown = Asking(tmp_path / "roasts.sqlite3", number, by=name).shown()
    assert len(shown["title"]) <= 80
    assert not any(ord(letter) < 32 for letter in shown["title"] + shown["by"])
    json.dumps(shown).encode()


# -- pictures and sound ----------------------------------------------------------------------------------------


def picture(found: Tiles, zoom: int, number: int) -> tuple[Any, Any]:
    """The wave (n, 2), full scale 1, and the power (n, rows), dB."""
    data = found.tile(zoom, number)
    assert data is not None
    wave = np.frombuffer(data[: 4 * COLUMNS], "<i2").reshape(-1, 2) / 32_767
    return wave, np.frombuffer(data[4 * COLUMNS :], np.uint8).reshape(COLUMNS, ROWS) / tiles.PER_DB


@pytest.fixture
def source(tmp_path: Path) -> Iterator[RecordingSource]:
    """A minute of noise of rms .01; at 20 s a burst of 5 ms at 4 kHz."""
    samples = 0.01 * np.random.default_rng(3).standard_normal(60 * RATE)
    samples[20 * RATE : 20 * RATE + 80] += 0.5 * np.sin(2 * np.pi * 4_000 * np.arange(80) / RATE)
    soundfile.write(tmp_path / "noise.wav", samples, RATE, subtype="FLOAT")
    opened = RecordingSource(tmp_path / "noise.wav")
    yield opened
    opened.close()


@pytest.mark.parametrize("zoom", [0, 3, 5, 6, 8, 11])
def test_a_burst_stands_at_its_time_and_frequency_in_every_zoom(source: RecordingSource, zoom: int) -> None:
    found = Tiles(source)
    column = int(20.0025 / (FINEST_S * 2**zoom))
    wave, power = picture(found, zoom, column // COLUMNS)
    loudest, row = np.unravel_index(np.argmax(power), power.shape)
    assert abs(loudest - column % COLUMNS) * FINEST_S * 2**zoom <= max(0.006, FINEST_S * 2**zoom)
    assert (row + 0.5) * 8_000 / ROWS == pytest.approx(4_000, abs=150)  # to half the rate
    assert np.abs(wave).max() > 0.3
    assert np.argmax(np.abs(wave).max(axis=1)) == pytest.approx(
        column % COLUMNS, abs=max(1, 0.004 / (FINEST_S * 2**zoom))
    )


def test_noise_is_as_calm_in_every_zoom(source: RecordingSource) -> None:
    found = Tiles(source)
    means = {zoom: picture(found, zoom, 0)[1].mean() for zoom in (5, 6, 8, 10)}
    assert max(means.values()) < 2.0
    assert max(means.values()) - min(means.values()) < 1.5


def test_the_spectrum_is_that_of_a_reference(tmp_path: Path) -> None:
    """scipy.signal's periodogram of the same windows, by the same noise."""
    rng = np.random.default_rng(5)
    samples = rng.standard_normal(20 * RATE).astype(np.float32) * 0.02
    samples[RATE : 3 * RATE] *= 5
    soundfile.write(tmp_path / "steps.wav", samples, RATE, subtype="FLOAT")
    source = RecordingSource(tmp_path / "steps.wav")
    _, power = picture(Tiles(source), 3, 2)  # 2 ms a column: one window each
    source.close()
    length = 128  # 6 ms, rounded to a power of two
    window = np.hanning(length + 1)[:-1]
    middle = round((2 * COLUMNS + 100 + 0.5) * 0.002 * RATE)
    _, expected = scipy.signal.periodogram(
        samples[middle - length // 2 : middle + length // 2], RATE, window=window, detrend=False, scaling="density"
    )
    bins = np.round((np.arange(ROWS) + 0.5) * 8_000 / ROWS * length / RATE).astype(int)
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[:: length // 2]
    _, all_of_it = scipy.signal.periodogram(frames, RATE, window=window, detrend=False, scaling="density")
    noise = np.median(all_of_it, axis=0) / np.log(2)
    decibels = 10 * np.log10(expected / noise)[bins]
    heard = decibels > 3
    assert heard.sum() > 20
    # the noise is looked at in parts only
    assert np.abs(power[100][heard] - decibels[heard]).max() < 1.5


def test_the_wave_has_no_rumble_and_keeps_what_a_crack_is_made_of(tmp_path: Path) -> None:
    """The response 1 - sinc(f T), T = 8 or 9 samples of 16 kHz: arithmetic."""
    for hz, low, high in ((100, 0.0, 0.01), (2_000, 0.9, 1.25), (4_000, 0.85, 1.25)):
        path = tmp_path / f"{hz}.wav"
        soundfile.write(path, 0.5 * np.sin(2 * np.pi * hz * np.arange(10 * RATE) / RATE), RATE, subtype="FLOAT")
        source = RecordingSource(path)
        wave, _ = picture(Tiles(source), 6, 1)
        source.close()
        assert low <= np.abs(wave).max() / 0.5 <= high, hz


def test_coarse_tiles_are_those_of_fine_ones(source: RecordingSource) -> None:
    """Whatever was looked at before: the same bytes."""
    first, then = Tiles(source), Tiles(source)
    for number in first.runs():
        first.read_run(number)
    for zoom in (14, 12, 9, 7):
        for number in range(then.count(zoom)):
            assert first.tile(zoom, number) == then.tile(zoom, number)
    fine = np.concatenate([picture(first, 6, number)[0] for number in range(first.count(6))])
    coarse, _ = picture(first, 8, 0)
    assert np.array_equal(coarse[:, 1], fine[: 4 * COLUMNS, 1].reshape(-1, 4).max(1))


def test_few_tiles_are_held(source: RecordingSource, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tiles, "_MOST", 12)
    found = Tiles(source)
    whole = [found.tile(12, 0), found.tile(12, 0)]
    assert len(found._kept) <= 12
    assert whole[0] == whole[1]


def test_only_what_is_looked_at_is_read(source: RecordingSource, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[tuple[int, int]] = []
    part = RecordingSource.part
    monkeypatch.setattr(
        RecordingSource, "part", lambda self, first, count: read.append((first, count)) or part(self, first, count)
    )
    found = Tiles(source)
    assert sum(count for _, count in read) < 0.1 * source.frames  # type: ignore[operator]
    read.clear()
    found.tile(2, 100)
    ((first, count),) = read
    assert (first, count) == (round(100 * COLUMNS * 0.001 * RATE) - 64, round(COLUMNS * 0.001 * RATE) + 128)


@pytest.mark.parametrize(
    "subtype", [("flac", "PCM_24"), ("wav", "PCM_16"), ("ogg", "VORBIS"), ("mp3", "MPEG_LAYER_III")]
)
def test_a_part_is_what_is_there_and_silence_around(tmp_path: Path, subtype: tuple[str, str]) -> None:
    samples = (0.3 * np.random.default_rng(1).standard_normal(3 * RATE)).astype(np.float32).clip(-0.9, 0.9)
    path = tmp_path / f"x.{subtype[0]}"
    soundfile.write(path, samples, RATE, subtype=subtype[1])
    whole, _ = soundfile.read(path, dtype="float32")
    source = RecordingSource(path)
    assert source.frames == len(whole)
    for first, count in (
        (0, 100),
        (10_001, 999),
        (len(whole) - 50, 100),
        (-30, 60),
        (len(whole) + 5, 10),
        (-9, 5),
        (500, 0),
    ):
        expected = np.zeros(count, np.float32)
        for place in range(count):
            if 0 <= first + place < len(whole):
                expected[place] = whole[first + place]
        assert np.abs(source.part(first, count) - expected).max(initial=0.0) < 1e-6, (first, count)
    source.close()


def test_sound_is_that_of_the_recording(standing: Reviewed) -> None:
    assert standing.record.roast.recording is not None
    whole, _ = soundfile.read(standing.record.roast.recording, dtype="float32")
    first = int(39 * RATE)
    assert np.abs(standing.sound(first, 2 * RATE) - whole[first : first + 2 * RATE]).max() < 1e-4
    assert len(standing.sound(len(whole) - 10, 100)) == 10


PATHS_OF_NOTHING = [
    "/sound/0/0", "/sound/0/99999999", "/sound/-1/5", "/sound/99999999/5", "/sound/1.5/5", "/sound/0", "/sound/0/5/5",
    "/sound/٣/5", "/sound/0/" + "9" * 5_000, "/tile/15/0", "/tile/0/99999999", "/tile/-1/0", "/tile/6/x", "/tile/6",
    "/sound/..%2f..%2fetc%2fpasswd/5", "/tile/../../etc/passwd", "/../pyproject.toml", "/%2e%2e/%2e%2e/etc/passwd",
    "//etc/passwd", "/static/review.js", "/review.py", "/live.html", "/live.js", "/roasts.sqlite3", "/sound.flac",
    "/events", "/mark", "/code.svg", "/review.html",
]  # fmt: skip


@pytest.mark.parametrize("path", PATHS_OF_NOTHING)
def test_no_path_leads_anywhere_else(standing: Reviewed, path: str) -> None:
    status, _, body = standing.ask("GET", path.encode("unicode_escape").decode())
    assert status == 404
    assert b"root:" not in body


PATHS = [
    "/",
    "/roast",
    "/tile/6/0",
    "/sound/0/100",
    "/review.js",
    "/review.css",
    "/page.css",
    "/page.js",
    "/icon.svg",
    "/in/x",
]


@pytest.mark.parametrize("path", PATHS)
def test_without_the_cookie_or_under_another_name_nothing_is_shown(standing: Reviewed, path: str) -> None:
    assert standing.ask("GET", path, known=False)[0] == 403
    assert standing.ask("GET", path, known=False, Cookie=standing.cookie[:-1] + "!")[0] == 403
    assert standing.ask("GET", path, Host=f"evil.example:{standing.place.port}")[0] == 421
    if path != "/in/x":
        status, headers, _ = standing.ask("GET", path)
        assert status == 200
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["cache-control"] == "no-store"


def test_nothing_is_said_from_another_page(standing: Reviewed) -> None:
    said = {"crack": 0, "is": True}
    assert standing.say(said, Origin="http://evil.example")[0] == 403
    assert standing.say(said, Sec_Fetch_Site="cross-site")[0] == 403
    body = json.dumps(said).encode()
    assert standing.ask("POST", "/say", body=body)[0] == 403
    assert standing.ask("POST", "/say", body=body, known=False, Origin=standing.place.origin)[0] == 403
    assert standing.ask("GET", "/say")[0] == 404
    assert standing.ask("POST", "/say", body=b"x" * 2_000, Origin=standing.place.origin)[0] == 413


def test_only_this_computer_is_reached(standing: Reviewed) -> None:
    assert standing.place.listening.getsockname()[0] == "127.0.0.1"
    assert standing.place.for_this_computer


def test_the_first_view_is_small(standing: Reviewed) -> None:
    files = ("/", "/page.css", "/page.js", "/review.css", "/review.js", "/icon.svg")
    assert sum(len(standing.ask("GET", file)[2]) for file in files) < 60_000


# -- which recording -------------------------------------------------------------------------------------------


@pytest.fixture
def data(tmp_path: Path) -> Path:
    kept_roast(tmp_path, sound=np.zeros(RATE, np.float32))
    return tmp_path


def roast_of(data: Path, name: str = "monday") -> Roast:
    with RoastLog(data / "roasts.sqlite3") as log:
        return log.find(name)


def test_the_own_recording_is_the_one_that_was_heard(data: Path) -> None:
    place = roasts_folder(data) / "monday" / SOUND_NAME
    assert own_recording(roast_of(data), folder=data) == place.resolve()
    place.write_bytes(place.read_bytes() + b"x")
    with pytest.raises(InputError, match="has changed"):
        own_recording(roast_of(data), folder=data)
    place.unlink()
    with pytest.raises(InputError, match="no longer"):
        own_recording(roast_of(data), folder=data)


@pytest.mark.parametrize("how", ["path", "link", "dots"])
def test_a_log_that_names_another_file_opens_it_not(
    data: Path, tmp_path_factory: pytest.TempPathFactory, how: str
) -> None:
    outside = tmp_path_factory.mktemp("outside") / "private.wav"
    soundfile.write(outside, np.zeros(RATE), RATE)
    named = outside
    if how == "link":
        named = roasts_folder(data) / "monday" / "link.wav"
        named.symlink_to(outside)
    elif how == "dots":
        named = roasts_folder(data) / ".." / ".." / outside.parent.name / outside.name
    with RoastLog(data / "roasts.sqlite3") as log:
        log.keep(roast_events("tuesday"), recording=outside)
        with log.writing() as db:
            db.execute("UPDATE roasts SET recording = ? WHERE identity = 'tuesday'", (str(named),))
    with pytest.raises(InputError, match="crackdetect review FILE"):
        own_recording(roast_of(data, "tuesday"), folder=data)


def test_a_roast_without_a_recording_says_how_to_have_one(data: Path) -> None:
    with RoastLog(data / "roasts.sqlite3") as log:
        log.keep(roast_events("tuesday"))
    with pytest.raises(InputError, match="listen --record"):
        own_recording(roast_of(data, "tuesday"), folder=data)


def test_the_way_in_is_the_owner_s_and_gone_afterwards(tmp_path: Path) -> None:
    way = tmp_path / "data" / "review.html"
    with door.door(way, 'http://127.0.0.1:1/in/x"><script>'):
        if os.name != "nt":
            assert stat.S_IMODE(way.stat().st_mode) == 0o600
        assert "<script>" not in way.read_text()
        assert "url=http://127.0.0.1:1/in/x&quot;" in way.read_text()
    assert not way.exists()


def test_no_browser_is_started_without_a_screen(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    started: list[str] = []
    monkeypatch.setattr(door.webbrowser, "open", lambda url: bool(started.append(url)) or True)
    monkeypatch.setattr(door.sys, "platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    assert not door.open_browser(tmp_path / "review.html")
    monkeypatch.setenv("DISPLAY", ":0")
    assert door.open_browser(tmp_path / "review.html")
    assert started == [(tmp_path / "review.html").as_uri()]  # the secret is not among the arguments


# -- the command -----------------------------------------------------------------------------------------------


def test_what_cannot_be_reviewed_is_told_before_anything_is_served(run: Run, tmp_path: Path) -> None:
    for named, code, told in (
        ("nothing", 2, "not in the log"),
        (tmp_path / "nothing.wav", 3, "does not exist"),
        (tmp_path, 3, "is a folder"),
    ):
        done = run("review", named)
        assert (done.code, told in done.err) == (code, True), done.err
    with pytest.MonkeyPatch.context() as without:
        without.setattr("crackdetect.errors.find_spec", lambda name: None)
        assert run("review", "1").code == 7


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C is another thing there")
def test_a_recording_is_heard_once_kept_and_shown(tmp_path: Path) -> None:
    path = tmp_path / "clicks.wav"
    soundfile.write(path, 0.01 * np.random.default_rng(1).standard_normal(5 * RATE), RATE)
    environment = {**os.environ, "CRACKDETECT_HOME": str(tmp_path / "home")}
    environment.pop("DISPLAY", None)
    way = tmp_path / "home" / "data" / "review.html"

    def leads_somewhere() -> bool:
        return way.exists() and "/in/" in way.read_text()

    heard = []
    for _ in range(2):
        command = [sys.executable, "-m", "crackdetect", "review", str(path), "--by", "Ada"]
        with subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True) as process:
            try:
                wait_until(lambda process=process: process.poll() is not None or leads_somewhere())  # type: ignore[misc]
                shown = leads_somewhere()
                process.send_signal(signal.SIGINT)
                _, told = process.communicate(timeout=PATIENCE_S)
            finally:
                process.kill()  # it has ended, unless something failed
        assert shown, told
        assert process.returncode == 0, told
        assert "/in/" not in told  # no terminal: it may be a file
        assert not way.exists()
        heard.append("Roast 1 saved" in told)
    assert heard == [True, False]


def test_cracks_of_the_test_are_where_the_sound_has_them(standing: Reviewed) -> None:
    """The roast of these tests is consistent: each crack in the log is a click in the recording."""
    for at in CRACKS[:3]:
        around = standing.sound(round((at - 0.05) * RATE), round(0.1 * RATE))
        assert abs(np.argmax(np.abs(around)) / RATE - 0.05) < 0.005
