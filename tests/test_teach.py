"""A machine that is taught: its sums, what a roast teaches, what is adopted and shared, and what hears by it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import fields, replace
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from clicks import clicks_in_noise, poisson_times
from commands import RATE, Run
from conftest import AVERAGE, OWN_MACHINE, POINT, plain_classifier

from crackdetect import model as model_files
from crackdetect.deciding import machine_sums
from crackdetect.deciding.adaptation import PRIOR
from crackdetect.deciding.machine_sums import MachineSums, taught
from crackdetect.deciding.own_machine import AskedCandidate, OwnMachine, OwnMachineModel
from crackdetect.deciding.tracker import AskedTick
from crackdetect.errors import InputError, ModelError
from crackdetect.events import Event
from crackdetect.hearing import features
from crackdetect.hearing.classifier import Sound
from crackdetect.model import Model
from crackdetect.roast.corrections import Corrections, CrackLabel
from crackdetect.roast.record import Moment, Roast, RoastRecord
from crackdetect.storage import machine_profiles, paths
from crackdetect.storage.roast_store import RoastLog
from crackdetect.synth.plan import plan_roast
from crackdetect.teach import comparison
from crackdetect.teach.advice import advice
from crackdetect.teach.comparison import TeachingRoast, Told
from crackdetect.teach.heard_again import Answers, HeardAgain
from crackdetect.teach.lesson import Lesson, lesson_of
from crackdetect.teach.machine_profile import HALF_LIFE, MachineProfile, RoastLabels, weighed
from crackdetect.train.labelled_rows import IGNORED, OTHER
from crackdetect.train.own_machine import MachineScene, hear, replayed
from crackdetect.train.scenes import Scene


def sums_of(seed: int, *, machine: int = 400, cracks: int = 60) -> MachineSums:
    rng = np.random.default_rng(seed)
    count = machine + cracks
    points = rng.normal(size=(count, POINT)) + np.where(np.arange(count)[:, None] < machine, -1.0, 2.0)
    own = (np.arange(count) < machine).astype(float)
    return MachineSums.of(rng.normal(size=(count, features.COUNT)), points, machine=own, cracks=1 - own)


def arrays(sums: MachineSums) -> list[Any]:
    return [getattr(sums, field.name) for field in fields(sums)]


def assert_same(one: MachineSums, other: MachineSums) -> None:
    for mine, theirs in zip(arrays(one), arrays(other), strict=True):
        assert mine == pytest.approx(theirs, rel=1e-9, abs=1e-6)


@pytest.fixture(scope="module")
def learning(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of a model written by hand that learns machines."""
    path = tmp_path_factory.mktemp("learning") / "learning.json"
    plain = plain_classifier(path)
    model_files.save(path, replace(plain, own_machine=OWN_MACHINE), golden=model_files.golden_of(path), card={})
    return path


@pytest.fixture(scope="module")
def learning_model(learning: Path) -> Model:
    return model_files.load(learning)


# -- sums ------------------------------------------------------------------------------------------------------


def test_roasts_added_and_taken_out_in_any_order_are_the_same() -> None:
    parts = [sums_of(seed) for seed in range(4)]
    whole = parts[0] + parts[1] + parts[2] + parts[3]
    for order in permutations(parts):
        assert_same(order[0] + order[1] + order[2] + order[3], whole)
    assert_same(whole - parts[2] - parts[0], parts[1] + parts[3])
    assert_same(whole - whole, MachineSums.none(POINT))


def test_a_roast_counts_half_after_so_many_others() -> None:
    """Exponential forgetting of equal roasts is a geometric series, (1 - q^n) / (1 - q) with q = 2^(-1/20)."""
    one, q = sums_of(1), 2 ** (-1 / HALF_LIFE)
    for count in (1, 2, 20, 37):
        assert_same(weighed([one] * count), (1 - q**count) / (1 - q) * one)
    later = weighed([one, *[MachineSums.none(POINT)] * int(HALF_LIFE)])
    assert_same(later, 0.5 * one)


def test_a_machine_of_which_nothing_is_known_is_the_average_one() -> None:
    assert taught(OWN_MACHINE, MachineSums.none(POINT)) is OWN_MACHINE
    model = taught(OWN_MACHINE, 1e-9 * sums_of(1))  # nor does it begin with a step
    assert model.correction == pytest.approx(np.zeros(POINT + 1), abs=1e-6)
    for name in ("mean", "sd", "machine_mean", "machine_cov", "crack_means", "crack_cov"):
        assert getattr(model.adaptation, name) == pytest.approx(getattr(AVERAGE, name), abs=1e-6)


