"""Hearing among strangers: intervals, reliability, groups of recordings, families of machines and families left out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.stats
from clicks import clicks_in_noise

from crackdetect.errors import InputError
from crackdetect.evaluate import figure
from crackdetect.evaluate import run as benchmark
from crackdetect.evaluate.aggregate import aggregate
from crackdetect.evaluate.course import score_course
from crackdetect.evaluate.detection import Candidate, TrueCracks, score_detection
from crackdetect.evaluate.intervals import bootstrap_intervals, rate_interval, share_interval
from crackdetect.evaluate.left_out import LeftOut, find_models, hear_left_out
from crackdetect.evaluate.overview import by_family, overview
from crackdetect.evaluate.reliability import calibration_error, reliability
from crackdetect.evaluate.scoring import Score, score
from crackdetect.evaluate.sets import FAMILIES_ROW, Task, tasks
from crackdetect.events import Event
from crackdetect.model import Model
from crackdetect.pipeline import Evidence
from crackdetect.synth.truth import UNSURE, Truth, TruthEvent
from crackdetect.synth.wide import FAMILIES, RECORDED

RATE = 16_000


def _truth(times: Sequence[float], *, start: float | None = None, duration: float = 60.0, kind: str = "first") -> Truth:
    events = tuple(TruthEvent(time, kind, 16.0, "") for time in times)
    return Truth(RATE, duration, None, start, None, None, None, 0.0, events)


def _announced(at: float) -> Event:
    return Event("first_crack.start", at, at, None, 0, "r", {"earliest": at, "latest": at, "confidence": 0.99})


# -- intervals -------------------------------------------------------------------------------------------------------


def test_bootstrap_intervals_are_those_of_a_reference_library() -> None:
    """scipy.stats.bootstrap, percentile method, for a mean and a median of 24 delays."""
    delays = np.random.default_rng(1).gamma(2.0, 8.0, 24)
    ours = bootstrap_intervals(
        delays.tolist(), lambda some: {"mean": float(np.mean(some)), "median": float(np.median(some)), "none": None}
    )
    assert set(ours) == {"mean", "median"}
    for name, statistic in (("mean", np.mean), ("median", np.median)):
        theirs = scipy.stats.bootstrap(
            (delays,), statistic, confidence_level=0.95, n_resamples=9999, method="percentile", random_state=0
        ).confidence_interval
        width = theirs.high - theirs.low
        assert ours[name].low == pytest.approx(theirs.low, abs=0.08 * width)
        assert ours[name].high == pytest.approx(theirs.high, abs=0.08 * width)
    assert bootstrap_intervals([3.0], lambda some: {"mean": 3.0}) == {}
    assert bootstrap_intervals([3.0, 3.0], lambda some: {"mean": float(np.mean(some))}) == {}  # nothing differs


def test_intervals_of_shares_and_rates_are_those_of_the_papers() -> None:
    # Wilson 1927: of 0 in n the upper end is z^2 / (n + z^2), with z = 1.95996
    upper = 1.95996**2 / (10 + 1.95996**2)
    assert share_interval(0, 10) == pytest.approx((0.0, upper), abs=1e-4)
    assert share_interval(10, 10) == pytest.approx((1 - upper, 1.0), abs=1e-4)
    assert share_interval(0, 0) is None
    # Garwood 1936: of 0 the upper end is -ln 0.025; of 10 they are 4.795 and 18.390 (from memory of his table)
    assert rate_interval(0, 2.0) == pytest.approx((0.0, -math.log(0.025) / 2), abs=1e-3)
    assert rate_interval(10, 1.0) == pytest.approx((4.795, 18.390), abs=2e-3)
    assert rate_interval(1, 0.0) is None


# -- reliability -----------------------------------------------------------------------------------------------------


def test_reliability_is_that_of_a_reference_library() -> None:
    """scikit-learn's calibration_curve, ten classes of equal width, for probabilities that are too high."""
    from sklearn.calibration import calibration_curve

    rng = np.random.default_rng(2)
    given = rng.random(5_000)
    true = rng.random(5_000) < given**1.5
    ours = reliability(given, true, edges=np.linspace(0, 1, 11).tolist())
    shares, means = calibration_curve(true, given, n_bins=10)
    np.testing.assert_allclose([one.true_share for one in ours], shares, atol=1e-4)
    np.testing.assert_allclose([one.mean_probability for one in ours], means, atol=1e-4)
    assert sum(one.given for one in ours) == 5_000
    # the mean of p - p^1.5 over 0 to 1 is 1/2 - 2/5
    assert calibration_error(ours) == pytest.approx(0.1, abs=0.02)
    assert all(one.interval.low <= one.true_share <= one.interval.high for one in ours)
    assert calibration_error(reliability([0.05], [True])) is None


