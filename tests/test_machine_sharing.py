"""A machine's file for somebody else, with the sound of its roasts: what it holds, and what is refused."""

from __future__ import annotations

import struct
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import POINT

from crackdetect.deciding.machine_sums import MachineSums
from crackdetect.errors import InputError, ModelError, OutputError, SettingError
from crackdetect.storage import machine_profiles, machine_sharing
from crackdetect.teach.machine_profile import MachineProfile, RoastLabels

LABELS = RoastLabels(510.25, "marked", ((500.5, False),)), RoastLabels(None, "corrected", ())
PROFILE = MachineProfile("drum", "model", ("roast-monday", "roast-tuesday"), MachineSums.none(POINT), labels=LABELS)


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """With the sound of the second roast."""
    recording, path = tmp_path / "Sound of Tuesday.FLAC", tmp_path / "drum.zip"
    recording.write_bytes(np.random.default_rng(1).bytes(3_000_000))
    machine_sharing.write(PROFILE, path, sound={1: recording}, replace=False)
    return path


def test_it_holds_the_same_file_and_the_sound_without_a_name(archive: Path, tmp_path: Path) -> None:
    """Read by Python's own zipfile, as any program of PKWARE's APPNOTE would."""
    plain = tmp_path / "drum.json"
    assert machine_sharing.write(PROFILE, plain, replace=False) == plain.stat().st_size
    with zipfile.ZipFile(archive) as opened:
        assert opened.testzip() is None
        assert opened.namelist() == ["machine.json", "roast-2.flac"]
        assert opened.read("machine.json") == plain.read_bytes()
        assert opened.read("roast-2.flac") == (tmp_path / "Sound of Tuesday.FLAC").read_bytes()
        assert {one.date_time for one in opened.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    assert b"onday" not in archive.read_bytes()[:100_000]
    shared = machine_sharing.read(archive)
    assert (shared.recordings, shared.sound_bytes) == (1, 3_000_000)
    assert shared.profile.labels == LABELS
    assert shared.profile.roasts == ("1", "2")
    alone = machine_sharing.read(plain)
    assert (alone.recordings, alone.profile.digest) == (0, shared.profile.digest)


def test_what_cannot_be_written_leaves_what_was(archive: Path, tmp_path: Path) -> None:
    before = archive.read_bytes()
    with pytest.raises(SettingError):
        machine_sharing.write(PROFILE, archive, sound={}, replace=False)
    with pytest.raises(OutputError, match="cannot be read"):
        machine_sharing.write(PROFILE, archive, sound={0: tmp_path / "gone.flac"}, replace=True)
    assert archive.read_bytes() == before
    with pytest.raises(InputError):
        machine_sharing.read(tmp_path / "nowhere")


def entries(*rows: tuple[str, bytes], method: int = zipfile.ZIP_STORED) -> dict[str, object]:
    return {"rows": rows, "method": method}


GOOD = machine_profiles.text_of(PROFILE).encode()


@pytest.mark.parametrize(
    "made",
    [
        entries(),
        entries(("roast-1.flac", b"x")),  # no machine
        entries(("machine.json", GOOD), ("../../roast-1.flac", b"x")),
        entries(("machine.json", GOOD), ("/etc/roast-1.flac", b"x")),
        entries(("machine.json", GOOD), ("roast-1.flac\n", b"x")),
        entries(("machine.json", GOOD), ("readme.txt", b"x")),
        entries(("machine.json", GOOD), ("machine.json", GOOD)),
        entries(("machine.json", b"[" * 100_000)),
        entries(("machine.json", b"")),
        entries(("machine.json", GOOD + b" " * 4_000_000)),
        entries(("machine.json", GOOD.replace(b"drum", b"drip"))),  # another digest
        entries(("machine.json", GOOD), ("roast-1.flac", bytes(9_000_000)), method=zipfile.ZIP_DEFLATED),
    ],
)
def test_a_hostile_archive_is_refused_in_one_sentence(tmp_path: Path, made: dict[str, object]) -> None:
    path = tmp_path / "hostile.zip"
    with warnings.catch_warnings(action="ignore"), zipfile.ZipFile(path, "w", made["method"]) as archive:  # type: ignore[call-overload]
        for name, content in made["rows"]:  # type: ignore[attr-defined]
            archive.writestr(name, content)
    with pytest.raises(ModelError) as caught:
        machine_sharing.read(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_changed_or_missing_byte_is_refused_or_only_sound(archive: Path) -> None:
    whole, rng = archive.read_bytes(), np.random.default_rng(0)
    sound = whole.index(b"roast-2.flac") + 12, whole.rindex(b"PK\x01\x02") - 400
    places = [*range(0, 90), *range(len(whole) - 220, len(whole)), *rng.integers(90, sound[0], 60).tolist()]
    refused = 0
    for place in places:
        changed = bytearray(whole)
        changed[place] ^= 1 << int(rng.integers(8))
        archive.write_bytes(changed)
        try:
            shared = machine_sharing.read(archive)
        except ModelError:
            refused += 1
        else:  # a time, an attribute, or what only a program that takes the sound out looks at
            assert shared.profile.labels == LABELS
    assert refused > 100
    for length in (4, 100, len(whole) // 2, len(whole) - 30, len(whole) - 1):
        archive.write_bytes(whole[:length])
        with pytest.raises(ModelError):
            machine_sharing.read(archive)


@pytest.mark.parametrize("find", [bytearray.index, bytearray.rindex], ids=["machine.json", "sound"])
def test_an_archive_that_claims_more_than_it_has_is_refused(
    archive: Path, find: Callable[[bytearray, bytes], int]
) -> None:
    """The sizes of an entry in the central directory, at 20 and 24 bytes (APPNOTE 4.3.12), are made huge."""
    whole = bytearray(archive.read_bytes())
    entry = find(whole, b"PK\x01\x02")
    whole[entry + 20 : entry + 28] = struct.pack("<II", 0xFFFFFFF0, 0xFFFFFFF0)
    archive.write_bytes(whole)
    with pytest.raises(ModelError, match="is damaged or not what is known of a machine"):
        machine_sharing.read(archive)


def test_a_directory_longer_than_any_that_is_written_is_not_parsed(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """40,000 entries of 46 bytes and a name (APPNOTE 4.3.12) behind the size in the end record (4.3.16)."""
    whole = bytearray(archive.read_bytes())
    begin = whole.index(b"PK\x01\x02")
    directory = b"".join(
        whole[begin : begin + 28] + struct.pack("<H", 12) + whole[begin + 30 : begin + 46] + b"roast-%05d." % n
        for n in range(40_000)
    )
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 40_000, 40_000, len(directory), begin, 0)
    archive.write_bytes(whole[:begin] + directory + end)
    made = []

    class Counted(zipfile.ZipInfo):
        def __init__(self, *args: Any) -> None:
            made.append(args)
            super().__init__(*args)

    monkeypatch.setattr(zipfile, "ZipInfo", Counted)
    with pytest.raises(ModelError):
        machine_sharing.read(archive)
    assert 0 < len(made) < 20_000


@pytest.mark.parametrize("name", ["sound", "sound.wave64", "sound.b c", "sound.é"])
def test_a_recording_without_a_usual_ending_comes_back(tmp_path: Path, name: str) -> None:
    recording, path = tmp_path / name, tmp_path / "drum.zip"
    recording.write_bytes(b"sound")
    machine_sharing.write(PROFILE, path, sound={0: recording}, replace=False)
    shared = machine_sharing.read(path)
    assert (shared.recordings, shared.sound_bytes) == (1, 5)


def test_ten_thousand_recordings_are_read(tmp_path: Path) -> None:
    path = tmp_path / "drum.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("machine.json", GOOD)
        for number in range(1, 10_001):
            archive.writestr(zipfile.ZipInfo(f"roast-{number}.sound"), b"x")
    assert machine_sharing.read(path).recordings == 10_000
