"""Shared fixtures: commands, classifiers to hear with, and where real recordings are to be found."""

from __future__ import annotations

import atexit
import os

# as the program has it: several threads take the time of two processors for the work of one, and wait for each other
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(_name, "1")

import signal
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import hypothesis
import numpy as np
import pytest
import soundfile
from _pytest.runner import runtestprotocol
from commands import RATE, SOUND, Done, Run
from patience import PATIENCE_S

from crackdetect import model as model_files
from crackdetect.cli import entry
from crackdetect.deciding import begun, context
from crackdetect.deciding.adaptation import AdaptationModel
from crackdetect.deciding.context import ContextModel
from crackdetect.deciding.own_machine import OwnMachineModel, crack_names
from crackdetect.deciding.score_model import KIND_BINS, SCORE_BINS, SCORE_EDGES, ScoreModel
from crackdetect.hearing import features
from crackdetect.hearing.classifier import ClassifierModel
from crackdetect.hearing.network import Network
from crackdetect.hearing.spectrum import BANDS
from crackdetect.model import Model

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# what librosa compiles is this run's own: a cache that a killed run has left half written crashes who loads it
if "PYTEST_XDIST_WORKER" not in os.environ:
    _COMPILED = tempfile.TemporaryDirectory(prefix="crackdetect-compiled-")
    os.environ["NUMBA_CACHE_DIR"] = _COMPILED.name
    atexit.register(_COMPILED.cleanup)

# a shell starts its background jobs with Ctrl-C ignored, and the programs that tests start would inherit that
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
# nohup ignores a closed terminal, and the program respects that
if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

