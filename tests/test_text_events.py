"""Events as lines that a person reads: events above, the exact lines beneath; and the same as JSON Lines."""

from __future__ import annotations

from typing import Any

from roasts import WRONG_RATE, roast_events, with_wrong_rate
from test_summary import NOTHING, SUMMARY

from crackdetect.events import Event
from crackdetect.terminal.json_lines import JsonLinesSink
from crackdetect.terminal.summary import health_text, summary_lines
from crackdetect.terminal.text_events import TextSink


def event(kind: str, at: float, announced_at: float | None = None, /, **fields: Any) -> Event:
    return Event(kind, at, at if announced_at is None else announced_at, None, 0, "roast", fields)


def lines(*events: Event, bold: bool = False) -> list[str]:
    told: list[str] = []
    sink = TextSink(told.append, name="Kitchen", bold=bold)
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
        "Times count from the beginning of the recording, until charge is known.",
    ]


def test_a_roast_whose_times_are_all_off_ends_with_that() -> None:
    """However much else was wrong with the sound after it."""
    told = lines(*map(Event.from_dict, with_wrong_rate(roast_events())))
    summary = " ".join(" ".join(told).partition("Summary (roast time, from charge)")[2].split())
    assert summary.startswith(f"all times {WRONG_RATE} first crack")


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
    sink = TextSink(told.append, name="Kitchen", width=40)
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
        "Times count from the beginning of the",
        "recording, until charge is known.",
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


def test_a_chorus_is_pops_coming_and_no_stray_pop() -> None:
    rate = {"per_minute": 90.0, "low": 47.0, "high": 148.0}
    chorus = [event("crack", 60.0 + second, kind="first", probability=0.9, snr_db=9.0) for second in range(12)]
    told = lines(
        event("density", 59.0, **rate, begun=0.4),
        event("density", 60.0, **rate, begun=0.5),
        *chorus,
        *(event("density", at, **rate, begun=0.4) for at in (72.0, 120.0)),
        event("density", 121.0, **rate, begun=0.2),
        event("crack", 122.0, kind="first", probability=0.9, snr_db=9.0),
    )
    assert told == [
        "  1:00  pops coming, faint pops: perhaps first crack",
        "  2:00  pops coming; first crack is not sure yet      90 a minute (47 to 148)",
        "  2:01  no more pops; listening",
        "  2:02  stray pop                                     9 dB over the noise",
    ]


def test_a_quiet_roast_shows_every_minute_that_the_tool_listens() -> None:
    told = lines(*(event("density", float(at), per_minute=0.5, low=0.0, high=3.2) for at in range(1, 130)))
    assert told == [
        "  1:00  listening; first crack has not begun          none yet",
        "  2:00  listening; first crack has not begun          none yet",
    ]


def test_development_is_told_every_quarter_of_a_minute_and_cracks_no_longer() -> None:
    begun = event("first_crack.start", 95.0, 100.0, earliest=93.0, latest=97.0, confidence=0.99)
    dated = {"first_crack": 95.0, "first_crack_earliest": 93.0, "first_crack_latest": 97.0}
    seconds = [
        each
        for at in range(101, 131)
        for each in (
            event("crack", at - 0.5, kind="first", probability=0.9, snr_db=15.0),
            event("density", float(at), per_minute=64.4, low=50.2, high=80.9),
            event("development", float(at), elapsed=at - 95.0, ratio=(at - 95.0) / at, remaining=125.0 - at, **dated),
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
    dated = {"first_crack": 202.0, "first_crack_earliest": 200.0, "first_crack_latest": 204.0}
    anew = event("development", 210.0, elapsed=8.0, ratio=None, remaining=None, **dated, renewed=True)
    told = lines(begun, event("mark", 105.0, what="first_crack.not_yet"), density, anew)
    assert told[1:] == [
        "  1:45  first crack taken back by you; it has not been yet",
        "  2:50  listening; first crack has not begun          none yet",
        "  3:30  FIRST CRACK began 3:22, announced anew 8 s later",
    ]


def test_the_programs_own_sound_is_no_trouble() -> None:
    own = event("health", 10.0, kind="own_sound", count=44_100, message="1.000 s were not listened to")
    assert lines(own) == []
    assert health_text({"gap": 441, "own_sound": 44_100}, 44_100) == "gap 0.010 s"
    assert health_text({"gap": 66_150, "device_lost": 1}, 44_100) == "gap 1.5 s, device lost 1"
    assert health_text({"gap": 441}, None) == "gap 441"


def test_bold_only_adds_to_the_words() -> None:
    reached = event("target", 120.0, stage="reached", remaining=0.0)
    assert lines(reached, bold=True) == ["\x1b[1m  2:00  TARGET reached\x1b[0m"]


def test_pops_that_were_not_enough_are_told_with_what_helps() -> None:
    def told(cracks: int, *, taken_back: bool = False) -> str:
        marks = [event("mark", 400.0, what="first_crack.not_yet")] if taken_back else []
        return " ".join(" ".join(lines(*marks, event("summary", 600.0, **{**NOTHING, "cracks": cracks}))).split())

    assert "cracks 5 heard pops were heard, but too few or too weak to be sure of first crack" in told(5)
    for way in ("microphone nearer", "--sensitivity earlier", "by hand"):
        assert way in told(5)
    assert "too few" not in told(4)
    assert "too few" not in told(50, taken_back=True)
    assert "too few" not in " ".join(summary_lines(SUMMARY, charge=None))


def test_json_lines_are_the_events_own_json() -> None:
    told: list[str] = []
    cooled = event("cooled", 200.0)
    JsonLinesSink(told.append).send(cooled)
    assert told == [cooled.to_json()]
