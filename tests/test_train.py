"""Training: what is heard, and that the context classifier can be asked again without hearing again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from clicks import clicks_in_noise, poisson_times

from crackdetect.cli.train import command
from crackdetect.deciding.context import ContextClassifier, ContextScore, HeardCandidate
from crackdetect.deciding.score_model import SCORE_BINS, SCORE_EDGES
from crackdetect.hearing import features
from crackdetect.hearing.classifier import ClassifierModel, CrackScore
from crackdetect.model import Model
from crackdetect.synth.plan import plan_roast
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.truth import UNSURE, Truth, TruthEvent
from crackdetect.train import context, fit, score_model
from crackdetect.train.bandpass_peaks import bandpass_peaks
from crackdetect.train.labelled_rows import FIRST, IGNORED, OTHER, SECOND, Rows, label
from crackdetect.train.scenes import _handling, heard_in, rendered, scenes, whole_scenes
from crackdetect.train.sounds import SAMPLERATE, bank, session_of, side_of


@pytest.fixture(scope="module")
def popping() -> SoundBank:
    """Twenty seconds of pops, a hundred a minute."""
    sound = clicks_in_noise(poisson_times(100, 1, 19, seed=3), samplerate=SAMPLERATE, duration_s=20.0)
    return SoundBank(popcorn=(sound,), samplerate=SAMPLERATE)


# -- what is heard -----------------------------------------------------------------------------------------------


def test_the_same_seed_makes_the_same_scenes(popping: SoundBank) -> None:
    first = list(scenes("train", count=24, seed=5, bank=popping))
    assert first == list(scenes("train", count=24, seed=5, bank=popping))
    assert len(first) == heard_in(24) == 24 + 8 + 2 + 4 + 4
    assert not {scene.plan.seed for scene in first} & {
        s.plan.seed for s in scenes("train", count=24, seed=6, bank=None)
    }


def test_cracks_are_taught_from_faint_to_plain(popping: SoundBank) -> None:
    plans = [scene.plan for scene in scenes("train", count=90, seed=5, bank=popping) if scene.scenario == "chorus"]
    assert min(plan.snr_low_db for plan in plans) < 9
    assert max(plan.snr_high_db for plan in plans) > 38


def test_whole_popcorn_teaches_the_classifier_alone(popping: SoundBank) -> None:
    """Calibration and the context classifier are of the side that the benchmark is made of."""
    assert any(scene.popcorn is not None for scene in scenes("train", count=90, seed=5, bank=popping))
    assert all(scene.popcorn is None for scene in scenes("calibrate", count=90, seed=5, bank=popping))
    assert all(scene.popcorn is None for scene in whole_scenes(count=30, seed=5, bank=popping))


def test_a_popcorn_scene_is_heard_where_its_truth_says(popping: SoundBank) -> None:
    scene = next(s for s in scenes("train", count=90, seed=5, bank=popping) if s.popcorn is not None and s.snr_db > 30)
    blocks, truth = rendered(scene, popping)
    samples = np.concatenate(list(blocks))
    assert len(samples) == round(truth.duration_s * truth.samplerate)
    heard = bandpass_peaks(samples, truth.samplerate, threshold_db=12.0).time_s
    pops = [event.time_s for event in truth.events if event.kind == "first"]
    assert len(pops) >= 8
    assert all(np.abs(heard - time).min() < 0.01 for time in pops)


def test_what_may_be_a_crack_or_not_teaches_nothing() -> None:
    events = (TruthEvent(1.0, "first", 20.0, ""), TruthEvent(2.0, UNSURE, float("-inf"), ""))
    truth = Truth(44_100, 4.0, None, None, None, None, None, 0.0, events)
    labels, _, _ = label(np.array([1.001, 2.01, 3.0]), truth)
    assert labels.tolist() == [FIRST, IGNORED, OTHER]


def test_a_candidate_before_a_crack_is_not_that_crack() -> None:
    """Reflections of a hard room come up to 20 ms later; 9 ms before it there is nothing of a crack but its rise."""
    truth = Truth(
        44_100,
        9.0,
        None,
        None,
        None,
        None,
        None,
        0.0,
        tuple(TruthEvent(time, "first", 20.0, "") for time in (1.0, 2.0, 3.0, 4.0)),
    )
    labels, snr_db, missed = label(np.array([0.991, 1.994, 3.019, 4.03]), truth)
    assert labels.tolist() == [IGNORED, FIRST, FIRST, IGNORED]
    assert np.isfinite(snr_db).tolist() == [False, True, True, False]
    assert missed.tolist() == [20.0, 20.0]


def test_takes_of_one_session_are_on_one_side() -> None:
    pairs = [("-B", "-D"), ("_1", "_2b"), ("3", "12"), (" 3", " 4"), ("_take 1", "-2"), ("_001", " (2)")]
    pairs += [("_radiator_long-1", "_Radiator_2a"), ("_door_hit", "_door_3"), ("_DoorSlam2", "_door_slam_1")]
    for one, other in pairs:
        for name in (f"thing {number:06d} made" for number in range(50)):
            first, second = (Path("clink") / f"{name}{end}.flac" for end in (one, other))
            assert session_of(first) == session_of(second)
            assert side_of(first) == side_of(second)
    for one, other in (
        ("kbsim_cream_press_ENTER", "kbsim_cream_release_SPACE"),
        ("LJ001-0002", "LJ050-0032"),
        ("snu_021001", "snu_021015"),
        ("berklee_femalevoice_aa_A4", "berklee_femalevoices_oo_C5"),
        ("sense_and_sensibility_01_a", "sense_and_sensibility_07_b"),
    ):
        assert session_of(Path(one)) == session_of(Path(other))
    for one, other in (
        ("kbsim_cream_press_ENTER", "kbsim_mxblue_press_ENTER"),
        ("2025-01-31_14-22-05", "2025-01-31_14-22-06"),
        ("pan_pot", "pan_pot_lid"),
    ):
        assert session_of(Path(one)) != session_of(Path(other))
    # long numbers are no takes, and neither is a number that is the whole name
    alone = [side_of(Path("clink") / f"{number}.wav") for number in range(100)]
    assert {alone.count(side) for side in ("validate", "calibrate", "train")}.isdisjoint({0, 100})
    sides = [side_of(Path("clink") / f"a{number:06d}.flac") for number in range(2_000)]
    shares = [sides.count(side) / len(sides) for side in ("validate", "calibrate", "train")]
    assert shares == pytest.approx([0.125, 0.2, 0.675], abs=0.03)


def test_hands_take_a_few_sounds_or_a_keyboard_or_many() -> None:
    key, word = np.ones(4_000, np.float32), np.ones(40_000, np.float32)
    bank = SoundBank(distractors=(key,) * 6 + (word,) * 30, sessions=((0, 1, 2, 3, 4, 5),))
    few = keyboard = many = 0
    for seed in range(60):
        struck = {sound.kind for sound in _handling(np.random.default_rng(seed), bank, 300.0)}
        few += len(struck) <= 4
        keyboard += struck == {f"real {key}" for key in range(6)}
        many += len(struck) > 6
    assert few + keyboard + many > 50
    assert min(few, keyboard, many) >= 5


def test_only_one_side_of_the_sounds_is_lent(tmp_path: Path, popping: SoundBank) -> None:
    (tmp_path / "popcorn").mkdir()
    soundfile.write(tmp_path / "popcorn" / "Popcorn200v2.flac", popping.popcorn[0], SAMPLERATE)
    assert bank(tmp_path, "train").popcorn == ()
    assert len(bank(tmp_path, "validate").popcorn) == 1


# -- how scores are distributed ----------------------------------------------------------------------------------


def test_a_burst_is_what_its_seconds_have_above_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a minute with a poor candidate every second, in five of which five more come, two of them under 0 as well:
    poured beans and typing are full of those, and a filter that is not told takes them for the cracks' own."""

    class Plain:
        def __init__(self, model: ClassifierModel) -> None: ...

        def push(self, vectors: np.ndarray) -> list[CrackScore]:
            return [CrackScore(0.0, 0.0, float(vector[0]), 0.0) for vector in vectors]

    monkeypatch.setattr(score_model, "Classifier", Plain)
    found = [(second + 0.5, -1.5) for second in range(30)]
    found += [
        (second + 0.1 * i, score) for second in range(20, 25) for i, score in enumerate((-0.5, -0.5, 1.0, 2.5, 2.5))
    ]
    times, scores = np.array(found).T
    rows = Rows(
        vectors=scores[:, None].astype(np.float32),
        labels=np.full(len(scores), OTHER, np.int8),
        times=times,
        snr_db=np.full(len(scores), np.nan),
        missed_snr_db=np.zeros(0),
        duration_s=30.0,
        scenario="kitchen",
    )
    shares = score_model.fit_score_model(None, [rows]).burst  # type: ignore[arg-type]
    expected = np.full(SCORE_BINS, 0.004)
    expected[np.searchsorted(SCORE_EDGES, [-0.5, 1.0, 2.5])] = 0.4, 0.2, 0.4
    assert shares == pytest.approx(expected / expected.sum(), abs=1e-5)


