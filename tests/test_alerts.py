"""What calls for attention: the events above, the alerts beneath. And what stands after marks and take-backs."""

from __future__ import annotations

from typing import Any

import pytest

from crackdetect.events import Event
from crackdetect.roast import cautions
from crackdetect.roast.alerts import Alert, Alerts


def event(type_: str, at: float, announced: float | None = None, /, **fields: Any) -> Event:
    return Event(type_, at, at if announced is None else announced, None, 0, "roast", fields)


def start(**more: Any) -> Event:
    about = {name: more.pop(name) for name in ("expect", "coffee", "green_g") if name in more}
    return event("roast.start", 0.0, settings={"target": None, "cool_s": None, **more}, about=about)


def mark(what: str, at: float) -> Event:
    return event("mark", at, what=what)


def density(at: float, **more: Any) -> Event:
    return event("density", at, per_minute=3.0, low=0.0, high=9.0, **more)


def crack(at: float) -> Event:
    return event("crack", at, kind="first", probability=0.9, snr_db=20.0)


def begun(at: float, announced: float) -> Event:
    return event("first_crack.start", at, announced, earliest=at - 2, latest=at + 2, confidence=0.9)


def development(at: float, first_crack: float, *, remaining: float | None = None, **more: Any) -> Event:
    dates = {"first_crack": first_crack, "first_crack_earliest": None, "first_crack_latest": None}
    return event("development", at, elapsed=at - first_crack, ratio=None, remaining=remaining, **dates, **more)


def heard(*events: Event, **options: Any) -> list[tuple[str, int, str]]:
    alerts = Alerts(**options)
    return [(a.signal, a.urgency, a.spoken) for e in events for a in alerts.push(e)]


# -- each alert ------------------------------------------------------------------------------------------------


def test_first_crack_says_how_long_ago_it_began() -> None:
    (alert,) = Alerts().push(begun(560.0, 568.2))
    assert alert == Alert(
        "first_crack", 2, "First crack began 9:20, 8 s ago.", "First crack began 8 seconds ago.", 568.2
    )


def test_the_times_of_alerts_are_roast_time_once_charge_is_known() -> None:
    alerts = Alerts()
    alerts.push(event("charge", 60.0, how="key"))
    assert alerts.push(begun(560.0, 561.0))[0].text == "First crack began 8:20, 1 s ago."


def test_the_person_who_marked_first_crack_is_not_told_of_it() -> None:
    assert heard(mark("first_crack.start", 550.0), begun(551.0, 560.0)) == []


def test_after_not_yet_the_next_announcement_calls_again() -> None:
    events = [begun(300, 310), mark("first_crack.not_yet", 312), development(420, 410, renewed=True, confidence=0.9)]
    assert [alert[2] for alert in heard(*events)] == ["First crack began 10 seconds ago."] * 2


def test_the_stages_of_the_target() -> None:
    told = heard(
        event("target", 600, stage="near", remaining=30.0),
        event("target", 620, stage="near", remaining=9.8),
        event("target", 630, stage="reached", remaining=0.0),
        event("target", 660, stage="over", remaining=-30.0),
    )
    assert told == [
        ("near", 1, "30 seconds to the target."),
        ("tick", 1, "10 seconds to the target."),
        ("target", 2, "Target reached."),
        ("over", 2, "Caution. 30 seconds past the target."),
    ]


def test_a_soft_tick_ten_and_five_seconds_before_the_target_once_each() -> None:
    """The tick of ten seconds comes with the spoken word; at five there is no time to speak."""
    roast = [start(near_s=[30.0, 10.0]), begun(500, 510), event("target", 590, stage="near", remaining=9.9)]
    seconds = [development(at, 500, remaining=600 - at + 0.1) for at in range(588, 602)]
    told = heard(*roast, *seconds)[1:]
    assert told == [("tick", 1, "10 seconds to the target."), ("tick", 1, "")]
    silent = heard(*roast, *seconds, ticks=False)[1:]
    assert silent == [(None, 1, "10 seconds to the target.")]
    unwarned = [start(near_s=[]), begun(500, 510), *seconds]
    assert heard(*unwarned)[1:] == [("tick", 1, ""), ("tick", 1, "")]


def test_ticks_come_again_when_the_person_moves_first_crack() -> None:
    alerts = Alerts()
    roast = [begun(500, 510), development(595, 500, remaining=5.0), mark("first_crack.start", 596)]
    told = [a for e in [*roast, development(691, 596, remaining=5.0)] for a in alerts.push(e)]
    assert [(alert.signal, alert.at) for alert in told] == [("first_crack", 510), ("tick", 595), ("tick", 691)]