def test_the_likelier_of_two_candidates_has_the_crack() -> None:
    truth = replace(_truth([1.0, 2.0]), events=(*_truth([1.0, 2.0]).events, TruthEvent(3.0, UNSURE, 0.0, "")))
    said = [
        Candidate(0.97, 0.2),  # nearer in time to nothing but the crack at 1.0, which the next one has
        Candidate(1.01, 0.4),
        Candidate(2.0, 0.04),  # too improbable to count at all
        Candidate(3.0, 0.9),  # an unsure sound: neither
        Candidate(4.0, 0.3),
    ]
    found = score_detection([], TrueCracks.of(truth), candidates=said)
    assert found.probabilities == (0.2, 0.4, 0.3)
    assert found.hits == (False, True, False)
    assert found.crack_probabilities == (0.4, 0.0)


# -- recordings from elsewhere ---------------------------------------------------------------------------------------


def test_groups_of_a_folder(tmp_path: Path) -> None:
    names = ("clean00", "clean01", "hard-1", "hard-2", "monday", "kitchen7", "mine/a", "mine/b")
    for name in names:
        path = tmp_path / f"{name}.wav"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"")
        path.with_suffix(".json").write_text(_truth([]).to_json())
    rows = {Path(task.name).stem: task.row for task in benchmark.folder_tasks(tmp_path)}
    assert rows == {
        "clean00": "6 clean", "clean01": "6 clean", "hard-1": "6 hard", "hard-2": "6 hard",
        "monday": "6 recordings", "kitchen7": "6 recordings", "a": "6 mine", "b": "6 mine",
    }  # fmt: skip


def test_a_peak_rate_is_counted_where_there_is_no_plan() -> None:
    """Cracks at 60 a minute from 20 s to 50 s, said to be 75 wherever they are as dense."""
    truth = _truth([20.5 + i for i in range(30)], start=20.0, duration=80.0)
    said = [
        Event("density", float(at), float(at), None, 0, "r", {"per_minute": 75.0, "low": 55.0, "high": 90.0})
        for at in range(1, 80)
    ]
    course = score_course(said, truth, announced_rightly=False)
    # 16 spans of 15 s lie within the chorus; at either edge one each holds 14, 13 and 12 cracks: 80 % of the peak
    rates = [60] * 16 + [56, 52, 48] * 2
    assert course.density_error == pytest.approx(np.mean([75 / rate - 1 for rate in rates]))
    assert course.density_covered == pytest.approx(18 / 22)
    assert score_course(said, _truth([]), announced_rightly=False).density_error is None


def test_second_crack_of_a_truth_without_a_plan_counts_from_its_begin() -> None:
    truth = replace(_truth([]), second_crack_start_s=40.0)
    said = Event("second_crack.start", 41.0, 49.0, None, 0, "r", {})
    second = score_course([said], truth, announced_rightly=False).second_crack
    assert (second.delay_s, second.dense_delay_s) == (9.0, 9.0)


# -- families --------------------------------------------------------------------------------------------------------


def test_every_family_is_heard_and_its_recordings_belong_to_it() -> None:
    chosen = tasks(roasts=60, quiet_hours=0, seed=3, sounds=None, chosen=(7,))
    here = [family for family in FAMILIES if family not in RECORDED]
    assert [task.theme for task in chosen] == [family for family in here for _ in range(4)]
    for task in chosen:
        assert task.plan is not None
        assert task.plan.wide is not None
        assert task.theme in task.plan.wide.families
        assert (task.plan.snr_low_db, task.plan.snr_high_db) == (12.0, 26.0)
        assert not task.real
    roasts = [task for task in chosen if task.plan is not None and task.plan.first_start_s is not None]
    assert len(roasts) == 3 * len(here)
    machines = {task.plan.wide.machine.seed for task in chosen if task.plan is not None and task.plan.wide is not None}
    assert len(machines) == len(chosen)


