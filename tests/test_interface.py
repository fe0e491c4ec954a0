"""The Python interface: the events of the command line as moments, arrays, a table and a picture."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from patience import PATIENCE_S

import crackdetect
from crackdetect.blocks import Block
from crackdetect.cli import entry
from crackdetect.errors import CrackdetectError, InputError, MissingPartError, SettingError
from crackdetect.events import Event
from crackdetect.interface import Analysis, Rendered

RATE = 16_000


@pytest.fixture(scope="module")
def made() -> Rendered:
    """A minute and a half in which first crack begins, on a quiet machine."""
    return crackdetect.render(9, scenario="quiet", samplerate=RATE, duration_s=90.0)


@pytest.fixture(scope="module")
def roast(made: Rendered) -> Analysis:
    return crackdetect.analyze(made.samples, samplerate=RATE, charge_at=5.0, drop_at="1:25", target="20%")


@pytest.fixture(scope="module")
def recording(made: Rendered, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recordings") / "morning.wav"
    soundfile.write(path, made.samples, RATE, subtype="FLOAT")
    return path


def _told(events: Any) -> list[dict[str, Any]]:
    """Events without what names their source."""
    told = [event.to_dict() for event in events]
    for event in told:
        event.pop("roast")
        event.pop("source", None)
    return told


# -- what there is ---------------------------------------------------------------------------------------------------


def test_every_name_is_there_and_type_checkers_know_it() -> None:
    stub = ast.parse((Path(crackdetect.__file__).parent / "__init__.pyi").read_text(encoding="utf-8"))
    typed = {alias.asname for node in stub.body if isinstance(node, ast.ImportFrom) for alias in node.names}
    assert typed == set(crackdetect.__all__) - {"__version__"}
    for name in crackdetect.__all__:
        assert getattr(crackdetect, name) is not None
        assert name in dir(crackdetect)
    with pytest.raises(AttributeError, match="no attribute 'analyse'"):
        _ = crackdetect.analyse  # type: ignore[attr-defined]
    assert (Path(crackdetect.__file__).parent / "py.typed").is_file()


def test_every_error_has_the_same_root_and_is_offered() -> None:
    family = {CrackdetectError, *CrackdetectError.__subclasses__()}
    assert {error.__name__ for error in family} <= set(crackdetect.__all__)


def test_importing_it_loads_nothing_before_it_is_used() -> None:
    script = "import sys, crackdetect; print(*(n for n in sys.modules if n.startswith(('crackdetect.', 'numpy'))))"
    loaded = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=PATIENCE_S
    )
    assert loaded.stdout.strip() == ""


# -- one path --------------------------------------------------------------------------------------------------------


def test_the_events_are_those_of_the_command_line(recording: Path, capfd: pytest.CaptureFixture[str]) -> None:
    arguments = ["--format", "jsonl", "--charge-at", "0:05", "--target", "1:00", "--sensitivity", "earlier"]
    assert entry.main(["analyze", str(recording), *arguments]) == 0
    told = [json.loads(line) for line in capfd.readouterr().out.splitlines()]

    heard = crackdetect.analyze(recording, charge_at=5.0, target="1:00", sensitivity="earlier")

    assert [json.loads(event.to_json()) for event in heard.events] == told


def test_an_array_is_heard_as_the_file_that_holds_it(made: Rendered, tmp_path: Path) -> None:
    whole = np.round(made.samples * 32_767).astype(np.int16)
    stereo = np.stack([whole // 64, whole], axis=1)
    stereo[::2, 0] += np.random.default_rng(0).integers(-400, 400, len(stereo[::2])).astype(np.int16)
    for name, samples in (("mono", whole), ("stereo", stereo)):
        path = tmp_path / f"{name}.wav"
        soundfile.write(path, samples, RATE, subtype="PCM_16")
        file = crackdetect.analyze(path)
        array = crackdetect.analyze(samples, samplerate=RATE)
        assert _told(array.events) == _told(file.events)
        assert array.notes == file.notes
    assert "channel 2 of 2" in array.notes[0]
    second = crackdetect.analyze(stereo, samplerate=RATE, channel=2)
    assert _told(second.events) == _told(array.events)


def test_a_stream_says_the_same_however_it_is_cut(made: Rendered, roast: Analysis) -> None:
    def blocks() -> Iterator[Block | np.ndarray]:
        cuts = [0, 1, 1, 700, *range(5_000, len(made.samples), 7_001), len(made.samples)]
        for i, (first, last) in enumerate(pairwise(cuts)):
            part = made.samples[first:last]
            yield Block(part) if i % 2 else part.astype(np.float64)

    heard = crackdetect.listen(blocks(), samplerate=RATE, charge_at=5.0, drop_at="1:25", target="20%")
    assert next(heard).type == "roast.start"
    assert _told(heard) == _told(roast.events[1:])


def test_a_source_knows_its_samplerate_and_stays_open(recording: Path) -> None:
    source = crackdetect.open_recording(recording)
    heard = list(crackdetect.listen(source))
    assert (heard[0].fields["samplerate"], heard[0].fields["source"]) == (RATE, "file")
    source.close()
    again = crackdetect.open_recording(recording)
    assert _told(crackdetect.analyze(again).events) == _told(heard)
    with pytest.raises(Exception, match="closed"):
        next(iter(again))


def test_progress_goes_to_the_end(made: Rendered) -> None:
    seen: list[float] = []
    crackdetect.analyze(made.samples[: 20 * RATE], samplerate=RATE, progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 20.0


# -- what was heard ----------------------------------------------------------------------------------------------------


def test_first_crack_is_the_refined_date_and_when_it_was_announced(made: Rendered, roast: Analysis) -> None:
    start = roast.first_crack
    (announced,) = [event for event in roast.events if event.type == "first_crack.start"]
    assert start is not None
    assert start.how == "heard"
    assert (start.at, start.announced_at) == (
        pytest.approx(roast.summary["first_crack"], abs=0.001),
        announced.announced_at,
    )
    assert start.earliest is not None
    assert start.latest is not None
    assert made.truth.first_crack_start_s is not None
    assert start.earliest <= made.truth.first_crack_start_s <= start.latest
    assert roast.second_crack is None


def test_what_was_given_is_said_to_be_given(roast: Analysis) -> None:
    assert roast.charge == crackdetect.Moment(5.0, None, None, None, "given")
    assert roast.drop == crackdetect.Moment(85.0, None, None, None, "given")


def test_what_a_person_marks_is_theirs(made: Rendered) -> None:
    pipeline = crackdetect.Pipeline(samplerate=RATE, model=crackdetect.load_model())
    events = pipeline.push(Block(made.samples[: 30 * RATE]))
    events += pipeline.mark("charge")
    events += pipeline.push(Block(made.samples[30 * RATE : 40 * RATE]))
    marked = Analysis(events + pipeline.mark("first_crack.start"))
    assert marked.charge == crackdetect.Moment(30.0, None, None, None, "key")
    assert marked.first_crack is not None
    assert (marked.first_crack.at, marked.first_crack.how) == (40.0, "key")
    assert marked.summary == {}  # it goes on
    taken_back = Analysis([*marked.events, *pipeline.mark("first_crack.not_yet")])
    assert taken_back.first_crack is None


def test_cracks_and_density_are_arrays(roast: Analysis) -> None:
    told = [event for event in roast.events if event.type == "crack"]
    assert len(told) > 10
    assert roast.cracks.dtype.names == ("at", "probability", "kind", "snr_db")
    np.testing.assert_array_equal(roast.cracks["at"], [event.at for event in told])
    np.testing.assert_array_equal(roast.cracks["kind"], [event.fields["kind"] for event in told])
    assert roast.density.dtype.names == ("at", "per_minute", "low", "high")
    density = [event for event in roast.events if event.type == "density"]
    np.testing.assert_array_equal(roast.density["per_minute"], [event.fields["per_minute"] for event in density])
    assert (roast.density["low"] <= roast.density["high"]).all()


def test_all_of_it_goes_into_json(roast: Analysis) -> None:
    content = json.loads(json.dumps(roast.to_dict(), allow_nan=False))
    assert content["first_crack"]["how"] == "heard"
    assert len(content["cracks"]) == len(roast.cracks)
    assert content["summary"] == json.loads(json.dumps(roast.summary))


def test_silence_is_a_roast_in_which_nothing_was_heard() -> None:
    quiet = crackdetect.analyze(np.zeros(3 * RATE), samplerate=RATE)
    assert quiet.first_crack is None
    assert len(quiet.cracks) == 0
    assert "no first crack, 0 cracks" in repr(quiet)
    assert "silent or constant throughout" in quiet.notes[-1]


def test_a_table_of_events(roast: Analysis, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pandas")
    frame = roast.to_frame()
    assert len(frame) == len(roast.events)
    assert frame[frame["type"] == "crack"]["probability"].min() >= 0.5
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(MissingPartError, match="pip install pandas"):
        roast.to_frame()


def test_a_picture(roast: Analysis, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("matplotlib").use("Agg")
    from matplotlib import pyplot
    from matplotlib.figure import Figure

    axes = Figure().subplots()
    assert roast.plot(axes) is axes
    labels = [text.get_text() for text in axes.texts]
    assert any("first crack" in label for label in labels)
    alone = roast.plot()
    assert alone.get_xlabel() == "roast time, min:s"
    pyplot.close(alone.get_figure())
    picture = roast._repr_png_()
    assert picture is not None
    assert picture.startswith(b"\x89PNG")
    monkeypatch.setattr("crackdetect.errors.find_spec", lambda name: None)
    assert roast._repr_png_() is None  # the notebook shows the text
    with pytest.raises(MissingPartError, match="matplotlib"):
        roast.plot()


def test_a_score_against_the_truth(made: Rendered, roast: Analysis) -> None:
    found = crackdetect.score(roast, made.truth)
    assert found.announcement.right
    assert found.detection.counts.said == len(roast.cracks)


# -- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "kind", "sentence"),
    [
        (("no/such.wav", {}), InputError, "does not exist"),
        ((np.zeros(RATE), {}), SettingError, "give samplerate in Hz"),
        (("a.wav", {"samplerate": RATE}), SettingError, "only with an array"),
        ((np.zeros(RATE, np.uint8), {"samplerate": RATE}), InputError, "uint8"),
        ((np.zeros((RATE, 2, 2)), {"samplerate": RATE}), InputError, "shape"),
        ((np.zeros(10), {"samplerate": RATE}), InputError, "too short"),
        ((np.zeros(RATE), {"samplerate": 100}), InputError, "100 Hz"),
        ((np.zeros(RATE), {"samplerate": RATE, "channel": 2}), SettingError, "no channel 2"),
        ((np.zeros(RATE), {"samplerate": RATE, "target": "18"}), SettingError, "18%"),
        ((np.zeros(RATE), {"samplerate": RATE, "charge_at": "soon"}), SettingError, "charge_at"),
        ((np.zeros(RATE), {"samplerate": RATE, "sensitivity": "most"}), SettingError, "choose earlier"),
        (([1.0, 2.0], {}), InputError, "list is no recording"),
    ],
)
def test_what_is_wrong_is_one_sentence(
    arguments: tuple[Any, dict[str, Any]], kind: type[CrackdetectError], sentence: str
) -> None:
    recording, options = arguments
    with pytest.raises(kind, match=sentence):
        crackdetect.analyze(recording, **options)


def test_a_stream_without_a_samplerate_is_refused_at_once() -> None:
    with pytest.raises(SettingError, match="give samplerate in Hz"):
        crackdetect.listen(iter([]))


def test_events_of_no_roast_are_refused() -> None:
    with pytest.raises(InputError, match="no events"):
        Analysis([])
    with pytest.raises(InputError, match=r"begins with roast\.start"):
        Analysis([Event("cooled", 1.0, 1.0, None, 0, "r", {})])
