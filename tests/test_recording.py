"""The sound of a roast on the disk: to the bit, up to where it was cut off, and told where it ends."""

from __future__ import annotations

import errno
import subprocess
import sys
import threading
import time
from pathlib import Path
from queue import SimpleQueue

import numpy as np
import pytest
import soundfile
from left_behind import RATE, noise, record
from patience import PATIENCE_S

from crackdetect.audio.files import open_recording
from crackdetect.blocks import Block, Samples
from crackdetect.notice import Notice
from crackdetect.storage import recording
from crackdetect.storage.journal import new_folder
from crackdetect.storage.recording import Recorder, join, mend


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return new_folder(tmp_path / "data", "roast")


@pytest.mark.parametrize("bits", [16, 24])
def test_what_was_heard_is_recorded_to_the_bit_with_silence_for_what_was_lost(folder: Path, bits: int) -> None:
    first, second = noise(1.5, bits=bits), noise(0.7, bits=bits)
    assert record(folder, [Block(first), Block(second, lost=3 * RATE + 17)]) == []
    path = join(folder)
    assert path == folder / "sound.flac"
    read, samplerate = soundfile.read(path, dtype="float32")
    assert samplerate == RATE
    np.testing.assert_array_equal(read, np.concatenate([first, np.zeros(3 * RATE + 17, np.float32), second]))


def test_numbers_that_are_none_are_recorded_as_silence(folder: Path) -> None:
    broken = noise(1.0)
    broken[100:200] = np.nan
    record(folder, [Block(broken)])
    path = join(folder)
    assert path is not None
    read, _ = soundfile.read(path, dtype="float32")
    assert (read[100:200] == 0).all()