def test_pops_coming_is_a_soft_sound_without_words_and_not_twice_within_a_minute() -> None:
    roast = [crack(299.0), crack(300.5), density(301.0, begun=0.6), density(302.0, begun=0.7)]
    away = [density(310.0, begun=0.1), density(312.0, begun=0.6), density(320.0, begun=0.1)]
    alerts = Alerts()
    told = [a for e in [*roast, *away, density(362.0, begun=0.9)] for a in alerts.push(e)]
    assert [(alert.signal, alert.urgency, alert.spoken, alert.at) for alert in told] == [
        ("coming", 0, "", 301.0),
        ("coming", 0, "", 362.0),
    ]
    assert told[0].text == "Pops coming: 2 pops in 15 s; mark first crack if you hear it too."
    assert heard(begun(290, 300), density(301.0, begun=1.0))[1:] == []


def test_development_past_the_most_that_was_set_is_cautioned_once() -> None:
    events = [begun(500, 510), *(development(at, 500) for at in (599, 600, 601, 700))]
    told = heard(*events, max_development_s=100)
    assert [alert[0] for alert in told] == ["first_crack", "over"]
    assert heard(*events)[1:] == []
    alerts = Alerts(max_development_s=100)
    texts = [a.text for e in events for a in alerts.push(e)]
    assert texts[1] == "Caution: development has passed 1:40, the most you set."
    # counted anew from the person's own mark
    assert alerts.push(mark("first_crack.start", 700)) == []
    assert [a.signal for a in alerts.push(development(801, 700))] == ["over"]


def test_second_crack_comes_with_its_caution() -> None:
    (alert,) = Alerts().push(event("second_crack.start", 700, 705, earliest=698, latest=702, confidence=0.9))
    assert (alert.signal, alert.urgency) == ("second_crack", 2)
    assert cautions.PAST_SECOND_CRACK in alert.text
    assert alert.spoken.startswith("Caution.")


def test_no_first_crack_by_the_end_of_the_expected_window() -> None:
    roast = [start(expect=[480.0, 600.0]), event("charge", 10.0, how="key"), crack(400)]
    assert heard(*roast, density(609.0), density(610.0)) == []
    told = heard(*roast, density(611.0), density(612.0))
    assert told == [("trouble", 1, "Caution. No first crack by the expected time.")]
    assert heard(*roast, begun(580, 590), density(611.0))[1:] == []
    assert heard(*roast, event("drop", 590, how="key"), density(611.0)) == []


def test_nothing_heard_at_all() -> None:
    told = heard(density(480.0), density(481.0), density(482.0))
    assert told == [("trouble", 1, "Caution. Nothing has been heard. Check the microphone.")]
    assert heard(crack(100.0), density(481.0)) == []


@pytest.mark.parametrize("kind", ["device_lost", "silence", "clipping", "disk_full"])
def test_trouble_that_matters_sounds_and_not_all_the_time(kind: str) -> None:
    events = [event("health", at, kind=kind, count=1, message="what is wrong") for at in (10, 20, 69, 71)]
    assert [(signal, urgency) for signal, urgency, _ in heard(*events)] == [("trouble", 2)] * 2


@pytest.mark.parametrize("kind", ["own_sound", "gap", "overflow", "invalid_samples", "webhook_down"])
def test_other_trouble_is_silent(kind: str) -> None:
    assert heard(event("health", 10, kind=kind, count=1, message="what is wrong")) == []


def test_a_microphone_that_is_back_is_noted() -> None:
    told = heard(event("health", 10, kind="device_back", count=1, message="it is back"))
    assert told == [("noted", 0, "The microphone is back.")]


def test_charge_and_drop_are_noted_when_they_were_heard_only() -> None:
    told = heard(
        event("charge", 5, how="key"),
        event("charge", 6, how="given"),
        event("charge", 7, how="heard", confidence=0.97),
        event("drop", 700, how="heard", confidence=0.97),
        event("drop", 701, how="key"),
    )
    assert told == [("noted", 0, "Charge heard."), ("noted", 0, "Drop heard.")]


def test_the_end_of_cooling_comes_with_its_caution() -> None:
    (alert,) = Alerts().push(event("cooled", 900))
    assert (alert.signal, alert.urgency) == ("cooled", 1)
    assert cautions.AT_COOLING in alert.text


def test_no_alert_says_that_anything_is_safe() -> None:
    """The user's rule: cautions, never a promise."""
    roast = [
        start(expect=[100.0, 200.0]),
        event("charge", 1, how="heard"),
        density(300),
        *(event("health", 10, kind=kind, count=1, message="m") for kind in ("device_lost", "silence", "clipping")),
        begun(500, 510),
        development(600, 500),
        event("target", 600, stage="over", remaining=-30.0),
        event("second_crack.start", 700, 705, earliest=698, latest=702, confidence=0.9),
        event("drop", 710, how="heard"),
        event("cooled", 900),
    ]
    alerts = Alerts(max_development_s=60)
    words = " ".join(f"{a.text} {a.spoken}" for e in roast for a in alerts.push(e)).casefold()
    assert len(words) > 500
    for word in ("safe", "no danger", "walk away", "relax", "you may leave", "unattended"):
        assert word not in words
