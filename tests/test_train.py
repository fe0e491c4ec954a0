"""Training: what is heard, and that a judge can be asked again without hearing again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from clicks import clicks_in_noise, poisson_times

from crackdetect.classify import Model
from crackdetect.evaluate.baselines import bandpass_peaks
from crackdetect.judge import Judge
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.truth import UNSURE, Truth, TruthEvent
from crackdetect.train import judging
from crackdetect.train.dataset import FIRST, IGNORED, OTHER, label
from crackdetect.train.scenes import heard_in, rendered, scenes, whole_scenes
from crackdetect.train.sounds import SAMPLERATE, bank


@pytest.fixture(scope="module")
def popping() -> SoundBank:
    """Twenty seconds of pops, a hundred a minute."""
    sound = clicks_in_noise(poisson_times(100, 1, 19, seed=3), samplerate=SAMPLERATE, duration_s=20.0)
    return SoundBank(popcorn=(sound,), samplerate=SAMPLERATE)


# -- what is heard -----------------------------------------------------------------------------------------------


def test_the_same_seed_makes_the_same_scenes(popping: SoundBank) -> None:
    first = list(scenes("train", count=24, seed=5, bank=popping))
    assert first == list(scenes("train", count=24, seed=5, bank=popping))
    assert len(first) == heard_in(24) == 24 + 8 + 2 + 4
    assert not {scene.plan.seed for scene in first} & {
        s.plan.seed for s in scenes("train", count=24, seed=6, bank=None)
    }


def test_cracks_are_taught_from_faint_to_plain(popping: SoundBank) -> None:
    plans = [scene.plan for scene in scenes("train", count=90, seed=5, bank=popping) if scene.scenario == "chorus"]
    assert min(plan.snr_low_db for plan in plans) < 9
    assert max(plan.snr_high_db for plan in plans) > 38


def test_whole_popcorn_teaches_the_classifier_alone(popping: SoundBank) -> None:
    """Calibration and the judge are of the side that the benchmark is made of."""
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


def test_only_one_side_of_the_sounds_is_lent(tmp_path: Path, popping: SoundBank) -> None:
    (tmp_path / "popcorn").mkdir()
    soundfile.write(tmp_path / "popcorn" / "Popcorn200v2.flac", popping.popcorn[0], SAMPLERATE)
    assert bank(tmp_path, "train").popcorn == ()
    assert len(bank(tmp_path, "validate").popcorn) == 1


# -- the judge ---------------------------------------------------------------------------------------------------


def test_a_judge_asked_again_meets_what_it_met_in_the_path(model: Model, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same questions give the same answers, bit for bit, though the second time no sound is heard."""
    answers: list[tuple[float, float]] = []
    push = Judge.push

    def noted(self: Judge, *args: float, **more: float) -> tuple[float, float]:
        answers.append(push(self, *args, **more))
        return answers[-1]

    monkeypatch.setattr(Judge, "push", noted)
    scene = next(whole_scenes(count=1, seed=5, bank=None, duration_s=60.0))
    heard = judging.hear(scene, None, "validate", model)
    in_the_path = answers.copy()
    answers.clear()
    cases = judging.judge_again(heard, model)

    assert answers == in_the_path
    assert 0 < len(cases.vectors) <= len(answers)
    assert cases.cracks.any()
