"""Many recordings at a time, here and on a cluster: the answers of one process, whatever becomes of the workers."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from clicks import clicks_in_noise
from deadly import killed_once, killed_once_asked, slow
from patience import wait_until

from crackdetect.cli.entry import cli
from crackdetect.errors import CrackdetectError, InputError
from crackdetect.evaluate import run
from crackdetect.evaluate.sets import tasks
from crackdetect.model import Model
from crackdetect.running.parallel import MOST_DEATHS, imap, imap_until_interrupted
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


@pytest.fixture
def processes(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """A cluster of two worker processes, each begun anew when it dies."""
    distributed = pytest.importorskip("distributed", reason="the cluster extra is not installed")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")]))
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as local:
        yield local


# -- workers that die --------------------------------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="nothing is killed so on this system")
def test_a_task_whose_worker_dies_is_begun_again(tmp_path: Path) -> None:
    items = [tmp_path / name for name in ("a", "once", "b", "once-more", "c")]
    assert dict(imap(killed_once, items, jobs=2)) == dict(enumerate(item.stem.upper() for item in items))


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="nothing is killed so on this system")
def test_what_kills_every_worker_is_given_up_and_the_others_go_on(tmp_path: Path) -> None:
    items = [tmp_path / name for name in ("deadly", "a", "b")]
    found = imap_until_interrupted(killed_once_asked, items, jobs=2, lost=lambda item: f"lost {item.stem}")
    assert dict(found) == {0: "lost deadly", 1: "A", 2: "B"}
    assert (tmp_path / "deadly.met").read_text().splitlines() == ["met"] * MOST_DEATHS
    with pytest.raises(CrackdetectError, match="again and again"):
        dict(imap(killed_once, items[:1], jobs=2))


def test_what_the_work_raises_is_raised_here_with_where_it_came_from(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="bad-one is damaged") as raised:
        dict(imap(killed_once, [tmp_path / "bad-one"], jobs=2))
    assert "in killed_once" in "".join(raised.value.__notes__)


def test_an_interrupt_ends_the_workers_at_once(tmp_path: Path) -> None:
    mark = tmp_path / "at work"

    def interrupt() -> None:
        wait_until(lambda: mark.exists() and mark.read_text() != "")
        os.kill(os.getpid(), signal.SIGINT)  # to the process, as a terminal does

    asker = threading.Thread(target=interrupt)
    asker.start()
    with pytest.raises(KeyboardInterrupt):
        dict(imap(slow, [mark], jobs=2))
    asker.join()
    with pytest.raises(ProcessLookupError):
        os.kill(int(mark.read_text()), 0)


@pytest.mark.long
def test_a_cluster_begins_again_what_its_dead_worker_had_and_gives_up_what_kills_all(
    tmp_path: Path, processes: Any
) -> None:
    items = [tmp_path / name for name in ("a", "once", "deadly", "b", "c")]
    address = processes.scheduler_address
    found = imap_until_interrupted(killed_once_asked, items, cluster=address, lost=lambda item: f"lost {item.stem}")
    assert dict(found) == {0: "A", 1: "ONCE", 2: "lost deadly", 3: "B", 4: "C"}
    with pytest.raises(ValueError, match="bad is damaged"):
        dict(imap(killed_once, [tmp_path / "bad"], cluster=address))


@pytest.mark.long
def test_all_recordings_come_back_though_a_worker_of_the_cluster_is_killed(tmp_path: Path, processes: Any) -> None:
    distributed = pytest.importorskip("distributed")
    for number in range(5):
        sound = clicks_in_noise([2.0, 3.5, 40.0 + number], samplerate=RATE, duration_s=120.0)
        soundfile.write(tmp_path / f"{number}.wav", sound, RATE)
    (tmp_path / "damaged.wav").write_text("not a sound")
    arguments = ["analyze", str(tmp_path), "--format", "jsonl"]
    here = CliRunner().invoke(cli, [*arguments, "--jobs", "1"])
    address, killed = processes.scheduler_address, []
    with distributed.Client(address, set_as_default=False) as client:
        pids = client.run(os.getpid)

        def kill() -> None:
            wait_until(lambda: any(client.processing().values()))
            killed.append(next(worker for worker, keys in client.processing().items() if keys))
            os.kill(pids[killed[0]], signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        there = CliRunner().invoke(cli, [*arguments, "--cluster", address])
        killer.join()
        assert pids.keys() - client.run(os.getpid).keys() == set(killed)
    assert (there.exit_code, there.stdout) == (here.exit_code, here.stdout)
    assert there.exit_code == InputError.exit_code
    assert here.stdout.count('"summary"') == 5
    assert "damaged.wav is text, not sound" in there.stderr
    assert "1 of 6 recordings failed" in there.stderr


# -- the same answers --------------------------------------------------------------------------------------------


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


@pytest.mark.parametrize("what", ["nthreads", "submit"])
def test_a_lost_cluster_is_told(monkeypatch: pytest.MonkeyPatch, cluster: str, what: str) -> None:
    import distributed

    def lost(client: object, *given: object, **options: object) -> None:
        raise OSError("ConnectionPool closing.")  # what it raises itself is one

    monkeypatch.setattr(distributed.Client, what, lost)
    with pytest.raises(InputError, match="the Dask cluster at .* was lost"):
        dict(imap(killed_once, [Path("a")], cluster=cluster))


def test_a_cluster_without_workers_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    distributed = pytest.importorskip("distributed", reason="the cluster extra is not installed")
    monkeypatch.setattr("crackdetect.running.parallel._CONNECT_S", 1)
    with (
        distributed.LocalCluster(n_workers=0, processes=False, dashboard_address=None, silence_logs=50) as local,
        pytest.raises(InputError, match="has no worker"),
    ):
        dict(imap(killed_once, [Path("a")], cluster=local.scheduler_address))
