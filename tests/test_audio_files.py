"""Files and standard input: what is read equals what was written, and bad input gets one clear sentence."""

from __future__ import annotations

import io
import os
import re
import struct
import subprocess
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile

from crackdetect.audio.channels import click_heights
from crackdetect.audio.files import find_recordings, open_recording, open_stdin
from crackdetect.errors import InputError, SettingError

RATE = 44_100
Array = npt.NDArray[np.float32]


def noise(seconds: float = 1.0, *, samplerate: int = RATE, level: float = 0.1, seed: int = 1) -> Array:
    random = np.random.default_rng(seed)
    return np.clip(random.normal(0, level, round(seconds * samplerate)), -0.99, 0.99).astype(np.float32)


def clicks(seconds: float = 12.0, *, level: float, seed: int = 2) -> Array:
    """Two clicks a second, each 1.3 ms long, at 3 kHz, ``level`` high."""
    signal = np.zeros(round(seconds * RATE), np.float32)
    time = np.arange(300) / RATE
    click = (np.exp(-time / 0.0013) * np.sin(2 * np.pi * 3000 * time)).astype(np.float32)
    for start in np.random.default_rng(seed).integers(0, len(signal) - 300, round(2 * seconds)):
        signal[start : start + 300] += level * click
    return signal


def read(source: object) -> Array:
    return np.concatenate([block.samples for block in source])  # type: ignore[attr-defined]


def sentence(error: pytest.ExceptionInfo[InputError]) -> str:
    """The message, checked to be one line that says what to do after a semicolon (or names the range)."""
    text = str(error.value)
    assert "\n" not in text
    assert re.search(r"; \w+", text)
    return text


# -- what is read equals what was written --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("suffix", "subtype", "step"),
    [
        (".wav", "PCM_16", 2**-15),
        (".wav", "PCM_24", 2**-23),
        (".wav", "PCM_32", 2**-24),
        (".wav", "FLOAT", 0),
        (".flac", "PCM_16", 2**-15),
        (".flac", "PCM_24", 2**-23),
        (".aiff", "PCM_16", 2**-15),
        (".w64", "PCM_24", 2**-23),
    ],
)
def test_lossless_formats_give_the_samples_written(tmp_path: Path, suffix: str, subtype: str, step: float) -> None:
    written = noise()
    soundfile.write(tmp_path / f"a{suffix}", written, RATE, subtype=subtype)
    source = open_recording(tmp_path / f"a{suffix}")
    heard = read(source)
    source.close()
    assert heard.dtype == np.float32
    assert len(heard) == len(written)
    np.testing.assert_allclose(heard, written, rtol=0, atol=step)
    assert (source.samplerate, source.kind, source.duration_s) == (RATE, "file", 1.0)
    assert (source.truncated, source.notes, source.channel_note) == (False, [], None)