def test_what_is_added_is_the_difference_of_two_linear_discriminants_of_scikit_learn() -> None:
    """Fitted to rows: of an average machine as many as it is worth, and this machine's; cracks as far as they weigh.

    A + s tr(A) / d I is (1 + s) times scikit-learn's covariance shrunk by s / (1 + s), so its direction is 1 + s times
    ours; the constant follows from the two means.
    """
    discriminant = pytest.importorskip("sklearn.discriminant_analysis", reason="the reference: crackdetect[test]")
    rng = np.random.default_rng(3)

    def rows(count: int, mean: np.ndarray, cov: np.ndarray) -> np.ndarray:
        """With exactly this mean and covariance."""
        white = rng.normal(size=(count, POINT))
        white = (white - white.mean(axis=0)) @ np.linalg.inv(np.linalg.cholesky(np.cov(white.T, bias=True))).T
        drawn: np.ndarray = white @ np.linalg.cholesky(cov).T + mean
        return drawn

    def line(machine: np.ndarray, crack_mean: np.ndarray) -> np.ndarray:
        cracks = rows(200, crack_mean, AVERAGE.crack_cov)
        fitted = discriminant.LinearDiscriminantAnalysis(solver="lsqr", shrinkage=0.2 / 1.2, priors=[0.6, 0.4])
        fitted.fit(np.vstack([machine, cracks]), np.repeat([0, 1], [len(machine), len(cracks)]))
        direction = fitted.coef_[0] / 1.2
        return np.append(direction, -direction @ (crack_mean + machine.mean(axis=0)) / 2)

    average = rows(round(PRIOR), AVERAGE.machine_mean, AVERAGE.machine_cov)
    own = rng.normal(size=(500, POINT)) @ rng.normal(size=(POINT, POINT)) - 2.0
    crack = rng.normal(size=(40, POINT)) + 3.0
    points = np.vstack([own, crack])
    is_own = (np.arange(540) < 500).astype(float)
    vectors = np.zeros((540, features.COUNT))
    model = taught(OWN_MACHINE, MachineSums.of(vectors, points, machine=is_own, cracks=1 - is_own))

    worth = machine_sums._CRACKS
    mean = (crack.sum(axis=0) + worth * AVERAGE.crack_means[0]) / (len(crack) + worth)
    known, usual = line(np.vstack([average, own]), mean), line(average, AVERAGE.crack_means[0])
    too_sure = np.append(np.zeros(POINT), machine_sums._TOO_SURE * 500 / (500 + PRIOR))
    assert model.correction == pytest.approx(machine_sums._SHARE * (known - usual) - too_sure, rel=1e-6)


# -- what a roast teaches --------------------------------------------------------------------------------------

TIMES = [50.0, 80.0, 97.0, 110.0, 120.0, 130.0, 210.0]
LIKELY = np.array([0.2, 0.05, 0.9, 0.8, 0.05, 0.6, 0.9])


def record(start: Moment, *labels: tuple[float, bool | None]) -> RoastRecord:
    said = tuple(CrackLabel(at, is_crack, "Ada", "2026-03-01T10:00:00.000+00:00") for at, is_crack in labels)
    roast = Roast(7, "x", "2026-03-01", "", moments={"first_crack.start": start, "drop": Moment(marked_s=200.0)})
    return RoastRecord(roast, corrections=Corrections(said))


def test_what_came_well_before_first_crack_is_the_machine_and_what_is_likely_after_it_a_crack_by_a_share() -> None:
    lesson = lesson_of(record(Moment(heard_s=100.0, marked_s=101.0)), TIMES, LIKELY)
    #                       well before: 1 - p   just before   after: likely, unlikely, likely   after the drop
    assert lesson.machine == pytest.approx([0.8, 0.95, 0.0, 0.0, 1.0, 0.0, 0.0])
    assert lesson.cracks == pytest.approx([0.0, 0.0, 0.45, 0.4, 0.025, 0.3, 0.0])
    assert (lesson.whose, lesson.question) == ("marked", "")
    heard = lesson_of(record(Moment(heard_s=101.0)), TIMES, LIKELY)
    assert heard.cracks == pytest.approx(lesson.cracks / 2)  # nobody said that it is right


def test_an_answer_outweighs_every_guess() -> None:
    said = [(50.0, True), (97.004, False), (110.0, None), (130.0, True), (160.0, True)]
    lesson = lesson_of(record(Moment(heard_s=100.0, confirmed=True), *said), TIMES, LIKELY)
    assert lesson.machine[[0, 2, 3, 5]].tolist() == [0, 1, 0, 0]
    assert lesson.cracks[[0, 2, 3, 5]].tolist() == [1, 0, 0, 1]
    assert lesson.answers == {50.0: True, 97.0: False, 130.0: True}
    assert lesson.whose == "confirmed"


