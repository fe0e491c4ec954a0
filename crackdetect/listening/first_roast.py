"""The first roast, step by step: what a person must know, hear and say before it is listened to.

Each step can be skipped, and is remembered; then it is not shown again.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

from crackdetect.config import Target, parse_weight
from crackdetect.errors import CrackdetectError, DeviceError, InputError
from crackdetect.listening.recording_choice import kept_choice
from crackdetect.roast import cautions
from crackdetect.roast.words import clean
from crackdetect.storage.first_use import Step, is_first_use, remember, was_seen
from crackdetect.storage.paths import settings_file
from crackdetect.terminal.lines import broken, columns, print_line, print_lines
from crackdetect.terminal.question import answered, confirmed, yes_or_no

#: How long the running machine is listened to, seconds.
MACHINE_S = 8.0
#: Where nobody has roasted yet: a small batch, and a development in the usual band (common practice, no source).
COFFEE, BATCH, TARGET = "First coffee", "200g", "1:30"

SKETCH = r"""
                      [mic]   30 to 60 cm away, at the side,
                      / / /   pointing at the drum
      .---------.    / / /
      |  beans  | ) ) )           not above: heat and smoke
      |  drum   |
      '---------' ===> air        not in the air that leaves it
     ----------------------
         table                    not on its table, or on a folded cloth
"""


def guide(data: Path, given: Mapping[str, Any], *, again: bool) -> dict[str, Any]:
    """Leads through all steps; what is given and what the person said of the roast, as options of ``listen``.

    Parameters
    ----------
    data
        The data folder.
    given
        Options of ``listen`` by name; ``None`` is not given.
    again
        Whether steps that were seen are shown as well.

    Raises
    ------
    click.Abort
        On Ctrl-C at a question.
    """

    def due(step: Step, title: str) -> bool:
        print_line()
        if was_seen(data, step) and not again:
            print_line(f"{title}: seen before ('crackdetect first --again' shows it)")
            return False
        print_line(title.upper())
        return True

    remember(data, "guided")
    if due("cautions", "1 of 5  Safety"):
        _safety()
        remember(data, "cautions")
    if due("place", "2 of 5  Where the microphone stands"):
        print_lines(SKETCH.strip("\n").splitlines())
        if confirmed("When it stands there"):
            remember(data, "place")
    if due("machine", "3 of 5  The machine's own noise") and _machine(given.get("device"), given.get("channel")):
        remember(data, "machine")
    if due("sound", "4 of 5  Signals and voice") and _sound():
        remember(data, "sound")
    print_line()
    print_line("5 OF 5  THIS ROAST")
    _say("Enter takes what stands in brackets.")
    told = {**given, **_roast(given)}
    if given.get("record") is None and kept_choice(settings_file()) is None:
        told["record"] = False  # asked about another time: today there is enough to decide
    return told


def offered(data: Path) -> bool:
    """Whether a person who starts for the very first time wants to be guided; asked once."""
    if was_seen(data, "cautions") or not is_first_use(data, "guided"):
        return False
    return yes_or_no("This is your first start. Shall it be step by step: safety, microphone, sound?", True)


def _say(text: str) -> None:
    print_lines(broken(text, columns()))


def _safety() -> None:
    for line in cautions.FIRST_USE:
        print_lines(broken(line, columns(), first="- ", rest="  "))
    confirmed("When you have read it", skip=False)


def _machine(device: str | None, channel: int | None) -> bool:
    """Listens to the machine, and says in words how it will be heard; whether it was done."""
    from crackdetect.audio.microphone import MicrophoneSource
    from crackdetect.mic.analysis import examine, own_cracks_per_minute
    from crackdetect.mic.hearing import hear_for
    from crackdetect.mic.verdict import judge, machine_told
    from crackdetect.model import shipped
    from crackdetect.terminal.level import level_line

    while True:
        _say(
            "Switch the machine on with its fan running, no beans in it, and no heat where it can run so. Stay beside "
            "it. Where its maker forbids running it empty, skip this."
        )
        if not confirmed(f"To let it be listened to for {MACHINE_S:g} s"):
            return False
        try:
            with closing(MicrophoneSource(device, channel=channel)) as microphone, level_line() as line:
                heard = hear_for(microphone, MACHINE_S, peak=line.show)
            findings = examine(heard, samplerate=microphone.samplerate)
        except (DeviceError, InputError) as error:
            _say(f"{_capital(str(error))}.")
        else:
            verdict = judge(findings, None, running=True)
            own = own_cracks_per_minute(heard, samplerate=microphone.samplerate, model=shipped().classifier)
            _say(f"{microphone.name}: {verdict.sentence}")
            for sentence in (machine_told(own), verdict.delay, verdict.most):
                _say(sentence)
            if verdict.fit == "good":
                return True
        if not yes_or_no("Listen once more?", True):
            return True


def _sound() -> bool:
    """Sounds the signal of first crack, and asks whether it was heard; whether it was."""
    from crackdetect.sound.player import Player
    from crackdetect.sound.voice import find_voice

    while True:
        if not confirmed("To hear the signal of first crack and the voice"):
            return False
        try:
            player = Player(volume=0.8)
            player.play("first_crack", enough=lambda: False)
        except CrackdetectError as error:
            _say(f"{_capital(str(error))}.")
            _say("Without sound the board is all there is: keep it in sight. It says NO SOUND as long as that is so.")
        else:
            voice = find_voice(volume=0.8)
            if voice is None or not voice.speak("First crack began 12 seconds ago.", enough=lambda: False):
                _say("This system has no voice that works; there are signals only.")
            if yes_or_no("Did you hear it, above the machine?", True):
                return True
            _say("Turn the loudspeaker up, or bring it nearer.")
        if not yes_or_no("Once more?", True):
            return False


def _roast(given: Mapping[str, Any]) -> dict[str, str]:
    """Coffee, batch and target, each with a default: as given, else of the last roast, where there is one."""
    names = ("coffee", "batch", "target")
    coffee, batch, target = (given.get(name) or last for name, last in zip(names, _last(), strict=True))
    told = {"coffee": answered("Coffee", default=coffee, read=lambda text: clean(text) or coffee)}
    told["batch"] = answered("Batch, green weight", default=batch, read=_checked_weight)
    told["target"] = answered("Target, development as a time or share", default=target, read=_checked_target)
    return told


def _checked_weight(text: str) -> str:
    parse_weight(text, name="batch")
    return text


def _checked_target(text: str) -> str:
    Target.parse(text)
    return text


def _last() -> tuple[str, str, str]:
    from crackdetect.storage.roast_store import RoastLog

    try:
        with RoastLog() as log:
            roast = next(iter(log.roasts(most=1)), None)
    except CrackdetectError:  # its own commands tell of it
        roast = None
    if roast is None:
        return COFFEE, BATCH, TARGET
    batch = BATCH if roast.green_g is None else f"{roast.green_g:g}g"
    target = TARGET if roast.target is None else str(roast.target)
    return roast.coffee or COFFEE, batch, target


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
