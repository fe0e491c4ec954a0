"""How a candidate stands to this machine: against scikit-learn, SciPy and pandas on the rows written out."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import scipy.stats
from conftest import AVERAGE

from crackdetect.deciding.adaptation import (
    LAG_S,
    LEAST_LIKELY,
    LIKELY_PRIOR,
    LIKELY_S,
    LIMIT,
    MEMORY_S,
    PRIOR,
    REFIT_S,
    Adaptation,
    AdaptationModel,
)
from crackdetect.errors import ModelError
from crackdetect.hearing import features
from crackdetect.hearing.classifier import Sound

#: Numbers of a point.
D = 5
NONE = np.zeros(features.COUNT, np.float32)
ORIGIN = np.zeros(D)
#: Later than all that is learnt at once.
LATER_S = 100.0


def _correlated(rng: np.random.Generator, count: int, centre: float) -> np.ndarray:
    """Points whose numbers vary together, not alike."""
    return rng.normal(size=(count, D)) @ rng.normal(size=(D, D)) + centre + rng.normal(size=D)


def _model(machine: np.ndarray, cracks: np.ndarray, others: np.ndarray, vectors: np.ndarray) -> AdaptationModel:
    """The model whose moments are those of these rows; ``others``: means of the kinds of crack."""
    return AdaptationModel(
        mean=vectors.mean(axis=0),
        sd=vectors.std(axis=0),
        machine_mean=machine.mean(axis=0),
        machine_cov=np.cov(machine.T, bias=True),
        crack_means=np.vstack([cracks.mean(axis=0), others]),
        crack_cov=np.cov(cracks.T, bias=True),
    )


@pytest.fixture
def rows() -> dict[str, np.ndarray]:
    """As many of an average machine as it is worth; cracks; and what this machine utters."""
    rng = np.random.default_rng(1)
    return {
        "machine": _correlated(rng, round(PRIOR), -1.0),
        "cracks": _correlated(rng, 200, 2.0),
        "kinds": rng.normal(3, 2, (2, D)),
        "own": _correlated(rng, 150, 0.5),
        "vectors": rng.gamma(2, 2, (round(PRIOR), features.COUNT)),
        "own vectors": rng.normal(5, 3, (150, features.COUNT)),
    }


def _adaptation(rows: dict[str, np.ndarray]) -> Adaptation:
    return Adaptation(_model(rows["machine"], rows["cracks"], rows["kinds"], rows["vectors"]))


def _taught(rows: dict[str, np.ndarray], order: np.ndarray | None = None) -> Adaptation:
    adaptation = _adaptation(rows)
    for i in range(150) if order is None else order:
        adaptation.own(1.0, rows["own vectors"][i].astype(np.float32), rows["own"][i])
    adaptation.learn(LATER_S)
    return adaptation


def _directions(adaptation: Adaptation) -> np.ndarray:
    """What a unit more of each number adds to ``sds``, (D, kinds)."""
    return np.array([adaptation.sds(unit) - adaptation.sds(ORIGIN) for unit in np.eye(D)])


def _discriminant(machine: np.ndarray, cracks: np.ndarray) -> np.ndarray:
    """scikit-learn's, the covariance of each class shrunk towards a multiple of the unit matrix."""
    discriminant = pytest.importorskip("sklearn.discriminant_analysis", reason="the reference: crackdetect[test]")
    found = discriminant.LinearDiscriminantAnalysis(solver="lsqr", shrinkage=0.2 / 1.2, priors=[0.6, 0.4])
    found.fit(np.vstack([machine, cracks]), np.repeat([0, 1], [len(machine), len(cracks)]))
    direction: np.ndarray = found.coef_[0]
    return direction


def _cosine(one: np.ndarray, other: np.ndarray) -> float:
    return float(one @ other / np.linalg.norm(one) / np.linalg.norm(other))