def test_the_networks_of_a_classifier_differ(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three of one seed would be a single one at three times its cost."""
    pytest.importorskip("sklearn")
    monkeypatch.setattr(fit, "HIDDEN", (8, 4))
    rng = np.random.default_rng(3)
    labels = np.repeat([OTHER, FIRST, SECOND], 200).astype(np.int8)
    vectors = rng.normal(labels[:, None], 1, (600, features.COUNT)).astype(np.float32)
    nothing = np.zeros(0)
    rows = Rows(vectors, labels, np.zeros(600), np.full(600, 20.0), nothing, 600.0, "roast")
    first = fit.fit_classifier([rows], [rows], seed=1, jobs=1).network.weights[0]
    assert len({member.tobytes() for member in first}) == fit.MEMBERS == 3


@pytest.mark.long
def test_what_follows_a_kept_classifier_is_taught_as_if_it_had_just_been_fitted(tmp_path: Path) -> None:
    """Everything but the card is the same, to the last digit."""
    pytest.importorskip("sklearn")
    runner = CliRunner()
    whole, again = tmp_path / "whole.json", tmp_path / "again.json"
    for out, more in ((whole, []), (again, ["--classifier", str(whole)])):
        done = runner.invoke(command, ["--out", str(out), "--seed", "3", "--scenes", "16", *more])
        assert done.exit_code == 0, done.output
    first, second = (json.loads(path.read_text(encoding="ascii")) for path in (whole, again))
    assert second["card"].pop("classifier")["model"] == first["digest"]
    assert second["card"].pop("reproduced_by") == first["card"].pop("reproduced_by") + " --classifier FILE"
    del first["digest"], second["digest"]
    assert second == first


# -- the context classifier ------------------------------------------------------------------------------------


def test_candidates_asked_again_get_the_answers_of_the_path(model: Model, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same questions give the same answers, bit for bit, though the second time no sound is heard."""
    answers: list[tuple[float, float]] = []
    push = ContextClassifier.push

    def noted(self: ContextClassifier, candidates: Sequence[HeardCandidate], *, log_odds: float) -> list[ContextScore]:
        scores = push(self, candidates, log_odds=log_odds)
        answers.extend((score.probability, score.weight) for score in scores)
        return scores

    monkeypatch.setattr(ContextClassifier, "push", noted)
    scene = next(whole_scenes(count=1, seed=5, bank=None))
    heard = context.hear(scene, None, "calibrate", model)
    in_the_path = answers.copy()
    answers.clear()
    cases = context.rows_of(heard, model)

    assert answers == in_the_path
    assert 0 < len(cases.vectors) <= len(answers)
    assert cases.cracks.any()


def _chorus(per_minute: float) -> Truth:
    """Two hundred seconds in which first crack goes on from 20 to 180 s, at random."""
    plan = plan_roast(
        seed=1,
        scenario="chorus",
        duration_s=200.0,
        overrides={"first_start_s": 10.0, "ramp_s": 10.0, "first_hold_s": 160.0, "peak_per_minute": per_minute},
    )
    events = tuple(TruthEvent(t, "first", 20.0, "") for t in poisson_times(per_minute, 20, 180, seed=7))
    return Truth(44_100, 200.0, None, 10.0, None, None, None, per_minute, events, plan.to_dict())


@pytest.mark.parametrize("said", [1.0, 0.6, 1.4])
def test_what_the_probabilities_count_is_held_against_the_truth(said: float) -> None:
    """Each crack said with 0.9 in one scene and ``said`` times as much in the other; a hold-off of nothing merges none.

    Of two equal scenes the mean is theirs and half their distance the deviation.
    """
    truth = _chorus(60)
    times = np.array([event.time_s for event in truth.events])
    none = np.zeros((len(times), 0))
    all_true = np.ones(len(times), bool)
    scenes_met = [context.ContextRows(none, all_true, times, np.full(len(times), p), truth) for p in (0.9, 0.9 * said)]
    ratio, cv = context.counted(scenes_met, hold_off_s=0.0)
    assert ratio == pytest.approx(0.9 * (1 + said) / 2, abs=1e-3)
    assert cv == pytest.approx(abs(1 - said) / (1 + said), abs=0.01)


def test_cracks_that_merge_are_not_counted_as_missed() -> None:
    truth = _chorus(120)
    times = np.array([event.time_s for event in truth.events])
    merged = times[np.diff(times, prepend=-1.0) > 0.02]  # roughly what a hold-off of 10 ms on both sides leaves
    ones = np.ones(len(merged))
    scene = context.ContextRows(np.zeros((len(merged), 0)), ones.astype(bool), merged, ones, truth)
    share = len(merged) / len(times)
    assert context.counted([scene], hold_off_s=0.0)[0] == pytest.approx(share, abs=1e-3)
    assert context.counted([scene], hold_off_s=0.02)[0] == pytest.approx(1.0, abs=0.03)
