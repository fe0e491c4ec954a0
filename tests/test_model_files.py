"""Model files are data: round trip, and one sentence for everything that is not a model of ours."""

from __future__ import annotations

import json
import os
import pickle
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import JUDGE, MARKS, plain_classifier

from crackdetect import features, model_files
from crackdetect.classify import Classifier, Model
from crackdetect.errors import ModelError

COUNT = features.COUNT
Content = dict[str, Any]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "model.json"
    plain_classifier(file)
    return file


def _refused(path: Path) -> str:
    with pytest.raises(ModelError) as caught:
        model_files.load(path)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert len(sentence) < 300
    assert caught.value.exit_code == 5
    return sentence


def _rewrite(path: Path, change: Callable[[Content], object], *, sign: bool = True) -> None:
    """Changes the file's content; with a digest that fits, as a hostile author would write it."""
    content = json.loads(path.read_text(encoding="utf-8"))
    change(content)
    if sign:
        content["digest"] = model_files.digest_of(content)
    path.write_text(json.dumps(content), encoding="utf-8")


def test_round_trip(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    weights = [rng.normal(0, 0.1, shape).astype(np.float32) for shape in ((COUNT, 16), (16, 8), (8, 3))]
    biases = [rng.normal(0, 0.1, size).astype(np.float32) for size in (16, 8, 3)]
    mean = rng.normal(0, 1, COUNT).astype(np.float32)
    scale = rng.uniform(0.5, 2, COUNT).astype(np.float32)
    golden = rng.normal(0, 1, (5, COUNT)).astype(np.float32)
    path = tmp_path / "new.json"
    written = model_files.save(
        path,
        name="round",
        mean=mean,
        scale=scale,
        weights=weights,
        biases=biases,
        prior=np.array([0.6, 0.3, 0.1]),
        marks=MARKS,
        judge=JUDGE,
        golden=golden,
        card={"seed": 1},
    )
    read = model_files.load(path)

    assert read.name == "round"
    assert read.digest == written.digest
    assert read.marks == MARKS
    assert read.prior.tolist() == [0.6, 0.3, 0.1]
    for ours, theirs in zip((mean, scale, *weights, *biases), _arrays(read), strict=True):
        assert np.array_equal(ours, theirs)
        assert theirs.dtype == np.float32
    assert model_files.card_of(path) == {"seed": 1}
    for row in golden:
        assert np.array_equal(Classifier(read).logits(row), Classifier(written).logits(row))


def _arrays(model: Model) -> tuple[np.ndarray, ...]:
    return (model.mean, model.scale, *model.weights, *model.biases)


def test_the_same_model_has_the_same_file(path: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.json"
    plain_classifier(again)
    assert again.read_bytes() == path.read_bytes()


def test_the_digest_covers_every_field(path: Path) -> None:
    content = json.loads(path.read_text(encoding="utf-8"))
    digest = model_files.digest_of(content)
    assert digest == content["digest"]
    for key in content:
        if key != "digest":
            assert model_files.digest_of(content | {key: "other"}) != digest


def test_the_shipped_model_loads(model_path: Path) -> None:
    assert model_files.load(model_path).name


def test_the_classifier_of_another_format_serves_where_the_judge_is_replaced(path: Path) -> None:
    def as_before(content: Content) -> None:
        content["format_version"] -= 1
        content["judge"] = {"crack": "of another shape"}

    _rewrite(path, as_before)
    assert "format version" in _refused(path)
    model, card = model_files.load_classifier(path, judge=JUDGE)
    assert model.judge is JUDGE
    assert card == {"purpose": "tests"}
    _rewrite(path, lambda content: content["weights"].pop())
    with pytest.raises(ModelError, match="layers do not fit"):
        model_files.load_classifier(path, judge=JUDGE)


def test_no_file(tmp_path: Path) -> None:
    assert "cannot be read" in _refused(tmp_path / "missing.json")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no named pipes among its files")
def test_a_named_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "model.json")
    assert "not an ordinary file and cannot be read" in _refused(tmp_path / "model.json")


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no /dev/zero on this system")
def test_a_device_without_end() -> None:
    assert "not an ordinary file and cannot be read" in _refused(Path("/dev/zero"))


def test_a_folder(tmp_path: Path) -> None:
    assert "cannot be read" in _refused(tmp_path)


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"RIFF\x24\x00\x00\x00WAVEfmt ",
        b"{",
        b"\xff\xfe\x00",
        b"[" * 100_000,
        b"1" * 10_000,
        b"null",
        b"[]",
        b"{}",
        pickle.dumps({"format": "crackdetect-model"}),
        b"cos\nsystem\n(S'echo pwned > pwned'\ntR.",  # a pickle that runs a command when it is read as one
    ],
    ids=["empty", "sound", "cut", "not text", "deep", "long number", "null", "list", "object", "pickle", "attack"],
)
def test_anything_else_is_refused(tmp_path: Path, raw: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "model.json"
    file.write_bytes(raw)
    assert "model" in _refused(file)
    assert not (tmp_path / "pwned").exists()


def test_a_file_that_is_too_long_is_not_read(tmp_path: Path) -> None:
    file = tmp_path / "model.json"
    with file.open("wb") as stream:
        stream.truncate(4_000_001)
    assert "over 4 MB" in _refused(file)


def test_a_truncated_file(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-500])
    assert "damaged" in _refused(path)


