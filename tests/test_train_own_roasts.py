"""A person's own roasts in the training of what learns the machine at hand: what they teach, and who judges them."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from clicks import clicks_in_noise, poisson_times
from commands import RATE, Done, Run
from conftest import OWN_MACHINE, POINT, plain_classifier

from crackdetect import model as model_files
from crackdetect.deciding.own_machine import AskedCandidate
from crackdetect.deciding.tracker import AskedTick
from crackdetect.hearing import features
from crackdetect.hearing.classifier import Sound
from crackdetect.roast.corrections import Corrections, CrackLabel
from crackdetect.roast.record import Moment, Roast, RoastRecord
from crackdetect.storage import paths
from crackdetect.storage.roast_store import RoastLog
from crackdetect.synth.plan import plan_roast
from crackdetect.teach.comparison import TeachingRoast, Told
from crackdetect.teach.heard_again import Answers, HeardAgain
from crackdetect.train.labelled_rows import FIRST, IGNORED, OTHER, label
from crackdetect.train.own_machine import Fitted, fit_own_machine
from crackdetect.train.own_roasts import OwnRoasts, truth_of
from crackdetect.train.scenes import Scene

TIMES = [20.0, 30.0, 40.0, 90.0, 101.0, 110.0, 120.0, 130.0]
LIKELY = np.array([0.2, 0.8, 0.9, 0.1, 0.9, 0.9, 0.05, 0.7])


def roast(start: Moment, *said: tuple[float, bool | None]) -> TeachingRoast:
    sound = Sound(np.zeros(features.COUNT, np.float32), np.zeros(POINT - 1, np.float32))
    candidates = tuple(AskedCandidate(time, 1.0, 0.0, 1.0, sound, 0.5) for time in TIMES)
    heard = HeardAgain(candidates, (AskedTick(0, 0, 0.25, -9.0, True),) * 600)
    answers = Answers(np.log(LIKELY / (1 - LIKELY)), np.zeros(600))
    labels = tuple(CrackLabel(at, is_crack, "Ada", "2026-03-01T10:00:00.000+00:00") for at, is_crack in said)
    moments = {"first_crack.start": start, "drop": Moment(marked_s=140.0)}
    kept = RoastRecord(Roast(7, "x", "2026-03-01", "", moments=moments), corrections=Corrections(labels))
    return TeachingRoast.of(kept, heard, answers)


def labels_of(taught: TeachingRoast) -> list[int]:
    found, _, _ = label(np.array(TIMES), truth_of(taught))
    return found.tolist()


def test_only_what_a_person_has_said_teaches() -> None:
    """First crack marked at 100 s: what came long before is none, unless it may be a bean that cracks early; what came
    after teaches nothing, and each answer what it says."""
    marked = roast(Moment(heard_s=99.0, marked_s=100.0))
    assert labels_of(marked) == [OTHER, IGNORED, IGNORED, IGNORED, IGNORED, IGNORED, IGNORED, IGNORED]
    truth = truth_of(marked)
    assert (truth.first_crack_start_s, truth.first_crack_end_s, truth.duration_s) == (100.0, 140.0, 150.0)
    answered = roast(
        Moment(heard_s=99.0, marked_s=100.0), (20.0, None), (30.0, False), (40.0, True), (101.0, True), (120.0, False)
    )
    assert labels_of(answered) == [IGNORED, OTHER, FIRST, IGNORED, FIRST, IGNORED, OTHER, IGNORED]
    assert [one.kind for one in truth_of(answered).events if one.label] == ["stray", "first"]


def test_where_there_was_none_a_crack_is_a_stray_and_the_seconds_still_teach() -> None:
    denied = roast(Moment(heard_s=99.0, corrected=True), (40.0, True))
    assert labels_of(denied) == [OTHER, IGNORED, FIRST, OTHER, IGNORED, IGNORED, OTHER, IGNORED]
    assert {one.kind for one in truth_of(denied).events if one.label} == {"stray"}


@pytest.mark.long
def test_own_roasts_are_judged_by_networks_that_met_the_others_only(tmp_path: Path) -> None:
    """Twelve made-up machines and three own roasts: networks of a fold that an own roast is not dealt to change with
    it, those that judge it do not; average machine and what is told of the others' making are theirs alone."""
    pytest.importorskip("sklearn")
    import test_train_own_machine as made

    files = [tmp_path / f"scene-{number}.npz" for number in range(15)]
    for number, path in enumerate(files):
        made._machine(number if number < 12 else 3 * number).save(path)

    def fitted(own: list[Path]) -> Fitted:
        with pytest.MonkeyPatch.context() as patch:
            for name in ("RELATIVE_HIDDEN", "CRACK_HIDDEN", "BEGUN_HIDDEN"):
                patch.setattr(f"crackdetect.train.own_machine.{name}", (12, 6))
            patch.setattr("crackdetect.train.network.PASSES", ((15, 1.0), (3, 0.3)))
            return fit_own_machine(files[:12], seed=3, jobs=1, say=lambda word: None, own=own)

    without, with_own = fitted([]), fitted(files[12:])
    assert (len(without.judges), len(with_own.judges)) == (0, 3)
    assert with_own.told["scenes"] == without.told["scenes"] == 12
    starts = [(row["narrow"]["starts"], row["wide"]["starts"]) for row in with_own.told["not_met"]]
    assert starts == [(4, 4)] * len(starts)
    assert np.array_equal(with_own.model.adaptation.crack_means, without.model.adaptation.crack_means)
    shutil.copy(tmp_path / "scene-5.npz", files[14])  # a third own roast that is quite another
    other = fitted(files[12:])
    same = [
        all(np.array_equal(a, b) for a, b in zip(one.relative.weights, two.relative.weights, strict=True))
        for one, two in zip(with_own.judges, other.judges, strict=True)
    ]
    assert same == [False, False, True]
    assert not np.array_equal(with_own.model.relative.weights[0], other.model.relative.weights[0])