@pytest.mark.parametrize("learnt", [False, True])
def test_the_directions_are_those_of_scikit_learns_linear_discriminant(
    rows: dict[str, np.ndarray], learnt: bool
) -> None:
    """A + s tr(A) / d I is (1 + s) times (1 - s') A + s' tr(A) / d I with s' = s / (1 + s): the same direction.

    An average machine counts as so many candidates of it, so learning is fitting to those rows and this machine's.
    Each kind of crack has its own mean and the spread of all.
    """
    adaptation = _taught(rows) if learnt else _adaptation(rows)
    machine = np.vstack([rows["machine"], rows["own"]]) if learnt else rows["machine"]
    found = _directions(adaptation)
    assert found.shape == (D, 3)
    for towards, mean in zip(found.T, adaptation.model.crack_means, strict=True):
        expected = _discriminant(machine, rows["cracks"] - rows["cracks"].mean(axis=0) + mean)
        assert _cosine(towards, expected) == pytest.approx(1, abs=1e-9)


def test_towards_what_was_likely_it_is_the_discriminant_of_an_average_crack_and_those(
    rows: dict[str, np.ndarray],
) -> None:
    """scikit-learn's, with NumPy's average of the points by their probabilities and of so many average cracks."""
    adaptation, rng = _taught(rows), np.random.default_rng(5)
    points, probabilities = rng.normal(3, 1, (7, D)), rng.uniform(0.1, 1, 7)
    for point, probability in zip(points, probabilities, strict=True):
        adaptation.likely(point, float(probability))
    adaptation.likely(ORIGIN + 100, LEAST_LIKELY / 2)  # too little to count
    adaptation.aim()
    average = adaptation.model.crack_means[0]
    mean = np.average(np.vstack([points, average]), axis=0, weights=[*probabilities, LIKELY_PRIOR])
    machine = np.vstack([rows["machine"], rows["own"]])
    expected = _discriminant(machine, rows["cracks"] - rows["cracks"].mean(axis=0) + mean)
    towards = adaptation.likely_sds(np.eye(D)) - adaptation.likely_sds(np.zeros((1, D)))
    assert _cosine(towards, expected) == pytest.approx(1, abs=1e-9)
    sds = adaptation.likely_sds(machine)
    assert (sds.mean(), sds.var()) == pytest.approx((0.0, 1.0), abs=1e-9)
    adaptation.forget_likely()
    adaptation.aim()
    assert adaptation.likely_sds(points) == pytest.approx(adaptation.sds(points)[:, 0])


def test_what_was_likely_fades_exponentially() -> None:
    """Three of a probability of 1, .5 and .25, heard 30 s apart: as many as are left after e**(-t / LIKELY_S)."""
    adaptation = Adaptation(AVERAGE)
    for probability in (1.0, 0.5, 0.25):
        adaptation.fade(30.0)
        adaptation.likely(np.ones(3), probability)
    kept = np.exp(-np.array([60.0, 30.0, 0.0]) / LIKELY_S)
    assert adaptation.likely_count == pytest.approx(kept @ [1.0, 0.5, 0.25])


@pytest.mark.parametrize("learnt", [False, True])
def test_the_machines_own_lie_at_zero_with_a_spread_of_one(rows: dict[str, np.ndarray], learnt: bool) -> None:
    """Standard deviations by definition: mean 0 and variance 1 over the rows that it was fitted to."""
    adaptation = _taught(rows) if learnt else _adaptation(rows)
    machine = np.vstack([rows["machine"], rows["own"]]) if learnt else rows["machine"]
    sds = np.array([adaptation.sds(point) for point in machine])
    assert sds.mean(axis=0) == pytest.approx(np.zeros(3), abs=1e-9)
    assert sds.var(axis=0) == pytest.approx(np.ones(3))
    assert adaptation.sds(rows["cracks"].mean(axis=0))[0] > 0  # cracks lie on the positive side


@pytest.mark.parametrize("learnt", [False, True])
def test_relative_features_are_the_z_scores_of_scipy(rows: dict[str, np.ndarray], learnt: bool) -> None:
    adaptation = _taught(rows) if learnt else _adaptation(rows)
    vectors = np.vstack([rows["vectors"], rows["own vectors"]]) if learnt else rows["vectors"]
    found = np.array([adaptation.relative(vector.astype(np.float32)) for vector in vectors])
    assert found.dtype == np.float32
    assert found == pytest.approx(scipy.stats.zscore(vectors, axis=0).clip(-LIMIT, LIMIT), abs=1e-3)


