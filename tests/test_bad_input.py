"""Everything that may be handed to the program and should not be: one sentence, an exit code, no traceback.

Each goes through the whole command; what could be heard before the trouble must have been told.
"""

from __future__ import annotations

import json
import locale
import os
import pickle
import re
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
from commands import Done, Run, run_process

from crackdetect import model as model_files

RATE = 16_000
#: Runs ``analyze`` on files, with the model whose answers are known or another.
Analyze = Callable[..., Done]
SOUND = clicks_in_noise([1.0, 2.0, 3.0, 4.0], samplerate=RATE, duration_s=8, frequency_hz=3_000)


@pytest.fixture
def analyze(run: Run, plain: Path) -> Analyze:
    def command(*arguments: object, model: Path = plain) -> Done:
        return run("analyze", *arguments, "--model", model)

    return command


def one_sentence(done: Done, code: int, *words: str) -> None:
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
    analyze: Analyze, tmp_path: Path, make: Callable[[Path], None], words: list[str]
) -> None:
    make(tmp_path / "bad.wav")
    done = analyze(tmp_path / "bad.wav")
    one_sentence(done, 3, *words)
    assert done.out == ""


def test_a_missing_file(analyze: Analyze, tmp_path: Path) -> None:
    one_sentence(analyze(tmp_path / "gone.wav"), 3, "gone.wav does not exist", "check the name")


def test_a_folder_without_recordings(analyze: Analyze, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("nothing to hear")
    one_sentence(analyze(tmp_path), 3, "holds no recordings", "wav")


def test_a_channel_that_is_not_there(analyze: Analyze, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "mono.wav", SOUND, RATE)
    one_sentence(analyze(tmp_path / "mono.wav", "--channel", "2"), 2, "mono.wav has one channel", "no channel 2")


@pytest.fixture
def stranger(analyze: Analyze, tmp_path: Path) -> Iterator[Path]:
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


def test_no_permission_to_read_a_file(analyze: Analyze, stranger: Path) -> None:
    one_sentence(analyze(stranger / "locked.wav"), 3, "may not be read", "permissions")


def test_no_permission_to_enter_a_folder(analyze: Analyze, stranger: Path) -> None:
    one_sentence(analyze(stranger / "vault" / "inside.wav"), 3, "inside.wav may not be reached", "permissions of its")
    one_sentence(analyze(stranger / "vault"), 3, "vault may not be read", "permissions")


def test_what_is_locked_in_a_folder_is_told_and_the_rest_is_heard(analyze: Analyze, stranger: Path) -> None:
    done = analyze(stranger, "--jobs", "1")  # a worker could not read this program either
    assert done.code == 3
    assert [line.partition(" may not be read")[0] for line in done.errors] == [
        f"crackdetect: {stranger / 'locked.wav'}",
        f"crackdetect: {stranger / 'vault'}",
        "crackdetect: 2 of 3 recordings failed, see above; the others were heard",
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
def test_nothing_to_hear(analyze: Analyze, tmp_path: Path, samples: npt.NDArray[np.float32], words: list[str]) -> None:
    soundfile.write(tmp_path / "bad.wav", samples, RATE, subtype="FLOAT")
    done = analyze(tmp_path / "bad.wav")
    one_sentence(done, 3, "bad.wav", *words)
    # what was found of it is told all the same
    assert done.events[0]["type"] == "roast.start"
    assert done.events[-1]["type"] == "summary"
    assert done.events[-1]["first_crack"] is None


def test_something_to_hear_between_much_silence_is_not_refused(analyze: Analyze, tmp_path: Path) -> None:
    samples = np.zeros(30 * RATE, np.float32)
    samples[10 * RATE : 18 * RATE] = SOUND
    soundfile.write(tmp_path / "good.wav", samples, RATE)
    done = analyze(tmp_path / "good.wav")
    assert (done.code, done.errors) == (0, [])
    assert done.events[-1]["health"]["silence"] >= 1


# -- recordings that break off ---------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_a_truncated_recording_is_heard_as_far_as_it_goes(analyze: Analyze, tmp_path: Path, suffix: str) -> None:
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


def test_a_truncated_recording_among_others(analyze: Analyze, tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav"):
        soundfile.write(tmp_path / name, SOUND, RATE)
    (tmp_path / "a.wav").write_bytes((tmp_path / "a.wav").read_bytes()[:150_000])
    done = analyze(tmp_path / "a.wav", tmp_path / "b.wav")
    assert done.code == 3
    assert "a.wav breaks off" in done.err
    assert [event["roast"] for event in done.events if event["type"] == "summary"] == ["a", "b"]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take Unicode names only")
@pytest.mark.parametrize("form", ["jsonl", "text"])
def test_a_file_name_that_is_not_unicode_is_heard(analyze: Analyze, tmp_path: Path, form: str) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path / "caf") + b"\xe9.wav"))
    soundfile.write(tmp_path / "plain.wav", SOUND, RATE)
    (tmp_path / "plain.wav").replace(path)
    done = analyze(tmp_path, "--format", form)
    assert (done.code, done.errors) == (0, [])
    assert "caf" in done.out


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take Unicode names only")
def test_a_bad_file_with_a_name_that_is_not_unicode(analyze: Analyze, tmp_path: Path) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path / "caf") + b"\xe9.wav"))
    text(path)
    one_sentence(analyze(path), 3, "caf", "is text, not sound")


