"""Training: what is heard, and that the context classifier can be asked again without hearing again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from clicks import clicks_in_noise, poisson_times

import crackdetect
from crackdetect.cli.train import command
from crackdetect.deciding.context import ContextClassifier, ContextScore, HeardCandidate
from crackdetect.deciding.score_model import SCORE_BINS, SCORE_EDGES
from crackdetect.errors import OutputError
from crackdetect.hearing import features
from crackdetect.hearing.classifier import ClassifierModel, CrackScore
from crackdetect.model import Model
from crackdetect.storage.paths import cache_folder
from crackdetect.synth.plan import plan_roast
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.truth import UNSURE, Truth, TruthEvent
from crackdetect.train import context, fit, heard, score_model
from crackdetect.train.bandpass_peaks import bandpass_peaks
from crackdetect.train.heard import heard_into, sounds_digest, stage_folder
from crackdetect.train.labelled_rows import FIRST, IGNORED, OTHER, SECOND, Rows, label
from crackdetect.train.scenes import Scene, _handling, heard_in, rendered, scenes, whole_scenes
from crackdetect.train.sounds import SAMPLERATE, bank, session_of, side_of
from crackdetect.train.steps import Progress, steps


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
def test_what_follows_a_kept_classifier_is_taught_as_if_it_had_just_been_fitted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Everything but the card is the same, to the last digit, though the first training was interrupted."""
    pytest.importorskip("sklearn")
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path / "home"))
    runner = CliRunner()
    whole, again = tmp_path / "whole.json", tmp_path / "again.json"
    with monkeypatch.context() as interrupted:
        interrupted.setattr(fit, "fit_classifier", interrupt)
        done = runner.invoke(command, ["--out", str(whole), "--seed", "3", "--scenes", "16"])
    assert "kept in" in done.stderr
    kept = sorted((cache_folder() / "train").rglob("*.npz"))
    assert len(kept) == heard_in(16) + heard_in(10)
    for out, more in ((whole, []), (again, ["--classifier", str(whole)])):
        done = runner.invoke(command, ["--out", str(out), "--seed", "3", "--scenes", "16", *more])
        assert done.exit_code == 0, done.output
    assert list((cache_folder() / "train").rglob("*.npz")) == [], "when it is done nothing is kept unasked"
    first, second = (json.loads(path.read_text(encoding="ascii")) for path in (whole, again))
    assert second["card"].pop("classifier")["model"] == first["digest"]
    assert second["card"].pop("reproduced_by") == first["card"].pop("reproduced_by") + " --classifier FILE"
    del first["digest"], second["digest"]
    assert second == first


# -- an interrupted run goes on where it was ---------------------------------------------------------------------


def interrupt(*_: object, **__: object) -> None:
    """As Ctrl-C."""
    raise KeyboardInterrupt


def test_what_was_heard_is_read_as_it_was(tmp_path: Path) -> None:
    """To the last bit."""
    scene = next(scenes("train", count=1, seed=3, bank=None, duration_s=6.0))
    rows = fit.hear(scene, None, "train")
    rows.save(tmp_path / "rows.npz")
    again = Rows.load(tmp_path / "rows.npz")
    for name in ("vectors", "labels", "times", "snr_db", "missed_snr_db"):
        one, other = getattr(rows, name), getattr(again, name)
        assert (one.dtype, one.tobytes()) == (other.dtype, other.tobytes())
    assert (again.duration_s, again.scenario) == (rows.duration_s, rows.scenario)


def test_what_is_there_is_not_heard_again_and_what_differs_is(tmp_path: Path) -> None:
    met: list[int] = []

    class Kept:
        def save(self, path: Path) -> None:
            np.savez(path, heard=True)

    def hear(scene: Scene) -> Kept:
        met.append(scene.plan.seed)
        return Kept()

    some = list(scenes("train", count=2, seed=3, bank=None, duration_s=6.0))[:2]
    for scene in (*some, *some, replace(some[0], plan=replace(some[0].plan, snr_low_db=1.0))):
        heard_into(scene, hear=hear, folder=tmp_path)
    assert met == [some[0].plan.seed, some[1].plan.seed, some[0].plan.seed]
    heard_into(some[1], hear=hear, folder=tmp_path).write_bytes(b"")  # what a power cut may leave behind
    heard_into(some[1], hear=hear, folder=tmp_path)
    assert met[3:] == [some[1].plan.seed]
    folders = [stage_folder(tmp_path, *of) for of in (("a", "model"), ("a", "model"), ("b", "model"), ("a", "other"))]
    assert folders[0] == folders[1]
    assert len(set(folders)) == 3


def test_what_does_not_count_for_what_was_heard_is_there_and_decides_nothing_of_it() -> None:
    """What hears a scene without the machine's stage runs without any of it."""
    root = Path(crackdetect.__file__).parent
    assert all((root / name).is_file() for name in heard._APART)
    hearing = {"hearing/network.py", "deciding/score_model.py", "deciding/own_machine.py", "train/own_machine.py"}
    assert hearing.isdisjoint(heard._APART)


def test_other_sounds_are_heard_anew(tmp_path: Path) -> None:
    assert sounds_digest(None) == ""
    digests = []
    for number, content in enumerate((b"one", b"two")):
        folder = tmp_path / str(number) / "pop"
        folder.mkdir(parents=True)
        (folder / "a.wav").write_bytes(content)  # of one name and length
        digests.append(sounds_digest(folder.parent))
    assert len(set(digests)) == 2


def test_a_folder_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    scene = next(scenes("train", count=1, seed=3, bank=None, duration_s=6.0))
    with pytest.raises(OutputError, match="choose another with --heard"):
        heard_into(scene, hear=lambda scene: fit.hear(scene, None, "train"), folder=tmp_path / "gone")


def test_on_a_cluster_the_folder_must_be_named() -> None:
    done = CliRunner().invoke(command, ["--cluster", "tcp://127.0.0.1:9"])
    assert done.exit_code == 2
    assert "--cluster goes with --heard" in done.output


def test_the_steps_of_a_training_are_gone_through_once_from_none_to_all() -> None:
    """Scenes are told after each, a fit before it; fewer scenes than foreseen leave no gap behind."""
    own = ["the average machine", "relative features", "cracks and first crack on this machine"]
    told = ["train"] * 3 + ["calibrate"] * 2 + ["fitting"] + ["context"] * 2 + ["fitting the context classifier"]
    whole = steps(train=4, calibrate=2, context=2, machines=2, families=False)
    progress = Progress(whole)
    passed = [progress.told(word) for word in [*told, "machines", "machines", *own]]
    assert passed == sorted(passed)
    assert passed[0] > 0
    assert passed[5] == sum(step.whole_s for step in whole[:2])
    assert passed[-1] == pytest.approx(progress.whole_s - whole[-1].whole_s)
    assert [step.word for step in steps(train=0, calibrate=0, context=0, machines=2, families=True)] == [
        "machines", *own, "families left out"
    ]  # fmt: skip


# -- the context classifier ------------------------------------------------------------------------------------


def test_candidates_asked_again_get_the_answers_of_the_path(
    model: Model, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The same questions give the same answers, bit for bit, though the second time no sound is heard.

    Nor the third time, when they are read from a file.
    """
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
    heard.save(tmp_path / "heard.npz")
    read = context.HeardScene.load(tmp_path / "heard.npz")
    assert (read.asked, read.truth.to_json()) == (heard.asked, heard.truth.to_json())
    assert replace(read.truth, plan=None) == replace(heard.truth, plan=None)  # in the plan tuples are lists
    assert context.rows_of(read, model).vectors.tobytes() == cases.vectors.tobytes()


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