def test_relative_features_have_limits() -> None:
    adaptation = Adaptation(AVERAGE)
    assert adaptation.relative(NONE + 1e6).tolist() == [LIMIT] * features.COUNT
    assert adaptation.relative(NONE - 1e6).tolist() == [-LIMIT] * features.COUNT


def test_what_never_varies_is_not_taken_for_steadier_than_a_tenth_of_what_is_usual() -> None:
    """Thirty thousand equal ones: the mean is theirs, the deviation a tenth of the average machine's, 1."""
    adaptation = Adaptation(AVERAGE)
    for _ in range(30_000):
        adaptation.own(0.0, NONE, np.zeros(3))
    adaptation.learn(LATER_S)
    assert adaptation.relative(NONE + np.float32(0.5))[0] == pytest.approx(5.0, rel=1e-4)


def test_the_point_is_the_hidden_layer_and_the_score() -> None:
    (point,) = Adaptation.points([Sound(NONE, np.array([1.5, 0.25], np.float32))], [-3.25])
    assert point.tolist() == [1.5, 0.25, -3.25]
    assert point.dtype == np.float64


def test_what_is_younger_than_the_lag_is_not_learnt_yet(rows: dict[str, np.ndarray]) -> None:
    adaptation = _adaptation(rows)
    before = adaptation.sds(ORIGIN)
    adaptation.own(30.0, NONE, ORIGIN)
    adaptation.learn(30.0 + LAG_S)
    assert (adaptation.sds(ORIGIN) == before).all()
    adaptation.learn(30.0 + LAG_S + 0.25)
    assert (adaptation.sds(ORIGIN) != before).all()
    again = adaptation.sds(ORIGIN)
    adaptation.learn(30.0 + 2 * LAG_S)  # once only
    assert (adaptation.sds(ORIGIN) == again).all()


def test_the_average_machine_is_worth_so_many_candidates() -> None:
    """n equal ones at x: the mean is n x / (n + prior), the variance what the mixture of the two has."""
    adaptation, n, x = Adaptation(AVERAGE), 100, 2.0
    for _ in range(n):
        adaptation.own(0.0, NONE + np.float32(x), np.zeros(3))
    adaptation.learn(LATER_S)
    share = n / (n + PRIOR)
    mean, variance = share * x, (1 - share) + share * (1 - share) * x * x
    assert adaptation.relative(NONE)[0] == pytest.approx(-mean / math.sqrt(variance), rel=1e-5)
    assert adaptation.relative(NONE + np.float32(x))[0] == pytest.approx((x - mean) / math.sqrt(variance), rel=1e-5)


def test_memory_fades_exponentially() -> None:
    """One candidate before each fit: the weights of pandas' exponentially weighted mean and variance, and of NumPy's
    covariance with observation weights."""
    import pandas as pd

    rng = np.random.default_rng(2)
    count, kept = 40, math.exp(-REFIT_S / MEMORY_S)
    values, points = rng.normal(5, 2, count), rng.normal(1, 2, (count, 3))
    adaptation = Adaptation(AVERAGE)
    for number, (value, point) in enumerate(zip(values.tolist(), points, strict=True)):
        adaptation.own(REFIT_S * number, NONE + np.float32(value), point)
        adaptation.learn(REFIT_S * number + LAG_S + 0.25)

    own = pd.Series(values).ewm(alpha=1 - kept, adjust=True)
    n = (1 - kept**count) / (1 - kept)
    mean = n * own.mean().iloc[-1] / (n + PRIOR)
    square = (n * (own.var(bias=True).iloc[-1] + own.mean().iloc[-1] ** 2) + PRIOR) / (n + PRIOR)
    assert adaptation.relative(NONE)[0] == pytest.approx(-mean / math.sqrt(square - mean**2), rel=1e-4)

    # an average machine of these moments, six points a standard deviation away on each axis and side
    average = AVERAGE.machine_mean + math.sqrt(3) * np.vstack([np.eye(3), -np.eye(3)])
    assert np.cov(average.T, bias=True) == pytest.approx(AVERAGE.machine_cov)
    weights = np.append(kept ** np.arange(count)[::-1], np.full(6, PRIOR / 6))
    sds = np.array([adaptation.sds(point) for point in np.vstack([points, average])])
    assert np.average(sds, axis=0, weights=weights) == pytest.approx(np.zeros(2), abs=1e-9)
    assert np.diag(np.cov(sds.T, aweights=weights, ddof=0)) == pytest.approx(np.ones(2))