@pytest.mark.parametrize(("suffix", "delay"), [(".ogg", 0), (".mp3", 0)])
def test_lossy_formats_give_the_sound_written(tmp_path: Path, suffix: str, delay: int) -> None:
    time = np.arange(2 * RATE) / RATE
    written = (0.5 * np.sin(2 * np.pi * 1000 * time)).astype(np.float32)
    soundfile.write(tmp_path / f"a{suffix}", written, RATE)
    source = open_recording(tmp_path / f"a{suffix}")
    heard = read(source)
    source.close()
    spectrum = np.abs(np.fft.rfft(heard[RATE // 2 : RATE // 2 + RATE]))
    assert np.argmax(spectrum) == 1000
    assert np.abs(heard).max() == pytest.approx(0.5, rel=0.1)
    assert not source.truncated


@pytest.mark.parametrize("samplerate", [8_000, 16_000, 22_050, 48_000, 96_000, 192_000])
def test_sample_rates(tmp_path: Path, samplerate: int) -> None:
    soundfile.write(tmp_path / "a.wav", noise(0.5, samplerate=samplerate), samplerate)
    source = open_recording(tmp_path / "a.wav")
    assert source.samplerate == samplerate
    assert len(read(source)) == samplerate // 2
    source.close()


def test_any_block_size_gives_the_same_samples(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", noise(2), RATE)
    whole, pieces = (open_recording(tmp_path / "a.wav", block_s=size) for size in (10, 0.037))
    np.testing.assert_array_equal(read(whole), read(pieces))
    whole.close()
    pieces.close()


def test_samples_that_are_not_numbers_are_passed_on(tmp_path: Path) -> None:
    written = noise()
    written[500:600] = np.nan
    written[700] = np.inf
    soundfile.write(tmp_path / "a.wav", written, RATE, subtype="FLOAT")
    source = open_recording(tmp_path / "a.wav")
    np.testing.assert_array_equal(read(source), written)
    source.close()


def test_memory_does_not_grow_with_length(tmp_path: Path) -> None:
    peaks = []
    for seconds in (20, 200):
        soundfile.write(tmp_path / "a.wav", np.zeros((seconds * 8000, 2), np.int16), 8000)
        tracemalloc.start()
        source = open_recording(tmp_path / "a.wav")
        for _ in source:
            pass
        source.close()
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0]


# -- which channel -------------------------------------------------------------------------------------------

SILENCE = np.zeros(12 * RATE, np.float32)
HUM = (0.3 * np.sin(2 * np.pi * 50 * np.arange(12 * RATE) / RATE)).astype(np.float32)
LEFT, RIGHT = noise(12, level=0.02, seed=3), noise(12, level=0.02, seed=4)
CLICKS = clicks(level=0.2)
STRAY_BITS = np.where(np.arange(12 * RATE) % 30_011 == 0, 2**-15, 0).astype(np.float32)


@pytest.mark.parametrize(
    ("channels", "chosen"),
    [
        pytest.param([CLICKS + LEFT, SILENCE], "channel 1 of 2", id="second channel dead"),
        pytest.param([SILENCE, CLICKS + LEFT], "channel 2 of 2", id="first channel dead"),
        pytest.param([STRAY_BITS, CLICKS + LEFT], "channel 2 of 2", id="first channel dead but for stray bits"),
        pytest.param([HUM, CLICKS + LEFT], "channel 2 of 2", id="first channel pure hum"),
        pytest.param([CLICKS + LEFT, -CLICKS - LEFT], "channel 1 of 2", id="anti-phase: the mean cancels"),
        pytest.param([1.5 * CLICKS + LEFT, -CLICKS + RIGHT], "channel 1 of 2", id="anti-phase clicks, own noise"),
        pytest.param([0.3 * CLICKS + LEFT, CLICKS + RIGHT], "channel 2 of 2", id="second channel nearer"),
        pytest.param([CLICKS + LEFT, CLICKS + RIGHT], "the mean of 2", id="same clicks, independent noise"),
        pytest.param([CLICKS + LEFT, CLICKS + LEFT], "channel 1 of 2", id="twice the same"),
        pytest.param([LEFT, RIGHT, SILENCE, CLICKS + HUM + LEFT], "channel 4 of 4", id="four channels"),
        pytest.param([SILENCE, SILENCE], "channel 1 of 2", id="all dead"),
    ],
)
def test_the_channel_in_which_cracks_stand_out_is_chosen(tmp_path: Path, channels: list[Array], chosen: str) -> None:
    soundfile.write(tmp_path / "a.wav", np.stack(channels, axis=1), RATE, subtype="PCM_16")
    source = open_recording(tmp_path / "a.wav")
    heard = read(source)
    source.close()
    assert source.channel_note is not None
    assert source.channel_note.startswith(chosen)
    match = re.match(r"channel (\d)", chosen)
    expected = channels[int(match[1]) - 1] if match else np.mean(channels, axis=0)
    np.testing.assert_allclose(heard, expected, rtol=0, atol=2**-14)


def test_the_mean_of_two_independent_noises_gains_three_decibels() -> None:
    """Equal signals add in amplitude, independent noises in power: 10 lg 2 = 3.01 dB (arithmetic)."""
    part = np.stack([CLICKS + LEFT, CLICKS + RIGHT], axis=1)
    first, second, mean = click_heights([part], samplerate=RATE, channels=2)
    assert first == pytest.approx(second, abs=0.5)
    assert mean - (first + second) / 2 == pytest.approx(3.01, abs=0.5)


@pytest.mark.parametrize("gain", [1e-4, 0.25, 4])
def test_level_does_not_matter_to_the_choice(gain: float) -> None:
    part = np.stack([CLICKS + LEFT, HUM, LEFT], axis=1, dtype=np.float32)
    louder = (gain * part).astype(np.float32)
    expected = click_heights([part], samplerate=RATE, channels=3)
    np.testing.assert_allclose(click_heights([louder], samplerate=RATE, channels=3), expected, atol=0.01)


def test_a_channel_can_be_asked_for(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.stack([LEFT, CLICKS], axis=1), RATE, subtype="FLOAT")
    source = open_recording(tmp_path / "a.wav", channel=1)
    np.testing.assert_array_equal(read(source), LEFT)
    source.close()
    for wrong in (0, 3, -1):
        with pytest.raises(SettingError, match=rf"channel {wrong} does not exist .* choose 1 to 2"):
            open_recording(tmp_path / "a.wav", channel=wrong)
    with pytest.raises(SettingError, match="standard input has one channel, so there is no channel 2; leave it out"):
        open_stdin(Pipe(bytes(10_000)), samplerate=RATE, channel=2)


# -- recordings that break off -------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".wav", ".flac", ".aiff", ".w64", ".mp3", ".ogg"])
def test_a_recording_that_breaks_off_is_heard_up_to_there_and_said_to(tmp_path: Path, suffix: str) -> None:
    written = noise(20)
    path = tmp_path / f"a{suffix}"
    soundfile.write(path, written, RATE)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    source = open_recording(path)
    heard = read(source)
    source.close()
    assert 9 * RATE < len(heard) < 11 * RATE
    if suffix not in (".mp3", ".ogg"):
        np.testing.assert_allclose(heard, written[: len(heard)], rtol=0, atol=2**-15)
    assert source.truncated
    assert len(source.notes) == 1
    assert "breaks off" in source.notes[0]
    if suffix != ".ogg":  # its header gives no length
        assert re.search(r"at 0:(09|10) of 0:20", source.notes[0])


def test_a_wav_whose_recorder_never_finished_it_is_heard(tmp_path: Path) -> None:
    """Lengths of 0 in the header: what is left when a recorder loses its power."""
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(), RATE, subtype="PCM_16")
    expected, _ = soundfile.read(path, dtype="float32")
    content = bytearray(path.read_bytes())
    content[4:8] = content[40:44] = bytes(4)
    path.write_bytes(content)
    source = open_recording(path)
    np.testing.assert_array_equal(read(source), expected)
    source.close()
    assert source.kind == "file"
    assert any("never finished" in note for note in source.notes)


def test_a_flac_damaged_at_its_start_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    soundfile.write(path, noise(3), RATE)
    content = path.read_bytes()
    first_frame = content.index(b"\xff\xf8")  # its synchronisation code, RFC 9639
    path.write_bytes(content[:first_frame] + bytes(len(content) - first_frame))
    source = open_recording(path)
    with pytest.raises(InputError) as error:
        read(source)
    source.close()
    assert "damaged" in sentence(error)


# -- input that cannot be heard ------------------------------------------------------------------------------


def written_bytes(samples: Array, *, samplerate: int = RATE) -> bytes:
    buffer = io.BytesIO()
    soundfile.write(buffer, samples, samplerate, format="WAV", subtype="PCM_16")
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("empty.wav", b"", "empty"),
        ("text.wav", b"First crack came at 9:36 today.\n" * 90, "text, not sound"),
        ("text.flac", "Kaffee, geröstet\n".encode() * 900, "text, not sound"),
        ("text.mp3", b"First crack came at 9:36 today.\n" * 90, "text, not sound"),
        ("random.wav", np.random.default_rng(5).bytes(5000), "not a recording"),
        ("header_only.wav", written_bytes(noise())[:44], "holds no sound"),
        ("half_a_header.wav", written_bytes(noise())[:20], "not a recording"),
        ("no_samples.wav", written_bytes(np.zeros(0, np.float32)), "holds no sound"),
        ("three_samples.wav", written_bytes(noise()[:3]), "3 samples"),
        (
            "slow.wav",
            written_bytes(noise(samplerate=4000), samplerate=4000),
            "4000 Hz, outside 8000 to 192000 Hz",
        ),
        ("fast.wav", written_bytes(noise(0.2), samplerate=384_000), "384000 Hz, outside 8000 to 192000 Hz"),
        ("bare.raw", bytes(2000), "no header"),
        ("bare.au", b"x" * 2000, "no header"),
    ],
)
def test_what_cannot_be_heard_is_refused_in_one_sentence(tmp_path: Path, name: str, content: bytes, says: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError) as error:
        open_recording(tmp_path / name)
    assert says in sentence(error)
    assert name in str(error.value)
    assert error.value.exit_code == 3


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        open_recording(tmp_path / "none.wav")
    assert "does not exist" in sentence(error)
    with pytest.raises(InputError) as error:
        open_recording(tmp_path)
    assert "is a folder" in sentence(error)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such permission bits")
