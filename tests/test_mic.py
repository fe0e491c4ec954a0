"""The microphone check: sounds of known make, what must be found in them, and the verdict in plain words."""

from __future__ import annotations

import io
import math
import sys
from queue import SimpleQueue

import numpy as np
import pytest
import scipy.signal
from clicks import clicks_in_noise

from crackdetect.audio import devices, microphone
from crackdetect.blocks import Block, Samples
from crackdetect.cli import entry
from crackdetect.errors import InputError
from crackdetect.mic import analysis
from crackdetect.mic.analysis import Click, Findings, clicks_in, ducked_db, examine, own_cracks_per_minute
from crackdetect.mic.silent_check import FIRST_S, SilentCheck
from crackdetect.mic.verdict import expected, how_to_unprocess, judge, later_s, machine_told
from crackdetect.model import shipped
from crackdetect.notice import Notices
from crackdetect.terminal.level import level_line

RATE = 44_100
RANDOM = np.random.default_rng(8)
#: A steady room: Gaussian noise of -50 dB of full scale.
ROOM = RANDOM.normal(0, 10 ** (-50 / 20), 6 * RATE).astype(np.float32)
MODEL = shipped().classifier
TIMES = [1.0, 2.0, 3.0, 4.0, 5.0]


def tone(hz: float, rms_db: float) -> Samples:
    t = np.arange(len(ROOM)) / RATE
    return (np.sqrt(2) * 10 ** (rms_db / 20) * np.sin(2 * np.pi * hz * t)).astype(np.float32)


# -- levels ----------------------------------------------------------------------------------------------------


def test_the_level_of_a_sine_is_three_db_under_its_peak() -> None:
    """rms = peak/sqrt(2): arithmetic."""
    found = examine(tone(1_000, -23.0103), samplerate=RATE)
    assert found.rms_db == pytest.approx(-23.01, abs=0.01)
    assert found.peak_db == pytest.approx(-20.0, abs=0.01)
    assert found.floor_db == pytest.approx(-23.01, abs=0.1)


def test_a_steady_room_is_found_as_it_is() -> None:
    found = examine(ROOM, samplerate=RATE)
    assert found.rms_db == pytest.approx(-50, abs=0.1)
    assert found.floor_db == pytest.approx(-50, abs=0.6)
    assert (found.clipped, found.hum, found.signs) == (0, None, ())
    assert found.zero_share < 0.01
    assert found.seconds == 6.0


def test_exact_zeros_and_clipping_are_counted() -> None:
    muted = examine(np.zeros(RATE, np.float32), samplerate=RATE)
    assert (muted.zero_share, muted.peak_db) == (1.0, -120.0)
    loud = np.clip(30 * ROOM, -1, 1)
    assert examine(loud.astype(np.float32), samplerate=RATE).clipped == int(np.count_nonzero(np.abs(loud) >= 0.999))


@pytest.mark.parametrize("mains", [50, 60])
@pytest.mark.parametrize("harmonic", [1, 2])
def test_hum_of_the_mains_is_recognised(mains: int, harmonic: int) -> None:
    found = examine(ROOM + tone(mains * harmonic, -60), samplerate=RATE)
    assert found.hum is not None
    assert found.hum[0] == mains
    assert examine(ROOM + tone(77, -60), samplerate=RATE).hum is None


