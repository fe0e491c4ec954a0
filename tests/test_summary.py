"""The summary as a person reads it: of one roast, beside the truth, and of several as a table."""

from __future__ import annotations

from typing import Any

import pytest

from crackdetect.synth.truth import Truth, TruthEvent
from crackdetect.terminal.lines import WIDTH
from crackdetect.terminal.summary import summary_lines, truth_lines
from crackdetect.terminal.tables import Row, print_table, results_table

SUMMARY: dict[str, Any] = {
    "first_crack": 601.2,
    "first_crack_earliest": 597.0,
    "first_crack_latest": 604.4,
    "first_crack_announced": 606.1,
    "drop": 710.0,
    "total": 680.0,
    "development": 108.8,
    "ratio": 0.16,
    "cracks": 1312,
    "peak_per_minute": 98.4,
    "peak_low": 81.0,
    "peak_high": 117.5,
    "first_crack_end": 690.0,
    "second_crack": None,
    "health": {"clipping": 12, "device_lost": 1},
}
NOTHING: dict[str, Any] = {
    **dict.fromkeys(SUMMARY),
    "cracks": 0,
    "health": {},
}


def test_the_summary_of_a_whole_roast() -> None:
    assert summary_lines(SUMMARY, charge=30.0) == [
        "Summary (roast time, from charge)",
        "  first crack      9:31, between 9:27 and 9:34 (90 % interval)",
        "  announced        9:36, 5 s after it began",
        "  cracks           1,312 heard",
        "  peak crack rate  98 cracks a minute (81 to 118, 90 % interval)",
        "  development      1:49, 16.0 % of 11:20 from charge to drop",
        "                   inside the usual 15 to 25 % (common practice)",
        "  drop             11:20",
        "  first crack end  11:00",
        "  second crack     not heard",
        "  sound problems   clipping 12, device lost 1",
    ]


def test_times_that_are_all_off_are_said_to_be() -> None:
    fields = {**SUMMARY, "health": {"wrong_rate": 1}}
    lines = summary_lines(fields, charge=30.0, wrong_rate="microphone 'pair' gives about 20 % fewer samples")
    assert lines[1] == "  all times        microphone 'pair' gives about 20 % fewer samples"


def test_the_summary_when_nothing_cracked() -> None:
    assert summary_lines(NOTHING, charge=None) == [
        "Summary (recording time, as charge is not known)",
        "  first crack      not heard",
        "  cracks           0 heard",
        "  development      not known, as the drop is not known",
        "  drop             not known",
        "  first crack end  not heard",
        "  second crack     not heard",
        "  sound problems   none",
    ]


@pytest.mark.parametrize(
    ("development", "ratio", "words"),
    [
        # a drop 10 s after first crack of a 12-minute roast is under-developed (common practice, no source)
        (10.0, 10 / 720, "under-developed"),
        (-10.0, -10 / 720, "dropped 10 s before first crack"),
        # charge unknown
        (100.0, None, "mark the charge"),
    ],
)
def test_the_summary_judges_the_development(development: float, ratio: float | None, words: str) -> None:
    fields = {**SUMMARY, "total": 720.0 if ratio else None, "development": development, "ratio": ratio}
    text = summary_lines(fields, charge=0.0)
    assert words in " ".join(line.strip() for line in text)
    assert max(map(len, text)) <= WIDTH


def test_heard_beside_true() -> None:
    cracks = [TruthEvent(600.0 + i / 10, "first", 15.0, "") for i in range(1400)]
    knock = TruthEvent(100.0, "distractor", 20.0, "knock")
    truth = Truth(44_100, 800.0, 30.0, 598.7, 693.0, None, 710.0, 100.0, (knock, *cracks))
    assert truth_lines(SUMMARY, truth) == [
        "The same beside the truth, which is known as the roast is synthetic",
        "                      heard     true",
        "  first crack          9:31     9:29  2.5 s late",
        "  first crack end     11:00    11:03  3.0 s early",
        "  second crack            -        -",
        "  cracks              1,312    1,400",
    ]


def test_the_table_has_a_row_a_file(capsys: pytest.CaptureFixture[str]) -> None:
    rows = [
        Row("monday.flac", SUMMARY, ["16,000 Hz"]),
        Row("[red]odd[/red].wav", NOTHING),
        Row("gone.wav", None, ["failed"]),
    ]
    print_table(results_table(rows, charge=30.0))
    shown = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert shown[1:3] == ["first peak dev.", "file crack told cracks rate dev. ratio notes"]
    assert shown[4:7] == [
        "monday.flac 9:31 ±4 s 9:36 1,312 98 1:49 16.0 % 16,000 Hz; clipping 12, device lost 1",
        "[red]odd[/red].wav - - 0 - - -",
        "gone.wav - - - - - - failed",
    ]
    assert shown[-1] == "times are roast time; ± is half of the 90 % interval; peak rate is cracks a minute"


@pytest.mark.parametrize(
    ("goal", "told"),
    [
        (150.0, "41 s before your target of 2:30"),
        (110.0, "on target (1 s)"),
        (105.0, "on target (4 s)"),
        (90.0, "19 s past your target of 1:30"),
    ],
)
def test_the_summary_speaks_of_the_target(goal: float, told: str) -> None:
    """Development was 108.8 s; up to 5 s off is on target, as first crack is dated no better."""
    assert f"  target           {told}" in summary_lines(SUMMARY, charge=30.0, goal=goal)
    assert not any(line.startswith("  target") for line in summary_lines(SUMMARY, charge=30.0))


def test_a_peak_above_all_that_was_told_says_why() -> None:
    def peak(largest: float) -> str:
        text = " ".join(summary_lines(SUMMARY, charge=30.0, largest_told=largest)).split("development")[0]
        return " ".join(text.split())

    assert peak(90).endswith("it was reached between the lines above")
    assert peak(98.3).endswith("90 % interval)")