def test_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(written_bytes(noise()))
    path.chmod(0)
    root = os.geteuid() == 0
    if root:  # who may read everything
        own = (folder for folder in tmp_path.parents if folder.name.startswith(("pytest-", "popen-")))
        for folder in (tmp_path, *own):
            folder.chmod(0o755)
        os.seteuid(65_534)
    try:
        with pytest.raises(InputError) as error:
            open_recording(path)
    finally:
        if root:
            os.seteuid(0)
    assert "may not be read" in sentence(error)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no named pipes among its files")
def test_a_named_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(InputError) as error:
        open_recording(tmp_path / "pipe.wav")
    assert "not an ordinary file" in sentence(error)


def test_a_name_below_a_file_does_not_exist(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(written_bytes(noise()))
    with pytest.raises(InputError) as error:
        open_recording(tmp_path / "a.wav" / "b.wav")
    assert "does not exist" in sentence(error)


@pytest.mark.parametrize("name", ["x" * 5_000 + ".wav", "a\0b.wav"], ids=["too long", "null character"])
def test_a_name_that_no_file_can_have(tmp_path: Path, name: str) -> None:
    assert find_recordings([tmp_path / name]) == [tmp_path / name]
    with pytest.raises(InputError) as error:
        open_recording(tmp_path / name)
    assert re.search("cannot be read|does not exist", sentence(error))


def test_find_recordings_looks_into_folders(tmp_path: Path) -> None:
    for name in ("b.wav", "a/d.FLAC", "a/c.ogg", "a/notes.txt"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"x")
    (tmp_path / "none").mkdir()
    single = tmp_path / "a" / "notes.txt"
    found = find_recordings([single, tmp_path])
    assert found == [single, tmp_path / "a" / "c.ogg", tmp_path / "a" / "d.FLAC", tmp_path / "b.wav"]
    with pytest.raises(InputError) as error:
        find_recordings([tmp_path / "none"])
    assert "holds no recordings" in sentence(error)


# -- standard input ------------------------------------------------------------------------------------------


class Pipe(io.BytesIO):
    """Gives at most 1,001 bytes at a time and cannot go back."""

    def read1(self, size: int | None = -1, /) -> bytes:
        return super().read1(1001 if size is None or size < 0 else min(size, 1001))

    def seek(self, *_: object) -> int:
        raise io.UnsupportedOperation("a pipe cannot seek")

    def seekable(self) -> bool:
        return False


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("channels", [1, 2])
def test_wav_from_a_pipe_equals_libsndfile(form: str, subtype: str, channels: int) -> None:
    """libsndfile is the reference reader."""
    buffer = io.BytesIO()
    soundfile.write(buffer, noise().reshape(-1, channels), RATE, format=form, subtype=subtype)
    expected, _ = soundfile.read(io.BytesIO(buffer.getvalue()), dtype="float32", always_2d=True)
    source = open_stdin(Pipe(buffer.getvalue()))
    heard = read(source)
    np.testing.assert_array_equal(heard, expected.mean(axis=1, dtype=np.float32) if channels == 2 else expected[:, 0])
    assert (source.kind, source.samplerate, source.truncated) == ("stdin", RATE, False)
    assert source.duration_s == pytest.approx(1 / channels)
    assert (source.channel_note is None) == (channels == 1)


@pytest.mark.parametrize("size", [0, 0xFFFF_FFFF, 0x7FFF_F000])
def test_wav_from_a_pipe_whose_writer_did_not_know_its_length(size: int) -> None:
    content = bytearray(written_bytes(noise()))
    expected, _ = soundfile.read(io.BytesIO(content), dtype="float32")
    content[40:44] = struct.pack("<I", size)
    source = open_stdin(Pipe(content))
    np.testing.assert_array_equal(read(source), expected)
    assert source.duration_s is None
    assert not source.truncated


def test_wav_from_a_pipe_stops_where_its_sound_ends() -> None:
    content = written_bytes(noise()) + b"LIST\x08\0\0\0INFOabcd"
    assert len(read(open_stdin(Pipe(content)))) == RATE


def test_wav_from_a_pipe_that_breaks_off() -> None:
    source = open_stdin(Pipe(written_bytes(noise(10))[: 44 + 2 * 4 * RATE]))
    assert len(read(source)) == 4 * RATE
    assert source.truncated
    assert "breaks off at 0:04 of 0:10" in source.notes[0]


def test_what_has_arrived_is_passed_on_at_once() -> None:
    blocks = list(open_stdin(Pipe(written_bytes(noise()))))
    assert max(len(block.samples) for block in blocks) <= 501


@pytest.mark.parametrize(("name", "dtype"), [("s16", "<i2"), ("s32", "<i4"), ("f32", "<f4")])
def test_raw_samples(name: str, dtype: str) -> None:
    values = np.array([0, 0.5, -0.5, -1, 0.25] * RATE, np.float64)
    scale = 1 if name == "f32" else 2.0 ** (8 * np.dtype(dtype).itemsize - 1)
    source = open_stdin(Pipe((values * scale).astype(dtype).tobytes()), samplerate=48_000, sample_format=name)
    np.testing.assert_array_equal(read(source), values.astype(np.float32))
    assert (source.samplerate, source.duration_s, source.notes) == (48_000, None, [])


def test_raw_samples_of_three_bytes() -> None:
    """The smallest, largest, +1 and -1 steps of 24 bits, two's complement, little-endian."""
    data = bytes.fromhex("000080 ffff7f 010000 ffffff 000040".replace(" ", "")) * RATE
    heard = read(open_stdin(Pipe(data), samplerate=RATE, sample_format="s24"))
    np.testing.assert_array_equal(heard[:5], np.array([-1, 1 - 2**-23, 2**-23, -(2**-23), 0.5], np.float32))


def test_raw_without_a_format_is_16_bit_and_says_so() -> None:
    source = open_stdin(Pipe(bytes(2 * RATE)), samplerate=RATE)
    assert len(read(source)) == RATE
    assert "taken as s16" in source.notes[0]


def test_raw_channels_and_a_last_sample_cut_in_two() -> None:
    pairs = np.stack([np.full(RATE, 1000), np.full(RATE, 3000)], axis=1).astype("<i2").tobytes() + b"\1\2\3"
    given = open_stdin(Pipe(pairs), samplerate=RATE, channels=2, sample_format="s16", channel=2)
    np.testing.assert_array_equal(read(given), np.full(RATE, 3000 / 32768, np.float32))
    assert given.truncated
    assert "last 3 bytes" in given.notes[0]
    mean = open_stdin(Pipe(pairs), samplerate=RATE, channels=2, sample_format="s16")
    np.testing.assert_array_equal(read(mean), np.full(RATE, 2000 / 32768, np.float32))
    assert mean.channel_note is not None
    assert "mean of 2" in mean.channel_note


class Keyboard(io.BytesIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("content", "options", "says"),
    [
        (b"", {}, "empty"),
        (bytes(100), {}, "sample rate is not given"),
        (b"some text", {}, "sample rate is not given"),
        (b"fLaC" + bytes(100), {"samplerate": RATE}, "carries FLAC"),
        (bytes(10), {"samplerate": RATE}, "5 samples"),
        (bytes(10_000), {"samplerate": 4000}, "4000 Hz, outside 8000 to 192000 Hz"),
        (bytes(10_000), {"samplerate": 0}, "0 Hz, outside 8000 to 192000 Hz"),
        (bytes(10_000), {"samplerate": RATE, "channels": 0}, "0 channels"),
        (bytes(10_000), {"samplerate": RATE, "sample_format": "s12"}, "choose one of s16, s24, s32, f32"),
        (written_bytes(noise()), {"samplerate": 48_000}, "is a WAV of 44100 Hz, not 48000 Hz"),
        (written_bytes(noise())[:40], {}, "ends within its WAV header"),
        (written_bytes(noise())[:30], {}, "damaged format chunk"),
        (written_bytes(noise())[:44], {}, "holds no sound"),
        (b"RIFF\0\0\0\0WAVEdata\0\0\0\0" + bytes(100), {}, "without a format chunk"),
        (b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0" + bytes(16) + b"data\0\0\0\0", {}, "cannot be streamed"),
        (b"RIFF\0\0\0\0WAVE" + bytes(100_000), {}, "does not begin anywhere"),
        (b"RIFF\0\0\0\0WAVEjunk\xff\xff\xff\xff" + bytes(100), {}, "does not begin anywhere"),
        (written_bytes(noise())[:22] + bytes(2) + written_bytes(noise())[24:], {}, "0 channels"),
    ],
)
def test_standard_input_that_cannot_be_heard(content: bytes, options: dict[str, object], says: str) -> None:
    with pytest.raises(InputError) as error:
        read(open_stdin(Pipe(content), **options))  # type: ignore[arg-type]
    assert says in sentence(error)


def test_a_keyboard_is_not_waited_for() -> None:
    with pytest.raises(InputError) as error:
        open_stdin(Keyboard())
    assert "keyboard" in sentence(error)


@pytest.mark.long
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads the process's own memory from /proc")
def test_sixty_four_channels_at_192_khz_are_heard_in_bounded_memory(tmp_path: Path) -> None:
    """Blocks and parts are bounded in samples times channels, whatever the recording is."""
    path = tmp_path / "many.wav"
    with soundfile.SoundFile(path, "w", 192_000, 64, "PCM_16") as file:
        for seed in range(12):
            noise = np.random.default_rng(seed).normal(0, 300, (96_000, 64))
            file.write(noise.astype(np.int16))
    code = (
        "import sys\n"
        "from crackdetect.audio.files import open_recording\n"
        "source = open_recording(sys.argv[1])\n"
        "print(sum(len(block.samples) for block in source))\n"
        "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])\n"
    )
    done = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    samples, peak_kb = map(int, done.stdout.split())
    assert samples == 12 * 96_000
    assert peak_kb < 200_000
