"""What the person reads: events above, the exact lines beneath."""

from __future__ import annotations

import errno
import io
from collections.abc import Mapping
from typing import Any

import pytest

from crackdetect import console
from crackdetect.errors import OutputError
from crackdetect.events import Event

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


def event(kind: str, at: float, announced_at: float | None = None, /, **fields: Any) -> Event:
    return Event(kind, at, at if announced_at is None else announced_at, None, 0, "roast", fields)


def lines(*events: Event, bold: bool = False) -> list[str]:
    told: list[str] = []
    sink = console.TextSink(told.append, name="Kitchen", bold=bold)
    for each in events:
        sink.send(each)
    return told


def test_the_start_names_the_sound_the_model_and_the_clock() -> None:
    start = event(
        "roast.start",
        0,
        source="file",
        samplerate=44_100,
        model={"name": "first-crack", "hash": "0123456789abcdef"},
        version="9.8.7",
        settings={},
    )
    assert lines(start) == [
        "Kitchen, 44,100 Hz, heard by crackdetect 9.8.7",
        "Model first-crack 01234567",
        "Times are recording time, from the first sample, until charge is known.",
    ]


def test_a_narrow_terminal_breaks_lines_between_words() -> None:
    start = event(
        "roast.start",
        0,
        source="file",
        samplerate=44_100,
        model={"name": "first-crack", "hash": "0123456789abcdef"},
        version="9.8.7",
        settings={},
    )
    told: list[str] = []
    sink = console.TextSink(told.append, name="Kitchen", width=40)
    for each in (
        start,
        event("crack", 12.0, kind="first", probability=0.9, snr_db=17.6),
        event("charge", 30.0, how="given"),
        event("first_crack.start", 601.2, 606.1, earliest=597.0, latest=604.4, confidence=0.99),
        event("summary", 720.0, **SUMMARY),
    ):
        sink.send(each)
    assert told[:11] == [
        "Kitchen, 44,100 Hz, heard by crackdetect",
        "9.8.7",
        "Model first-crack 01234567",
        "Times are recording time, from the first",
        "sample, until charge is known.",
        "  0:12  stray pop",
        "        18 dB over the noise",
        "  0:00  charge, as given; roast time",
        "        from here on",
        "        recording 0:30",
        "  9:36  FIRST CRACK began 9:31 (between",
    ]
    assert max(map(len, told)) <= 40
    assert "  development      1:49, 16.0 % of 11:20" in told


def test_times_are_roast_time_from_charge_on() -> None:
    told = lines(
        event("crack", 12.0, kind="first", probability=0.9, snr_db=17.6),
        event("charge", 30.0, how="given"),
        event("first_crack.start", 601.2, 606.1, earliest=597.0, latest=604.4, confidence=0.99),
        event("drop", 710.0, how="key"),
    )
    assert told == [
        "  0:12  stray pop                                     18 dB over the noise",
        "  0:00  charge, as given; roast time from here on     recording 0:30",
        "  9:36  FIRST CRACK began 9:31 (between 9:27 and 9:34), announced 5 s later",
        " 11:20  drop, marked by you",
    ]


def test_pops_that_follow_one_another_are_told_together() -> None:
    told = lines(
        event("crack", 60.0, kind="first", probability=0.9, snr_db=12.0),
        event("crack", 62.0, kind="first", probability=0.9, snr_db=9.0),
        event("crack", 70.0, kind="first", probability=0.9, snr_db=21.0),
        event("density", 76.0, per_minute=4.0, low=1.0, high=9.0),
        event("crack", 90.0, kind="first", probability=0.9, snr_db=14.0),
    )
    assert told == [
        "  1:00  stray pop                                     12 dB over the noise",
        "  1:15  2 more pops within 15 s                       loudest 21 dB",
        "  1:30  stray pop                                     14 dB over the noise",
    ]


def test_a_quiet_roast_shows_every_minute_that_the_tool_listens() -> None:
    told = lines(*(event("density", float(at), per_minute=0.5, low=0.0, high=3.2) for at in range(1, 130)))
    assert told == [
        "  1:00  listening; first crack has not begun          0 a minute (0 to 3)",
        "  2:00  listening; first crack has not begun          0 a minute (0 to 3)",
    ]


