"""``crackdetect listen``."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import click

from crackdetect.cli.options import (
    device_option,
    hearing_options,
    is_text,
    live_channel_option,
    model_option,
    roast_now,
    roast_options,
    time_of,
    untaught_option,
)
from crackdetect.terminal.lines import tell

if TYPE_CHECKING:
    from crackdetect.audio.microphone import MicrophoneSource
    from crackdetect.blocks import Source
    from crackdetect.config import About, Settings
    from crackdetect.deciding.tracker import Asked
    from crackdetect.hearing.onset import Cell
    from crackdetect.listening.kept_roast import KeptRoast, Webhooks
    from crackdetect.listening.live_roast import LiveRoast, Telling
    from crackdetect.model import Model
    from crackdetect.notice import Notices
    from crackdetect.page.address import Place
    from crackdetect.pipeline import Pipeline
    from crackdetect.settings.precedence import Resolved
    from crackdetect.storage.recovery import CutOff
    from crackdetect.terminal.teller import Teller


@click.command(name="listen")
@device_option
@click.option("--list", "list_devices", is_flag=True, help="List the microphones and end.")
@live_channel_option
@roast_options
@hearing_options
@click.option("--expect", metavar="FROM-TO", help="Roast time in which first crack is expected (8:00-10:00).")
@click.option("--cool", metavar="TIME", help="Cooling time after the drop (2:00), with a signal at its end.")
@click.option("--max-development", metavar="TIME", help="Development past this is cautioned (3:00).")
@click.option(
    "--charge-at", metavar="TIME", help="When the beans go in, since listening began; 0:00 = start at charge."
)
@click.option("--plain", is_flag=True, default=None, help="Lines instead of the board.")
@click.option("--quiet", is_flag=True, default=None, help="No sound.")
@click.option("--volume", type=click.IntRange(0, 100), metavar="PERCENT", help="Of signals and speech.  [default: 80]")
@click.option("--speech/--no-speech", default=None, help="Speak the alerts, where the system has a voice.")
@click.option("--ticks/--no-ticks", default=None, help="Tick softly 10 and 5 seconds before the target.")
@click.option(
    "--resume/--new",
    "resumed",
    default=None,
    help="If the last roast was cut off and may still be running: resume it, or begin a new one. Default: ask.",
)
@click.option(
    "--record/--no-record",
    default=None,
    help="Record the sound beside the events (FLAC). Default: as you answered when first asked; no without an answer.",
)
@click.option(
    "--page",
    is_flag=False,
    flag_value="here",
    metavar="[lan]",
    help="The board in a browser too: on this computer, with lan on phones in the same network.",
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
@model_option
@untaught_option
def command(
    list_devices: bool,
    form: str | None,
    charge_at: str | None,
    resumed: bool | None,
    model_path: Path | None,
    untaught: bool,
    **given: Any,
) -> None:
    """Hear a roast through a microphone, live: on the board, in sound and speech, in lines or as JSON Lines.

    On a terminal the board shows one large clock, what is heard and what comes next; its keys are your own marks, which
    outrank what was heard: c charge, f first crack, s second crack, d drop, u undo (of the last key or announcement), e
    end. In lines, type the letter and Enter. Ctrl-C ends the roast with its summary.

    The roast is written down as it happens and goes into the log at its end; one that was cut off is found at the next
    start. A microphone that is lost is waited for while the clocks go on.

    Put the microphone near the roaster, out of heat and air stream; 'crackdetect mic' checks it. First crack can be
    announced after 20 s of listening. Hands-free is not unattended: stay beside the roaster all the time.

    What you always give belongs into the settings file ('crackdetect settings'); target, window, batch and machine are
    remembered from the last roast of a coffee.

    Exit codes: 0 ended by you, 4 no microphone, or it was lost (what was heard is told); 6 or 8 the roast could not be
    kept, or not be put into the log (it was heard all the same, and the next start tries the log again).

    Example: crackdetect listen --coffee "Meadow Lane" --batch 200g --target 1:45 --expect 8:00-10:00 --cool 2:00
    """
    if list_devices:
        from crackdetect.audio import devices
        from crackdetect.terminal.devices import print_devices

        print_devices(devices.list_devices())
        return
    if form is None:
        given = _guided(given)
    code = listen(given, form=form, charge_at=charge_at, resumed=resumed, model_path=model_path, untaught=untaught)
    raise click.exceptions.Exit(code)


def _guided(given: dict[str, Any]) -> dict[str, Any]:
    """On a person's very first start, step by step if they want that."""
    from crackdetect.listening import first_roast
    from crackdetect.storage import paths
    from crackdetect.terminal.question import can_answer

    data = paths.data_folder()
    return first_roast.guide(data, given, again=False) if can_answer() and first_roast.offered(data) else given