def test_too_little_sound_is_refused() -> None:
    with pytest.raises(InputError, match="half a second"):
        examine(ROOM[: RATE // 3], samplerate=RATE)


# -- signs of processing ---------------------------------------------------------------------------------------


def test_a_gate_that_shuts_between_sounds_is_a_sign() -> None:
    gated = ROOM.copy()
    for second in range(6):
        gated[second * RATE + RATE // 3 : (second + 1) * RATE] *= 1e-3
    (sign,) = examine(gated, samplerate=RATE).signs
    assert "as if a gate shut" in sign
    talking = ROOM.copy()
    talking[RATE : 3 * RATE] *= 30  # somebody speaks in a room that is otherwise quiet: nothing is processed
    assert examine(talking, samplerate=RATE).signs == ()


def test_a_telephones_band_is_a_sign_and_a_fans_slope_is_none() -> None:
    telephone = scipy.signal.resample_poly(scipy.signal.resample_poly(ROOM, 160, 441), 441, 160).astype(np.float32)
    (sign,) = examine(telephone, samplerate=RATE).signs
    assert "ends near 8 kHz" in sign
    slope = scipy.signal.butter(2, 500, "low", fs=RATE, output="sos")  # 12 dB an octave
    fan = 10 * scipy.signal.sosfilt(slope, ROOM) + 1e-4 * ROOM
    assert examine(fan.astype(np.float32), samplerate=RATE).signs == ()


def test_automatic_level_is_seen_after_the_clicks() -> None:
    sound = clicks_in_noise(TIMES, samplerate=RATE, duration_s=6)
    clicks = clicks_in(sound, samplerate=RATE, model=MODEL)
    assert ducked_db(sound, clicks, samplerate=RATE) == pytest.approx(0, abs=1)
    turned_down = sound.copy()
    for time in TIMES:
        turned_down[round((time + 0.02) * RATE) : round((time + 0.6) * RATE)] *= 10 ** (-12 / 20)
    assert ducked_db(turned_down, clicks, samplerate=RATE) == pytest.approx(12, abs=1.5)
    assert ducked_db(sound, [], samplerate=RATE) is None


# -- clicks ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("amplitude", [0.5, 0.05, 0.02])
def test_five_clicks_are_found_with_their_snr(amplitude: float) -> None:
    """A click of amplitude A over white noise of rms s in 22 kHz: its band from 1 to 12 kHz holds s sqrt(11/22.05)."""
    sound = clicks_in_noise(TIMES, samplerate=RATE, duration_s=6, amplitude=amplitude, frequency_hz=4_000)
    found = clicks_in(sound, samplerate=RATE, model=MODEL)
    assert [click.at for click in found] == pytest.approx(TIMES, abs=0.01)
    expected = 20 * np.log10(amplitude / (0.003 * np.sqrt(11 / 22.05)))
    assert np.median([click.snr_db for click in found]) == pytest.approx(expected, abs=3)


def test_noise_alone_makes_no_click() -> None:
    for seed in range(5):
        noise = np.random.default_rng(seed).normal(0, 0.003, 10 * RATE).astype(np.float32)
        assert clicks_in(noise, samplerate=RATE, model=MODEL) == []


# -- the verdict -----------------------------------------------------------------------------------------------

FINE = Findings(6.0, -30.0, -50.0, -51.0, 0, 0.0, None, ())


def clicks(*snr_db: float) -> list[Click]:
    return [Click(float(at), snr) for at, snr in enumerate(snr_db)]


def test_how_much_later_follows_from_the_share_of_cracks_found() -> None:
    """Shares of the model's card; on a ramp the time to as many cracks goes with 1/sqrt(share): arithmetic."""
    assert later_s(25.0) == 0
    assert later_s(16.0) == pytest.approx(21 * ((0.94 / 0.90) ** 0.5 - 1))
    assert later_s(13.0) == pytest.approx(21 * ((0.94 / 0.77) ** 0.5 - 1))
    assert later_s(11.9) is None


@pytest.mark.parametrize(
    ("findings", "made", "fit", "words"),
    [
        (FINE, clicks(25, 26, 27, 24, 25), "good", "your clicks are heard, 25 dB over the noise"),
        (FINE, clicks(13, 14, 13, 14, 13), "usable", "about 2 s late at best: your clicks stand only 13 dB"),
        (FINE, clicks(10, 11, 10, 10, 11), "not usable", "cracks of that strength are mostly missed"),
        (FINE, clicks(), "not usable", "none of your 5 clicks was heard"),
        (FINE, clicks(20, 20), "not usable", "only 2 of your 5 clicks"),
        (FINE, None, "good", "Nothing is wrong"),
        (Findings(6, -120, -120, -120, 0, 1.0, None, ()), None, "not usable", "exact silence"),
        (Findings(6, 0, -10, -12, 9_000, 0.01, None, ()), clicks(30, 30, 30), "not usable", "clipped"),
        (Findings(6, -90, -95, -95, 0, 0.2, None, ()), None, "usable", "very faint"),
        (Findings(6, -30, -50, -90, 0, 0.0, None, ("a sign",)), clicks(30, 30, 30, 30, 30), "usable", "altered"),
    ],
)
def test_the_verdict_in_plain_words(findings: Findings, made: list[Click] | None, fit: str, words: str) -> None:
    verdict = judge(findings, made)
    assert verdict.fit == fit
    assert words in verdict.sentence
    assert fit == "good" or verdict.most
    assert (verdict.delay == "") == (fit == "not usable")


def test_loud_clicks_promise_nothing_and_weak_ones_warn() -> None:
    """A spoon is louder than a bean, so a good verdict says what was measured of cracks, not of clicks."""
    for snr_db in (20, 30, 40):
        assert judge(FINE, clicks(*[snr_db] * 5)).delay == expected()
    assert "21 s after it begins where cracks stand 18 dB" in expected()
    assert "2 s later where they stand 12 dB" in expected()


def test_a_check_without_the_roaster_is_never_good() -> None:
    quiet = judge(FINE, clicks(25, 25, 25, 25, 25), running=False)
    assert (quiet.fit, quiet.most[:10]) == ("usable", "Check once")
    assert judge(FINE, clicks(25, 25, 25, 25, 25), running=True).fit == "good"


def test_what_would_help_most_comes_alone_and_fits_this_system() -> None:
    """Of altered sound and hum the sound comes first: it takes the cracks away, hum does not."""
    assert how_to_unprocess() in judge(Findings(6, -30, -50, -90, 0, 0.0, (50, 20.0), ("a sign",)), None).most
    assert len({how_to_unprocess(system) for system in ("darwin", "win32", "linux")}) == 3
    ducked = judge(FINE, clicks(30, 30, 30, 30, 30), ducked=9.0)
    assert ducked.fit == "usable"
    assert "9 dB weaker" in ducked.most
    assert "50 Hz hum" in judge(Findings(6, -30, -50, -51, 0, 0.0, (50, 20.0), ()), None).most


def test_a_machine_that_cracks_by_itself_is_told() -> None:
    quiet = np.random.default_rng(1).normal(0, 0.003, 6 * RATE).astype(np.float32)
    assert own_cracks_per_minute(quiet, samplerate=RATE, model=MODEL) < 30
    assert "Nothing" in machine_told(0)
    assert "40 sounds a minute" in machine_told(40.2)


# -- the silent form -------------------------------------------------------------------------------------------


def _silently(sound: Samples, wait_s: float = 20.0) -> list[str]:
    notices: Notices = SimpleQueue()
    check = SilentCheck(samplerate=RATE, notices=notices)
    for start in range(0, len(sound), 4_410):
        check.observe(Block(sound[start : start + 4_410]))
    check.wait(wait_s)
    kinds = []
    while not notices.empty():
        kinds.append(notices.get().kind)
    return kinds


def test_the_silent_form_speaks_up_only_if_something_is_wrong() -> None:
    long = np.tile(ROOM, 2)
    assert _silently(long) == []
    assert _silently((long * 1e-4).astype(np.float32)) == ["too_faint"]
    gated = long.copy()
    gated[: 2 * RATE] *= 1e-3
    assert _silently(gated) == ["processed_input"]
    assert _silently(np.zeros(round((FIRST_S + 1) * RATE), np.float32)) == []  # health tells it


def test_samples_far_beyond_full_scale_are_measured_without_a_warning() -> None:
    """The largest that a float32 holds; a warning would be printed into the roast."""
    wild = np.tile(ROOM, 2)
    wild[1_000:1_010] = [3e38, -3e38] * 5
    findings = examine(wild, samplerate=RATE)
    assert findings.clipped >= 10
    assert math.isfinite(findings.rms_db)


def test_a_defect_in_the_silent_form_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its thread would else end in silence, and the microphone pass for a good one."""

    def broken(samples: Samples, *, samplerate: int) -> None:
        raise KeyError("floor")

    monkeypatch.setattr(analysis, "examine", broken)
    assert _silently(np.tile(ROOM, 2)) == ["output_failed"]


# -- the command -----------------------------------------------------------------------------------------------


def test_what_is_told_beside_the_level_has_its_line_for_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    written = io.StringIO()
    monkeypatch.setattr(written, "isatty", lambda: True)
    monkeypatch.setattr(sys, "stderr", written)
    with level_line() as line:
        line.show(0.1)
        assert written.getvalue().endswith("-20 dB ")
        line.wipe()
        *_, blank, told = written.getvalue().split("\r")
    assert (len(blank), blank.strip(), told) == (60, "", "")


class Microphone:
    """Gives the sound as fast as it is asked for; the room first, then the clicks."""

    kind, name, samplerate, channel_note = "microphone", "Desk", RATE, None
    sound: Samples = ROOM

    def __init__(self, device: str | None, **options: object) -> None:
        self.position = 0

    def __iter__(self) -> Microphone:
        return self

    def __next__(self) -> Block:
        block = Block(self.sound[self.position : self.position + 4_410])
        self.position += 4_410
        Microphone.clock += 0.1
        return block

    clock = 0.0

    def close(self) -> None: ...


@pytest.mark.parametrize(
    ("amplitude", "code", "words"),
    [(0.2, 0, "Good: your clicks are heard"), (0.0, 4, "none of your 5 clicks was heard")],
)
def test_the_command_from_devices_to_verdict(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], amplitude: float, code: int, words: str
) -> None:
    times = [8.0, 9.0, 10.0, 11.0, 12.0]
    Microphone.sound = clicks_in_noise(times, samplerate=RATE, duration_s=40, amplitude=amplitude)
    Microphone.clock = 0.0
    monkeypatch.setattr(microphone, "MicrophoneSource", Microphone)
    monkeypatch.setattr(devices, "list_devices", lambda: [devices.Device(3, "Desk", "ALSA", 1, RATE, True)])
    monkeypatch.setattr("crackdetect.mic.hearing.time.monotonic", lambda: Microphone.clock)
    assert entry.main(["mic"]) == code
    out = capsys.readouterr().out
    assert out.startswith("  3  Desk\n     ALSA, 1 channel, 44,100 Hz, the default\n")
    assert "Room or running roaster first" in out
    assert max(map(len, out.splitlines())) <= 80
    assert out.count("  click ") == (5 if amplitude else 0)
    assert words in out
