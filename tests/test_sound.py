"""Signals as samples, the mask, speech by a command, and the announcer with player and voice played by hand."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from queue import SimpleQueue
from typing import Literal

import numpy as np
import pytest
from patience import PATIENCE_S, no_thread_left, wait_until
from test_alerts import begun, event

from crackdetect.blocks import Block
from crackdetect.errors import DeviceError
from crackdetect.events import Event
from crackdetect.notice import Notice
from crackdetect.roast.alerts import Alerts, Signal
from crackdetect.sound.announcer import Announcer
from crackdetect.sound.own_sound import TAIL_S, MaskedSource, OwnSound
from crackdetect.sound.signals import ATTACK_S, NAMES, signal
from crackdetect.sound.voice import Voice, find_voice

RATE = 48_000


# -- signals ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_a_signal_is_short_and_stays_within_full_scale(name: Signal) -> None:
    wave = signal(name, samplerate=RATE)
    assert wave.dtype == np.float32
    assert 0.1 <= len(wave) / RATE <= 1.4
    assert 0.5 <= np.abs(wave).max() <= 1.0
    np.testing.assert_allclose(signal(name, samplerate=RATE, volume=0.25), wave / 4, rtol=1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_a_signal_lies_where_a_fan_is_weak_and_the_ear_is_good(name: Signal) -> None:
    """ISO 7731 (from memory): components between 500 and 2,500 Hz for signals that must be heard over noise."""
    wave = signal(name, samplerate=RATE)
    power = np.abs(np.fft.rfft(wave)) ** 2
    hz = np.fft.rfftfreq(len(wave), 1 / RATE)
    share = [float(power[(hz >= low) & (hz < high)].sum() / power.sum()) for low, high in ((500, 2_500), (500, 4_500))]
    assert share[0] > 0.7
    assert share[1] > 0.97


@pytest.mark.parametrize("name", NAMES)
def test_no_signal_startles(name: Signal) -> None:
    """Soft attack: a sixth of the way into it the wave has reached less than a tenth of its height."""
    wave = np.abs(signal(name, samplerate=RATE))
    assert wave[: round(ATTACK_S / 6 * RATE)].max() < 0.1 * wave.max()
    assert wave[-10:].max() < 0.01 * wave.max()  # nor does it end with a click


def test_no_two_signals_sound_alike() -> None:
    """By their loudness over time and their strongest pitch over time, in steps of 50 ms."""

    def shape(name: Signal) -> np.ndarray:
        wave = np.pad(signal(name, samplerate=RATE), (0, 2 * RATE))[: round(1.4 * RATE)]
        steps = wave.reshape(28, -1)
        spectra = np.abs(np.fft.rfft(steps, axis=1))
        pitch = np.fft.rfftfreq(steps.shape[1], 1 / RATE)[spectra.argmax(axis=1)]
        loud = np.sqrt((steps**2).mean(axis=1)) > 0.05
        return np.where(loud, pitch, 0.0)

    shapes = {name: shape(name) for name in NAMES}
    for one in NAMES:
        for other in NAMES:
            if one != other:
                different = np.abs(shapes[one] - shapes[other]) > 60  # a semitone at 1 kHz
                assert different.sum() >= 3, f"{one} and {other}"


# -- the mask --------------------------------------------------------------------------------------------------


class Ticking:
    """A microphone at whose every block of 0.1 s the hand-driven clock has gone on by as much."""

    samplerate, name = 1_000, "desk"
    kind: Literal["microphone"] = "microphone"

    def __init__(self, clock: list[float], steps: dict[int, Callable[[], object]]) -> None:
        self.clock, self.steps = clock, steps

    def __iter__(self) -> Iterator[Block]:
        for number in range(30):
            self.clock[0] += 0.1
            self.steps.get(number, lambda: None)()
            yield Block(np.full(100, number, np.float32), lost=7 if number == 12 else 0)

    def close(self) -> None: ...


def test_blocks_are_lost_while_the_program_sounds_and_for_the_tail() -> None:
    clock = [0.0]
    own = OwnSound(clock=lambda: clock[0])
    sounding = own.sounding()
    source = Ticking(clock, {10: sounding.__enter__, 15: lambda: sounding.__exit__(None, None, None)})
    blocks = list(MaskedSource(source, own))
    kept = [int(block.samples[0]) for block in blocks if len(block.samples)]
    # from the block that arrives after the beginning to the first that began after end and tail
    assert kept == [*range(10), *range(15 + round(TAIL_S / 0.1) + 1, 30)]
    masked = [block.lost for block in blocks if block.lost_to == "own_sound"]
    assert masked == [100] * (30 - len(kept))
    # what the device lost meanwhile stays a gap of its own, and no sample is counted twice or forgotten
    assert [block.lost for block in blocks if block.lost and block.lost_to == "gap"] == [7]
    assert sum(block.lost + len(block.samples) for block in blocks) == 3_007


def test_sounds_of_two_threads_are_masked_until_the_last_one_ends() -> None:
    clock = [0.0]
    own = OwnSound(clock=lambda: clock[0])
    with own.sounding():
        with own.sounding():
            pass
        clock[0] = 100.0
        assert own.covers(0.1)
    assert own.covers(0.1)
    clock[0] = 100.0 + TAIL_S + 0.1
    assert not own.covers(0.1)


# -- speech ----------------------------------------------------------------------------------------------------


def _never() -> bool:
    return False


def test_the_words_reach_the_voice_as_they_are(tmp_path: Path) -> None:
    """No shell on the way: quotes and signs are only text."""
    heard = tmp_path / "heard.txt"
    script = f"import sys; open({str(heard)!r}, 'w').write(sys.stdin.read())"
    words = "First crack; $(began) \"8\" seconds 'ago' & more"
    assert Voice((sys.executable, "-c", script), by_input=True).speak(words, enough=_never, timeout_s=PATIENCE_S)
    assert heard.read_text() == words
    script = f"import sys; open({str(heard)!r}, 'w').write(sys.argv[-1])"
    assert Voice((sys.executable, "-c", script), by_input=False).speak(words, enough=_never, timeout_s=PATIENCE_S)
    assert heard.read_text() == words


def test_a_voice_that_hangs_is_ended_and_one_that_is_missing_says_nothing() -> None:
    hanging = Voice((sys.executable, "-c", "import time; time.sleep(60)"), by_input=True)
    assert not hanging.speak("x", enough=_never, timeout_s=0.2)
    assert not hanging.speak("x", enough=lambda: True)
    assert not Voice(("/nowhere/voice",), by_input=True).speak("x", enough=_never)
    assert not Voice((sys.executable, "-c", "import sys; sys.exit(1)"), by_input=True).speak("x" * 10**6, enough=_never)


@pytest.mark.parametrize(
    ("platform", "there", "command"),
    [
        ("darwin", {"say"}, "say"),
        ("win32", {"powershell"}, "powershell"),
        ("linux", {"espeak-ng", "spd-say"}, "espeak-ng"),
        ("linux", {"spd-say"}, "spd-say"),
        ("linux", set(), None),
        ("darwin", set(), None),
    ],
)
def test_each_system_has_its_voice(platform: str, there: set[str], command: str | None) -> None:
    voice = find_voice(platform=platform, which=lambda name: f"/bin/{name}" if name in there else None, volume=0.5)
    assert (None if voice is None else voice.command[0]) == (None if command is None else f"/bin/{command}")


# -- the announcer ---------------------------------------------------------------------------------------------


class Loudspeaker:
    """Sounds for as long as it is told to, and notes what it was asked for."""

    def __init__(self, *, error: Exception | None = None) -> None:
        self.played: list[str] = []
        self.cut: list[str] = []
        self.hold: set[str] = set()
        self.error = error
        self.own: OwnSound | None = None
        self.masked: list[bool] = []

    def play(self, name: Signal, *, enough: Callable[[], bool]) -> None:
        self.played.append(name)
        if self.own is not None:
            self.masked.append(self.own.covers(0.0))
        if self.error is not None:
            raise self.error
        while name in self.hold:
            if enough():
                self.cut.append(name)
                return
            time.sleep(0.002)


class Mouth:
    def __init__(self) -> None:
        self.spoken: list[str] = []

    def speak(self, text: str, *, enough: Callable[[], bool]) -> bool:
        self.spoken.append(text)
        return self.works

    works = True


class Told(SimpleQueue[Notice]):
    """Notices as sentences."""

    def __init__(self, told: list[str]) -> None:
        self._told = told

    def put(self, item: Notice, block: bool = True, timeout: float | None = None) -> None:
        self._told.append(item.message)


NEAR = event("target", 600, stage="near", remaining=30.0)
REACHED = event("target", 630, stage="reached", remaining=0.0)


def announcer(speaker: Loudspeaker, mouth: Mouth | None, told: list[str]) -> Announcer:
    speaker.own = OwnSound()
    notices = Told(told)
    return Announcer(Alerts(), player=speaker, voice=mouth, own_sound=speaker.own, say=told.append, notices=notices)


def test_an_alert_sounds_is_spoken_and_is_masked() -> None:
    speaker, mouth, told = Loudspeaker(), Mouth(), list[str]()
    sink = announcer(speaker, mouth, told)
    for one in (begun(560, 568), event("density", 570, per_minute=1.0, low=0.0, high=3.0), NEAR):
        sink.send(one)
        wait_until(lambda: not sink.waiting)
    wait_until(lambda: len(mouth.spoken) == 2)
    sink.close()
    assert speaker.played == ["first_crack", "near"]
    assert mouth.spoken == ["First crack began 8 seconds ago.", "30 seconds to the target."]
    assert speaker.masked == [True, True]
    assert told == []


def test_what_is_more_urgent_cuts_short_what_is_less() -> None:
    speaker, mouth = Loudspeaker(), Mouth()
    speaker.hold = {"near"}
    sink = announcer(speaker, mouth, [])
    sink.send(NEAR)
    wait_until(lambda: speaker.played == ["near"])
    sink.send(REACHED)
    wait_until(lambda: mouth.spoken == ["Target reached."])
    sink.close()
    assert speaker.cut == ["near"]
    assert speaker.played == ["near", "target"]


def test_a_loudspeaker_that_hangs_delays_nobody_and_the_newest_of_a_kind_is_kept() -> None:
    speaker = Loudspeaker()
    speaker.hold = {"target"}
    sink = announcer(speaker, None, [])
    sink.send(REACHED)
    wait_until(lambda: speaker.played == ["target"])
    for at in range(600, 649):
        sink.send(event("target", at, stage="near", remaining=float(660 - at)))
    assert [alert.spoken for alert in sink.waiting] == ["12 seconds to the target."]
    speaker.hold = set()
    wait_until(lambda: speaker.played == ["target", "near"])
    sink.close()


def test_sound_that_fails_is_told_once_and_speech_goes_on() -> None:
    speaker, mouth, told = Loudspeaker(error=DeviceError("no sound can be played (x)")), Mouth(), list[str]()
    sink = announcer(speaker, mouth, told)
    sink.send(NEAR)
    wait_until(lambda: len(mouth.spoken) == 1)
    sink.send(REACHED)
    wait_until(lambda: len(mouth.spoken) == 2)
    sink.close()
    assert told == ["no sound can be played (x)"]


def test_a_defect_in_the_loudspeaker_is_told_and_further_alerts_come() -> None:
    """The thread that sounds them would else end in silence, and with it every further alert."""
    speaker, mouth, told = Loudspeaker(error=KeyError("default_samplerate")), Mouth(), list[str]()
    sink = announcer(speaker, mouth, told)
    sink.send(NEAR)
    wait_until(lambda: len(mouth.spoken) == 1)
    sink.send(REACHED)
    wait_until(lambda: speaker.played == ["near", "target"])
    sink.close()
    assert told == ["an alert could not sound: a defect of crackdetect, KeyError: 'default_samplerate'"]


def test_a_voice_that_does_not_work_is_told_of_once_and_left_out() -> None:
    speaker, mouth, told = Loudspeaker(), Mouth(), list[str]()
    mouth.works = False
    sink = announcer(speaker, mouth, told)
    sink.send(NEAR)
    wait_until(lambda: told == ["the system's voice does not work; alerts are told by signals only"])
    sink.send(REACHED)
    wait_until(lambda: speaker.played == ["near", "target"])
    sink.close()
    assert len(mouth.spoken) == len(told) == 1


def test_a_hundred_announcers_leave_no_thread_behind() -> None:
    with no_thread_left():
        for _ in range(100):
            sink = announcer(Loudspeaker(), Mouth(), [])
            sink.send(Event("cooled", 1.0, 1.0, None, 0, "roast"))
            sink.close()
