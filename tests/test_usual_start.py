"""When first crack usually comes on a machine: partial pooling against worked examples, and what is said of it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from commands import EndingMicrophone, Run
from roasts import roast_events

from crackdetect.audio import microphone
from crackdetect.config import Settings, UsualStart
from crackdetect.deciding.first_crack import ANY_MACHINE, HMMSettings, start_hazard
from crackdetect.errors import SettingError
from crackdetect.events import Event
from crackdetect.listening.usual_here import usual_here
from crackdetect.notation import clock
from crackdetect.roast.alerts import Alerts
from crackdetect.roast.event_reader import settings_of
from crackdetect.roast.pooling import partly_pooled
from crackdetect.roast.record import Moment, Roast
from crackdetect.roast.standing import coming, since, unusual
from crackdetect.roast.state import RoastState
from crackdetect.roast.usual_start import LEAST, usual_start
from crackdetect.storage.log_file import FILE
from crackdetect.storage.roast_store import RoastLog

# -- partial pooling -------------------------------------------------------------------------------------------

#: Coaching in eight schools, effects and their standard errors (Rubin, J. Educ. Stat. 6, 377, 1981, from memory).
EFFECTS = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
ERRORS = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])


def test_eight_schools() -> None:
    """tau uniform, as in Gelman et al., Bayesian Data Analysis, section 5.5 (from memory): means of theta and of mu."""
    pooled = partly_pooled(EFFECTS, ERRORS, between=np.linspace(0, 60, 1201))
    expected = [11.4, 7.9, 6.1, 7.6, 5.1, 6.2, 10.7, 8.5, 7.9]
    assert pooled.means == pytest.approx(expected, abs=0.35)
    assert pooled.sds[:8] == pytest.approx([8.3, 6.3, 7.8, 6.6, 6.3, 6.8, 6.8, 7.9], abs=0.5)


def test_schools_that_are_all_alike_are_one() -> None:
    """Complete pooling, tau = 0: 7.7 with a standard error of 4.1 (the same section, from memory)."""
    pooled = partly_pooled(EFFECTS, ERRORS, between=np.zeros(1))
    assert pooled.means == pytest.approx([7.7] * 9, abs=0.05)
    assert pooled.sds == pytest.approx([4.1] * 9, abs=0.05)


def test_schools_that_have_nothing_in_common_keep_their_own() -> None:
    pooled = partly_pooled(EFFECTS, ERRORS, between=np.array([1e6]))
    assert pooled.means[:8] == pytest.approx(EFFECTS, abs=0.01)
    assert pooled.sds[:8] == pytest.approx(ERRORS, abs=0.01)


def test_one_group_with_a_known_centre_is_the_conjugate_normal() -> None:
    """Posterior of theta ~ N(m, s**2 + tau**2) from one y ~ N(theta, e**2), in closed form."""
    pooled = partly_pooled(np.array([9.0]), np.array([2.0]), between=np.array([3.0]), centre=(5.0, 4.0))
    share = (16 + 9) / (16 + 9 + 4)
    assert pooled.means[0] == pytest.approx(5 + share * 4)
    assert pooled.sds[0] == pytest.approx(math.sqrt(share * 4))
    mu = 16 / (16 + 9 + 4)  # a further group: mu is known that much, and it lies tau from it
    assert pooled.means[1] == pytest.approx(5 + mu * 4)
    assert pooled.sds[1] == pytest.approx(math.sqrt((1 - mu) * 16 + 9))


def test_without_a_group_the_next_is_what_was_known() -> None:
    pooled = partly_pooled(np.zeros(0), np.zeros(0), between=np.array([3.0]), centre=(5.0, 4.0))
    assert (pooled.means.tolist(), pooled.sds.tolist()) == ([5.0], [5.0])


# -- from the log ----------------------------------------------------------------------------------------------


def roasts(*times_s: float, machine: str = "drum", coffee: str = "Meadow Lane", green_g: float = 200.0) -> list[Roast]:
    return [
        Roast(
            number,
            str(number),
            "2026-03-01",
            "",
            machine=machine,
            coffee=coffee,
            green_g=green_g,
            moments={"charge": Moment(marked_s=20.0), "first_crack.start": Moment(marked_s=20.0 + time_s)},
        )
        for number, time_s in enumerate(times_s)
    ]


def expected(known: list[Roast], *, coffee: str = "Meadow Lane", green_g: float | None = 200.0) -> UsualStart:
    found = usual_start(known, machine="Drum", coffee=coffee, green_g=green_g)
    assert found is not None
    return found


def test_the_width_is_earned() -> None:
    """More roasts of about 8:30 make it narrower, and the median theirs; a scatter of their own is not denied."""
    rng = np.random.default_rng(2)
    steady = (510 * np.exp(rng.normal(0, 0.04, 40))).tolist()
    found = [expected(roasts(*steady[:count])) for count in (3, 6, 12, 40)]
    spreads = [one.spread for one in found]
    assert spreads == sorted(spreads, reverse=True)
    assert spreads[0] > 0.15
    assert spreads[-1] < 0.1
    assert found[-1].median_s == pytest.approx(510, rel=0.02)
    assert 420 < found[0].median_s < 510
    wild = (510 * np.exp(rng.normal(0, 0.25, 40))).tolist()
    assert expected(roasts(*wild)).spread == pytest.approx(0.25, abs=0.06)


def test_a_new_coffee_is_expected_where_the_machine_has_its_others_and_less_surely() -> None:
    known = [*roasts(*[500.0] * 8), *roasts(*[520.0] * 8, coffee="Hilltop"), *roasts(*[480.0] * 8, coffee="Old Wood")]
    same, new = expected(known), expected(known, coffee="New Moon")
    assert new.median_s == pytest.approx(500, rel=0.03)
    assert new.spread > same.spread
    other = expected([*known, *roasts(*[700.0] * 6, green_g=400.0)], green_g=400.0)
    assert 600 < other.median_s <= 700


def test_a_mark_far_from_what_was_heard_tells_nothing_until_it_is_said_again() -> None:
    slip = Moment(heard_s=530.0, marked_s=200.0)
    slipped = [replace(one, moments={**one.moments, "first_crack.start": slip}) for one in roasts(1.0, 1.0)]
    known = [*slipped, *roasts(500.0, 510.0, 520.0)]
    assert expected(known) == expected(known[2:])
    said = [
        replace(one, moments={**one.moments, "first_crack.start": replace(slip, confirmed=True)}) for one in slipped
    ]
    assert expected([*said, *known[2:]]) == expected(known[2:])  # yes to what was heard is not said of a mark
    right = replace(slip, corrected=True, entered_s=530.0)
    put_right = [replace(one, moments={**one.moments, "first_crack.start": right}) for one in slipped]
    assert expected([*put_right, *known[2:]]).roasts == 5


def test_few_roasts_another_machine_and_times_that_cannot_be_say_nothing() -> None:
    assert usual_start(roasts(*[500.0] * (LEAST - 1)), machine="drum", coffee=None, green_g=None) is None
    assert usual_start(roasts(*[500.0] * 9, machine="wok"), machine="drum", coffee=None, green_g=None) is None
    assert usual_start(roasts(*[5.0] * 9), machine="drum", coffee=None, green_g=None) is None
    uncharged = [Roast(1, "x", "", "", machine="drum", moments={"first_crack.start": Moment(heard_s=500.0)})] * 9
    assert usual_start(uncharged, machine="drum", coffee=None, green_g=None) is None


def test_it_comes_from_the_log_and_a_damaged_log_keeps_nobody_from_roasting(tmp_path: Path) -> None:
    assert usual_here(tmp_path, machine="drum", coffee=None, green_g=None) is None
    with RoastLog(tmp_path / FILE) as log:
        for name in ("one", "two", "three"):
            log.keep(roast_events(name, about={"machine": "Drum", "coffee": "Meadow Lane"}))
    found = usual_here(tmp_path, machine="drum", coffee="meadow lane", green_g=None)
    assert found is not None
    assert found.roasts == 3
    assert ANY_MACHINE.median_s * 0.8 < found.median_s < 420
    (tmp_path / FILE).write_bytes(b"no log at all" * 100)
    assert usual_here(tmp_path, machine="drum", coffee=None, green_g=None) is None


def test_listening_knows_and_says_it_and_untaught_does_without(
    run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
    with RoastLog() as log:
        for name in ("one", "two", "three"):
            log.keep(roast_events(name, about={"machine": "Drum"}))
    heard = run("listen", "--quiet", "--model", plain, "--machine", "Drum")
    usual = settings_of(heard.events[0]["settings"]).usual_start
    assert usual is not None
    first, last = map(clock, usual.window_s)
    said = f"usually {first} to {last} on this machine, of 3 roasts"
    assert f"note: first crack: {said}, counted from charge" in heard.err
    for options in (["--machine", "Drum", "--untaught"], ["--machine", "Wok"]):
        assert "usual_start" not in run("listen", "--quiet", "--model", plain, *options).events[0]["settings"]
    listed = run("teach").out
    assert '"Wok": 1 roast, not taught\n    0 recorded, ' in listed
    assert '"Drum": 5 roasts, not taught\n    0 recorded, first crack said in 0 of them, 0 sounds answered\n' in listed
    assert f"    first crack of a new coffee: {said}\n" in listed  # the two that were listened to just now had none
    shown = " ".join(run("log", "show", "3", "--format", "text").out.split())
    assert "usually" not in shown  # two before it
    with RoastLog() as log:
        log.keep(roast_events("four", about={"machine": "Drum", "started": "2027-03-01T10:00:00+00:00"}))
        fourth = log.find("four")
        log.edit(fourth, moments={"first_crack.start": 60.0 + (fourth.at_s("charge") or 0.0)})
    shown = " ".join(run("log", "show", "four", "--format", "text").out.split())
    assert f"usually {first} to {last} on this machine, of 3 roasts before: earlier than that" in shown


# -- in the decision -------------------------------------------------------------------------------------------


def test_long_before_what_is_usual_first_crack_is_a_tenth_as_likely_and_never_likelier_than_unknown() -> None:
    """The hazard of the log-normal time by scipy's distribution, between a tenth of the usual one and all of it."""
    stats = pytest.importorskip("scipy.stats")
    usual_s, own = 60 * HMMSettings().start_every_min, UsualStart(510.0, 0.08, 12)
    timed = stats.lognorm(s=0.08, scale=510)
    hazards = [start_hazard(float(t), usual_s=usual_s, start=own) for t in range(1, 3600)]
    assert hazards == pytest.approx(
        [float(np.clip(timed.pdf(t) / timed.sf(t) * usual_s, 0.1, 1)) if t < 510 else 1.0 for t in range(1, 3600)],
        rel=1e-9,
    )
    assert hazards[: 6 * 60] == [0.1] * 360
    assert hazards[8 * 60] == 1.0
    assert timed.ppf([0.05, 0.95]) == pytest.approx(own.window_s, rel=1e-3)