@pytest.fixture(scope="module")
def cut_off_recording(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A recording of 20 s at 44.1 kHz whose writer was killed."""
    folder = tmp_path_factory.mktemp("killed")
    code = """
import os, signal, sys, time
from pathlib import Path
import numpy as np
from crackdetect.blocks import Block
from crackdetect.storage.recording import Recorder
recorder = Recorder(Path(sys.argv[1]), samplerate=44_100)
noise = np.random.default_rng(1).normal(0, 0.05, 20 * 44_100).astype(np.float32)
for start in range(0, len(noise), 4410):
    recorder.observe(Block(noise[start : start + 4410]))
while recorder.written < len(noise):
    time.sleep(0.01)
os.kill(os.getpid(), signal.SIGKILL)
"""
    subprocess.run([sys.executable, "-c", code, str(folder)], check=False, timeout=PATIENCE_S)
    (path,) = folder.glob("*.flac")
    return path.read_bytes()


def heard_seconds(path: Path) -> float:
    source = open_recording(path)
    count = sum(len(block.samples) for block in source)
    source.close()
    return count / 44_100


def test_of_a_killed_recording_less_than_a_second_is_missing(cut_off_recording: bytes, tmp_path: Path) -> None:
    path = tmp_path / "killed.flac"
    path.write_bytes(cut_off_recording)
    assert heard_seconds(path) > 19.8  # two frames of 4,096 samples are 0.19 s


@pytest.mark.parametrize("share", [0.02, 0.1, 0.37, 0.5, 0.501, 0.77, 0.93, 0.9999])
@pytest.mark.parametrize("tail", [b"", bytes(4096)], ids=["cut", "then zeros"])
def test_a_recording_that_breaks_off_anywhere_is_read_up_to_there(
    cut_off_recording: bytes, tmp_path: Path, share: float, tail: bytes
) -> None:
    """The bytes of steady noise are spread evenly over its seconds, so a share of bytes is a share of time."""
    path = tmp_path / "cut.flac"
    path.write_bytes(cut_off_recording[: int(share * len(cut_off_recording))] + tail)
    expected = share * 20
    assert expected - 0.5 < heard_seconds(path) <= expected + 0.1
    count = mend(path)
    read, _ = soundfile.read(path)  # a reader that insists on a length
    assert len(read) == count == round(heard_seconds(path) * 44_100)
    assert expected - 0.5 < count / 44_100


def test_a_header_that_promises_more_than_is_there_is_put_right(folder: Path) -> None:
    """Where the power went between the header and the last frames."""
    record(folder, [Block(noise(3.0))])
    part = folder / "sound-000000000000.flac"
    part.write_bytes(part.read_bytes()[:-3_000])
    whole = join(folder)
    assert whole is not None
    with soundfile.SoundFile(whole) as file:
        assert 2.0 * RATE < file.frames < 3.0 * RATE
        assert len(file.read()) == file.frames


def test_a_file_without_any_sound_is_put_away_and_an_empty_one_goes(tmp_path: Path) -> None:
    for content in (b"", b"fLaC", b"nonsense" * 100):
        path = tmp_path / "sound-000000000000.flac"
        path.write_bytes(content)
        assert mend(path) == 0
        assert join(tmp_path) is None
        assert not path.exists()
        aside = tmp_path / "unreadable-sound-000000000000.flac"
        assert aside.exists() == bool(content)
        assert not content or aside.read_bytes() == content


def test_parts_of_a_roast_become_one_recording_whose_times_are_those_of_the_roast(folder: Path) -> None:
    """The second part begins where the events ended, a little before the first part's sound did."""
    first, second = noise(2.0), noise(1.0)
    record(folder, [Block(first)])
    begin = round(1.75 * RATE)
    record(folder, [Block(np.zeros(0, np.float32), lost=2 * RATE, lost_to="outage"), Block(second)], first=begin)
    assert len(list(folder.glob("sound-*.flac"))) == 2
    path = join(folder)
    assert path is not None
    read, _ = soundfile.read(path, dtype="float32")
    np.testing.assert_array_equal(read[: 2 * RATE], first)
    assert (read[2 * RATE : begin + 2 * RATE] == 0).all()
    np.testing.assert_array_equal(read[begin + 2 * RATE :], second)
    assert [file.name for file in folder.glob("sound*")] == ["sound.flac"]
    assert join(folder) == path  # and again, as after a kill before the parts were taken away


def test_a_slow_disk_costs_sound_and_is_told_once_and_never_holds_the_hearing(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    notices: SimpleQueue[Notice] = SimpleQueue()
    recorder = Recorder(folder, samplerate=RATE, notices=notices, queue_s=1.0)
    free = threading.Event()
    write = soundfile.SoundFile.write

    def slow(file: soundfile.SoundFile, samples: Samples) -> None:
        free.wait(20)
        write(file, samples)

    monkeypatch.setattr(soundfile.SoundFile, "write", slow)
    block = noise(0.5)
    for _ in range(8):  # one is being written, two wait, five find no room
        recorder.observe(Block(block))
        time.sleep(0.02)
    free.set()
    while recorder.waiting_samples:
        time.sleep(0.01)
    recorder.observe(Block(block))
    recorder.close()
    assert [notices.get_nowait().kind for _ in range(notices.qsize())] == ["recording_gap"]
    path = join(folder)
    assert path is not None
    read, _ = soundfile.read(path, dtype="float32")
    assert len(read) == 9 * len(block)  # silence stands for what found no room
    np.testing.assert_array_equal(read[-len(block) :], block)


def test_a_disk_that_is_nearly_full_ends_the_recording_and_is_told_once(folder: Path) -> None:
    told = record(folder, [Block(noise(0.5))] * 6, sync_every_s=0.0, reserve=10**30)
    assert [notice.kind for notice in told] == ["disk_full"]
    assert "the recording ended at 0:0" in told[0].message
    assert "the roast is listened to all the same: free space on the disk" in told[0].message


def test_on_a_disk_that_is_nearly_full_the_room_is_left_to_the_events(folder: Path) -> None:
    """The disk is asked with the first block, not half a second later."""
    told = record(folder, [Block(noise(0.05)), *[Block(noise(5.0))] * 3], reserve=10**30)
    assert "the recording ended at 0:00 (the disk is full)" in told[0].message
    assert (folder / "sound-000000000000.flac").stat().st_size < 10_000


def test_a_full_disk_is_called_that_whatever_the_library_says_of_it(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(file: soundfile.SoundFile, samples: Samples) -> None:
        raise soundfile.LibsndfileError(2)

    monkeypatch.setattr(soundfile.SoundFile, "write", full)
    assert "(System error.)" in record(folder, [Block(noise(0.5))])[0].message
    (told,) = record(folder, [Block(noise(0.5))], reserve=10**30)
    assert told.kind == "disk_full"
    assert "(the disk is full)" in told.message


def test_a_defect_in_the_recorder_ends_the_recording_and_is_told_once(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its thread would else end in silence, and nobody would know that there is no recording."""

    def broken(file: soundfile.SoundFile, samples: Samples) -> None:
        raise KeyError("frames")

    monkeypatch.setattr(soundfile.SoundFile, "write", broken)
    told = record(folder, [Block(noise(0.5))] * 3)
    assert [notice.kind for notice in told] == ["output_failed"]
    assert told[0].message == (
        "the recording ended at 0:00 (a defect of crackdetect, KeyError: 'frames'); the roast is listened to all the "
        "same"
    )


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_a_disk_that_takes_no_more_ends_the_recording_and_what_is_there_can_be_read(folder: Path) -> None:
    code = """
import resource, sys
from pathlib import Path
from queue import SimpleQueue
import numpy as np
from crackdetect.blocks import Block
from crackdetect.storage.recording import Recorder
notices = SimpleQueue()
recorder = Recorder(Path(sys.argv[1]), samplerate=44_100, notices=notices)
resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, resource.RLIM_INFINITY))
noise = np.random.default_rng(1).normal(0, 0.05, 44_100).astype(np.float32)
for _ in range(20):
    recorder.observe(Block(noise))
recorder.close()
print([notices.get_nowait().kind for _ in range(notices.qsize())])
"""
    done = subprocess.run([sys.executable, "-c", code, str(folder)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "['disk_full']\n", "")
    path = join(folder)
    assert path is not None
    assert 1.0 < heard_seconds(path) < 5.0


def test_a_part_that_cannot_be_read_is_kept_beside_the_recording(folder: Path) -> None:
    record(folder, [Block(noise(2))])
    junk = folder / "sound-000000040000.flac"
    junk.write_bytes(bytes(range(256)) * 20)
    (folder / "sound-mine.flac").write_bytes(b"mine")
    for _ in range(2):
        path = join(folder)
        assert path is not None
        assert soundfile.info(path).frames == 2 * RATE
        assert sorted(one.name for one in folder.iterdir()) == [
            "sound-mine.flac",
            "sound.flac",
            "unreadable-sound-000000040000.flac",
        ]
    assert (folder / "unreadable-sound-000000040000.flac").read_bytes() == bytes(range(256)) * 20


def test_a_part_whose_length_cannot_be_entered_is_heard_all_the_same(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record(folder, [Block(noise(1))])
    (part,) = recording.parts(folder)

    def refuse(*arguments: object, **options: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(recording, "open", refuse, raising=False)
    assert mend(part) == RATE
