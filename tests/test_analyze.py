"""``crackdetect analyze``: one recording, standard input, several."""

from __future__ import annotations

import contextlib
import io
import json
import multiprocessing
import signal
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from commands import RATE, SOUND, Run, expected_events
from patience import wait_until

from crackdetect import model as model_files
from crackdetect.audio.recording_notes import rate_note
from crackdetect.blocks import Block
from crackdetect.config import Settings
from crackdetect.notation import clock
from crackdetect.pipeline import Pipeline
from crackdetect.running import recordings
from crackdetect.storage.paths import cache_folder
from crackdetect.storage.roast_store import RoastLog

# -- one recording ---------------------------------------------------------------------------------------------


def test_events_are_those_of_the_pipeline(run: Run, roast: Path, plain: Path) -> None:
    done = run("analyze", roast, "--model", plain)
    assert done.code == 0
    assert done.out.splitlines() == expected_events(model_files.load(plain), roast, "monday")
    first_crack = next(event for event in done.events if event["type"] == "first_crack.start")
    assert first_crack["at"] == pytest.approx(30, abs=5)


def test_given_times_and_target_reach_the_pipeline(run: Run, roast: Path, plain: Path) -> None:
    done = run("analyze", roast, "--model", plain, "--charge-at", "0:02", "--drop-at", "58s", "--target", "25%")
    start, summary = done.events[0], done.events[-1]
    assert start["settings"] == {
        "charge_at": 2.0,
        "drop_at": 58.0,
        "target": "25%",
        "near_s": [30.0, 10.0],
        "cool_s": None,
        "sensitivity": "usual",
    }
    assert (summary["drop"], summary["total"]) == (58.0, 56.0)
    # told to five places, first crack to half a millisecond, which is 0.9e-5 of 56 s
    assert summary["ratio"] == pytest.approx((58 - summary["first_crack"]) / 56, abs=1.5e-5)
    assert [event["at"] for event in done.events if event["type"] in ("charge", "drop")] == [2.0, 58.0]


def test_text_tells_the_roast_and_ends_with_its_summary(run: Run, roast: Path, plain: Path) -> None:
    done = run("analyze", roast, "--model", plain, "--charge-at", "0:02", "--drop-at", "0:58", "--format", "text")
    lines = done.out.splitlines()
    assert any(line.startswith("  0:03  stray pop") for line in lines)
    assert any("FIRST CRACK began 0:2" in line and "announced" in line for line in lines)
    assert "Summary (roast time, from charge)" in lines
    assert max(map(len, lines[1:])) <= 80


def test_a_low_sample_rate_is_told_what_it_costs(run: Run, roast: Path, plain: Path) -> None:
    done = run("analyze", roast, "--model", plain)
    assert done.err == (
        "note: at 16,000 Hz nothing above 8 kHz is heard: second crack's brightness near 15 kHz is lost, and weak "
        "cracks are missed more often\n"
    )


@pytest.mark.parametrize(
    ("samplerate", "words"),
    [
        (8_000, "nothing above 4 kHz"),
        (16_000, "nothing above 8 kHz"),
        (22_050, "nothing above 11.025 kHz"),
        # second crack's peak near 15 kHz (from memory of Wilson 2014) is there from 30 kHz on
        (32_000, None),
        (44_100, None),
    ],
)
def test_what_a_sample_rate_costs(samplerate: int, words: str | None) -> None:
    note = rate_note(samplerate)
    assert note is None if words is None else note is not None and words in note


def test_a_short_recording_is_told_what_it_takes(run: Run, tmp_path: Path, plain: Path) -> None:
    soundfile.write(tmp_path / "short.wav", SOUND[: 12 * RATE], RATE)
    done = run("analyze", tmp_path / "short.wav", "--model", plain)
    assert done.code == 0
    assert "only 12.0 s of sound: first crack can be announced after 20 s of listening" in done.err