def test_what_is_usual_is_part_of_the_roasts_events_and_read_again() -> None:
    wishes = Settings(usual_start=UsualStart(510.5, 0.08, 12))
    assert settings_of(wishes.as_fields()) == wishes
    assert "usual_start" not in Settings().as_fields()
    for wrong in ({"median_s": 0.0}, {"spread": 0.0}, {"spread": 2.0}, {"roasts": -1}, {"median_s": "x"}):
        with pytest.raises((SettingError, ValueError)):
            settings_of({"usual_start": {"median_s": 510.0, "spread": 0.1, "roasts": 3} | wrong})


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (20 + 400.0, "earlier than this roaster's usual 7:27 to 9:42"),
        (20 + 500.0, ""),
        (20 + 600.0, "later than this roaster's usual 7:27 to 9:42"),
    ],
)
def test_an_unusual_announcement_is_made_and_says_so(at: float, said: str) -> None:
    """510 s times e**(1.645 x .08) either way (arithmetic)."""
    usual = Settings(usual_start=UsualStart(510.0, 0.08, 12)).as_fields()
    started, unknown = (Event("roast.start", 0.0, 0.0, None, 0, "x", {"settings": one}) for one in (usual, {}))
    roast = [started, Event("charge", 20.0, 20.0, None, 1, "x", {"how": "key"})]
    begun = Event("first_crack.start", at, at + 12, None, 2, "x", {"earliest": at, "latest": at, "confidence": 0.9})
    state = RoastState.of(roast)
    assert unusual(state, at) == said
    alerts = Alerts()
    told = [alert for one in [*roast, begun] for alert in alerts.push(one)]
    assert told[-1].spoken == f"First crack began 12 seconds ago{f', {said.split()[0]} than usual' if said else ''}."
    assert told[-1].text.endswith(f"12 s ago{', ' + said if said else ''}.")
    assert unusual(RoastState.of(roast[:1]), at) == ""  # without charge nothing counts from it
    assert unusual(RoastState.of([unknown, roast[1]]), at) == ""
    assert since(RoastState.of([*roast, begun]), at).partition("; ")[2] == said  # as the boards have it


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (100.0, "first crack, usually 7:27 to 9:42 on this machine, of 12 roasts."),
        (500.0, "first crack, usually 7:27 to 9:42 on this machine, of 12 roasts."),
        (620.0, "first crack, which usually comes by 9:42 on this machine; trust your own ears, f marks it by hand."),
    ],
)
def test_what_is_usual_here_is_what_comes_next(at: float, said: str) -> None:
    """Unless the person has said when they expect it, or charge is not known."""
    usual = Settings(usual_start=UsualStart(510.0, 0.08, 12)).as_fields()
    charge = Event("charge", 20.0, 20.0, None, 1, "x", {"how": "key"})
    press = {"charge": "c", "first_crack.start": "f"}

    def next_of(about: dict[str, object], *events: Event) -> str:
        started = Event("roast.start", 0.0, 0.0, None, 0, "x", {"settings": usual, "about": about})
        return coming(RoastState.of([started, *events]), at, press=press)

    assert next_of({}, charge) == said
    assert "on this machine" not in next_of({})
    assert "expected" in next_of({"expect": [480.0, 540.0]}, charge)
