"""The classifier against scikit-learn, which fits its numbers and is not needed to use them."""

from __future__ import annotations

import base64
import json
import math
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from clicks import candidates_of, clicks_in_noise

from crackdetect.errors import ModelError
from crackdetect.hearing import features, onset
from crackdetect.hearing.classifier import CLASSES, LLR_LIMIT, Classifier, ClassifierModel, CrackScore
from crackdetect.hearing.features import Features
from crackdetect.hearing.network import Network
from crackdetect.model import Model


def _model(
    logits: list[float], prior: tuple[float, ...] = (1 / 3, 1 / 3, 1 / 3), inputs: int = features.COUNT
) -> ClassifierModel:
    """A classifier whose logits do not depend on the features."""
    network = Network(
        mean=np.zeros(inputs, np.float32),
        scale=np.ones(inputs, np.float32),
        weights=(np.zeros((1, inputs, 2), np.float32), np.zeros((1, 2, len(logits)), np.float32)),
        biases=(np.zeros((1, 2), np.float32), np.array([logits], np.float32)),
    )
    return ClassifierModel(network, np.array(prior))


def _constant(logits: list[float], prior: tuple[float, ...] = (1 / 3, 1 / 3, 1 / 3)) -> CrackScore:
    return Classifier(_model(logits, prior)).push(np.zeros((1, features.COUNT), np.float32))[0]


