"""Shared fixtures: classifiers to hear with, and where real recordings are to be found."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import numpy as np
import pytest

from crackdetect import features, model_files
from crackdetect.classify import Model
from crackdetect.phase import KIND_BINS, SCORE_BINS
from crackdetect.spectrum import BANDS

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