def test_a_damaged_mp3_is_heard_without_its_decoder_commenting(analyze: Analyze, tmp_path: Path) -> None:
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


def with_network(content: dict[str, Any], **changes: Any) -> bytes:
    """With a changed network in the classifier."""
    classifier = content["classifier"]
    return signed({**content, "classifier": {**classifier, "network": {**classifier["network"], **changes}}}).encode()


def with_first_layer(content: dict[str, Any], first: dict[str, Any]) -> bytes:
    return with_network(content, weights=[first, *content["classifier"]["network"]["weights"][1:]])


def first_layer(content: dict[str, Any]) -> dict[str, Any]:
    layer: dict[str, Any] = content["classifier"]["network"]["weights"][0]
    return layer


def array_of(value: float) -> Callable[[dict[str, Any]], bytes]:
    def make(content: dict[str, Any]) -> bytes:
        shape = first_layer(content)["shape"]
        return with_first_layer(content, model_files.encode(np.full(shape, value, np.float32)))

    return make


def wrong_shapes(content: dict[str, Any]) -> bytes:
    return with_first_layer(content, model_files.encode(np.zeros((3, 4), np.float32)))


def wrong_types(content: dict[str, Any]) -> bytes:
    return signed({**content, "classifier": {"network": {"weights": {"a": 1}}}, "score_model": [1, 2]}).encode()


def negative_shape(content: dict[str, Any]) -> bytes:
    return with_first_layer(content, {**first_layer(content), "shape": [-1, 2]})


def huge_shape(content: dict[str, Any]) -> bytes:
    return with_first_layer(content, {**first_layer(content), "shape": [99_999, 99_999]})


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
    analyze: Analyze, tmp_path: Path, plain: Path, make: Callable[[dict[str, Any]], bytes]
) -> None:
    soundfile.write(tmp_path / "good.wav", SOUND, RATE)
    content = json.loads(plain.read_text(encoding="utf-8"))
    del content["digest"]
    bad = tmp_path / "bad.json"
    bad.write_bytes(make(content))
    one_sentence(analyze(tmp_path / "good.wav", model=bad), 5, "model", "train")


def test_a_model_file_of_absurd_size_is_not_even_read(analyze: Analyze, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "good.wav", SOUND, RATE)
    with (tmp_path / "huge.json").open("wb") as file:
        file.truncate(50_000_000_000)  # takes no room on a disk
    one_sentence(analyze(tmp_path / "good.wav", model=tmp_path / "huge.json"), 5, "over 4 MB")


@pytest.mark.parametrize("name", ["gone.json", "."])
def test_a_model_file_that_is_none(analyze: Analyze, tmp_path: Path, name: str) -> None:
    soundfile.write(tmp_path / "good.wav", SOUND, RATE)
    one_sentence(analyze(tmp_path / "good.wav", model=tmp_path / name), 5, "cannot be read")