def test_probabilities_equal_scikit_learn() -> None:
    """numpy on float32 arrays equals MLPClassifier.predict_proba to 1e-6, two hidden layers, standardised."""
    neural = pytest.importorskip("sklearn.neural_network", reason="the reference: install crackdetect[test]")
    preprocessing = pytest.importorskip("sklearn.preprocessing")
    rng = np.random.default_rng(1)
    rows = (rng.normal(0, 3, (300, features.COUNT)) + 1).astype(np.float32)
    labels = np.argmax(rows[:, :3] + rng.normal(0, 1, (300, 3)), axis=1)
    scaler = preprocessing.StandardScaler().fit(rows)
    reference = neural.MLPClassifier((24, 12), solver="lbfgs", max_iter=60, alpha=1.0, random_state=1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that the fit could go on does not matter here
        reference.fit(scaler.transform(rows), labels)
    rows = rng.normal(1, 3, (500, features.COUNT)).astype(np.float32)  # unseen ones, hard among them
    expected = reference.predict_proba(scaler.transform(rows))

    network = Network(
        mean=scaler.mean_.astype(np.float32),
        scale=scaler.scale_.astype(np.float32),
        weights=tuple(weight[None].astype(np.float32) for weight in reference.coefs_),
        biases=tuple(bias[None].astype(np.float32) for bias in reference.intercepts_),
    )
    scores = Classifier(ClassifierModel(network, np.full(3, 1 / 3))).push(rows)

    assert expected.max(axis=1).min() < 0.9  # not all rows are easy
    assert [score.first for score in scores] == pytest.approx(expected[:, 1].tolist(), abs=1e-6)
    assert [score.second for score in scores] == pytest.approx(expected[:, 2].tolist(), abs=1e-6)
    assert [score.crack for score in scores] == pytest.approx((1 - expected[:, 0]).tolist(), abs=2e-6)


@pytest.mark.parametrize(
    ("logits", "prior", "crack_llr", "second_vs_first_llr"),
    [
        # equal shares: the logits are the evidence
        ([0.0, 0.0, 0.0], (1 / 3, 1 / 3, 1 / 3), 0.0, 0.0),
        # posterior odds 0.8 to 0.2 against shares 0.5 to 0.5: 4 to 1 for a crack, none for either kind
        ([math.log(0.2), math.log(0.4), math.log(0.4)], (0.5, 0.25, 0.25), math.log(4), 0.0),
        # what the shares alone would give is no evidence at all
        ([math.log(0.9), math.log(0.09), math.log(0.01)], (0.9, 0.09, 0.01), 0.0, 0.0),
        # second for sure; limited
        ([0.0, 0.0, 30.0], (1 / 3, 1 / 3, 1 / 3), LLR_LIMIT, LLR_LIMIT),
        ([99.0, 0.0, 0.0], (1 / 3, 1 / 3, 1 / 3), -LLR_LIMIT, 0.0),
    ],
)
def test_scores_are_likelihood_ratios(
    logits: list[float], prior: tuple[float, float, float], crack_llr: float, second_vs_first_llr: float
) -> None:
    """Bayes: likelihood ratio = posterior odds / prior odds."""
    score = _constant(logits, prior)
    assert score.crack_llr == pytest.approx(crack_llr, abs=1e-6)
    assert score.second_vs_first_llr == pytest.approx(second_vs_first_llr, abs=1e-6)


def test_enormous_logits_stay_numbers() -> None:
    score = _constant([-3e4, 3e4, 3e4])
    assert (score.first, score.second, score.crack) == (0.5, 0.5, 1.0)


@pytest.mark.parametrize("prior", [(0.5, 0.5), (0.0, 0.5, 0.5), (math.nan, 0.5, 0.5), (math.inf, 0.5, 0.5)])
def test_shares_that_are_none_are_refused(prior: tuple[float, ...]) -> None:
    with pytest.raises(ModelError, match="not probabilities"):
        _model([0.0, 0.0, 0.0], prior)


def test_a_network_of_other_features_or_classes_is_refused() -> None:
    with pytest.raises(ModelError, match="this version's features"):
        _model([0.0, 0.0, 0.0], inputs=features.COUNT + 1)
    with pytest.raises(ModelError, match="this version's features"):
        _model([0.0, 0.0])


def test_golden_rows_in_double_precision(model_path: Path) -> None:
    """The rows shipped with the model, scored here in double precision from the file alone, member by member."""
    content = json.loads(model_path.read_text(encoding="utf-8"))
    network = content["classifier"]["network"]

    def array(entry: dict[str, Any]) -> np.ndarray:
        raw = np.frombuffer(base64.b64decode(entry["base64"]), entry["dtype"])
        return raw.reshape(entry["shape"]).astype(np.float64)

    inputs = (array(content["golden_rows"]) - array(network["mean"])) / array(network["scale"])
    *hidden, last = zip(map(array, network["weights"]), map(array, network["biases"]), strict=True)
    logits = np.zeros((len(inputs), 3))
    for member in range(len(last[1])):
        values = inputs
        for weight, bias in hidden:
            values = (values @ weight[member] + bias[member]).clip(min=0)
        logits += values @ last[0][member] + last[1][member]

    assert len(logits) >= 1
    assert logits == pytest.approx(array(content["golden_logits"]), abs=1e-3)


def test_features_have_names_and_know_no_level() -> None:
    """A sound 1/4 as loud has the same features, bit for bit; another gain within rounding."""
    sound = clicks_in_noise([0.9, 1.2], samplerate=44_100, duration_s=1.5)
    vectors = []
    for gain in (1.0, 0.25, 0.3):
        _, candidates = candidates_of(sound * np.float32(gain), samplerate=44_100)
        vectors.append(Features().push([c for c in candidates if c.strength > 1]))

    assert vectors[0].shape == (2, features.COUNT) == (2, len(features.NAMES))
    assert len(set(features.NAMES)) == features.COUNT
    assert vectors[0].dtype == np.float32
    assert np.array_equal(vectors[1], vectors[0])
    assert vectors[2] == pytest.approx(vectors[0], abs=2e-3)


def test_a_sound_that_repeats_itself_is_alike() -> None:
    """Two equal clicks are alike (near 1); two of different pitch less so."""
    same = clicks_in_noise([0.9, 1.2], samplerate=44_100, duration_s=1.5, noise_rms=1e-4)
    other = clicks_in_noise([0.9, 1.2], samplerate=44_100, duration_s=1.5, noise_rms=1e-4, frequency_hz=[900, 9_000])
    alike = []
    column = next(number for number, name in enumerate(features.NAMES) if name.startswith("alike"))
    for sound in (same, other):
        _, candidates = candidates_of(sound, samplerate=44_100)
        vectors = Features().push([candidate for candidate in candidates if candidate.strength > 2])
        alike.append(float(vectors[1][column]))
    assert alike[0] > 0.8
    assert alike[1] < alike[0] - 0.1


def test_a_machine_that_knocks_is_alike_four_times_over() -> None:
    """Of the strong sounds before it, the fifth of five equal knocks has four like it; a click among others less so."""
    columns = [features.NAMES.index(f"alike[strong {which}]") for which in (1, 2, 4)]
    times = [0.9, 1.2, 1.5, 1.8, 2.1]
    knocks, cracks = (
        clicks_in_noise(times, samplerate=44_100, duration_s=2.4, noise_rms=1e-4, frequency_hz=frequencies)
        for frequencies in ([2_500] * 5, [700, 9_000, 1_500, 4_500, 17_000])
    )
    likeness = []
    for sound in (knocks, cracks):
        _, candidates = candidates_of(sound, samplerate=44_100)
        vectors = Features().push([candidate for candidate in candidates if candidate.strength > 2])
        assert len(vectors) == 5
        likeness.append(vectors[-1][columns])

    assert likeness[0].min() > 0.8
    assert (likeness[1] < likeness[0] - 0.1).all()
    assert (np.diff(likeness[0]) <= 0).all()


def test_a_strong_sound_is_remembered_past_many_weak_ones() -> None:
    """Forty faint candidates, each of its own shape, between two equal knocks: more than either memory holds."""
    rng = np.random.default_rng(6)
    rows = onset.BEFORE + onset.AFTER + 1

    def candidate(shape: np.ndarray, strength: float) -> onset.Candidate:
        return onset.Candidate(0, strength, shape, np.ones((rows, 120), np.float32), 10, np.ones(10, np.float32), 1.0)

    knock, *faint = rng.uniform(0, 4, (41, rows, 10)).astype(np.float32)
    heard = [candidate(knock, 2.0), *(candidate(shape, 0.5) for shape in faint), candidate(knock, 2.0)]
    again = dict(zip(features.NAMES, Features().push(heard)[-1].tolist(), strict=True))
    assert again["alike[strong 1]"] == pytest.approx(1, abs=1e-5)
    assert again["alike[recent 1]"] < 0.9


def test_the_tails_share_has_limits_on_both_sides() -> None:
    """Energy that comes at the peak only, in the tail only, and hardly at the peak: e**8 to one at most. None: as if
    it came at the peak."""
    peak, tail, none = np.zeros((3, onset.BEFORE + onset.AFTER + 1, 90), np.float32)
    peak[onset.BEFORE] = tail[onset.BEFORE + 5 : onset.BEFORE + 21] = 1.0
    assert features._tones([peak, tail, tail + 1e-9 * peak, none])[:, -1].tolist() == [-8.0, 8.0, 8.0, -8.0]


def test_a_dish_rings_and_a_crack_does_not() -> None:
    """The tail of a burst of 2 ms is short and spread; that of a tone of 40 ms is long and in one bin."""
    tail, tone = features.NAMES.index("tail_to_peak"), features.NAMES.index("tone[tail][low]")
    rows = []
    t = np.arange(round(0.3 * 44_100)) / 44_100
    burst = np.exp(-t / 0.002) * np.random.default_rng(3).normal(0, 1, len(t))
    ring = np.exp(-t / 0.04) * np.sin(2 * np.pi * 2_500 * t)
    for event in (burst, ring):
        sound = clicks_in_noise([], samplerate=44_100, duration_s=1.5)
        sound[44_100 : 44_100 + len(t)] += (0.2 * event).astype(np.float32)
        _, candidates = candidates_of(sound, samplerate=44_100)
        rows += list(Features().push([max(candidates, key=lambda candidate: candidate.strength)]))
    crack, dish = rows
    assert dish[tail] > crack[tail] + 2
    assert dish[tone] > crack[tone] + 0.5


def test_classes_in_their_order() -> None:
    assert CLASSES == ("other", "first", "second")


def test_candidates_are_the_same_however_they_are_cut(plain_model: Model) -> None:
    """Features and scores of all at once and of each by itself, bit for bit, what is remembered among them."""
    sound = clicks_in_noise(np.arange(0.9, 5.9, 0.07), samplerate=44_100, duration_s=6)
    _, candidates = candidates_of(sound, samplerate=44_100)
    assert len(candidates) > 60  # more than are remembered
    together = Features().push(candidates)
    stage, classifier = Features(), Classifier(plain_model.classifier)
    singly = np.concatenate([stage.push([candidate]) for candidate in candidates])
    assert np.array_equal(singly, together)
    assert classifier.push(together) == [score for row in together for score in classifier.push(row[None])]
