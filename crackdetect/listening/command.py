"""``crackdetect listen``."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import click

from crackdetect.errors import DeviceError
from crackdetect.options import (
    complain,
    given_live_channel,
    given_model,
    is_text,
    of_the_roast,
    roast_now,
    shared,
    sink_of,
    tell,
    teller,
)

if TYPE_CHECKING:
    from crackdetect.alerts import Alerts
    from crackdetect.capture import MicrophoneSource
    from crackdetect.config import About, Settings
    from crackdetect.events import Event
    from crackdetect.listening.attachments import Attachments
    from crackdetect.listening.board import Board
    from crackdetect.notice import Notices
    from crackdetect.session import Source
    from crackdetect.settings.held import Held
    from crackdetect.sound.own_sound import OwnSound

#: How often the wait for an answer looks whether Ctrl-C was pressed.
WAKE_S = 0.2


@dataclass(frozen=True, slots=True)
class Wanted:
    """How the person wants to be told.

    text: lines to read, else JSON Lines. board: the board instead of lines, which are told when it has closed.
    """

    text: bool
    board: bool


@dataclass(slots=True)
class Listening:
    """What the parts of a live roast share.

    stop: ends it. marks, notices: see ``session.listen``. own_sound: None without sound. lines: those of a roast on the
    board. say: takes sentences for the person while it lasts. before: events of a roast that is gone on with.
    """

    say: Callable[[str], None]
    before: Sequence[Event] = ()
    stop: threading.Event = field(default_factory=threading.Event)
    marks: SimpleQueue[str] = field(default_factory=SimpleQueue)
    notices: Notices = field(default_factory=SimpleQueue)
    own_sound: OwnSound | None = None
    board: Board | None = None
    lines: list[str] = field(default_factory=list)
    begin: Callable[[], None] = lambda: None


@click.command(name="listen")
@click.option("--device", metavar="NAME|N", help="The microphone: its number or a part of its name.")
@click.option("--list-devices", is_flag=True, help="List the microphones and end.")
@given_live_channel
@of_the_roast
@shared
@click.option("--expect", metavar="FROM-TO", help="Roast time in which first crack is expected (8:00-10:00).")
@click.option("--cool", metavar="TIME", help="Cooling time after the drop (2:00), with a signal at its end.")
@click.option("--max-development", metavar="TIME", help="Development past this is cautioned (3:00).")
@click.option(
    "--charge-at", metavar="TIME", help="When the beans go in, from the start of listening; 0:00 = start at charge."
)
@click.option("--plain", is_flag=True, default=None, help="Lines instead of the board.")
@click.option("--quiet", is_flag=True, default=None, help="No sound.")
@click.option("--volume", type=click.IntRange(0, 100), metavar="PERCENT", help="Of signals and speech.  [default: 80]")
@click.option("--speech/--no-speech", default=None, help="Speak the alerts, where the system has a voice.")
@click.option(
    "--go-on/--new",
    "go_on",
    default=None,
    help="If the last roast was cut off and may still be running: go on with it, or begin a new one. Default: ask.",
)
@click.option(
    "--record/--no-record",
    default=None,
    help="Record the sound beside the events (FLAC). Default: as you answered when first asked; no without an answer.",
)
@click.option(
    "--webhook",
    multiple=True,
    metavar="URL",
    help="Send events there; may be repeated. Try it first with 'crackdetect webhook test'.",
)
@click.option(
    "--webhook-events",
    metavar="TYPES",
    help="Which events, with commas between, or all. Default: those a person acts on.",
)
@click.option("--webhook-secret-file", type=click.Path(), help="File that holds the signing secret.")
@given_model
def command(
    list_devices: bool,
    form: str | None,
    charge_at: str | None,
    go_on: bool | None,
    model_path: Path | None,
    **given: Any,
) -> None:
    """Hear a roast through a microphone, live: on the board, in sound and speech, in lines or as JSON Lines.

    On a terminal the board shows one large clock, what is heard and what comes next; its keys are your own marks, which
    outrank what was heard: c charge, f first crack, n not yet (takes back what was said last), s second crack, d drop,
    e end. In lines, type the letter and Enter. Ctrl-C ends the roast with its summary.

    The roast is written down as it happens and goes into the log at its end; one that was cut off is found at the next
    start. A microphone that is lost is waited for while the clocks go on.

    Put the microphone near the roaster, out of heat and air stream; 'crackdetect mic' checks it. First crack can be
    announced after 20 s of listening. Hands-free is not unattended: stay beside the roaster all the time.

    What you always give belongs into the settings file ('crackdetect settings'); target, window, weight and machine are
    remembered from the last roast of a coffee.

    Exit codes: 0 ended by you, 4 no microphone, or it was lost (what was heard is told); 6 or 8 the roast could not be
    kept, or not be put into the log (it was heard all the same, and the next start tries the log again).

    Example: crackdetect listen --coffee "Meadow Lane" --green 200g --target 1:45 --expect 8:00-10:00 --cool 2:00
    """
    from crackdetect import capture

    if list_devices:
        show_devices(capture.list_devices())
        return
    from crackdetect import batch, cautions, places, session
    from crackdetect.listening import going_on, recording_choice
    from crackdetect.listening.attachments import ObservedSource
    from crackdetect.listening.kept import KeptRoast, Webhooks
    from crackdetect.pipeline import Pipeline
    from crackdetect.settings.held import hold
    from crackdetect.settings.remembered import last_of
    from crackdetect.settings.shown import shown_value

    held = hold(given, environment=os.environ, path=places.settings_file(), last_of=last_of)
    values = {name: one.value for name, one in held.items()}
    settings = wishes_of(held, charge_at=charge_at)
    model = batch.load_model(model_path)
    sending = Webhooks.checked(
        values["webhook"],
        events=values["webhook_events"],
        secret_file=secret_file_of(held["webhook_secret_file"]),
    )
    data, ask = places.data_folder(), asker()
    cut_off = going_on.settle(data, model, wanted=go_on, ask=ask, tell=tell)
    so_far = None if cut_off is None else cut_off.so_far
    record = values["record"]
    if given["record"] is None and cut_off is not None:
        record = cut_off.was_recorded
    listening = Listening(say=complain, before=() if cut_off is None else going_on.told_before(cut_off))
    open_microphone = partial(
        capture.MicrophoneSource,
        values["device"] if so_far is None or held["device"].said else so_far.about.microphone,
        channel=values["channel"],
        samplerate=None if so_far is None else so_far.samplerate,
        wait_s=capture.WAIT_S,
        notices=listening.notices,
    )

    def ask_of_recording(question: str, usual: bool) -> bool:
        # nobody is asked about the sound of a microphone that is not there; open, it would hear while the answer is
        # thought about
        open_microphone().close()
        assert ask is not None
        return ask(question, usual)

    recording = recording_choice.recording_wanted(
        record, settings=places.settings_file(), ask=None if ask is None else ask_of_recording, tell=tell
    )
    microphone = open_microphone()
    started = datetime.now().astimezone()
    if cut_off is not None and cut_off.started is not None:
        started = cut_off.started
    kept = KeptRoast(
        data,
        roast_now() if so_far is None else so_far.roast,
        folder=None if cut_off is None else cut_off.folder,
        tell=complain,
    )
    pipeline = Pipeline(
        samplerate=microphone.samplerate,
        model=model,
        settings=settings if so_far is None else so_far.settings,
        roast=kept.roast,
        source="microphone",
        about=about_roast(values, microphone.name, started) if so_far is None else so_far.about,
        so_far=so_far,
    )
    for caution in cautions.before_listening(data):
        tell(caution)
    for note in (microphone.channel_note, batch.rate_note(microphone.samplerate)):
        if note:
            tell(f"note: {note}")
    for name in ("target", "expect", "green", "machine"):
        if "last roast" in held[name].origin and so_far is None:
            tell(f"{name} {shown_value(name, values[name])}, as in the {held[name].origin}")
    wanted = Wanted(is_text(form), board=form is None and not values["plain"] and may_board())
    attachments = attach(listening, microphone, wanted, values)
    if not wanted.board:
        tell("Listening; end the roast with Ctrl-C.")
    position = pipeline.position
    with attachments.after:
        kept.attach(
            attachments,
            samplerate=microphone.samplerate,
            position=position,
            record=recording,
            webhooks=sending,
            started=started,
            notices=listening.notices,
        )
        source: Source = microphone
        if so_far is not None:
            source = going_on.ContinuedSource(
                source, started=started.timestamp(), position=position, notices=listening.notices
            )
        source = ObservedSource(source, attachments.observers)
        if listening.own_sound is not None:
            from crackdetect.sound.own_sound import MaskedSource

            source = MaskedSource(source, listening.own_sound)

        def hear() -> int:
            return session.listen(
                source,
                pipeline,
                attachments.sinks,
                stop=listening.stop,
                marks=listening.marks,
                notices=listening.notices,
                say=listening.say,
            )

        code = hear_on_board(listening, hear) if listening.board is not None else hear_in_lines(listening, hear)
    if (identity := kept.finish()) is not None:
        tell(f"The roast is in the log as {identity}.")
    raise click.exceptions.Exit(code or kept.exit_code)


def secret_file_of(held: Held) -> Path | None:
    """As the person named it; one of the environment has its own place in the order in which secrets are looked for."""
    return Path(held.value) if held.value is not None and not held.origin.startswith("environment") else None


def wishes_of(held: Mapping[str, Held], *, charge_at: str | None) -> Settings:
    """What the pipeline is to know before the roast. Charge may still be heard or marked, so a ratio needs none."""
    from crackdetect.config import Settings, parse_time

    return Settings(
        charge_at=None if charge_at is None else parse_time(charge_at, name="charge-at"),
        target=held["target"].value,
        cool_s=held["cool"].value,
        sensitivity=held["sensitivity"].value,
    )


def about_roast(values: Mapping[str, Any], microphone: str, started: datetime) -> About:
    """What was said of the roast, with what the computer knows of it."""
    from crackdetect.config import About

    return About(
        **{name: values[name] for name in ("coffee", "process", "origin", "machine", "expect")},
        green_g=values["green"],
        microphone=microphone,
        started=started.isoformat(),
    )


def may_board() -> bool:
    """Whether a full screen can be shown here: a terminal on all three sides that understands more than lines."""
    streams = (sys.stdin, sys.stdout, sys.stderr)
    return all(stream is not None and stream.isatty() for stream in streams) and os.environ.get("TERM") != "dumb"


def attach(
    listening: Listening, microphone: MicrophoneSource, wanted: Wanted, values: Mapping[str, Any]
) -> Attachments:
    """Everything that follows this roast. A new sink, observer or thing to close is entered here."""
    from crackdetect.listening.attachments import Attachments
    from crackdetect.listening.awake import awake
    from crackdetect.mic.silent_check import SilentCheck

    attachments = Attachments()
    attachments.after.enter_context(awake(lambda sentence: tell(f"note: {sentence}")))
    attachments.observers.append(SilentCheck(samplerate=microphone.samplerate, notices=listening.notices))
    name = f"Microphone {microphone.name}"
    if wanted.board and attach_board(listening, attachments, microphone, values):
        told = sink_of(True, name=name, write=listening.lines.append)
        attachments.sinks.append(told)
    else:
        told = sink_of(wanted.text, name=name, write=teller(True))
        attachments.sinks.append(told)
        if wanted.text and sys.stdin is not None and sys.stdin.isatty():
            from crackdetect.listening.typed_keys import HINT, TypedKeys

            typed = TypedKeys(marks=listening.marks, end=listening.stop.set, say=complain)
            attachments.sinks.append(typed)
            for event in listening.before:
                typed.send(event)
            listening.begin = typed.begin
            tell(HINT)
    if wanted.text or listening.board is not None:  # the person sees the roast from its start; a program has had it
        for event in listening.before:
            told.send(event)
    if not values["quiet"]:
        attach_sound(listening, attachments, values)
    return attachments


def attach_board(
    listening: Listening, attachments: Attachments, microphone: MicrophoneSource, values: Mapping[str, Any]
) -> bool:
    """Whether there is a board; where its library is missing a sentence says so, and lines do."""
    try:
        from crackdetect.listening.board import Board
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "textual":
            raise
        tell("The board is not installed (pip install 'crackdetect[board]'); the roast is told in lines.")
        return False
    from crackdetect.listening.level_watch import LevelWatch

    level = LevelWatch()
    listening.board = Board(
        device=microphone.name,
        marks=listening.marks,
        end=listening.stop.set,
        alerts=alerts_so_far(listening, values),
        level=level,
        begin=lambda: listening.begin(),
    )
    attachments.observers.append(level)
    attachments.sinks.append(listening.board)
    return True


def alerts_so_far(listening: Listening, values: Mapping[str, Any]) -> Alerts:
    """Knows what was before; that does not call for anybody once more."""
    from crackdetect.alerts import Alerts

    alerts = Alerts(max_development_s=values["max_development"])
    for event in listening.before:
        alerts.push(event)
    return alerts


def attach_sound(listening: Listening, attachments: Attachments, values: Mapping[str, Any]) -> None:
    """Signals and speech, and the mask that keeps them from being heard. Without a loudspeaker a sentence says so."""
    from crackdetect.sound.announcer import Announcer
    from crackdetect.sound.own_sound import OwnSound
    from crackdetect.sound.player import Player
    from crackdetect.sound.voice import find_voice

    volume = values["volume"] / 100
    try:
        player = Player(volume=volume)
        player.check()
    except DeviceError as error:
        tell(f"note: {error}")
        return
    listening.own_sound = OwnSound()
    announcer = Announcer(
        alerts_so_far(listening, values),
        player=player,
        voice=find_voice(volume=volume) if values["speech"] else None,
        own_sound=listening.own_sound,
        say=lambda sentence: listening.say(sentence),
    )
    attachments.sinks.append(announcer)
    attachments.after.callback(announcer.close)


def hear_in_lines(listening: Listening, hear: Callable[[], int]) -> int:
    listening.begin()
    return hear()


def hear_on_board(listening: Listening, hear: Callable[[], int]) -> int:
    """The roast on the board; when it has closed, all of it is told in lines, and what was said meanwhile."""
    from crackdetect.console import write_line
    from crackdetect.listening import on_board

    board = listening.board
    assert board is not None
    told: list[str] = []

    def say(sentence: str) -> None:
        told.append(sentence)
        board.say(sentence)

    listening.say = say
    hearing = on_board.Hearing(hear, finished=board.finished)
    listening.begin = hearing.begin
    try:
        return on_board.run(board, hearing, stop=listening.stop, say=complain)
    finally:
        for line in listening.lines:
            write_line(sys.stdout, line)
        for sentence in told:
            complain(sentence)


def asker() -> Callable[[str, bool], bool] | None:
    """Asks the person at the terminal (question, usual answer); ``None`` where there is nobody.

    What is not done unless somebody wants it takes a yes; all else is a no, and is not asked again.
    """
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return None

    def ask(question: str, usual: bool) -> bool:
        tell(question)
        try:
            with _woken():
                if usual:
                    return click.confirm("Your answer", default=True, err=True)
                answer = click.prompt("Your answer [y/N]", default="", show_default=False, err=True)
        except click.Abort:
            click.echo(err=True)  # what comes now is not to stand behind the question
            raise
        return answer.strip().casefold() in ("y", "yes")

    return ask


@contextmanager
def _woken() -> Iterator[None]:
    """Wakes a read that waits, so that Python looks at its signals: a Ctrl-C that came just before the read, or to
    another thread, would else be heeded only after the answer. Main thread only."""
    if sys.platform == "win32":  # has no such timer
        yield
        return
    before = signal.signal(signal.SIGALRM, lambda number, frame: None)
    signal.setitimer(signal.ITIMER_REAL, WAKE_S, WAKE_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def show_devices(devices: Sequence[Any]) -> None:
    from crackdetect.console import write_line

    if not devices:
        raise DeviceError("no microphone was found; plug one in, or allow this program to use it")
    for device in devices:
        plural = "channel" if device.channels == 1 else "channels"
        chosen = ", the default" if device.default else ""
        write_line(sys.stdout, f"{device.index:>3}  {device.name}")
        write_line(sys.stdout, f"     {device.host_api}, {device.channels} {plural}, {device.samplerate:,} Hz{chosen}")
