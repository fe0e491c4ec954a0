"""Model files are data: round trip, and one sentence for everything that is not a model of ours."""

from __future__ import annotations

import json
import os
import pickle
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import OWN_MACHINE, POINT, SCORES, plain_classifier

from crackdetect import model as model_files
from crackdetect.deciding import begun, context
from crackdetect.deciding.adaptation import AdaptationModel
from crackdetect.deciding.context import ContextModel
from crackdetect.deciding.own_machine import OwnMachineModel, crack_names
from crackdetect.errors import ModelError
from crackdetect.hearing import features
from crackdetect.hearing.classifier import ClassifierModel
from crackdetect.hearing.network import Network
from crackdetect.model import Model

COUNT = features.COUNT
Content = dict[str, Any]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "model.json"
    plain_classifier(file)
    return file


@pytest.fixture
def learning(path: Path) -> Path:
    """The file of a model that learns the machine at hand."""
    model = replace(model_files.load(path), own_machine=OWN_MACHINE)
    model_files.save(path, model, golden=model_files.golden_of(path), card={"purpose": "tests"})
    return path


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


def _random(seed: int, *, inputs: int = COUNT, outputs: int = 3, members: int = 2, dtype: type = np.float32) -> Network:
    rng = np.random.default_rng(seed)
    sizes = (inputs, 16, 8, outputs)
    return Network(
        mean=rng.normal(0, 1, inputs).astype(dtype),
        scale=rng.uniform(0.5, 2, inputs).astype(dtype),
        weights=tuple(
            rng.normal(0, 0.1, (members, a, b)).astype(dtype) for a, b in zip(sizes[:-1], sizes[1:], strict=True)
        ),
        biases=tuple(rng.normal(0, 0.1, (members, size)).astype(dtype) for size in sizes[1:]),
    )


def test_round_trip(tmp_path: Path) -> None:
    classifier = ClassifierModel(_random(1), np.array([0.6, 0.3, 0.1]))
    crack, alone = (_random(seed, inputs=context.COUNT, outputs=1, members=1, dtype=np.float64) for seed in (2, 3))
    model = Model("round", "", classifier, SCORES, ContextModel(crack, alone, 0.2, 0.8, 0.1))
    golden = np.random.default_rng(4).normal(0, 1, (5, COUNT)).astype(np.float32)
    path = tmp_path / "new.json"
    written = model_files.save(path, model, golden=golden, card={"seed": 1})
    read = model_files.load(path)

    assert (read.name, read.digest) == ("round", written.digest)
    assert len(read.digest) == 16
    assert read.score_model.as_lists() == SCORES.as_lists()
    assert read.classifier.prior.tolist() == [0.6, 0.3, 0.1]
    assert (read.context.cracks_per_second, read.context.counted, read.context.counted_cv) == (0.2, 0.8, 0.1)
    for ours, theirs in ((classifier.network, read.classifier.network), (crack, read.context.crack)):
        for one, other in zip(_arrays(ours), _arrays(theirs), strict=True):
            assert np.array_equal(one, other)
            assert one.dtype == other.dtype
    assert model_files.card_of(path) == {"seed": 1}


def test_what_learns_the_machine_at_hand_comes_back(path: Path) -> None:
    """As float32, which is what its average machine is kept in; the networks bit for bit."""
    rng, kinds, d = np.random.default_rng(6), 6, POINT
    spread = rng.normal(size=(d, d))
    adaptation = AdaptationModel(
        *(rng.normal(size=COUNT), rng.uniform(0.5, 2, COUNT), rng.normal(size=d), spread @ spread.T),
        *(rng.normal(size=(1 + kinds, d)), np.eye(d)),
    )
    relative = _random(7, outputs=1, members=1)
    crack = _random(8, inputs=len(crack_names(kinds)), outputs=1, dtype=np.float64)
    start = _random(9, inputs=begun.COUNT, outputs=1, dtype=np.float64)
    own = OwnMachineModel(adaptation, relative, crack, start, 0.2, 0.8, 0.1)
    model = replace(model_files.load(path), own_machine=own)
    model_files.save(path, model, golden=model_files.golden_of(path), card={})
    read = model_files.load(path).own_machine

    assert read is not None
    assert (read.cracks_per_second, read.counted, read.counted_cv) == (0.2, 0.8, 0.1)
    for name in ("mean", "sd", "machine_mean", "machine_cov", "crack_means", "crack_cov"):
        kept = getattr(read.adaptation, name)
        assert kept.dtype == np.float64
        assert np.array_equal(kept, getattr(adaptation, name).astype(np.float32))
    for ours, theirs in ((relative, read.relative), (crack, read.crack), (start, read.begun)):
        for one, other in zip(_arrays(ours), _arrays(theirs), strict=True):
            assert np.array_equal(one, other)
            assert one.dtype == other.dtype