def test_only_a_gain_is_written_and_both_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[tuple[Told, Told]] = []
    own = OwnRoasts([roast(Moment(marked_s=100.0))] * 2, lambda *both: told.append(both))
    late, soon = np.full(600, -9.0), np.full(600, -9.0)
    late[4 * 130 :] = soon[4 * 110 :] = 9.0
    given = iter([Answers(np.zeros(8), soon), Answers(np.zeros(8), late)] * 2)
    monkeypatch.setattr("crackdetect.train.own_roasts.answers_of", lambda heard, judge: next(given))
    assert own.gain_by([None, None])  # type: ignore[list-item]
    before, after = told[0]
    assert (before.announced, after.announced, after.late_s) == (0, 2, pytest.approx(20.0, abs=0.5))
    as_good = [
        replace(one, untaught=Answers(np.zeros(8), course))
        for one, course in zip(own.roasts, (soon, late), strict=True)
    ]
    assert not replace(own, roasts=as_good).gain_by([None, None])  # type: ignore[list-item]


def test_from_log_without_a_context_or_with_too_few_roasts_is_one_sentence(
    run: Run, home: Path, tmp_path: Path
) -> None:
    done = run("train", "--from-log")
    assert (done.code, len(done.errors)) == (2, 1)
    assert "--from-log goes with --context" in done.errors[0]
    shipped = model_files.data_folder("models") / model_files.SHIPPED
    done = run("train", "--from-log", "--context", shipped, "--out", tmp_path / "new.json")
    assert (done.code, len(done.errors)) == (3, 1)
    assert "0 roasts of the log can teach" in done.errors[0]
    assert not (tmp_path / "new.json").exists()


@pytest.mark.long
def test_the_command_trains_with_the_log_and_writes_only_what_is_better(
    run: Run, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twelve scenes, two recorded roasts of clicks, and networks of few units."""
    pytest.importorskip("sklearn")
    plain = plain_classifier(tmp_path / "learning.json")
    before = tmp_path / "learning.json"
    golden = model_files.golden_of(before)
    model_files.save(before, replace(plain, own_machine=OWN_MACHINE), golden=golden, card={"purpose": "tests"})
    for seed in (4, 5):
        path = paths.data_folder() / "recordings" / f"roast-{seed}.flac"
        path.parent.mkdir(parents=True, exist_ok=True)
        times = [5.0, 14.0, *poisson_times(90, 30, 75, seed=seed)]
        soundfile.write(path, clicks_in_noise(times, samplerate=RATE, duration_s=75, frequency_hz=3_000), RATE)
        assert run("analyze", path, "--save", "--model", before).code == 0
        with RoastLog() as log:
            log.edit(log.find("last"), moments={"first_crack.start": 30.0})
    given = {"first_start_s": 25.0, "ramp_s": 5.0, "first_hold_s": 30.0, "peak_per_minute": 90.0}
    scenes = [
        Scene(plan_roast(seed=n, scenario="chorus", duration_s=80.0, overrides=given), "chorus", False)
        for n in range(1, 13)
    ]
    monkeypatch.setattr("crackdetect.train.fit.machine_scenes", lambda **_: iter(scenes))
    for name in ("RELATIVE_HIDDEN", "CRACK_HIDDEN", "BEGUN_HIDDEN"):
        monkeypatch.setattr(f"crackdetect.train.own_machine.{name}", (12, 6))
    monkeypatch.setattr("crackdetect.train.network.PASSES", ((15, 1.0), (3, 0.3)))
    heard, out = tmp_path / "heard", tmp_path / "new.json"

    def train() -> Done:
        return run("train", "--context", before, "--from-log", "--machines", 8, "--heard", heard, "--out", out)

    monkeypatch.setattr(Told, "better_than", lambda self, other: False)
    done = train()
    assert (done.code, done.errors) == (0, [])
    assert "trained with them" in done.out
    assert "2 of 2" in done.out
    assert f"It is not better on your own roasts, so {out} was not written." in done.out
    assert not out.exists()
    assert not list(heard.rglob("own-*"))  # nothing of the person's roasts is left behind
    monkeypatch.setattr(Told, "better_than", lambda self, other: True)
    done = train()
    assert f"wrote {out}" in done.out
    assert model_files.card_of(out)["own_machine"]["own_roasts"] == 2
    assert model_files.load(out).own_machine is not None