def test_scoring_with_a_model_file_that_is_none(run: Run, tmp_path: Path) -> None:
    one_sentence(run("evaluate", "--quick", "--model", tmp_path), 5, "is not an ordinary file and cannot be read")


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no /dev/zero on this system")
def test_a_model_file_without_end(analyze: Analyze, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "good.wav", SOUND, RATE)
    one_sentence(analyze(tmp_path / "good.wav", model=Path("/dev/zero")), 5, "/dev/zero")


def test_a_bad_model_is_told_once_for_many_files(analyze: Analyze, tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav", "c.wav"):
        soundfile.write(tmp_path / name, SOUND, RATE)
    one_sentence(analyze(tmp_path, model=tmp_path / "gone.json"), 5, "gone.json cannot be read")


# -- outputs ---------------------------------------------------------------------------------------------------


def test_synth_into_a_place_that_cannot_be(run: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    done = run("synth", "quiet", "--seed", 1, "--duration", "0:05", "--out", tmp_path / "file" / "x")
    one_sentence(done, 6, "cannot be made", "choose another")


# -- places --------------------------------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="homes of users are named otherwise there")
@pytest.mark.parametrize("command", [("settings",), ("log",), ("listen", "--quiet")])
def test_the_home_of_a_user_who_is_not_known_is_one_sentence(
    run: Run, monkeypatch: pytest.MonkeyPatch, command: tuple[str, ...]
) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", "~nouser/x")
    one_sentence(run(*command), 2, "CRACKDETECT_HOME '~nouser/x' names the home of a user who is not known here")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows knows no HOME")
def test_without_home_there_is_a_place_all_the_same(run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("HOME", "CRACKDETECT_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.delenv(name, raising=False)
    assert run("settings").code == 0


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_data_folder_that_is_a_link_is_one_like_any_other(
    run: Run, home: Path, tmp_path: Path, roast: Path, plain: Path
) -> None:
    (tmp_path / "stick").mkdir()
    home.symlink_to(tmp_path / "stick")
    assert run("analyze", roast, "--save", "--model", plain).code == 0
    assert run("log").code == 0
    assert (tmp_path / "stick" / "data" / "roasts.sqlite3").is_file()
    assert home.is_symlink()


def _has_locale(name: str) -> bool:
    before = locale.setlocale(locale.LC_ALL)
    try:
        locale.setlocale(locale.LC_ALL, name)
    except locale.Error:
        return False
    finally:
        locale.setlocale(locale.LC_ALL, before)
    return True


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=pytest.mark.skipif(not _has_locale(name), reason=f"this system lacks {name}"))
        for name in ("de_DE.UTF-8", "tr_TR.UTF-8")
    ],
)
def test_figures_are_written_the_same_where_decimals_have_a_comma(
    roast: Path, plain: Path, tmp_path: Path, name: str
) -> None:
    """A program that embeds us may have set the locale; here it is set before anything else."""
    code = (
        "import locale, sys\n"
        "locale.setlocale(locale.LC_ALL, sys.argv[1])\n"
        "print(locale.localeconv()['decimal_point'])\n"
        "from crackdetect.cli.entry import main\n"
        "sys.exit(main(sys.argv[2:]))\n"
    )
    said = {}
    for here, point in (("C", "."), (name, ",")):
        env = {**os.environ, "CRACKDETECT_HOME": str(tmp_path / here), "LC_ALL": here}
        heard = run_process(["-c", code, here, "analyze", roast, "--save", "--model", plain], env=env)
        kept = run_process(["-c", code, here, "log", "export", tmp_path / here / "log.csv"], env=env)
        table = (tmp_path / here / "log.csv").read_text(encoding="utf-8-sig")
        assert (heard.returncode, kept.returncode) == (0, 0), heard.stderr + kept.stderr
        said[here] = [text.removeprefix(f"{point}\n") for text in (heard.stdout, kept.stdout)]
        said[here] += [re.sub(r"20\d\d-\d\d-\d\dT[0-9:.+]*", "", table)]
        assert heard.stdout.startswith(point)
    kept_at = str(tmp_path)
    assert [text.replace(f"{kept_at}/{name}", "") for text in said[name]] == [
        text.replace(f"{kept_at}/C", "") for text in said["C"]
    ]
