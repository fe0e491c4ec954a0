"""Many recordings on a cluster: the answers of one process, in the same order."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from clicks import clicks_in_noise

from crackdetect.cli.entry import cli
from crackdetect.errors import InputError
from crackdetect.evaluate import run
from crackdetect.evaluate.sets import tasks
from crackdetect.model import Model
from crackdetect.train import context, fit
from crackdetect.train.scenes import scenes, whole_scenes

RATE = 16_000

# the cluster's own start-up warns of ports and loops, which are not ours
pytestmark = pytest.mark.filterwarnings(
    "default::ResourceWarning", "default::DeprecationWarning", "default::UserWarning"
)


@pytest.fixture
def cluster() -> Iterator[str]:
    distributed = pytest.importorskip("distributed", reason="the cluster extra is not installed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None, silence_logs=50
    ) as local:
        yield local.scheduler_address


@pytest.mark.long
def test_evaluation(plain_model: Model, cluster: str) -> None:
    setup = run.Setup(plain_model, baselines=False)
    chosen = tasks(roasts=1, quiet_hours=0.0, seed=3, sounds=None, chosen=(0, 1))[:2]
    assert run.run(chosen, setup, cluster=cluster) == run.run(chosen, setup)


@pytest.mark.long
def test_training(plain_model: Model, cluster: str) -> None:
    chosen = list(scenes("train", count=3, seed=3, bank=None, duration_s=6.0))
    here = fit.work_through(partial(fit.hear, sounds=None, side="train"), chosen, jobs=1)
    there = fit.work_through(partial(fit.hear, sounds=None, side="train"), chosen, jobs=1, cluster=cluster)
    assert len(here) == len(there) == 4
    for one, other in zip(here, there, strict=True):
        assert np.array_equal(one.vectors, other.vectors)
        assert np.array_equal(one.labels, other.labels)
    whole = list(whole_scenes(count=1, seed=3, bank=None))
    hear = partial(context.hear, sounds=None, side="calibrate", model=plain_model)
    asked = [fit.work_through(hear, whole, jobs=1, cluster=where) for where in (None, cluster)]
    assert [(heard.asked, heard.truth) for heard in asked[0]] == [(heard.asked, heard.truth) for heard in asked[1]]


def test_analysis(tmp_path: Path, cluster: str) -> None:
    for number in range(3):
        sound = clicks_in_noise([2.0, 3.5], samplerate=RATE, duration_s=5.0 + number)
        soundfile.write(tmp_path / f"{number}.wav", sound, RATE)
    arguments = ["analyze", str(tmp_path), "--format", "jsonl"]
    here = CliRunner().invoke(cli, arguments)
    there = CliRunner().invoke(cli, [*arguments, "--cluster", cluster])
    assert (here.exit_code, there.exit_code) == (0, 0)
    assert there.stdout == here.stdout
    assert here.stdout.count('"summary"') == 3


def test_one_recording_goes_to_the_cluster_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="the cluster extra is not installed")
    monkeypatch.setattr("crackdetect.running.parallel._CONNECT_S", 1)
    soundfile.write(tmp_path / "one.wav", clicks_in_noise([2.0], samplerate=RATE, duration_s=3.0), RATE)
    with pytest.raises(InputError, match="no Dask scheduler answers"):
        CliRunner().invoke(
            cli, ["analyze", str(tmp_path / "one.wav"), "--cluster", "tcp://127.0.0.1:9"], catch_exceptions=False
        )