def listen(
    given: Mapping[str, Any],
    *,
    form: str | None = None,
    charge_at: str | None = None,
    resumed: bool | None = None,
    model_path: Path | None = None,
    untaught: bool = False,
) -> int:
    """From the options to the roast's place in the log; the exit code. given: options that are settings, by name."""
    from crackdetect.listening import resume
    from crackdetect.listening.kept_roast import KeptRoast
    from crackdetect.listening.last_time import last_time
    from crackdetect.listening.live_roast import LiveRoast
    from crackdetect.listening.other_machine import listens_for_another
    from crackdetect.listening.other_microphone import listens_to_the_microphone
    from crackdetect.model import load_model
    from crackdetect.settings.precedence import resolve
    from crackdetect.settings.remembered import last_of
    from crackdetect.settings.renamed import convert
    from crackdetect.storage import boot_clock, paths
    from crackdetect.terminal.question import asker
    from crackdetect.terminal.teller import Teller

    convert(paths.settings_file(), tell=tell)
    held = resolve(given, environment=os.environ, path=paths.settings_file(), last_of=last_of)
    settings, shipped = _wishes(held, charge_at=charge_at), load_model(model_path)
    webhooks, place = _webhooks(held), _place(held)
    data, ask = paths.data_folder(), asker()
    model = shipped
    cut_off = resume.settle(data, model, wanted=resumed, ask=ask, tell=tell)
    if not untaught:
        machine = held["machine"].value if cut_off is None else cut_off.state.about.machine
        model = _knowing(model, machine, data)
        if cut_off is None:
            settings = _timed(settings, held, data)
    notices: Notices = SimpleQueue()
    open_microphone = _opener(held, cut_off, notices)
    record = _recording_wanted(held, given.get("record"), cut_off, ask=ask, open_microphone=open_microphone)
    microphone, opened = open_microphone(), boot_clock.now()  # from here on its sound waits
    name, folder = (roast_now(), None) if cut_off is None else (cut_off.state.roast, cut_off.folder)
    teller = Teller(notices)
    click.get_current_context().call_on_close(teller.close)
    kept = KeptRoast(data, name, folder=folder, tell=teller.complain)
    _tell_beforehand(held, microphone, data, new=cut_off is None)
    before = () if cut_off is None else resume.told_before(cut_off)
    telling = _telling(held, form)
    last = last_time(data, coffee=held["coffee"].value, green_g=held["batch"].value)
    roast = LiveRoast(microphone, telling, teller=teller, before=before, notices=notices, last_time=last)
    if place is not None:
        roast.attach_page(place, data, kept.roast)
    roast.attach()
    if ask is not None and cut_off is None:
        first = microphone
        microphone = _when_read(data, first, open_microphone, kept)
        opened = opened if microphone is first else boot_clock.now()
    started = datetime.now().astimezone() if cut_off is None or cut_off.started is None else cut_off.started
    about = _about(held, microphone.name, started)
    trace = listens_for_another(shipped, model, data=data, notices=notices)
    overhear = listens_to_the_microphone(model, samplerate=microphone.samplerate, data=data, notices=notices)
    pipeline = _pipeline(model, microphone, kept.roast, settings, about, cut_off, trace=trace, overhear=overhear)
    if not telling.board:
        tell("Listening; end the roast with Ctrl-C.")
    attach = partial(
        kept.attach,
        roast.attachments,
        samplerate=microphone.samplerate,
        position=pipeline.position,
        record=record,
        webhooks=webhooks,
        started=started,
        notices=notices,
        opened=opened,
    )
    source = _continued(microphone, pipeline.position, cut_off, notices)
    return _heard(roast, kept, source, pipeline, attach=attach, ask=ask, teller=teller)


def _knowing(model: Model, machine: str | None, data: Path) -> Model:
    """The model, with what is known of the machine; said where anything is."""
    from crackdetect.storage import machine_profiles

    model = machine_profiles.knowing(model, machine, data=data, note=lambda sentence: tell(f"note: {sentence}"))
    if model.taught is not None:
        of = f"machine {model.taught.machine!r}" if model.taught.machine else "this machine"
        tell(f"note: {of} is known from {model.taught.roasts} roasts; --untaught hears as shipped")
    return model


