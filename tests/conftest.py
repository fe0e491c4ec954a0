"""Shared fixtures: classifiers to hear with, and where real recordings are to be found."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import numpy as np
import pytest

from crackdetect import features, judge, model_files
from crackdetect.classify import Model
from crackdetect.judge import JudgeModel, Network
from crackdetect.phase import KIND_BINS, SCORE_BINS, SCORE_EDGES
from crackdetect.spectrum import BANDS

# a shell starts its background jobs with Ctrl-C ignored, and the programs that tests start would inherit that
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# no test may depend on how fast the machine is
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")

#: Score statistics that fit the plain classifier below (chosen): cracks score high, clatter low.
MARKS: dict[str, list[float]] = {
    "crack": (0.95 * np.geomspace(1, 200, SCORE_BINS) / np.geomspace(1, 200, SCORE_BINS).sum()).tolist(),
    "other_per_minute": np.geomspace(30, 0.3, SCORE_BINS).tolist(),
    "burst": (np.geomspace(1, 8, SCORE_BINS) / np.geomspace(1, 8, SCORE_BINS).sum()).tolist(),
    "burst_kind": [1 / KIND_BINS] * KIND_BINS,
    "first_kind": (np.geomspace(40, 1, KIND_BINS) / np.geomspace(40, 1, KIND_BINS).sum()).tolist(),
    "second_kind": (np.geomspace(1, 40, KIND_BINS) / np.geomspace(1, 40, KIND_BINS).sum()).tolist(),
}


def _by_hand(**slopes: float) -> Network:
    """Log odds: ln f1 of the score, straight between the middles of the bins of MARKS, and the slopes of other numbers,
    which must be given their sign by two units each."""
    bounds = np.array([-5.0, *SCORE_EDGES, 8.0])
    middles, heights = (bounds[:-1] + bounds[1:]) / 2, np.log(MARKS["crack"])
    turns = np.diff(np.diff(heights) / np.diff(middles), prepend=0.0)
    units = [(judge.NAMES.index("score"), 1.0, -knot, turn) for knot, turn in zip(middles, turns, strict=False)]
    for name, slope in slopes.items():
        index = judge.NAMES.index(name.replace("_", " "))
        units += [(index, 1.0, 0.0, slope), (index, -1.0, 0.0, -slope)]
    hidden = np.zeros((judge.COUNT, len(units)))
    for unit, (index, sign, _, _) in enumerate(units):
        hidden[index, unit] = sign
    return Network(
        mean=np.zeros(judge.COUNT),
        scale=np.ones(judge.COUNT),
        hidden=hidden,
        hidden_bias=np.array([bias for _, _, bias, _ in units]),
        inner=np.eye(len(units)),
        inner_bias=np.zeros(len(units)),
        out=np.array([out for _, _, _, out in units]),
        out_bias=np.array([heights[0]]),
    )


#: A judge written by hand: a candidate's weight is f1 / lambda0 by the bins of MARKS and the learnt background; its
#: odds of being a crack are that times the rate of the good candidates of the last eight seconds.
JUDGE = JudgeModel(
    crack=_by_hand(background_here=-1.0, seconds_good=1.0),
    alone=_by_hand(background_here=-1.0),
    cracks_per_second=1.0,
    counted=sum(MARKS["crack"]),
    counted_cv=0.0,
)
JUDGE.crack.out_bias[0] -= np.log(judge.SECONDS)


def plain_classifier(path: Path) -> Model:
    """A classifier written by hand: much energy in many bands at the peak is a crack, a bright one is second crack.

    So the laws are tested on events that are known to be there, whatever the shipped model has been taught.
    """
    loud = np.zeros((features.COUNT, 2), np.float32)
    for band in range(BANDS):
        column = features.NAMES.index(f"patch[+0][{band}]")
        loud[column, 0] = 1.0
        loud[column, 1] = 0.5 if band >= 7 else -0.35
    output = np.array([[0.0, 0.6, 0.6], [0.0, -1.0, 1.0]], np.float32)
    rows = np.random.default_rng(11).normal(0, 2, (8, features.COUNT)).astype(np.float32)
    return model_files.save(
        path,
        name="plain",
        mean=np.zeros(features.COUNT, np.float32),
        scale=np.ones(features.COUNT, np.float32),
        weights=[loud, output],
        biases=[np.zeros(2, np.float32), np.array([0.0, -5.0, -5.0], np.float32)],
        prior=np.array([0.8, 0.15, 0.05]),
        marks=MARKS,
        judge=JUDGE,
        golden=rows,
        card={"purpose": "tests"},
    )


@pytest.fixture(scope="session", autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test touches the log and the settings of whoever runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CRACKDETECT_HOME", str(tmp_path_factory.mktemp("home")))
        yield


@pytest.fixture(scope="session")
def plain_model(tmp_path_factory: pytest.TempPathFactory) -> Model:
    """The classifier written by hand, always the same."""
    return plain_classifier(tmp_path_factory.mktemp("plain") / "plain.json")


@pytest.fixture(scope="session")
def model_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of the shipped model; of the classifier written by hand where none is there."""
    shipped = model_files.data_folder("models") / model_files.SHIPPED
    if shipped.is_file():
        return shipped
    path = tmp_path_factory.mktemp("model") / model_files.SHIPPED
    plain_classifier(path)
    return path


@pytest.fixture(scope="session")
def model(model_path: Path) -> Model:
    """The shipped model; the classifier written by hand where none is there."""
    return model_files.load(model_path)


@pytest.fixture(scope="session")
def sounds_folder() -> Path:
    """The folder of real recordings: CRACKDETECT_SOUNDS, else ../shared/sounds beside the repository."""
    named = os.environ.get("CRACKDETECT_SOUNDS")
    folder = Path(named) if named else Path(__file__).resolve().parents[2] / "shared" / "sounds"
    if not folder.is_dir():
        pytest.skip(f"no real recordings at {folder}: set CRACKDETECT_SOUNDS to their folder")
    return folder