def test_a_given_time_past_the_end_is_told(run: Run, roast: Path, plain: Path, tmp_path: Path) -> None:
    late = "drop-at 50:00 lies after the end of the recording (1:00) and was left out of account"
    for form in ("text", "jsonl"):
        done = run("analyze", roast, "--model", plain, "--drop-at", "50:00", "--format", form)
        assert done.code == 0
        assert done.err.endswith(f"\nnote: {late}\n")
    assert "charge-at 2:00 lies after" in run("analyze", roast, "--model", plain, "--charge-at", "2:00").err
    assert "lies after" not in run("analyze", roast, "--model", plain, "--drop-at", "1:00").err
    other = tmp_path / "tuesday.flac"
    other.write_bytes(roast.read_bytes())
    done = run("analyze", roast, other, "--model", plain, "--drop-at", "50:00", "--format", "text")
    assert f"{roast} and 1 more: {late}" in done.err
    assert " ".join(done.out.split()).count("drop-at past its end") == 2


def test_the_chosen_channel_is_told(run: Run, tmp_path: Path, plain: Path) -> None:
    part = SOUND[: 20 * RATE]
    hum = 0.1 * np.sin(2 * np.pi * 50 * np.arange(len(part)) / RATE, dtype=np.float32)
    soundfile.write(tmp_path / "two.wav", np.stack([hum, part], axis=1), RATE)
    chosen = run("analyze", tmp_path / "two.wav", "--model", plain)
    assert "note: channel 2 of 2: its loudest clicks stand" in chosen.err
    other = run("analyze", tmp_path / "two.wav", "--channel", "1", "--model", plain)
    assert "note: channel 1 of 2, as asked for" in other.err
    assert other.events[-1]["cracks"] == 0


@pytest.mark.parametrize("form", ["wav", "raw"])
def test_standard_input(run: Run, roast: Path, plain: Path, monkeypatch: pytest.MonkeyPatch, form: str) -> None:
    pcm = io.BytesIO()
    samples, _ = soundfile.read(roast, dtype="int16")
    if form == "wav":
        soundfile.write(pcm, samples, RATE, format="WAV")
    else:
        pcm.write(samples.astype("<i2").tobytes())
    pcm.seek(0)
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(pcm))
    raw = ["--rate", RATE, "--channels", 1, "--sample-format", "s16"] if form == "raw" else []
    done = run("analyze", "-", *raw, "--model", plain)
    assert done.code == 0
    assert done.events[0]["source"] == "stdin"
    expected = [json.loads(line) for line in expected_events(model_files.load(plain), roast, "stdin")]
    assert done.events[1:] == expected[1:]