def _timed(settings: Settings, held: Mapping[str, Resolved], data: Path) -> Settings:
    """The settings, with when first crack usually comes on this machine; said where that is known."""
    from dataclasses import replace

    from crackdetect.listening.usual_here import usual_here

    usual = usual_here(data, machine=held["machine"].value, coffee=held["coffee"].value, green_g=held["batch"].value)
    if usual is None:
        return settings
    tell(f"note: first crack: {usual}, counted from charge")
    return replace(settings, usual_start=usual)


def _heard(
    roast: LiveRoast,
    kept: KeptRoast,
    source: Source,
    pipeline: Pipeline,
    *,
    attach: Callable[[], None],
    ask: Callable[[str, bool], bool] | None,
    teller: Teller,
) -> int:
    """The roast to its end, and into the log; the exit code. attach: what keeps it, behind what tells it."""
    wanted = True
    try:
        with roast.attachments.after:
            attach()
            code = roast.hear(source, pipeline)
        by_person = code == 0 and roast.signalled_by is None  # after a signal nobody may be there to answer
        if ask is not None and by_person and pipeline.state.interrupted_at is None and _is_empty(pipeline):
            teller.close()  # what it has still to write comes before the question
            wanted = ask("Nothing was marked and nothing cracked. Save it?", False)
    finally:  # whatever is wrong with the terminal, the roast is kept
        identity = kept.finish() if wanted else None
        teller.close()
    if identity is not None:
        tell(_saved(identity))
    elif not wanted:
        kept.discard()
        tell("The roast is not saved.")
    return code or kept.exit_code


def _when_read(
    data: Path, microphone: MicrophoneSource, open_microphone: Callable[[], MicrophoneSource], kept: KeptRoast
) -> MicrophoneSource:
    """The microphone, once the person has read the notes of a first roast; closed until then, for it would hear."""
    from crackdetect.storage.first_use import is_first_use
    from crackdetect.terminal.question import confirmed

    if not is_first_use(data, "listened"):
        return microphone
    microphone.close()
    try:
        confirmed("When you have read this, to begin listening", skip=False)
    except click.Abort:
        kept.discard()
        raise
    return open_microphone()


def _continued(microphone: MicrophoneSource, position: int, cut_off: CutOff | None, notices: Notices) -> Source:
    """The microphone; of a roast that was cut off, behind the gap since then."""
    from crackdetect.listening.resume import ContinuedSource

    if cut_off is None:
        return microphone
    return ContinuedSource(microphone, began_s=cut_off.began_s, position=position, notices=notices)


def _is_empty(pipeline: Pipeline) -> bool:
    """Whether nothing of a roast was heard, marked or given."""
    state = pipeline.state
    moments = (state.charge, state.first_crack, state.second_crack, state.drop)
    return state.series.crack_count == 0 and all(moment is None for moment in moments)


def _saved(identity: str) -> str:
    """The roast by its number in the log, and the next step."""
    from crackdetect.storage.roast_store import number_of

    number = number_of(identity)
    then = f"crackdetect log note {number} --cup balanced (or grassy, under, over, burnt, stalled)"
    return f"Roast {number} saved. When you have tasted it: {then}"


def _wishes(held: Mapping[str, Resolved], *, charge_at: str | None) -> Settings:
    """What the pipeline is to know before the roast. Charge may still be heard or marked, so a ratio needs none."""
    from crackdetect.config import Settings

    return Settings(
        charge_at=time_of(charge_at, name="charge-at"),
        target=held["target"].value,
        cool_s=held["cool"].value,
        sensitivity=held["sensitivity"].value,
    )


def _webhooks(held: Mapping[str, Resolved]) -> Webhooks:
    """Checked before anything is listened to. Raises SettingError, MissingPartError."""
    from crackdetect.listening.kept_roast import Webhooks

    secret = held["webhook_secret_file"]
    # one of the environment has its own place in the order in which secrets are looked for
    named = secret.value is not None and not secret.origin.startswith("environment")
    return Webhooks.checked(
        held["webhook"].value,
        events=held["webhook_events"].value,
        secret_file=Path(secret.value) if named else None,
        tell=lambda sentence: tell(f"note: {sentence}"),
    )


