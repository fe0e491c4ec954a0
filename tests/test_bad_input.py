"""Everything that may be handed to the program and should not be: one sentence, an exit code, no traceback.

Each goes through the whole command; what could be heard before the trouble must have been told.
"""

from __future__ import annotations

import json
import os
import pickle
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from clicks import clicks_in_noise
from conftest import plain_classifier

from crackdetect import cli, model_files

RATE = 16_000
SOUND = clicks_in_noise([1.0, 2.0, 3.0, 4.0], samplerate=RATE, duration_s=8, frequency_hz=3_000)


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bad") / "plain.json"
    plain_classifier(path)
    return path


class Run:
    """errors: the sentences on standard error that are not notes."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err
        self.errors = [line for line in err.splitlines() if not line.startswith("note: ")]

    @property
    def events(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.out.splitlines()]


@pytest.fixture
def analyze(capfd: pytest.CaptureFixture[str], plain: Path) -> Callable[..., Run]:
    def command(*arguments: object, model: Path = plain) -> Run:
        code = cli.main(["analyze", *map(str, arguments), "--model", str(model)])
        return Run(code, *capfd.readouterr())

    return command


def one_sentence(done: Run, code: int, *words: str) -> None:
    """No more than one sentence, with the words, and the exit code."""
    assert done.code == code, done.err
    assert len(done.errors) == 1, done.err
    assert done.errors[0].startswith("crackdetect: ")
    for word in words:
        assert word in done.errors[0]
    assert "Traceback" not in done.err
    assert "defect" not in done.err


# -- recordings that cannot be opened --------------------------------------------------------------------------


def empty(path: Path) -> None:
    path.write_bytes(b"")


def zero_length(path: Path) -> None:
    soundfile.write(path, SOUND[:0], RATE)


def three_samples(path: Path) -> None:
    soundfile.write(path, SOUND[:3], RATE)


def text(path: Path) -> None:
    path.write_text("first crack at 9:36, I swear\n" * 50, encoding="utf-8")


def noise_bytes(path: Path) -> None:
    # 0x80 and above cannot be UTF-8 alone, and without 0xff nothing looks like an MPEG frame
    path.write_bytes(np.random.default_rng(1).integers(0x80, 0xFF, 5_000).astype(np.uint8).tobytes())


def mpeg_sync(path: Path) -> None:
    """Noise behind four bytes that could begin an MPEG frame: the decoder tries, and would comment on it."""
    path.write_bytes(b"\xff\xfb\x90\x00" + np.random.default_rng(2).bytes(20_000))


def half_a_header(path: Path) -> None:
    soundfile.write(path, SOUND, RATE)
    path.write_bytes(path.read_bytes()[:30])


def low_rate(path: Path) -> None:
    soundfile.write(path, SOUND, 4_000)


def high_rate(path: Path) -> None:
    soundfile.write(path, SOUND, 384_000)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (empty, ["is empty (0 bytes)", "record or export it again"]),
        (zero_length, ["holds no sound"]),
        (three_samples, ["3 samples", "use a longer recording"]),
        (text, ["is text, not sound"]),
        (noise_bytes, ["is not a recording that can be read", "use WAV, FLAC"]),
        (mpeg_sync, ["is not a recording that can be read (nothing in it can be decoded)", "use WAV, FLAC"]),
        (half_a_header, ["bad.wav"]),
        (low_rate, ["4000 Hz", "8000 to 192000 Hz", "convert it"]),
        (high_rate, ["384000 Hz", "8000 to 192000 Hz", "convert it"]),
    ],
)
def test_what_cannot_be_opened(
    analyze: Callable[..., Run], tmp_path: Path, make: Callable[[Path], None], words: list[str]
) -> None:
    make(tmp_path / "bad.wav")
    done = analyze(tmp_path / "bad.wav")
    one_sentence(done, 3, *words)
    assert done.out == ""


def test_a_missing_file(analyze: Callable[..., Run], tmp_path: Path) -> None:
    one_sentence(analyze(tmp_path / "gone.wav"), 3, "gone.wav does not exist", "check the name")


def test_a_folder_without_recordings(analyze: Callable[..., Run], tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("nothing to hear")
    one_sentence(analyze(tmp_path), 3, "holds no recordings", "wav")


def test_a_channel_that_is_not_there(analyze: Callable[..., Run], tmp_path: Path) -> None:
    soundfile.write(tmp_path / "mono.wav", SOUND, RATE)
    one_sentence(analyze(tmp_path / "mono.wav", "--channel", "2"), 2, "mono.wav has one channel", "no channel 2")


@pytest.fixture
def stranger(analyze: Callable[..., Run], tmp_path: Path) -> Iterator[Path]:
    """A folder that anyone may enter, while this process is somebody without rights."""
    if sys.platform == "win32":
        pytest.skip("permissions are another matter on Windows")
    # packages and model lie where only root may read: they are needed before the rights are given up
    soundfile.write(tmp_path / "before.wav", SOUND, RATE)
    assert analyze(tmp_path / "before.wav").code == 0
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o755)
        soundfile.write(Path(folder) / "locked.wav", SOUND, RATE)
        soundfile.write(Path(folder) / "open.wav", SOUND, RATE)
        (Path(folder) / "vault").mkdir()
        soundfile.write(Path(folder) / "vault" / "inside.wav", SOUND, RATE)
        os.chmod(Path(folder) / "locked.wav", 0)
        os.chmod(Path(folder) / "vault", 0)
        root = os.geteuid() == 0
        if root:
            os.seteuid(65534)  # root may read everything; nobody may not
        try:
            yield Path(folder)
        finally:
            if root:
                os.seteuid(0)
            os.chmod(Path(folder) / "vault", 0o755)


def test_no_permission_to_read_a_file(analyze: Callable[..., Run], stranger: Path) -> None:
    one_sentence(analyze(stranger / "locked.wav"), 3, "may not be read", "permissions")


def test_no_permission_to_enter_a_folder(analyze: Callable[..., Run], stranger: Path) -> None:
    one_sentence(analyze(stranger / "vault" / "inside.wav"), 3, "inside.wav may not be reached", "permissions of its")
    one_sentence(analyze(stranger / "vault"), 3, "vault may not be read", "permissions")


def test_what_is_locked_in_a_folder_is_told_and_the_rest_is_heard(analyze: Callable[..., Run], stranger: Path) -> None:
    done = analyze(stranger)
    assert done.code == 3
    assert [line.partition(" may not be read")[0] for line in done.errors] == [
        f"crackdetect: {stranger / 'locked.wav'}",
        f"crackdetect: {stranger / 'vault'}",
    ]
    assert [event["roast"] for event in done.events if event["type"] == "summary"] == ["open"]


# -- recordings in which there is nothing to hear --------------------------------------------------------------


def square(seconds: float) -> npt.NDArray[np.float32]:
    """Sound far above full scale: every sample at a limit."""
    noise = np.random.default_rng(2).normal(0, 50, round(seconds * RATE))
    return np.clip(noise, -1, 1).astype(np.float32)


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (np.zeros(6 * RATE, np.float32), ["is silent or constant throughout", "muted"]),
        (np.full(6 * RATE, 0.25, np.float32), ["is silent or constant throughout", "muted"]),
        (np.full(6 * RATE, 1.0, np.float32), ["is silent or constant throughout", "muted"]),
        (np.full(6 * RATE, np.nan, np.float32), ["not numbers throughout", "16-bit WAV"]),
        (square(6.0), ["is clipped throughout", "turn the microphone's level down"]),
    ],
    ids=["zeros", "constant", "constant at full scale", "not numbers", "clipped"],
)
def test_nothing_to_hear(
    analyze: Callable[..., Run], tmp_path: Path, samples: npt.NDArray[np.float32], words: list[str]
) -> None:
    soundfile.write(tmp_path / "bad.wav", samples, RATE, subtype="FLOAT")
    done = analyze(tmp_path / "bad.wav")
    one_sentence(done, 3, "bad.wav", *words)
    # what was found of it is told all the same
    assert done.events[0]["type"] == "roast.start"
    assert done.events[-1]["type"] == "summary"
    assert done.events[-1]["first_crack"] is None


def test_something_to_hear_between_much_silence_is_not_refused(analyze: Callable[..., Run], tmp_path: Path) -> None:
    samples = np.zeros(30 * RATE, np.float32)
    samples[10 * RATE : 18 * RATE] = SOUND
    soundfile.write(tmp_path / "good.wav", samples, RATE)
    done = analyze(tmp_path / "good.wav")
    assert (done.code, done.errors) == (0, [])
    assert done.events[-1]["health"]["silence"] >= 1


# -- recordings that break off ---------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_a_truncated_recording_is_heard_as_far_as_it_goes(
    analyze: Callable[..., Run], tmp_path: Path, suffix: str
) -> None:
    path = tmp_path / f"cut.{suffix}"
    soundfile.write(path, SOUND, RATE)
    whole = path.read_bytes()
    path.write_bytes(whole[: round(0.6 * len(whole))])
    done = analyze(path)
    assert done.code == 3
    assert "breaks off at 0:0" in done.err
    assert "Traceback" not in done.err
    cracks = [event["at"] for event in done.events if event["type"] == "crack"]
    assert cracks[:3] == pytest.approx([1.0, 2.0, 3.0], abs=0.01)
    assert done.events[-1]["type"] == "summary"


def test_a_truncated_recording_among_others(analyze: Callable[..., Run], tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav"):
        soundfile.write(tmp_path / name, SOUND, RATE)
    (tmp_path / "a.wav").write_bytes((tmp_path / "a.wav").read_bytes()[:150_000])
    done = analyze(tmp_path / "a.wav", tmp_path / "b.wav")
    assert done.code == 3
    assert "a.wav breaks off" in done.err
    assert [event["roast"] for event in done.events if event["type"] == "summary"] == ["a", "b"]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take Unicode names only")
@pytest.mark.parametrize("form", ["jsonl", "text"])
def test_a_file_name_that_is_not_unicode_is_heard(analyze: Callable[..., Run], tmp_path: Path, form: str) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path / "caf") + b"\xe9.wav"))
    soundfile.write(tmp_path / "plain.wav", SOUND, RATE)
    (tmp_path / "plain.wav").replace(path)
    done = analyze(tmp_path, "--format", form)
    assert (done.code, done.errors) == (0, [])
    assert "caf" in done.out


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take Unicode names only")
def test_a_bad_file_with_a_name_that_is_not_unicode(analyze: Callable[..., Run], tmp_path: Path) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path / "caf") + b"\xe9.wav"))
    text(path)
    one_sentence(analyze(path), 3, "caf", "is text, not sound")


def test_a_damaged_mp3_is_heard_without_its_decoder_commenting(analyze: Callable[..., Run], tmp_path: Path) -> None:
    path = tmp_path / "damaged.mp3"
    soundfile.write(path, np.stack([SOUND, SOUND], axis=1), RATE)  # the choice of a channel reads it as well
    whole = bytearray(path.read_bytes())
    middle = len(whole) // 2
    whole[middle : middle + 5_000] = np.random.default_rng(1).bytes(5_000)
    path.write_bytes(whole)
    done = analyze(path)
    assert "breaks off" in done.err
    assert [line for line in done.err.splitlines() if not line.startswith("note: ")] == []
    assert done.events[-1]["type"] == "summary"


# -- model files -----------------------------------------------------------------------------------------------


def signed(content: dict[str, Any]) -> str:
    """With the digest that fits, as somebody with bad intentions would write it."""
    return json.dumps({**content, "digest": model_files.digest_of(content)})


def damaged(content: dict[str, Any]) -> bytes:
    return json.dumps(content).encode()[:-4_000]


def changed(content: dict[str, Any]) -> bytes:
    return json.dumps({**content, "name": "other"}).encode()


def other_version(content: dict[str, Any]) -> bytes:
    return signed({**content, "format_version": 99}).encode()


def pickled(content: dict[str, Any]) -> bytes:
    return pickle.dumps(content)


def nested(content: dict[str, Any]) -> bytes:
    return b"[" * 500_000


def nested_card(content: dict[str, Any]) -> bytes:
    card = b'{"a":' * 990 + b"1" + b"}" * 990
    start = json.dumps({key: value for key, value in content.items() if key != "card"}).encode()
    return start[:-1] + b', "card": ' + card + b"}"


def array_of(value: float) -> Callable[[dict[str, Any]], bytes]:
    def make(content: dict[str, Any]) -> bytes:
        first = np.full(content["weights"][0]["shape"], value, np.float32)
        weights = [model_files.encode(first), *content["weights"][1:]]
        return signed({**content, "weights": weights}).encode()

    return make


def wrong_shapes(content: dict[str, Any]) -> bytes:
    weights = [model_files.encode(np.zeros((3, 4), np.float32)), *content["weights"][1:]]
    return signed({**content, "weights": weights}).encode()


def wrong_types(content: dict[str, Any]) -> bytes:
    return signed({**content, "weights": {"a": 1}, "marks": [1, 2], "prior": "x"}).encode()


def negative_shape(content: dict[str, Any]) -> bytes:
    weights = [{**content["weights"][0], "shape": [-1, 2]}, *content["weights"][1:]]
    return signed({**content, "weights": weights}).encode()


def huge_shape(content: dict[str, Any]) -> bytes:
    weights = [{**content["weights"][0], "shape": [99_999, 99_999]}, *content["weights"][1:]]
    return signed({**content, "weights": weights}).encode()


def not_a_model(content: dict[str, Any]) -> bytes:
    return b'{"format": "something else"}'


def a_number(content: dict[str, Any]) -> bytes:
    return b"9" * 5_000


def no_golden_rows(content: dict[str, Any]) -> bytes:
    return signed({key: value for key, value in content.items() if key != "golden_rows"}).encode()


def not_utf8(content: dict[str, Any]) -> bytes:
    return b"\xff\xfe" + json.dumps(content).encode("utf-16-le")


@pytest.mark.parametrize(
    "make",
    [
        damaged,
        changed,
        other_version,
        pickled,
        nested,
        nested_card,
        array_of(float("nan")),
        array_of(float("inf")),
        array_of(3e38),
        wrong_shapes,
        wrong_types,
        negative_shape,
        huge_shape,
        not_a_model,
        a_number,
        no_golden_rows,
        not_utf8,
    ],
)
def test_a_model_file_that_does_not_fit(
    analyze: Callable[..., Run], tmp_path: Path, plain: Path, make: Callable[[dict[str, Any]], bytes]
) -> None:
    soundfile.write(tmp_path / "good.wav", SOUND, RATE)
    content = json.loads(plain.read_text(encoding="utf-8"))
    del content["digest"]
    bad = tmp_path / "bad.json"
    bad.write_bytes(make(content))
    one_sentence(analyze(tmp_path / "good.wav", model=bad), 5, "model", "train")


def test_a_model_file_of_absurd_size_is_not_even_read(analyze: Callable[..., Run], tmp_path: Path) -> None:
    soundfile.write(tmp_path / "good.wav", SOUND, RATE)
    with (tmp_path / "huge.json").open("wb") as file:
        file.truncate(50_000_000_000)  # takes no room on a disk
    one_sentence(analyze(tmp_path / "good.wav", model=tmp_path / "huge.json"), 5, "over 4 MB")


@pytest.mark.parametrize("name", ["gone.json", "."])
def test_a_model_file_that_is_none(analyze: Callable[..., Run], tmp_path: Path, name: str) -> None:
    soundfile.write(tmp_path / "good.wav", SOUND, RATE)
    one_sentence(analyze(tmp_path / "good.wav", model=tmp_path / name), 5, "cannot be read")


def test_scoring_with_a_model_file_that_is_none(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code = cli.main(["evaluate", "--quick", "--model", str(tmp_path)])
    one_sentence(Run(code, *capfd.readouterr()), 5, "is not an ordinary file and cannot be read")


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no /dev/zero on this system")
def test_a_model_file_without_end(analyze: Callable[..., Run], tmp_path: Path) -> None:
    soundfile.write(tmp_path / "good.wav", SOUND, RATE)
    one_sentence(analyze(tmp_path / "good.wav", model=Path("/dev/zero")), 5, "/dev/zero")


def test_a_bad_model_is_told_once_for_many_files(analyze: Callable[..., Run], tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav", "c.wav"):
        soundfile.write(tmp_path / name, SOUND, RATE)
    one_sentence(analyze(tmp_path, model=tmp_path / "gone.json"), 5, "gone.json cannot be read")


# -- outputs ---------------------------------------------------------------------------------------------------


def test_synth_into_a_place_that_cannot_be(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    code = cli.main(["synth", "quiet", "--seed", "1", "--duration", "0:05", "--out", str(tmp_path / "file" / "x")])
    one_sentence(Run(code, *capfd.readouterr()), 6, "cannot be made", "choose another")