def _of_families(name: str, *families: str, delay: float | None) -> Score:
    events = [] if delay is None else [_announced(30.0 + delay)]
    return replace(score(name, events, _truth([], start=30.0)), families=families)


def test_lines_of_the_overview_by_hand(tmp_path: Path) -> None:
    scores = [
        _of_families("a", "crack:modes", "kind:drum", delay=10.0),
        _of_families("b", "crack:modes", "kind:oven", delay=20.0),
        _of_families("c", "crack:noise", "kind:drum", delay=None),
    ]
    figures = by_family(scores)
    assert list(figures) == ["crack:modes", "kind:drum"]  # two and more of each
    lines = overview(figures, title="family").splitlines()
    modes, drum = (next(line for line in lines if line.startswith(name)) for name in ("crack:modes", "kind:drum"))
    # Wilson 1927 for 2 of 2 and 1 of 2
    assert modes.split("  ")[1].strip() == "2 of 2 (34-100 %)"
    assert "1 of 2 (9-91 %)" in drum
    assert "15 (10 to 20)" in modes  # the mean of 10 and 20 s lies between them however they are drawn
    assert "0 in 0.0 h" in drum

    sets = {FAMILIES_ROW: scores}
    figure.draw(tmp_path / "f.png", sets, {row: aggregate(own) for row, own in sets.items()}, title="by hand")
    assert (tmp_path / "f.png").read_bytes().startswith(b"\x89PNG")


def test_a_family_left_out_is_heard_by_a_model_without_it_and_by_the_usual_one(tmp_path: Path) -> None:
    for name in ("crack-modes+kind-wire cage", "blow-hertz"):
        (tmp_path / f"{name}.json").touch()
    models = find_models(tmp_path)
    assert [model.name for model in models] == ["blow:hertz", "crack:modes + kind:wire cage"]
    chosen = tasks(roasts=50, quiet_hours=0, seed=0, sounds=None, chosen=(7,))
    asked: list[tuple[str | None, set[str]]] = []

    def hear(some: Sequence[Task], path: Path | None) -> Mapping[str, Sequence[Score]]:
        asked.append((path and path.stem, {family for task in some for family in _families_of(task)}))
        for task in some:
            assert _families_of(task) & set().union(*(model.families for model in models))
        return {FAMILIES_ROW: [score(task.name, [], _truth([])) for task in some]}

    rows = hear_left_out(models, chosen, hear)
    assert [stem for stem, _ in asked] == ["blow-hertz", None, "crack-modes+kind-wire cage", None]
    assert "blow:hertz" in asked[0][1]
    assert [s.name for s in rows["blow:hertz, left out"]] == [s.name for s in rows["blow:hertz, known"]]
    assert len(rows["all, known"]) == sum(len(rows[f"{model.name}, known"]) for model in models)

    with pytest.raises(InputError, match="'nothing' is none"):
        LeftOut.of(Path("nothing.json"))
    with pytest.raises(InputError, match="recorded sounds need --sounds"):
        hear_left_out([LeftOut.of(Path("kind-recorded bed.json"))], chosen[:1], hear)


def _families_of(task: Task) -> frozenset[str]:
    assert task.plan is not None
    assert task.plan.wide is not None
    return task.plan.wide.families


# -- what the pipeline tells those who measure -----------------------------------------------------------------------


def test_the_pipeline_tells_how_it_judged_and_what_the_evidence_was(plain_model: Model) -> None:
    times = [5.0 + 0.9 * i for i in range(8)]
    sound = clicks_in_noise(times, samplerate=RATE, duration_s=14.0, amplitude=0.5)
    told: list[Any] = []
    pipeline = benchmark.Pipeline(samplerate=RATE, model=plain_model, watch=told.append)
    events = pipeline.push(benchmark.Block(sound))
    events += pipeline.finish()
    evidence = [one for one in told if isinstance(one, Evidence)]
    judged = [one.candidate for one in told if not isinstance(one, Evidence)]

    # four ticks a second, each known some tenths of a second after its end
    assert [one.now for one in evidence] == [0.25 * (i + 1) for i in range(len(evidence))]
    assert len(evidence) > 50
    assert all(0 <= one.known_at - one.now < 1 for one in evidence)
    said = {event.at: event.fields["probability"] for event in events if event.type == "crack"}
    assert said
    assert said == {one.time: round(one.probability, 4) for one in judged if one.probability >= 0.5}