def test_a_stray_press_is_asked_about_and_teaches_nothing() -> None:
    slipped = lesson_of(record(Moment(heard_s=100.0, marked_s=20.0)), TIMES, LIKELY)
    assert "marked at 0:20, heard at 1:40" in slipped.question
    assert "review 7" in slipped.question
    assert not slipped.machine.any()
    assert not slipped.cracks.any()
    # many likely cracks about the mark: then the program was late, not the person early
    many = np.arange(15.0, 25.0).tolist()
    assert not lesson_of(record(Moment(heard_s=100.0, marked_s=20.0)), many, np.full(10, 0.7)).question


def test_a_mark_where_nothing_was_announced_is_asked_about_if_the_likely_cracks_lie_elsewhere() -> None:
    """Three likely cracks a minute about 4:00 and the mark at 0:20; a machine that was not heard at all is taught."""
    marked = record(Moment(marked_s=20.0))
    elsewhere, near = [30.0, 240.0, 250.0, 260.0, 270.0, 290.0], [30.0, 31.0, 32.0, 33.0, 34.0, 290.0]
    asked = lesson_of(marked, elsewhere, np.full(6, 0.8))
    assert "marked at 0:20, likely cracks about 4:00, and hardly a crack near the mark" in asked.question
    assert not asked.machine.any()
    assert not lesson_of(marked, near, np.full(6, 0.8)).question
    assert not lesson_of(marked, elsewhere, np.full(6, 0.1)).question
    assert not lesson_of(marked, [], np.zeros(0)).question


def test_a_press_that_was_taken_back_is_not_learnt(tmp_path: Path) -> None:
    """Undone or "not yet": the log holds no mark, so there is nothing to learn, and it is asked when it began."""
    start = Event("roast.start", 0.0, 0.0, None, 0, "x", {"settings": {}})
    pressed = Event("mark", 20.0, 20.0, None, 1, "x", {"what": "first_crack.start"})
    undone = Event("mark", 20.0, 25.0, None, 2, "x", {"what": "first_crack.not_yet", "undo": True})
    with RoastLog(tmp_path / "log.db") as log:
        log.keep([start, pressed, undone])
        kept = log.record(log.find("last"))
    assert kept.roast.moment("first_crack.start").marked_s is None
    assert "has no first crack: give it by 'crackdetect review 1'" in lesson_of(kept, TIMES, LIKELY).question


# -- what would help most next ---------------------------------------------------------------------------------


def test_what_helps_most_next() -> None:
    """A slip before all, then first crack where there is none, two roasts that can judge, answers, a further roast."""
    marked, heard = {"first_crack.start": Moment(marked_s=9.0)}, {"first_crack.start": Moment(heard_s=9.0)}
    slip = {"first_crack.start": Moment(heard_s=99.0, marked_s=9.0)}
    answered = Corrections((CrackLabel(1.0, True, "", ""),))

    def said(*moments: dict[str, Moment], answers: Sequence[int] = (), cracks: int = 9) -> str:
        own = [Roast(n, "", "", "", moments=one, crack_count=cracks) for n, one in enumerate(moments, start=1)]
        corrections = {one.number: answered if one.number in answers else Corrections() for one in own}
        return advice("drum", own[::-1], corrections)

    record_one = 'the next roast, recorded: crackdetect listen --record --machine "drum"'
    begun = "say when first crack began in roast 1: crackdetect review 1"
    assert said() == said(marked) == record_one
    assert said(marked, heard) == "say when first crack began in roast 2: crackdetect review 2"
    assert said(heard, marked) == begun
    assert said(slip, marked) == "say when first crack truly began in roast 1: crackdetect review 1"
    assert said(heard, marked, marked) == "two minutes of answers: crackdetect review 3"
    assert said(heard, marked, marked, answers=[3]) == "two minutes of answers: crackdetect review 2"
    assert said(heard, marked, marked, answers=[1, 2, 3]) == begun
    assert said(marked, {}, marked) == "say when first crack began in roast 2: crackdetect review 2"
    assert said({}, heard) == begun
    assert said(marked, marked, {"first_crack.start": Moment(corrected=True)}, answers=[1, 2, 3]) == record_one
    assert said(marked, marked, answers=[1, 2]) == record_one
    assert said(marked, marked, cracks=0) == record_one  # nothing to listen to
    assert advice("", [], {}) == "the next roast, recorded: crackdetect listen --record"