def test_an_interrupt_in_a_recording_ends_with_its_summary(
    run: Run, roast: Path, plain: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    push = Pipeline.push

    def interrupted(self: Pipeline, block: Block) -> Any:
        signal.raise_signal(signal.SIGINT)  # as Ctrl-C while a block is in work
        return push(self, block)

    monkeypatch.setattr(Pipeline, "push", interrupted)
    done = run("analyze", roast, "--model", plain)
    assert done.code == 130
    assert done.err.endswith("crackdetect: interrupted\n")
    assert done.events[-1]["type"] == "summary"
    assert 0 < done.events[-1]["at"] < 60
    assert [event["seq"] for event in done.events] == list(range(len(done.events)))


# -- several ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two recordings of one name in two folders, and one that cannot be read."""
    top = tmp_path_factory.mktemp("many")
    for name, start in (("a/roast.wav", 0), ("b/roast.wav", 10), ("c.flac", 20)):
        (top / name).parent.mkdir(exist_ok=True)
        soundfile.write(top / name, SOUND[start * RATE :], RATE)
    (top / "b" / "bad.wav").write_text("not a sound")
    return top


def test_a_folder_in_file_order_with_a_name_for_each(run: Run, folder: Path, plain: Path) -> None:
    done = run("analyze", folder, "--model", plain)
    assert done.code == 3
    assert "bad.wav is text, not sound" in done.err
    assert "b/roast.wav is called roast-2 here" in done.err.replace("\\", "/")
    assert "a/roast.wav is called" not in done.err.replace("\\", "/")
    assert "a/roast.wav and 2 more: at 16,000 Hz" in done.err.replace("\\", "/")
    model = model_files.load(plain)
    expected = [
        line
        for name, own in (("a/roast.wav", "roast"), ("b/roast.wav", "roast-2"), ("c.flac", "c"))
        for line in expected_events(model, folder / name, own)
    ]
    assert done.out.splitlines() == expected


def test_worker_processes_give_the_same_in_the_same_order(run: Run, folder: Path, plain: Path) -> None:
    serial = run("analyze", folder, "--model", plain, "--jobs", 1)
    parallel = run("analyze", folder, "--model", plain, "--jobs", 2)
    assert (parallel.code, parallel.out, parallel.err) == (serial.code, serial.out, serial.err)


def test_resumed_only_what_has_changed_is_heard_again(
    run: Run, folder: Path, plain: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for path in sorted(folder.rglob("*.*")):
        copied = tmp_path / path.relative_to(folder)
        copied.parent.mkdir(exist_ok=True)
        copied.write_bytes(path.read_bytes())
    heard: list[str] = []
    open_recording = recordings.open_recording

    def noted(path: Path, **options: Any) -> Any:
        heard.append(path.name)
        return open_recording(path, **options)

    monkeypatch.setattr(recordings, "open_recording", noted)
    command = ["analyze", tmp_path, "--model", plain, "--jobs", 1, "--resume"]
    first = run(*command)
    assert heard == ["roast.wav", "bad.wav", "roast.wav", "c.flac"]
    again = run(*command)
    assert heard[4:] == ["bad.wav"]  # which failed
    assert (again.code, again.out, again.err) == (first.code, first.out, first.err)

    soundfile.write(tmp_path / "c.flac", SOUND[25 * RATE :], RATE)
    text = run(*command, "--format", "text")
    assert heard[5:] == ["bad.wav", "c.flac"]
    lines = [line for line in text.err.splitlines() if line.startswith(str(tmp_path))]
    assert [line.endswith(", heard before") for line in lines] == [True, False, True, False]
    assert [": failed" in line for line in lines] == [False, True, False, False]
    assert lines[0].startswith(f"{tmp_path / 'a' / 'roast.wav'}: 1:00, first crack at 0:")
    run(*command, "--target", "1:30")
    assert heard[7:] == ["roast.wav", "bad.wav", "roast.wav", "c.flac"]

    for kept in (cache_folder() / "analyze").iterdir():
        kept.write_bytes(kept.read_bytes()[:-20])  # cut off, as by a power cut
    assert run(*command, "--target", "1:30").code == first.code
    assert heard[11:] == ["roast.wav", "bad.wav", "roast.wav", "c.flac"]


def test_those_that_failed_are_named_at_the_end(run: Run, folder: Path, plain: Path) -> None:
    done = run("analyze", folder, "--model", plain, "--jobs", 1)
    reason, count = done.err.splitlines()[-2:]
    assert "bad.wav is text, not sound" in reason
    assert count == "crackdetect: 1 of 4 recordings failed, see above; the others were heard"


def test_a_folder_that_cannot_be_written_keeps_nothing_from_being_heard(
    run: Run, folder: Path, plain: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, home: Path
) -> None:
    (tmp_path / "full").write_text("a file where the folder would be")
    monkeypatch.setattr("crackdetect.storage.paths.cache_folder", lambda: tmp_path / "full")
    done = run("analyze", folder / "c.flac", folder / "a", "--model", plain, "--jobs", 1, "--resume")
    assert done.code == 6
    assert [event["type"] for event in done.events].count("summary") == 2
    assert "would be heard again; make room there, or leave --resume out" in done.err
    assert "failed" not in done.err
    saved = run("analyze", folder / "c.flac", folder / "a", "--model", plain, "--jobs", 1, "--resume", "--save")
    assert "Saved 2 roasts" in saved.err


def test_several_in_text_make_a_table(run: Run, folder: Path, plain: Path) -> None:
    done = run("analyze", folder, folder / "gone.flac", folder / "c.flac", "--model", plain, "--format", "text")
    assert done.code == 3
    rows = [line.split() for line in done.out.splitlines()[4:9]]
    # a file given twice is heard once
    assert [row[0] for row in rows] == ["roast.wav", "bad.wav", "roast.wav", "c.flac", "gone.flac"]
    dated = json.loads(expected_events(model_files.load(plain), folder / "a/roast.wav", "roast")[-1])
    start, plus_minus = rows[0][1], rows[0][2]
    assert start == clock(dated["first_crack"])
    assert dated["first_crack"] == pytest.approx(30, abs=3)  # a step, which is dated early
    assert plus_minus == f"±{(dated['first_crack_latest'] - dated['first_crack_earliest']) / 2:.0f}"
    assert " ".join(rows[1][1:]) == "- - - - - - failed, see its message"
    assert "gone.flac does not exist" in done.err


@pytest.mark.parametrize("form", ["text", "jsonl"])
def test_an_interrupt_in_a_folder_tells_what_was_heard_and_names_the_file_it_was_in(
    run: Run, folder: Path, plain: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    push, pushed = Pipeline.push, iter(range(1_000))

    def interrupted(self: Pipeline, block: Block) -> Any:
        if next(pushed) == 3:
            signal.raise_signal(signal.SIGINT)  # as Ctrl-C while a block is in work
        return push(self, block)

    monkeypatch.setattr(Pipeline, "push", interrupted)
    done = run("analyze", folder, "--model", plain, "--format", form, "--jobs", 1)
    assert done.code == 130
    assert done.err.endswith("crackdetect: interrupted\n")
    assert "only" not in done.err, "nobody knows how long a file is that was not heard to its end"
    if form == "jsonl":
        assert [event["at"] > 0 for event in done.events if event["type"] == "summary"] == [True]
    else:
        rows = [line for line in done.out.splitlines() if line.startswith(" roast.wav")]
        assert len(rows) == 1
        assert "not finished, 0:12 heard" in rows[0]


def test_a_worker_that_is_told_of_the_interrupt_ends_its_file_and_begins_no_other(folder: Path, plain: Path) -> None:
    class Third(threading.Event):
        """Set when it is asked for the third time."""

        asked = 0

        def is_set(self) -> bool:
            self.asked += 1
            return self.asked > 2

    stop = Third()
    job = recordings.Job(folder / "c.flac", "c", Settings(), model=plain)
    half, none = (recordings.hear_file(job, stop) for _ in range(2))
    assert (half.exit_code, none.exit_code) == (130, 130)
    assert half.summary is not None
    assert any(tag.startswith("not finished") for tag in half.tags)
    assert none.events == []


def test_a_roast_is_saved_while_an_earlier_file_is_still_heard(
    run: Run, folder: Path, plain: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a second Ctrl-C, which waits for nothing, would lose it."""
    with RoastLog() as log:
        before = len(log.roasts())
    saved: list[int] = []

    def last_first(jobs: list[recordings.Job], **how: object) -> Iterator[tuple[int, recordings.Report]]:
        for number in (1, 0):
            yield number, recordings.hear_file(jobs[number])
            with RoastLog() as log:
                saved.append(len(log.roasts()) - before)

    monkeypatch.setattr(recordings, "hear_files", last_first)
    run("analyze", folder / "a", folder / "c.flac", "--model", plain, "--save")
    assert saved == [1, 2]


@pytest.mark.long
@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="only there one sees what a process has opened")
def test_an_interrupt_among_workers_names_every_file_they_were_in(tmp_path: Path, plain: Path) -> None:
    soundfile.write(tmp_path / "0.flac", SOUND[: 5 * RATE], RATE)
    for name in "12345":
        soundfile.write(tmp_path / f"{name}.flac", np.tile(SOUND, 20), RATE)
    jobs = [recordings.Job(tmp_path / f"{name}.flac", name, Settings(), model=plain) for name in "012345"]
    heard = recordings.hear_files(jobs, workers=2)
    reports = dict([next(heard)])
    wait_until(lambda: {"1.flac", "2.flac"} <= _opened_by_workers())
    signal.raise_signal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt):
        reports |= heard
    assert [(number, reports[number].exit_code) for number in sorted(reports)] == [(0, 0), (1, 130), (2, 130)]
    assert all(report.summary is not None for report in reports.values())


def _opened_by_workers() -> set[str]:
    names = set()
    for process in multiprocessing.active_children():
        for link in Path(f"/proc/{process.pid}/fd").iterdir():
            with contextlib.suppress(OSError):
                names.add(link.readlink().name)
    return names