def test_development_is_told_every_quarter_of_a_minute_and_cracks_no_longer() -> None:
    begun = event("first_crack.start", 95.0, 100.0, earliest=93.0, latest=97.0, confidence=0.99)
    seconds = [
        each
        for at in range(101, 131)
        for each in (
            event("crack", at - 0.5, kind="first", probability=0.9, snr_db=15.0),
            event("density", float(at), per_minute=64.4, low=50.2, high=80.9),
            event("development", float(at), elapsed=at - 95.0, ratio=(at - 95.0) / at, remaining=125.0 - at),
        )
    ]
    assert lines(begun, *seconds)[1:] == [
        "  1:55  development 0:20, 17.4 %, 0:10 to go          64 a minute (50 to 81)",
        "  2:10  development 0:35, 26.9 %                      64 a minute (50 to 81)",
    ]


def test_target_ends_health_and_marks() -> None:
    told = lines(
        event("target", 90.0, stage="near", remaining=30.0),
        event("target", 120.0, stage="reached", remaining=0.0),
        event("target", 150.0, stage="over", remaining=-30.0),
        event("first_crack.end", 140.0, 155.0, earliest=135.0, latest=146.0, confidence=0.9),
        event("second_crack.start", 170.0, 176.0, earliest=166.0, latest=172.0, confidence=0.97),
        event("mark", 177.0, what="second_crack.start"),
        event("mark", 178.0, what="drop"),
        event("health", 180.0, kind="gap", count=441, message="0.010 s of sound were lost"),
        event("cooled", 200.0),
    )
    assert told == [
        "  1:30  30 s to the target",
        "  2:00  TARGET reached",
        "  2:30  30 s past the target",
        "  2:35  first crack ended 2:20 (between 2:15 and 2:26)",
        "  2:56  SECOND CRACK began 2:50 (between 2:46 and 2:52)",
        "  2:57  second crack start, marked by you",
        "  3:00  sound: 0.010 s of sound were lost",
        "  3:20  cooled",
    ]


def test_what_was_taken_back_and_announced_anew_is_told() -> None:
    begun = event("first_crack.start", 95.0, 100.0, earliest=93.0, latest=97.0, confidence=0.99)
    density = event("density", 170.0, per_minute=1.4, low=0.2, high=3.0)
    anew = event("development", 210.0, elapsed=8.0, ratio=None, remaining=None, first_crack=202.0, renewed=True)
    told = lines(begun, event("mark", 105.0, what="first_crack.not_yet"), density, anew)
    assert told[1:] == [
        "  1:45  first crack taken back by you; it has not been yet",
        "  2:50  listening; first crack has not begun          1 a minute (0 to 3)",
        "  3:30  FIRST CRACK began 3:22, announced anew 8 s later",
    ]


def test_the_programs_own_sound_is_no_trouble() -> None:
    own = event("health", 10.0, kind="own_sound", count=44_100, message="1.000 s were not listened to")
    assert lines(own) == []
    assert console.health_text({"gap": 441, "own_sound": 44_100}) == "gap 441"


def test_bold_only_adds_to_the_words() -> None:
    reached = event("target", 120.0, stage="reached", remaining=0.0)
    assert lines(reached, bold=True) == ["\x1b[1m  2:00  TARGET reached\x1b[0m"]