def test_a_model_that_learns_no_machine_yet(path: Path) -> None:
    assert json.loads(path.read_text(encoding="utf-8"))["own_machine"] is None
    assert model_files.load(path).own_machine is None


def test_what_was_written_is_written_again_bit_for_bit(learning: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.json"
    golden, card = model_files.golden_of(learning), model_files.card_of(learning)
    model_files.save(again, model_files.load(learning), golden=golden, card=card)
    assert again.read_bytes() == learning.read_bytes()


def _arrays(network: Network) -> tuple[np.ndarray, ...]:
    return (network.mean, network.scale, *network.weights, *network.biases)


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


def test_the_classifier_of_another_format_serves_where_what_follows_is_taught_anew(path: Path) -> None:
    def as_before(content: Content) -> None:
        content["format_version"] -= 1
        content["context"] = {"crack": "of another shape"}

    kept = model_files.load(path).classifier
    _rewrite(path, as_before)
    assert "format version" in _refused(path)
    classifier, card = model_files.load_classifier(path)
    assert all(map(np.array_equal, _arrays(classifier.network), _arrays(kept.network)))
    assert card["purpose"] == "tests"
    _rewrite(path, lambda content: content["classifier"]["network"]["weights"].pop())
    with pytest.raises(ModelError, match="layers of a network do not fit"):
        model_files.load_classifier(path)


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


def test_a_model_of_before_the_machine_at_hand_was_learnt(path: Path) -> None:
    """A file of version 7 has no such part, and a digest that fits."""

    def as_before(content: Content) -> None:
        content["format_version"] = 7
        del content["own_machine"]

    _rewrite(path, as_before)
    assert "is of format version 7, this program reads 8; reinstall crackdetect, or train" in _refused(path)


def _network(content: Content) -> Content:
    network: Content = content["classifier"]["network"]
    return network


def _nan_weight(content: Content) -> None:
    _network(content)["biases"][0] = model_files.encode(np.full((1, 2), np.nan))


def _nan_golden(content: Content) -> None:
    content["golden_logits"] = model_files.encode(np.full((8, 3), np.nan))


def _other_answers(content: Content) -> None:
    _network(content)["biases"][-1] = model_files.encode(np.array([[0.0, 0.5, 0.0]]))


def _absurd_weights(content: Content) -> None:
    shape = _network(content)["weights"][0]["shape"]
    _network(content)["weights"][0] = model_files.encode(np.full(shape, 3e38, np.float32))


def _absurd_weights_with_their_answers(content: Content) -> None:
    """Infinite logits equal the infinite ones in the file, and still say nothing."""
    _absurd_weights(content)
    _network(content)["weights"][1] = model_files.encode(np.full((1, 2, 3), 3e38, np.float32))
    content["golden_rows"] = model_files.encode(np.full((8, COUNT), 2, np.float32))
    content["golden_logits"] = model_files.encode(np.full((8, 3), np.inf))


def _wide_context(content: Content) -> None:
    network, wide = content["context"]["crack"], 1025
    units = network["weights"][0]["shape"][2]
    network["weights"] = [
        network["weights"][0],
        model_files.encode(np.zeros((1, units, wide))),
        model_files.encode(np.zeros((1, wide, 1))),
    ]
    network["biases"].insert(1, model_files.encode(np.zeros((1, wide))))


HOSTILE: dict[str, Callable[[Content], object]] = {
    "NaN weight": _nan_weight,
    "NaN golden": _nan_golden,
    "other answers": _other_answers,
    "absurd weights": _absurd_weights,
    "absurd weights with their answers": _absurd_weights_with_their_answers,
    "absurd golden rows": lambda content: content.update(golden_rows=model_files.encode(np.full((8, COUNT), 1e300))),
    "huge shape": lambda content: _network(content)["weights"][0].update(shape=[1, 100_000, 100_000]),
    "object array": lambda content: _network(content)["mean"].update(dtype="|O"),
    "no golden rows": lambda content: content.pop("golden_rows"),
    "empty golden rows": lambda content: content.update(
        golden_rows=model_files.encode(np.zeros((0, COUNT), np.float32)),
        golden_logits=model_files.encode(np.zeros((0, 3))),
    ),
    "a context network of too many units": _wide_context,
    "no context network": lambda content: content["context"].update(crack=None),
    "a context network without its last layer": lambda content: content["context"]["alone"]["weights"].pop(),
    "no classifier": lambda content: content.pop("classifier"),
    "no weights": lambda content: _network(content).pop("weights"),
    "no layers": lambda content: _network(content).update(weights=[], biases=[]),
    "one bias too few": lambda content: _network(content)["biases"].pop(),
    "layers that do not meet": lambda content: _network(content)["weights"].reverse(),
    "a text for weights": lambda content: _network(content).update(weights="abc"),
    "negative shape": lambda content: _network(content)["mean"].update(shape=[-1]),
    "deep shape": lambda content: _network(content)["mean"].update(shape=[1] * 40),
    "infinite shape": lambda content: _network(content)["mean"].update(shape=[float("inf")]),
    "no base64": lambda content: _network(content)["mean"].update(base64="***"),
    "prior of zero": lambda content: content["classifier"].update(prior=model_files.encode(np.array([0, 0.5, 0.5]))),
    "scale of zero": lambda content: _network(content).update(scale=model_files.encode(np.zeros(COUNT))),
    "no score model": lambda content: content.update(score_model={}),
    "shares of NaN": lambda content: content["score_model"].update(crack=[float("nan")] * 13),
    "shares too few": lambda content: content["score_model"].update(crack=[0.1]),
    "a share of 400 digits": lambda content: content["score_model"].update(crack=[10**400]),
    "shares are text": lambda content: content["score_model"].update(crack="abc"),
    "a score model that is a list": lambda content: content.update(score_model=[1, 2]),
    "other features": lambda content: content["features"].reverse(),
    "features missing": lambda content: content.pop("features"),
    "name missing": lambda content: content.pop("name"),
}


def _own(content: Content) -> Content:
    own: Content = content["own_machine"]
    return own


def _of_longer_points(content: Content) -> None:
    """An average machine that fits together, and not what this classifier's hidden layer gives."""
    d = POINT + 2
    _own(content)["adaptation"] |= {
        "machine_mean": model_files.encode(np.zeros(d)),
        "machine_cov": model_files.encode(np.eye(d)),
        "crack_means": model_files.encode(np.ones((2, d))),
        "crack_cov": model_files.encode(np.eye(d)),
    }


def _without_a_solution(content: Content) -> None:
    """A correlation of 2 gives 0.6 S_machine + 0.4 S_crack + 0.2 I three equal rows."""
    covariance = np.full((POINT, POINT), 2.0)
    np.fill_diagonal(covariance, 1.0)
    _own(content)["adaptation"]["machine_cov"] = model_files.encode(covariance)


DAMAGED: dict[str, Callable[[Content], object]] = {
    "left out": lambda content: content.pop("own_machine"),
    "empty": lambda content: content.update(own_machine={}),
    "a list": lambda content: content.update(own_machine=[1, 2]),
    "a text": lambda content: content.update(own_machine="none"),
    "no average machine": lambda content: _own(content).pop("adaptation"),
    "an average machine that is a number": lambda content: _own(content).update(adaptation=3),
    "no mean": lambda content: _own(content)["adaptation"].pop("mean"),
    "a number for a mean": lambda content: _own(content)["adaptation"].update(
        machine_mean=model_files.encode(np.array(1.0))
    ),
    "NaN in a covariance": lambda content: _own(content)["adaptation"].update(
        machine_cov=model_files.encode(np.full((POINT, POINT), np.nan))
    ),
    "points of no numbers": lambda content: _own(content)["adaptation"].update(
        machine_mean=model_files.encode(np.zeros(0)),
        machine_cov=model_files.encode(np.zeros((0, 0))),
        crack_means=model_files.encode(np.zeros((2, 0))),
        crack_cov=model_files.encode(np.zeros((0, 0))),
    ),
    "points of another classifier": _of_longer_points,
    "a covariance that is none": _without_a_solution,
    "no network": lambda content: _own(content).pop("relative"),
    "a network without its last layer": lambda content: _own(content)["crack"]["weights"].pop(),
    "a network in the place of another": lambda content: _own(content).update(begun=_own(content)["crack"]),
    "it does not say among how many cracks": lambda content: _own(content).pop("cracks_per_second"),
    "it does not say what it counts": lambda content: _own(content).pop("counted"),
    "it counts a text": lambda content: _own(content).update(counted="all"),
    "it counts 400 digits": lambda content: _own(content).update(counted=10**400),
    "it counts NaN": lambda content: _own(content).update(counted=float("nan")),
    "it counts nothing": lambda content: _own(content).update(counted=0.0),
}


@pytest.mark.parametrize("change", DAMAGED.values(), ids=list(DAMAGED))
def test_a_damaged_machine_at_hand_with_a_digest_that_fits(learning: Path, change: Callable[[Content], object]) -> None:
    _rewrite(learning, lambda content: None)
    model_files.load(learning)
    _rewrite(learning, change)
    _refused(learning)


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