def _place(held: Mapping[str, Resolved]) -> Place | None:
    """The address of the page, taken before anything is listened to. Raises SettingError, MissingPartError."""
    if held["page"].value is None:
        return None
    from crackdetect.errors import require
    from crackdetect.page.address import open_place

    require("page")
    place = open_place(held["page"].value)
    click.get_current_context().call_on_close(place.listening.close)
    return place


def _opener(held: Mapping[str, Resolved], cut_off: CutOff | None, notices: Notices) -> Callable[[], MicrophoneSource]:
    """What opens the microphone; of a roast that is gone on with, the same one at the same rate."""
    from crackdetect.audio import microphone as capture

    device, samplerate = held["device"].value, None
    if cut_off is not None:
        samplerate = cut_off.state.samplerate
        if not held["device"].said:
            device = cut_off.state.about.microphone
    return partial(
        capture.MicrophoneSource,
        device,
        channel=held["channel"].value,
        samplerate=samplerate,
        wait_s=capture.WAIT_S,
        notices=notices,
    )


def _recording_wanted(
    held: Mapping[str, Resolved],
    option: bool | None,
    cut_off: CutOff | None,
    *,
    ask: Callable[[str, bool], bool] | None,
    open_microphone: Callable[[], MicrophoneSource],
) -> bool:
    """Whether the sound is recorded. option: of ``--record``, else a roast that is gone on with stays as it was."""
    from crackdetect.listening.recording_choice import recording_wanted
    from crackdetect.storage import paths

    def ask_with_microphone(question: str, usual: bool) -> bool:
        # nobody is asked about the sound of a microphone that is not there; open, it would hear while the answer is
        # thought about
        open_microphone().close()
        assert ask is not None
        return ask(question, usual)

    record = held["record"].value if option is not None or cut_off is None else cut_off.was_recorded
    asking = None if ask is None else ask_with_microphone
    return recording_wanted(record, settings=paths.settings_file(), ask=asking, tell=tell)


def _about(held: Mapping[str, Resolved], microphone: str, started: datetime) -> About:
    """What was said of the roast, with what the computer knows of it."""
    from crackdetect.config import About

    return About(
        **{name: held[name].value for name in ("coffee", "process", "origin", "machine", "expect")},
        green_g=held["batch"].value,
        microphone=microphone,
        started=started.isoformat(),
    )


def _pipeline(
    model: Model,
    microphone: MicrophoneSource,
    roast: str,
    settings: Settings,
    about: About,
    cut_off: CutOff | None,
    *,
    trace: Callable[[Asked], object],
    overhear: Callable[[Sequence[Cell]], object],
) -> Pipeline:
    """Of a new roast; of one that is gone on with, as it was."""
    from crackdetect.pipeline import Pipeline

    before = None if cut_off is None else cut_off.state
    return Pipeline(
        samplerate=microphone.samplerate,
        model=model,
        settings=settings if before is None else before.settings,
        roast=roast,
        source="microphone",
        about=about if before is None else before.about,
        state=before,
        trace=trace,
        overhear=overhear if before is None else None,  # the microphone is known by a roast's first minute
    )


def _tell_beforehand(held: Mapping[str, Resolved], microphone: MicrophoneSource, data: Path, *, new: bool) -> None:
    """Cautions, what is special about the microphone, and what a new roast has from the last one of its coffee."""
    from crackdetect.audio.recording_notes import rate_note
    from crackdetect.roast import cautions
    from crackdetect.settings.shown import shown_value
    from crackdetect.storage.first_use import is_first_use

    for caution in cautions.FIRST_ROAST if is_first_use(data) else (cautions.ALWAYS,):
        tell(caution)
    for note in (microphone.channel_note, rate_note(microphone.samplerate)):
        if note:
            tell(f"note: {note}")
    for name in ("target", "expect", "batch", "machine"):
        if new and "last roast" in held[name].origin:
            tell(f"{name} {shown_value(name, held[name].value)}, as in the {held[name].origin}")


def _telling(held: Mapping[str, Resolved], form: str | None) -> Telling:
    from crackdetect.listening.live_roast import Telling, may_board

    return Telling(
        text=is_text(form),
        board=form is None and not held["plain"].value and may_board(),
        sound=not held["quiet"].value,
        speech=held["speech"].value,
        ticks=held["ticks"].value,
        volume=held["volume"].value / 100,
        max_development_s=held["max_development"].value,
    )