# no test may depend on how fast the machine is, or on chance: what fails fails for everybody
unasked = [hypothesis.HealthCheck.too_slow, hypothesis.HealthCheck.function_scoped_fixture]
hypothesis.settings.register_profile("same", deadline=None, derandomize=True, suppress_health_check=unasked)
hypothesis.settings.load_profile("same")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that wait in real time come first, so that at the end no worker waits for another."""
    waiting = {item.path for item in items if item.get_closest_marker("live") or item.get_closest_marker("browser")}
    items.sort(key=lambda item: item.path not in waiting)


def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool | None:
    """A browser may stumble once on a loaded machine: such a test fails where it fails twice, and the first is told."""
    if item.get_closest_marker("browser") is None:
        return None
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    reports = runtestprotocol(item, nextitem=nextitem, log=False)
    if any(report.failed for report in reports):
        told = next(str(report.longrepr) for report in reports if report.failed)
        item._initrequest()  # type: ignore[attr-defined]
        reports = runtestprotocol(item, nextitem=nextitem, log=False)
        reports[-1].sections.append(("failed at first", told))
    for report in reports:
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


@pytest.fixture(scope="session")
def librosa() -> Any:
    """The reference library, compiled by one worker (some 17 s) while the others that want it wait.

    Two that compile the same function at once can spoil the cache that they share.
    """
    module = pytest.importorskip("librosa", reason="the reference library: install crackdetect[test]")
    folder = Path(os.environ["NUMBA_CACHE_DIR"])
    try:
        (folder / "begun").mkdir()
    except FileExistsError:
        ends = time.monotonic() + 300
        while not (folder / "done").exists():
            assert time.monotonic() < ends, "the worker that compiles librosa has not ended"
            time.sleep(0.1)
    noise = np.random.default_rng(0).standard_normal(RATE)
    module.feature.spectral_centroid(y=noise, sr=RATE)
    strength = module.onset.onset_strength(y=noise, sr=RATE)
    module.util.peak_pick(strength, pre_max=3, post_max=3, pre_avg=3, post_avg=3, delta=1.0, wait=3)
    (folder / "done").touch()
    return module


def _shares(first: float, last: float, bins: int) -> np.ndarray:
    """Shares of the bins in geometric progression."""
    shares = np.geomspace(first, last, bins)
    return shares / shares.sum()


#: Score statistics that fit the plain classifier below (chosen): cracks score high, clatter low.
SCORES = ScoreModel(
    crack=0.95 * _shares(1, 200, SCORE_BINS),
    other_per_minute=np.geomspace(30, 0.3, SCORE_BINS),
    burst=_shares(1, 8, SCORE_BINS),
    burst_kind=_shares(1, 1, KIND_BINS),
    first_kind=_shares(40, 1, KIND_BINS),
    second_kind=_shares(1, 40, KIND_BINS),
)


def _by_hand(*, bias: float = 0.0, **slopes: float) -> Network:
    """Log odds: ln f1 of the score, straight between the middles of the bins of SCORES, and the slopes of other
    numbers, which must be given their sign by two units each; and a bias."""
    bounds = np.array([-5.0, *SCORE_EDGES, 8.0])
    middles, heights = (bounds[:-1] + bounds[1:]) / 2, np.log(SCORES.crack)
    turns = np.diff(np.diff(heights) / np.diff(middles), prepend=0.0)
    units = [(context.NAMES.index("crack_llr"), 1.0, -knot, turn) for knot, turn in zip(middles, turns, strict=False)]
    for name, slope in slopes.items():
        index = context.NAMES.index(name.replace("_", " "))
        units += [(index, 1.0, 0.0, slope), (index, -1.0, 0.0, -slope)]
    hidden = np.zeros((1, context.COUNT, len(units)))
    for unit, (index, sign, _, _) in enumerate(units):
        hidden[0, index, unit] = sign
    return Network(
        mean=np.zeros(context.COUNT),
        scale=np.ones(context.COUNT),
        weights=(hidden, np.array([[[out] for _, _, _, out in units]])),
        biases=(np.array([[knot for _, _, knot, _ in units]]), np.array([[heights[0] + bias]])),
    )


#: Written by hand: a candidate's weight is f1 / lambda0 by the bins of SCORES and the learnt background; its odds of
#: being a crack are that times the rate of the good candidates of the last eight seconds.
CONTEXT = ContextModel(
    crack=_by_hand(background_here=-1.0, seconds_good=1.0, bias=-np.log(context.SECONDS)),
    alone=_by_hand(background_here=-1.0),
    cracks_per_second=1.0,
    counted=SCORES.detected,
    counted_cv=0.0,
)


def straight(
    names: Sequence[str], *, bias: float = 0.0, slopes: Mapping[str, float], dtype: type = np.float64
) -> Network:
    """A network that answers the bias and the sum of slope times number, of the numbers that are named."""
    units = 2 * len(slopes) + 1
    hidden, out = np.zeros((1, len(names), units), dtype), np.zeros((1, units, 1), dtype)
    for unit, (name, slope) in enumerate(slopes.items()):
        # a hidden unit knows no sign: one of two sees the positive numbers, the other the negative ones
        hidden[0, names.index(name), 2 * unit : 2 * unit + 2] = 1.0, -1.0
        out[0, 2 * unit : 2 * unit + 2, 0] = slope, -slope
    biases = np.zeros((1, units), dtype), np.full((1, 1), bias, dtype)
    return Network(np.zeros(len(names), dtype), np.ones(len(names), dtype), (hidden, out), biases)


#: Of the classifier written by hand below, its hidden layer and the score: the points of a candidate.
POINT = 3
#: Written by hand: an average machine that scores -4, and cracks that score 4.
AVERAGE = AdaptationModel(
    mean=np.zeros(features.COUNT),
    sd=np.ones(features.COUNT),
    machine_mean=np.array([0.0, 0.0, -4.0]),
    machine_cov=np.eye(POINT),
    crack_means=np.array([[2.0, 2.0, 4.0], [2.0, 0.0, 4.0]]),
    crack_cov=np.eye(POINT),
)
#: Written by hand: a candidate's log odds of a crack are its score, more or less as it is rare on this machine or not;
#: first crack has begun where many of the last eight seconds are likely, and few are usual.
OWN_MACHINE = OwnMachineModel(
    adaptation=AVERAGE,
    relative=straight(features.NAMES, slopes={}, dtype=np.float32),
    crack=straight(crack_names(1), slopes={"crack_llr": 1.0, "rank of crack_llr, lag 12 s": 0.5}),
    begun=straight(
        begun.NAMES,
        bias=-1.0,
        slopes={f"on this machine over 1.0, {window} s": 2.0 for window in (1.0, 2.0, 4.0, 8.0)}
        | {"on this machine usual 1.0": -0.5},
    ),
    cracks_per_second=0.5,
    counted=SCORES.detected,
    counted_cv=0.0,
)


def plain_classifier(path: Path) -> Model:
    """A classifier written by hand: much energy in many bands at the peak is a crack, a bright one is second crack.

    So the laws are tested on events that are known to be there, whatever the shipped model has been taught.
    """
    loud = np.zeros((1, features.COUNT, 2), np.float32)
    for band in range(BANDS):
        column = features.NAMES.index(f"patch[+0][{band}]")
        loud[0, column] = 1.0, 0.5 if band >= 7 else -0.35
    network = Network(
        mean=np.zeros(features.COUNT, np.float32),
        scale=np.ones(features.COUNT, np.float32),
        weights=(loud, np.array([[[0.0, 0.6, 0.6], [0.0, -1.0, 1.0]]], np.float32)),
        biases=(np.zeros((1, 2), np.float32), np.array([[0.0, -5.0, -5.0]], np.float32)),
    )
    model = Model("plain", "", ClassifierModel(network, np.array([0.8, 0.15, 0.05])), SCORES, CONTEXT)
    rows = np.random.default_rng(11).normal(0, 2, (8, features.COUNT)).astype(np.float32)
    return model_files.save(path, model, golden=rows, card={"purpose": "tests"})


@pytest.fixture(scope="session", autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test touches the log and the settings of whoever runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CRACKDETECT_HOME", str(tmp_path_factory.mktemp("home")))
        yield


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of this test alone for log, roasts and settings; the test runs in an empty folder."""
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Run:
    """Runs a command in this process: ``run("analyze", path)``."""

    def command(*arguments: object) -> Done:
        code = entry.main([str(argument) for argument in arguments])
        return Done(code, *capfd.readouterr())

    return command


@pytest.fixture(scope="session")
def roast(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The recording of ``commands.SOUND``."""
    path = tmp_path_factory.mktemp("roast") / "monday.flac"
    soundfile.write(path, SOUND, RATE)
    return path


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A model file whose answers on clicks are known, whatever the shipped model has been taught."""
    path = tmp_path_factory.mktemp("plain") / "plain.json"
    plain_classifier(path)
    return path


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


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Of a module, as nothing else in its thread may run an event loop meanwhile."""
    from browsing import CHROMIUM, OPTIONS
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=OPTIONS, timeout=1000 * PATIENCE_S)
        yield opened
        opened.close()