@pytest.mark.parametrize(
    ("variables", "welcome"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
)
def test_no_color_is_honoured(monkeypatch: pytest.MonkeyPatch, variables: Mapping[str, str], *, welcome: bool) -> None:
    # no-color.org: "when present and not an empty string"
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert console.may_style(Terminal()) is welcome
    assert not console.may_style(io.StringIO())


# -- the summary -----------------------------------------------------------------------------------------------


def test_the_summary_of_a_whole_roast() -> None:
    assert console.summary_lines(SUMMARY, charge=30.0) == [
        "Summary (roast time, from charge)",
        "  first crack      9:31, between 9:27 and 9:34 (90 % interval)",
        "  announced        9:36, 5 s after it began",
        "  cracks           1,312 heard",
        "  peak density     98 cracks a minute (81 to 118, 90 % interval)",
        "  development      1:49, 16.0 % of 11:20 from charge to drop",
        "                   inside the usual 15 to 25 % (common practice)",
        "  drop             11:20",
        "  first crack end  11:00",
        "  second crack     not heard",
        "  sound            clipping 12, device lost 1",
    ]


def test_the_summary_when_nothing_cracked() -> None:
    assert console.summary_lines(NOTHING, charge=None) == [
        "Summary (recording time, as charge is not known)",
        "  first crack      not heard",
        "  cracks           0 heard",
        "  development      not known, as the drop is not known",
        "  drop             not known",
        "  first crack end  not heard",
        "  second crack     not heard",
        "  sound            no trouble",
    ]


def test_pops_that_were_not_enough_are_told_with_what_helps() -> None:
    def told(cracks: int, *, taken_back: bool = False) -> str:
        marks = [event("mark", 400.0, what="first_crack.not_yet")] if taken_back else []
        return " ".join(" ".join(lines(*marks, event("summary", 600.0, **{**NOTHING, "cracks": cracks}))).split())

    assert "cracks 5 heard pops were heard, but too few or too weak to be sure of first crack" in told(5)
    for way in ("microphone nearer", "--sensitivity earlier", "by hand"):
        assert way in told(5)
    assert "too few" not in told(4)
    assert "too few" not in told(50, taken_back=True)
    assert "too few" not in " ".join(console.summary_lines(SUMMARY, charge=None))


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
    text = console.summary_lines(fields, charge=0.0)
    assert words in " ".join(line.strip() for line in text)
    assert max(map(len, text)) <= console.WIDTH


# -- several files ---------------------------------------------------------------------------------------------


def test_the_table_has_a_row_a_file(capsys: pytest.CaptureFixture[str]) -> None:
    rows = [
        console.Row("monday.flac", SUMMARY, ["16,000 Hz"]),
        console.Row("[red]odd[/red].wav", NOTHING),
        console.Row("gone.wav", None, ["failed"]),
    ]
    console.show_table(rows, charge=30.0)
    shown = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert shown[1] == "file first crack told cracks peak dev. ratio notes"
    assert shown[3:6] == [
        "monday.flac 9:31 ±4 s 9:36 1,312 98 1:49 16.0 % 16,000 Hz; clipping 12, device lost 1",
        "[red]odd[/red].wav - - 0 - - -",
        "gone.wav - - - - - - failed",
    ]
    assert shown[-1] == "times are roast time; ± is half of the 90 % interval; peak is cracks a minute"


# -- the demonstration -----------------------------------------------------------------------------------------


def test_heard_beside_true() -> None:
    truth = {"charge": 30.0, "first_crack": 598.7, "first_crack_end": 693.0, "second_crack": None, "cracks": 1400.0}
    assert console.truth_lines(SUMMARY, truth) == [
        "The same beside the truth, which is known as the roast is synthetic",
        "                      heard     true",
        "  first crack          9:31     9:29  2.5 s late",
        "  first crack end     11:00    11:03  3.0 s early",
        "  second crack            -        -",
        "  cracks              1,312    1,400",
    ]


# -- writing ---------------------------------------------------------------------------------------------------


class Broken(io.StringIO):
    def __init__(self, number: int) -> None:
        super().__init__()
        self._number = number

    def write(self, text: str) -> int:
        raise OSError(self._number, "no")


def test_a_full_disk_is_an_output_error_of_one_sentence() -> None:
    with pytest.raises(OutputError, match=r"cannot be written \(no\); free some space"):
        console.write_line(Broken(errno.ENOSPC), "x")


def test_a_closed_pipe_is_a_closed_pipe_on_every_system(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BrokenPipeError):
        console.write_line(Broken(errno.EPIPE), "x")
    monkeypatch.setattr("sys.platform", "win32")
    with pytest.raises(BrokenPipeError):
        console.write_line(Broken(errno.EINVAL), "x")


def test_json_lines_are_the_events_own_json() -> None:
    told: list[str] = []
    cooled = event("cooled", 200.0)
    console.JsonLinesSink(told.append).send(cooled)
    assert told == [cooled.to_json()]
