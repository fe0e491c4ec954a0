"""``crackdetect listen``."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import click

from crackdetect.errors import DeviceError
from crackdetect.options import (
    complain,
    given_channel,
    given_model,
    is_text,
    roast_now,
    settings_of,
    shared,
    sink_of,
    tell,
    teller,
)

if TYPE_CHECKING:
    from crackdetect.capture import MicrophoneSource
    from crackdetect.config import Sensitivity
    from crackdetect.listening.attachments import Attachments
    from crackdetect.notice import Notices
    from crackdetect.session import Source


@dataclass(frozen=True, slots=True)
class Wanted:
    """How the person wants to be told. text: lines to read, else JSON Lines."""

    text: bool


@click.command(name="listen")
@click.option("--device", metavar="NAME|N", help="The microphone: its number or a part of its name.")
@click.option("--list-devices", is_flag=True, help="List the microphones and end.")
@given_channel
@shared
@click.option(
    "--charge-at", metavar="TIME", help="When the beans go in, from the start of listening; 0:00 = start at charge."
)
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
    "webhooks",
    multiple=True,
    metavar="URL",
    envvar="CRACKDETECT_WEBHOOK",
    help="Send events there; may be repeated. Try it first with 'crackdetect webhook test'.",
)
@click.option(
    "--webhook-events",
    metavar="TYPES",
    help="Which events, with commas between, or all. Default: those a person acts on.",
)
@click.option("--webhook-secret-file", type=click.Path(path_type=Path), help="File that holds the signing secret.")
@given_model
def command(
    device: str | None,
    list_devices: bool,
    channel: int | None,
    form: str | None,
    target: str | None,
    sensitivity: Sensitivity,
    charge_at: str | None,
    go_on: bool | None,
    record: bool | None,
    webhooks: tuple[str, ...],
    webhook_events: str | None,
    webhook_secret_file: Path | None,
    model_path: Path | None,
) -> None:
    """Hear a roast through a microphone, live. Ctrl-C ends it with the summary.

    The roast is written down as it happens and goes into the log at its end; one that was cut off is found at the next
    start. A microphone that is lost is waited for while the clocks go on.

    Put the microphone near the roaster, out of heat and air stream, and switch off noise reduction and automatic
    level. First crack can be announced after 20 s of listening. Stay beside the roaster all the time.

    Exit codes: 0 ended by you, 4 no microphone, or it was lost (what was heard is told).

    Example: crackdetect listen --device 2 --charge-at 0:00 --target 1:45
    """
    from crackdetect import capture

    if list_devices:
        show_devices(capture.list_devices())
        return
    from crackdetect import batch, cautions, places, session
    from crackdetect.config import About
    from crackdetect.listening import going_on, recording_choice
    from crackdetect.listening.attachments import ObservedSource
    from crackdetect.listening.kept import KeptRoast, Webhooks
    from crackdetect.pipeline import Pipeline

    settings = settings_of(charge_at=charge_at, drop_at=None, target=target, sensitivity=sensitivity)
    model = batch.load_model(model_path)
    sending = Webhooks.checked(webhooks, events=webhook_events, secret_file=webhook_secret_file)
    data, ask = places.data_folder(), asker()
    cut_off = going_on.settle(data, model, wanted=go_on, ask=ask, tell=tell)
    so_far = None if cut_off is None else cut_off.so_far
    if record is None and cut_off is not None:
        record = cut_off.was_recorded
    recording = recording_choice.recording_wanted(record, settings=places.settings_file(), ask=ask, tell=tell)
    notices: Notices = SimpleQueue()
    microphone = capture.MicrophoneSource(
        device if so_far is None else device or so_far.about.microphone,
        channel=channel,
        samplerate=None if so_far is None else so_far.samplerate,
        wait_s=capture.WAIT_S,
        notices=notices,
    )
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
        about=About(microphone=microphone.name, started=started.isoformat()) if so_far is None else so_far.about,
        so_far=so_far,
    )
    for caution in cautions.before_listening(data):
        tell(caution)
    for note in (microphone.channel_note, batch.rate_note(microphone.samplerate)):
        if note:
            tell(f"note: {note}")
    tell("Listening; end the roast with Ctrl-C.")
    attachments = attach(microphone, Wanted(is_text(form)))
    position = pipeline.position
    with attachments.after:
        kept.attach(
            attachments,
            samplerate=microphone.samplerate,
            position=position,
            record=recording,
            webhooks=sending,
            started=started,
            notices=notices,
        )
        source: Source = microphone
        if so_far is not None:
            source = going_on.ContinuedSource(source, started=started.timestamp(), position=position, notices=notices)
        source = ObservedSource(source, attachments.observers)
        code = session.listen(source, pipeline, attachments.sinks, notices=notices, say=complain)
    kept.finish()
    raise click.exceptions.Exit(code)


def attach(microphone: MicrophoneSource, wanted: Wanted) -> Attachments:
    """Everything that follows this roast. A new sink, observer or thing to close is entered here."""
    from crackdetect.listening.attachments import Attachments

    attachments = Attachments()
    attachments.sinks.append(sink_of(wanted.text, name=f"Microphone {microphone.name}", write=teller(True)))
    return attachments


def asker() -> Callable[[str, bool], bool] | None:
    """Asks the person at the terminal (question, usual answer); ``None`` where there is nobody."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return None
    return lambda question, usual: click.confirm(question, default=usual, err=True)


def show_devices(devices: Sequence[Any]) -> None:
    from crackdetect.console import write_line

    if not devices:
        raise DeviceError("no microphone was found; plug one in, or allow this program to use it")
    for device in devices:
        plural = "channel" if device.channels == 1 else "channels"
        chosen = ", the default" if device.default else ""
        write_line(sys.stdout, f"{device.index:>3}  {device.name}")
        write_line(sys.stdout, f"     {device.host_api}, {device.channels} {plural}, {device.samplerate:,} Hz{chosen}")