def test_one_changed_character(path: Path) -> None:
    text = path.read_text(encoding="ascii")
    path.write_text(text.replace('"plain"', '"plane"'), encoding="ascii")
    assert "digest does not match" in _refused(path)


def test_another_version_is_named(path: Path) -> None:
    ours = model_files.FORMAT_VERSION
    _rewrite(path, lambda content: content.update(format_version=ours + 1))
    assert f"format version {ours + 1}, this program reads {ours}" in _refused(path)


def _nan_weight(content: Content) -> None:
    content["biases"][0] = model_files.encode(np.full(2, np.nan, np.float32))


def _nan_golden(content: Content) -> None:
    content["golden_logits"] = model_files.encode(np.full((8, 3), np.nan))


def _other_answers(content: Content) -> None:
    content["biases"][-1] = model_files.encode(np.full(3, 0.5, np.float32) * [0, 1, 0])


def _absurd_weights(content: Content) -> None:
    shape = content["weights"][0]["shape"]
    content["weights"][0] = model_files.encode(np.full(shape, 3e38, np.float32))


def _absurd_weights_with_their_answers(content: Content) -> None:
    """Infinite logits equal the infinite ones in the file, and still say nothing."""
    _absurd_weights(content)
    content["weights"][1] = model_files.encode(np.full((2, 3), 3e38, np.float32))
    content["golden_rows"] = model_files.encode(np.full((8, COUNT), 2, np.float32))
    content["golden_logits"] = model_files.encode(np.full((8, 3), np.inf))


def _huge_shape(content: Content) -> None:
    content["weights"][0]["shape"] = [100_000, 100_000]


def _objects(content: Content) -> None:
    content["mean"]["dtype"] = "|O"


def _wide_judge(content: Content) -> None:
    network, wide = content["judge"]["crack"], 257
    units = np.zeros((network["hidden"]["shape"][1], wide))
    network.update(inner=model_files.encode(units), inner_bias=model_files.encode(np.zeros(wide)))
    network.update(out=model_files.encode(np.zeros(wide)))


HOSTILE: dict[str, Callable[[Content], object]] = {
    "NaN weight": _nan_weight,
    "NaN golden": _nan_golden,
    "other answers": _other_answers,
    "absurd weights": _absurd_weights,
    "absurd weights with their answers": _absurd_weights_with_their_answers,
    "absurd golden rows": lambda content: content.update(golden_rows=model_files.encode(np.full((8, COUNT), 1e300))),
    "huge shape": _huge_shape,
    "object array": _objects,
    "no golden rows": lambda content: content.pop("golden_rows"),
    "empty golden rows": lambda content: content.update(
        golden_rows=model_files.encode(np.zeros((0, COUNT), np.float32)),
        golden_logits=model_files.encode(np.zeros((0, 3))),
    ),
    "a judge of too many units": _wide_judge,
    "a judge of none": lambda content: content["judge"].update(crack=None),
    "a judge without its inner layer": lambda content: content["judge"]["alone"].pop("inner"),
    "no weights": lambda content: content.pop("weights"),
    "no layers": lambda content: content.update(weights=[], biases=[]),
    "one bias too few": lambda content: content["biases"].pop(),
    "layers that do not meet": lambda content: content["weights"].reverse(),
    "a text for weights": lambda content: content.update(weights="abc"),
    "negative shape": lambda content: content["mean"].update(shape=[-1]),
    "deep shape": lambda content: content["mean"].update(shape=[1] * 40),
    "infinite shape": lambda content: content["mean"].update(shape=[float("inf")]),
    "no base64": lambda content: content["mean"].update(base64="***"),
    "prior of zero": lambda content: content.update(prior=model_files.encode(np.array([0.0, 0.5, 0.5]))),
    "prior of NaN": lambda content: content.update(prior=model_files.encode(np.array([np.nan, 0.5, 0.5]))),
    "prior of infinity": lambda content: content.update(prior=model_files.encode(np.array([np.inf, 0.5, 0.5]))),
    "scale of zero": lambda content: content.update(scale=model_files.encode(np.zeros(COUNT, np.float32))),
    "no marks": lambda content: content.update(marks={}),
    "marks of NaN": lambda content: content["marks"].update(crack=[float("nan")] * 13),
    "marks too few": lambda content: content["marks"].update(crack=[0.1]),
    "mark of 400 digits": lambda content: content["marks"].update(crack=[10**400]),
    "marks are text": lambda content: content["marks"].update(crack="abc"),
    "marks are a list": lambda content: content.update(marks=[1, 2]),
    "other features": lambda content: content["features"].reverse(),
    "features missing": lambda content: content.pop("features"),
    "name missing": lambda content: content.pop("name"),
}


@pytest.mark.parametrize("change", HOSTILE.values(), ids=list(HOSTILE))
def test_a_hostile_file_with_a_digest_that_fits(path: Path, change: Callable[[Content], object]) -> None:
    _rewrite(path, change)
    _refused(path)


def test_a_model_without_a_card(path: Path) -> None:
    _rewrite(path, lambda content: content.pop("card"))
    with pytest.raises(ModelError, match="has no card"):
        model_files.card_of(path)


def test_a_long_version_is_not_quoted_in_full(path: Path) -> None:
    _rewrite(path, lambda content: content.update(format_version="9" * 1_000))
    assert "format version '999" in _refused(path)


def test_data_folder_of_the_repository() -> None:
    assert model_files.data_folder("models").is_dir()