# -- where first crack was not heard ----------------------------------------------------------------------------


def test_without_first_crack_nothing_is_taught_and_the_sentence_says_how_to_give_it() -> None:
    lesson = lesson_of(record(Moment()), TIMES, LIKELY)
    assert lesson.question == "roast 7 has no first crack: give it by 'crackdetect review 7'"
    assert not lesson.machine.any()
    assert not lesson.cracks.any()
    assert not len(lesson_of(record(Moment(heard_s=3.0)), [], np.zeros(0)).machine)


BASE = Told(roasts=4, announced=3, false=0, late_s=20.0, pops_per_minute=1.0, asked=20, right=12)


def test_where_the_person_says_that_it_did_not_happen_all_is_the_machines_own() -> None:
    denied = Moment(heard_s=100.0, corrected=True)
    lesson = lesson_of(record(denied, (110.0, True)), TIMES, LIKELY)
    assert lesson.machine.tolist() == [1, 1, 1, 0, 1, 1, 1]
    assert lesson.cracks.tolist() == [0, 0, 0, 1, 0, 0, 0]
    assert (lesson.said, lesson.question, lesson.start_s) == (True, "", None)


# -- the judge -------------------------------------------------------------------------------------------------


def judged(start_s: float | None, begun: dict[int, float], *, said: bool = True, seconds: int = 300) -> Any:
    """A roast that teaches, and the answers: begun: seconds from which first crack is that likely, nats."""
    heard = HeardAgain(
        tuple(asked(at) for at in (30.0, 60.0, 200.0)), (AskedTick(0, 0, 0.25, -9.0, True),) * seconds * 4
    )
    answers = {60.0: False, 200.0: True}
    lesson = Lesson(np.ones(3), np.zeros(3), start_s, "marked" if said else "heard", answers, said)
    course = np.full(seconds * 4, -9.0)
    for second, nats in begun.items():
        course[second * 4 - 1 :] = nats
    told = Answers(np.array([1.0, -1.0, 3.0]), course)
    return TeachingRoast(heard, told, lesson, sums_of(round(start_s or 0))), told


def asked(time: float) -> AskedCandidate:
    sound = Sound(np.zeros(features.COUNT, np.float32), np.zeros(POINT - 1, np.float32))
    return AskedCandidate(time, 1.0, 0.0, 1.0, sound, 0.5)


def test_sounds_are_counted_in_first_crack_to_its_end_and_after_it_to_the_drop() -> None:
    """By hand: first crack from 50 to 100 s, drop at 150 of 300 s; without its end it lasts to the drop."""
    heard = replace(judged(None, {})[0].heard, ticks=(AskedTick(3, 1199, 0.25, -9.0, True),))
    untaught = Answers(np.array([3.0, 3.0, 3.0]), np.zeros(1200))
    moments = {
        "first_crack.start": Moment(marked_s=50.0),
        "first_crack.end": Moment(heard_s=100.0),
        "drop": Moment(marked_s=150.0),
        "cooled": Moment(marked_s=290.0),
    }
    for leave, seconds in (("cooled", [50, 50, 50]), ("first_crack.end", [50, 100, 0])):
        kept = {name: moment for name, moment in moments.items() if name != leave}
        roast = Roast(1, "one", "2026-01-01", "2026-01-01T00:00:00+00:00", moments=kept)
        sound = TeachingRoast.of(RoastRecord(roast), heard, untaught).sound
        assert (sound.seconds.tolist(), sound.likely.tolist()) == (seconds, [1, 1, 0])


def test_what_is_told_of_roasts_by_hand() -> None:
    """20 s late, a little early, missed, false; one that nobody judged; one that was announced and did not happen."""
    cases = [
        judged(100.0, {120: 9.0}),
        judged(100.0, {95: 9.0}),
        judged(100.0, {120: 7.9}),
        judged(100.0, {15: 9.0, 18: -9.0, 60: 9.0}),
        judged(100.0, {110: 9.0}, said=False),
        judged(None, {250: 9.0}),
    ]
    told = comparison.told_of([roast for roast, _ in cases], [answers for _, answers in cases])
    assert (told.roasts, told.announced, told.false) == (4, 2, 2)
    assert told.late_s == pytest.approx((20 + 0) / 2)
    # of 30, 60 and 200 s the first is likely; before 90 s, in four roasts, and one of 300 s with the last one too
    assert told.pops_per_minute == pytest.approx((4 * 1 + 2) / (4 * 1.5 + 5.0))
    assert (told.asked, told.right, told.cracks, told.missed, told.wrong) == (12, 12, 6, 0, 0)
    deaf = Answers(np.array([1.0, 1.0, -3.0]), cases[0][1].begun)
    told = comparison.told_of([cases[0][0]], [deaf])
    assert (told.asked, told.right, told.cracks, told.missed, told.wrong) == (2, 0, 1, 1, 1)