def test_the_order_within_a_tick_does_not_matter(rows: dict[str, np.ndarray]) -> None:
    one, other = _taught(rows), _taught(rows, np.random.default_rng(3).permutation(150))
    assert other.sds(ORIGIN) == pytest.approx(one.sds(ORIGIN), rel=1e-9)
    assert other.relative(NONE) == pytest.approx(one.relative(NONE), rel=1e-5)


def test_after_a_reset_it_is_an_average_machine(rows: dict[str, np.ndarray]) -> None:
    adaptation = _taught(rows)
    adaptation.own(LATER_S, NONE, ORIGIN)  # not learnt yet
    adaptation.reset()
    adaptation.learn(2 * LATER_S)
    assert (_directions(adaptation) == _directions(_adaptation(rows))).all()
    assert (adaptation.relative(NONE) == _adaptation(rows).relative(NONE)).all()


def test_a_machine_that_sounds_like_cracks_is_told_from_them(rows: dict[str, np.ndarray]) -> None:
    """Its own candidates lie where cracks lie on average: far from an average machine, near to this one."""
    average = Adaptation(AVERAGE)
    clatter = np.random.default_rng(4).normal(AVERAGE.crack_means[0], 0.5, (600, 3))
    adaptation = Adaptation(AVERAGE)
    for point in clatter:
        adaptation.own(0.0, NONE, point)
    adaptation.learn(LATER_S)
    assert average.sds(clatter.mean(axis=0))[0] > 5
    assert adaptation.sds(clatter.mean(axis=0))[0] < 1


# -- what is no average machine -------------------------------------------------------------------------------------

BAD: dict[str, dict[str, Any]] = {
    "a feature too few": {"mean": np.zeros(features.COUNT - 1)},
    "a deviation too many": {"sd": np.ones(features.COUNT + 1)},
    "points of two lengths": {"machine_mean": np.zeros(4)},
    "a covariance that is none": {"machine_cov": np.eye(4)},
    "a row for a covariance": {"crack_cov": np.ones(3)},
    "cracks of other points": {"crack_means": np.zeros((2, 4))},
    "cracks of no kind": {"crack_means": np.zeros((1, 3))},
    "cracks of a hundred kinds": {"crack_means": np.zeros((100, 3))},
    "points of no numbers": {
        "machine_mean": np.zeros(0),
        "machine_cov": np.zeros((0, 0)),
        "crack_means": np.zeros((2, 0)),
        "crack_cov": np.zeros((0, 0)),
    },
    "not a number": {"machine_mean": np.array([0.0, np.nan, 0.0])},
    "infinite": {"crack_means": np.full((2, 3), np.inf)},
    "absurd": {"mean": np.full(features.COUNT, 1e9)},
    "a feature that does not vary": {"sd": np.zeros(features.COUNT)},
    "a negative deviation": {"sd": np.full(features.COUNT, -1.0)},
    "a machine that does not vary": {"machine_cov": np.zeros((3, 3))},
    "a negative variance": {"crack_cov": np.diag([1.0, -1.0, 1.0])},
    "a correlation of two": {"machine_cov": np.eye(3) + 2 * (np.ones((3, 3)) - np.eye(3))},
    "a covariance of two halves": {"crack_cov": np.array([[1.0, 0.5, 0.0], [-0.5, 1.0, 0.0], [0.0, 0.0, 1.0]])},
}


@pytest.mark.parametrize("changes", BAD.values(), ids=list(BAD))
def test_what_no_training_gives_is_refused(changes: dict[str, Any]) -> None:
    good = {name: getattr(AVERAGE, name) for name in AdaptationModel.__dataclass_fields__}
    with pytest.raises(ModelError, match="the average machine .*; fetch or train the model again"):
        AdaptationModel(**(good | changes))