def test_each_roast_is_judged_by_the_others_only(monkeypatch: pytest.MonkeyPatch) -> None:
    roasts = [judged(start, {})[0] for start in (10.0, 20.0, 30.0)]
    met: list[MachineSums] = []
    monkeypatch.setattr(comparison, "taught", lambda model, sums: met.append(sums))
    monkeypatch.setattr(comparison, "answers_of", lambda heard, model: judged(1.0, {})[1])
    comparison.compared(roasts, OWN_MACHINE)
    for place, sums in enumerate(met):
        assert_same(sums, weighed([one.sums for number, one in enumerate(roasts) if number != place]))


@pytest.mark.parametrize(
    ("change", "better"),
    [
        ({}, False),  # the same
        ({"late_s": 15.0}, True),
        ({"late_s": 19.5}, False),  # within what is known of a start
        ({"right": 15}, True),
        ({"announced": 4, "late_s": 26.0}, True),  # the one that was missed is a late one
        ({"late_s": 10.0, "false": 1}, False),
        ({"late_s": 10.0, "announced": 2}, False),
        ({"right": 11, "late_s": 10.0}, False),
        ({"late_s": 24.0, "right": 20}, False),
    ],
)
def test_only_what_is_better_and_nowhere_worse_is_adopted(change: dict[str, Any], better: bool) -> None:
    assert replace(BASE, **change).better_than(BASE) is better


# -- kept, shared, refused -------------------------------------------------------------------------------------


def profile_of(model: Model, machine: str = "blue drum") -> MachineProfile:
    labels = RoastLabels(510.25, "marked", ((500.5, False), (511.0, True))), RoastLabels(None, "corrected", ())
    return MachineProfile(machine, model.digest, ("monday", "tuesday"), sums_of(1) + sums_of(2), labels=labels)


@pytest.mark.parametrize("machine", ["blue drum", "", "Röster Nr. 2 / Küche", "../../x", "a" * 400])
def test_what_is_known_is_kept_found_and_taken_back(tmp_path: Path, learning_model: Model, machine: str) -> None:
    first = machine_profiles.adopt(profile_of(learning_model, machine), data=tmp_path)
    found = machine_profiles.find(machine.upper(), data=tmp_path)
    assert found is not None
    assert found.says_the_same_as(first)
    assert found.digest == first.digest != ""
    assert [path.parent for path in tmp_path.rglob("*.json")] == [tmp_path / "machines"]
    second = machine_profiles.adopt(replace(first, roasts=("monday",), labels=first.labels[:1]), data=tmp_path)
    assert [one.digest for one in machine_profiles.known(data=tmp_path)] == [second.digest]
    assert found.labels == first.labels != ()
    before = machine_profiles.undo(machine, data=tmp_path)
    assert before is not None
    assert before.digest == first.digest
    assert machine_profiles.undo(machine, data=tmp_path) is None
    assert machine_profiles.find(machine, data=tmp_path) is None
    with pytest.raises(InputError, match="nothing is known of"):
        machine_profiles.undo(machine, data=tmp_path)


def test_what_only_adds_how_it_sounds_leaves_what_was_before(tmp_path: Path, learning_model: Model) -> None:
    """A file of version 1, which has no sums of sound, taught again by the same roasts."""
    first = machine_profiles.adopt(replace(profile_of(learning_model), roasts=("monday",), labels=()), data=tmp_path)
    second = machine_profiles.adopt(profile_of(learning_model), data=tmp_path)
    path = machine_profiles.place_of(second.machine, data=tmp_path)
    content = json.loads(path.read_text())
    old = {key: value for key, value in content.items() if key not in ("sound", "labels", "digest")}
    old["format_version"] = 1
    path.write_text(json.dumps(old | {"digest": model_files.digest_of(old)}))
    loud = replace(second.sound, cracks=np.array([10.0, 140.0, 1970.0]))
    machine_profiles.adopt(replace(second, sound=loud), data=tmp_path)
    found = machine_profiles.find(second.machine, data=tmp_path)
    assert found is not None
    assert found.sound.is_near(loud)
    before = machine_profiles.undo(second.machine, data=tmp_path)
    assert before is not None
    assert before.digest == first.digest


def test_a_changed_byte_is_refused_in_one_sentence(tmp_path: Path, learning_model: Model) -> None:
    path = tmp_path / "drum.json"
    machine_profiles.write(profile_of(learning_model), path, replace=False)
    whole, rng = path.read_bytes(), np.random.default_rng(0)
    for place in rng.choice(len(whole) - 1, 150, replace=False):
        changed = bytearray(whole)
        changed[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(changed)
        with pytest.raises(ModelError) as caught:
            machine_profiles.read(path)
        assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    "change",
    [
        {"counted": {"machine": -1.0, "cracks": 3.0}},
        {"counted": {"machine": 1e300, "cracks": 3.0}},
        {"machine": "blue\x1b[2Jdrum"},
        {"machine": 7},
        {"roasts": ["x"] * 20_000},
        {"sums": {}},
        {"labels": [{"start_s": 1.0, "whose": "marked", "answers": []}]},  # of one roast where there are two
        {"labels": {"start_s": 1.0}},
        *(
            {"labels": [{"start_s": 1.0, "whose": "marked", "answers": []} | change] * 2}
            for change in (
                {"start_s": -90_000.0},
                {"start_s": 1e300},
                {"start_s": True},
                {"start_s": "soon"},
                {"whose": "the cat's"},
                {"answers": [[1.0, 1]]},
                {"answers": [[1.0, True, 3]]},
                {"answers": [True]},
                {"answers": [[float("nan"), True]]},
            )
        ),
    ],
)
def test_a_file_whose_digest_fits_and_whose_numbers_do_not_is_refused(
    tmp_path: Path, learning_model: Model, change: dict[str, Any]
) -> None:
    from crackdetect.model import digest_of

    path = tmp_path / "drum.json"
    machine_profiles.write(profile_of(learning_model), path, replace=False)
    content = json.loads(path.read_text()) | change
    path.write_text(json.dumps(content | {"digest": digest_of(content)}))
    with pytest.raises(ModelError, match="is damaged; teach the machine again"):
        machine_profiles.read(path)


def test_what_cannot_be_used_is_told_and_the_machine_heard_as_shipped(tmp_path: Path, learning_model: Model) -> None:
    notes: list[str] = []

    def heard_with(machine: str | None) -> Model:
        return machine_profiles.knowing(learning_model, machine, data=tmp_path, note=notes.append)

    assert heard_with("blue drum") is learning_model
    machine_profiles.adopt(profile_of(learning_model), data=tmp_path)
    known = heard_with("blue drum")
    assert known.digest.startswith(learning_model.digest + "+")
    assert known.own_machine is not None
    assert known.own_machine.correction is not None
    assert heard_with(None) is learning_model
    assert not notes
    machine_profiles.adopt(replace(profile_of(learning_model), model="another"), data=tmp_path)
    assert heard_with("blue drum") is learning_model
    narrow = replace(sums_of(1), points=np.zeros(2), crack_points=np.zeros(2), products=np.eye(2))
    machine_profiles.adopt(replace(profile_of(learning_model), sums=narrow), data=tmp_path)
    assert heard_with("blue drum") is learning_model
    machine_profiles.place_of("blue drum", data=tmp_path).write_text("{}")
    assert heard_with("blue drum") is learning_model
    assert [note.endswith(". It is heard as shipped") for note in notes] == [True] * 3
    assert "was learnt with another model; teach it again" in notes[0]


# -- the command -----------------------------------------------------------------------------------------------


@pytest.fixture
def two_roasts(run: Run, learning: Path, home: Path) -> Path:
    """Two recorded roasts on the blue drum, first crack from 30 s on, corrected to that in the log; the data folder."""
    data = paths.data_folder()
    for seed in (4, 5):
        path = data / "recordings" / f"roast-{seed}.flac"
        path.parent.mkdir(parents=True, exist_ok=True)
        times = [5.0, 14.0, *poisson_times(90, 30, 75, seed=seed)]
        soundfile.write(path, clicks_in_noise(times, samplerate=RATE, duration_s=75, frequency_hz=3_000), RATE)
        assert run("analyze", path, "--save", "--machine", "blue drum", "--model", learning).code == 0
        with RoastLog() as log:
            log.edit(log.find("last"), moments={"first_crack.start": 30.0})
    return data


def test_two_roasts_are_compared_and_what_is_not_better_changes_nothing(
    run: Run, learning: Path, two_roasts: Path
) -> None:
    done = run("teach", "Blue Drum", "--model", learning)
    assert done.code == 0
    assert "first crack announced" in done.out
    assert "2 of 2" in done.out
    assert "It is not better on your own roasts, so nothing has changed." in done.out
    assert machine_profiles.known(data=two_roasts) == []


def test_what_was_adopted_is_heard_by_said_shared_and_taken_back(
    run: Run, learning: Path, learning_model: Model, two_roasts: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Told, "better_than", lambda self, other: True)
    done = run("teach", "--model", learning, "--jobs", 1)  # the only machine of the log
    assert (done.code, done.errors) == (0, [])
    assert "'crackdetect listen --machine \"blue drum\"' uses it from now on" in done.out
    assert "That is known already" in run("teach", "--model", learning, "--jobs", 1).out
    (profile,) = machine_profiles.known(data=two_roasts)
    assert profile.roasts == ("roast-4", "roast-5")
    assert profile.sums.cracks > 10
    assert profile.sound.cracks[0] > 10
    assert profile.sound.levels[0].max() > 1.9
    assert "cracks that were heard here are usually" in done.out

    recording = two_roasts / "recordings" / "roast-4.flac"
    heard = run("analyze", recording, "--machine", "blue drum", "--model", learning, "--save").events
    assert heard[0]["model"]["hash"] == f"{learning_model.digest}+{profile.digest}"
    assert f"taught {profile.digest[:8]}" in run("log", "show", "1", "--format", "text").out
    for more in (["--untaught", "--machine", "blue drum"], ["--machine", "red drum"], []):
        assert run("analyze", recording, "--model", learning, *more).events[0]["model"]["hash"] == learning_model.digest

    shared = tmp_path / "drum.json"
    assert run("teach", "blue drum", "--export", shared).code == 0
    assert run("teach", "blue drum", "--export", shared).code == 2
    told = run("teach", "blue drum", "--export", tmp_path / "drum.zip", "--with-sound")
    assert told.code == 0
    assert "2 recordings, " in told.err
    assert "of your kitchen, with all that was said in it, go into the file" in told.err
    assert "the sound of 2 roasts and no name of a roast" in told.out
    with RoastLog() as log:
        log.edit(log.find("2"), values={"machine": "red drum"})
    told = run("teach", "blue drum", "--export", tmp_path / "drum.zip", "--with-sound", "--replace")
    assert "the sound of 1 roast and" in told.out
    with RoastLog() as log:
        log.edit(log.find("2"), values={"machine": "Blue Drum"})
    recording.with_name("roast-5.flac").write_bytes(b"another")
    told = run("teach", "blue drum", "--export", tmp_path / "drum.zip", "--with-sound", "--replace")
    assert "has changed since" in told.err
    assert "the sound of 1 roast and" in told.out
    assert run("teach", "blue drum", "--undo").out.endswith("it is heard as shipped.\n")
    assert run("teach", "blue drum", "--undo").code == 3
    taken = run("teach", "mine", "--import", shared, "--model", learning)
    assert taken.code == 0
    assert "2 roasts" in taken.out
    kept = machine_profiles.find("mine", data=two_roasts)
    assert kept is not None
    assert not kept.sound.levels.any()  # of another microphone
    assert kept.sound.cracks == pytest.approx(profile.sound.cracks)
    assert machine_profiles.read(shared).sound.levels == pytest.approx(profile.sound.levels)
    with RoastLog() as log, log.writing() as db:
        db.execute("UPDATE roasts SET identity = '1' WHERE number = 1")  # no roast of theirs is meant
    assert "no recording of the roasts that taught" in run("teach", "mine", "--export", "x", "--with-sound").err
    assert "labels: first crack as a person has it in 2 of 2 roasts, 0 sounds answered, 0 of them cracks" in taken.out
    assert f"made with the model that hears here, {learning_model.name} {learning_model.digest[:8]}" in taken.out
    assert "roast-4" not in shared.read_text()
    with_sound = run("teach", "sounding", "--import", tmp_path / "drum.zip", "--model", learning)
    assert with_sound.code == 0
    assert "1 recording, " in with_sound.out
    assert "which stay in the file" in with_sound.out
    assert run("teach", "sounding", "--undo").code == 0
    foreign = run("teach", "theirs", "--import", shared)  # by the shipped model
    assert (foreign.code, len(foreign.errors)) == (5, 1)
    assert "labels: first crack as a person has it" in foreign.out
    assert "was made with another model than" in foreign.errors[0]
    assert [one.machine for one in machine_profiles.known(data=two_roasts)] == ["mine"]
    assert "mine" in run("teach").out


def test_what_nobody_has_said_judges_nothing(run: Run, learning: Path, two_roasts: Path) -> None:
    with RoastLog() as log:
        for number in ("1", "2"):
            log.edit(log.find(number), restore=["first_crack.start"])
    done = run("teach", "--model", learning, "--jobs", 1)
    assert done.code == 0
    assert '2 roasts of "blue drum" can teach, 0 with a first crack that you marked' in done.out
    assert machine_profiles.known(data=two_roasts) == []


def test_one_roast_cannot_tell(run: Run, learning: Path, two_roasts: Path) -> None:
    with RoastLog() as log:
        log.edit(log.find("2"), values={"machine": "red drum"})
    done = run("teach", "red drum", "--model", learning, "--jobs", 1)
    assert done.code == 0
    assert '1 roast of "red drum" can teach, 1 with a first crack that you marked, confirmed or corrected' in done.out
    listed = run("teach")
    assert listed.code == 0
    assert '"blue drum": 1 roast, not taught' in listed.out
    with RoastLog() as log:
        log.edit(log.find("2"), values={"machine": "BLUE Drum"})
    assert "2 of 2" in run("teach", "--model", learning, "--jobs", 1).out  # one machine, however it is spelt


def test_what_cannot_be_heard_again_is_no_roast_to_work_on(run: Run, learning: Path, two_roasts: Path) -> None:
    listed = run("teach", "--model", learning, "--jobs", 1)  # the only machine: it is taught
    assert "What helps most next: two minutes of answers: crackdetect review 2" in listed.out
    with RoastLog() as log:
        log.edit(log.find("1"), values={"machine": "red drum"})
    assert "    1 recorded, first crack said in 1 of them, 0 sounds answered\n" in run("teach").out
    for path in two_roasts.rglob("*.flac"):
        path.unlink()
    assert "    0 recorded, first crack said in 0 of them, 0 sounds answered\n" in run("teach").out
    assert '    next: the next roast, recorded: crackdetect listen --record --machine "red drum"\n' in run("teach").out


def test_what_is_wrong_is_one_sentence(run: Run, tmp_path: Path, two_roasts: Path) -> None:
    other = tmp_path / "other.json"
    other.write_text("[]")
    for arguments, code, sentence in (
        (["blue drumm"], 2, "did you mean 'blue drum'?"),
        (["--undo", "--export", "x"], 2, "exclude each other"),
        (["--with-sound"], 2, "--with-sound is a wish for --export"),
        (["--undo"], 3, "nothing is known of"),
        (["blue drum", "--export", tmp_path / "x"], 3, "nothing is known of"),
        (["--import", other], 5, "is not what is known of a machine"),
    ):
        done = run("teach", *arguments)
        assert (done.code, len(done.errors)) == (code, 1), arguments
        assert sentence in done.errors[0]


# -- is it worth it --------------------------------------------------------------------------------------------


@pytest.mark.long
def test_two_roasts_in_which_first_crack_was_marked_teach_the_third(model: Model) -> None:
    """Against the exact truth of rendered roasts, on machines of the wide family that were not looked at: the mean log
    loss of all candidates of the third roast, where the truth is known of each."""
    before, after = [], []
    for machine in (1, 2, 3):
        scenes = [_on(machine, number, model) for number in range(3)]
        own = model.own_machine
        assert own is not None
        sums = []
        for scene in scenes[:2]:
            start = scene.truth.first_crack_start_s
            lesson = lesson_of(record(Moment(marked_s=start)), scene.times.tolist(), _probabilities(scene, own))
            points, vectors = scene.points(), scene.vectors.astype(np.float64)
            sums.append(MachineSums.of(vectors, points, machine=lesson.machine, cracks=lesson.cracks))
        third = scenes[2]
        before.append(_log_loss(third, own))
        after.append(_log_loss(third, taught(own, weighed(sums))))
    print(before, after)
    assert np.mean(after) < np.mean(before)


def _on(machine: int, number: int, model: Model) -> MachineScene:
    plan = plan_roast(
        seed=10 * machine + number,
        scenario="roast",
        samplerate=32_000,
        duration_s=180.0,
        family="wide",
        machine_seed=machine,
    )
    return hear(Scene(plan, "roast", False), None, "evaluate", model)


def _probabilities(scene: MachineScene, own: OwnMachineModel) -> np.ndarray:
    odds = [answer for answer in replayed(scene, OwnMachine(own)) if answer is not None]
    return 1 / (1 + np.exp(-np.array(odds)))


def _log_loss(scene: MachineScene, own: OwnMachineModel) -> float:
    labels, p = scene.labels(), _probabilities(scene, own)
    known = labels != IGNORED
    return float(-np.mean(np.log(np.where(labels > OTHER, p, 1 - p)[known])))
