"""``crackdetect teach``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from crackdetect.cli import completing
from crackdetect.cli.kept_roasts import MOST_ROASTS, count, heard_again, print_comparison, spoken
from crackdetect.cli.options import jobs_of, jobs_option, model_option
from crackdetect.terminal.lines import print_line, print_lines, tell

if TYPE_CHECKING:
    from crackdetect.model import Model
    from crackdetect.roast.record import Roast, RoastRecord
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.teach.machine_profile import MachineProfile
    from crackdetect.teach.sound_sums import SoundSums


@click.command(name="teach")
@click.argument("machine", required=False, shell_complete=completing.machines)
@click.option("--undo", is_flag=True, help="What was known of the machine before holds again.")
@click.option(
    "--export",
    "out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write what is known of the machine to a file, to share it or to move it: its name, numbers and labels.",
)
@click.option(
    "--import",
    "file",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Take over such a file, after showing what it holds; with MACHINE under that name.",
)
@click.option(
    "--with-sound",
    is_flag=True,
    help="With --export: the recordings of its roasts as well, with all that was said in your kitchen.",
)
@click.option("--replace", is_flag=True, help="With --export: the file may be there already.")
@jobs_option("Roasts heard at the same time.", default=None)
@model_option
def command(
    machine: str | None,
    undo: bool,
    out: Path | None,
    file: Path | None,
    with_sound: bool,
    replace: bool,
    jobs: int | None,
    model_path: Path | None,
) -> None:
    """Let it learn your roaster from the roasts that you recorded.

    MACHINE is the name that you gave to 'listen --machine'; "" are the roasts without one. Without MACHINE: the only
    machine of the log, or a list of them.

    Every recorded roast of that machine is heard again, and each is judged by what all the others teach. What is learnt
    is used from then on by 'listen' and 'analyze' with that machine, if it is better on your own roasts; --untaught
    does without once. Answers in 'crackdetect review' and first crack where you marked it teach most. Nothing leaves
    this computer.

    Example: crackdetect teach "blue drum"
    """
    from crackdetect.errors import SettingError
    from crackdetect.model import load_model
    from crackdetect.storage import paths
    from crackdetect.storage.roast_store import RoastLog

    if sum((undo, out is not None, file is not None)) > 1:
        raise click.UsageError("--undo, --export and --import exclude each other; give one of them")
    if with_sound and out is None:
        raise click.UsageError("--with-sound is a wish for --export; name the file there")
    data = paths.data_folder()
    if file is not None:
        _take_over(file, machine, load_model(model_path), data)
        return
    with RoastLog() as log:
        roasts = log.roasts()
        name = _machine(machine, roasts, data)
        if name is None and (undo or out is not None):
            raise SettingError("several machines are in the log; name one, as 'crackdetect teach' lists them")
        if name is None:
            _list(log, roasts, data)
        elif undo:
            _undo(name, data)
        elif out is not None:
            own = [roast for roast in roasts if _is_of(roast, name)]
            _share(name, out, data, own if with_sound else None, replace=replace)
        else:
            _teach(name, log, roasts, load_model(model_path), data, jobs=jobs_of(jobs))


def _machine(given: str | None, roasts: Sequence[Roast], data: Path) -> str | None:
    """The machine that is meant, as the log or the data folder spells it; None: one of several.

    Raises SettingError where the log knows none of that name.
    """
    from crackdetect.errors import SettingError
    from crackdetect.roast.words import clean, near_miss

    names = _names(roasts, data)
    if given is None:
        if not names:
            raise SettingError("no roast is in the log yet; record some: crackdetect listen --record --machine NAME")
        if len(names) == 1:
            return names[0]
        return None
    wanted = clean(given) or ""
    for name in names:
        if name.casefold() == wanted.casefold():
            return name
    near = near_miss(wanted, [name for name in names if name])
    hint = f"did you mean {near!r}?" if near else "'crackdetect teach' lists those that are"
    raise SettingError(f"no roast on the machine {given!r} is in the log; {hint}")


def _names(roasts: Sequence[Roast], data: Path) -> list[str]:
    """Of all machines, as they were written last; those of the latest roasts first."""
    from crackdetect.storage import machine_profiles

    spelt = [*(roast.machine or "" for roast in roasts), *(one.machine for one in machine_profiles.known(data=data))]
    return list({name.casefold(): name for name in reversed(spelt)}.values())[::-1]


def _list(log: RoastLog, roasts: Sequence[Roast], data: Path) -> None:
    """The machines, what is known of each, and what would help most next."""
    from crackdetect.storage import machine_profiles
    from crackdetect.storage.kept_sound import is_kept
    from crackdetect.teach.advice import advice
    from crackdetect.teach.lesson import is_said

    profiles = {profile.machine.casefold(): profile for profile in machine_profiles.known(data=data)}
    print_line("Machines in the log; teach one with: crackdetect teach MACHINE")
    for name in _names(roasts, data):
        own = [roast for roast in roasts if _is_of(roast, name)]
        corrections = log.corrections(own)
        recorded = [roast for roast in own if is_kept(roast, folder=data)]
        profile = profiles.get(name.casefold())
        known = "not taught" if profile is None else f"taught by {count(len(profile.roasts))}"
        print_line(f"  {spoken(name)}: {count(len(own))}, {known}")
        answers = sum(len(corrections[roast.number].cracks) for roast in recorded)
        said = sum(map(is_said, recorded))
        print_line(f"    {len(recorded)} recorded, first crack said in {said} of them, {answers} sounds answered")
        _print_usual(roasts, name, indent="    ")
        if profile is not None:
            _print_loudness(profile.sound, indent="    ")
        print_line(f"    next: {advice(name, recorded, corrections)}")


def _print_usual(roasts: Sequence[Roast], name: str, *, indent: str = "") -> None:
    """When first crack usually comes on a machine, whatever the coffee, where that is known."""
    from crackdetect.roast.usual_start import usual_start

    usual = usual_start(roasts, machine=name, coffee=None, green_g=None)
    if usual is not None:
        print_line(f"{indent}first crack of a new coffee: {usual}")


def _print_loudness(sound: SoundSums, *, indent: str = "") -> None:
    """How loud its cracks are, and how many sounds could be some."""
    from crackdetect.teach.sound_sums import loudness_told

    print_lines([f"{indent}{sentence}" for sentence in loudness_told(sound)])


def _teach(name: str, log: RoastLog, roasts: Sequence[Roast], model: Model, data: Path, *, jobs: int) -> None:
    """Hears, compares, and adopts what is better."""
    from crackdetect.errors import ModelError
    from crackdetect.storage import machine_profiles
    from crackdetect.teach.comparison import LEAST, compared
    from crackdetect.teach.machine_profile import MachineProfile, RoastLabels, weighed

    if model.own_machine is None:
        raise ModelError(f"model {model.name} does not learn machines; take the shipped one")
    own = [roast for roast in roasts if _is_of(roast, name) and roast.recording is not None]
    records = [log.record(roast) for roast in reversed(own[:MOST_ROASTS])]
    teaching = heard_again(records, model, data, jobs=jobs)
    sure = sum(one.lesson.said for _, one in teaching)
    if sure < LEAST:
        print_line(
            f"{count(len(teaching))} of {spoken(name)} can teach, {sure} with a first crack that you marked, "
            f"confirmed or corrected. It takes {LEAST} such roasts to tell whether teaching helps: press f when you "
            "hear it, or use crackdetect review."
        )
        _print_advice(name, records, data)
        return
    _print_usual(roasts, name)
    sound = weighed([one.sound for _, one in teaching])
    _print_loudness(sound)
    before, after = compared([one for _, one in teaching], model.own_machine)
    print_comparison(spoken(name), before, after)
    if not after.better_than(before):
        print_line("It is not better on your own roasts, so nothing has changed.")
        if _known(name, data) is not None:
            print_line("What was taught before is still used; --undo takes it back.")
        _print_advice(name, records, data)
        return
    sums = weighed([one.sums for _, one in teaching])
    labels = tuple(RoastLabels.of(one.lesson) for _, one in teaching)
    identities = tuple(record.roast.identity for record, _ in teaching)
    profile = MachineProfile(name, model.digest, identities, sums, labels=labels, sound=sound)
    if profile.says_the_same_as(_known(name, data)):
        print_line("That is known already; nothing has changed.")
        _print_advice(name, records, data)
        return
    kept = machine_profiles.adopt(profile, data=data)
    used = f"listen --machine {_quoted(name)}" if name else "listen"
    print_line(f"It is better on your own roasts: 'crackdetect {used}' uses it from now on ({kept.digest}).")
    print_line(f"Take it back with: crackdetect teach {_quoted(name)} --undo")
    _print_advice(name, records, data)


def _is_of(roast: Roast, machine: str) -> bool:
    return (roast.machine or "").casefold() == machine.casefold()


def _known(name: str, data: Path) -> MachineProfile | None:
    """What is known of the machine, if it can be read."""
    from crackdetect.errors import InputError, ModelError
    from crackdetect.storage import machine_profiles

    try:
        return machine_profiles.find(name, data=data)
    except (InputError, ModelError):
        return None


def _print_advice(name: str, records: Sequence[RoastRecord], data: Path) -> None:
    """What would help most next. records: oldest first."""
    from crackdetect.storage.kept_sound import is_kept
    from crackdetect.teach.advice import advice

    recorded = [record.roast for record in reversed(records) if is_kept(record.roast, folder=data)]
    corrections = {record.roast.number: record.corrections for record in records}
    print_line(f"What helps most next: {advice(name, recorded, corrections)}")


def _undo(name: str, data: Path) -> None:
    from crackdetect.storage import machine_profiles

    before = machine_profiles.undo(name, data=data)
    if before is None:
        print_line(f"Nothing is known of {spoken(name)} any more: it is heard as shipped.")
    else:
        print_line(f"What {count(len(before.roasts))} taught of {spoken(name)} holds again ({before.digest}).")


def _share(name: str, out: Path, data: Path, roasts: Sequence[Roast] | None, *, replace: bool) -> None:
    """Writes what is known of the machine; with the recordings of these roasts, where any are given."""
    from crackdetect.errors import InputError
    from crackdetect.storage import machine_profiles, machine_sharing
    from crackdetect.terminal.question import asker

    profile = machine_profiles.find(name, data=data)
    if profile is None:
        raise InputError(f"nothing is known of {spoken(name)} yet; teach it first")
    sound = None if roasts is None else _recordings(profile, roasts, data)
    if sound:
        told = f"{_recorded(len(sound), sum(path.stat().st_size for path in sound.values()))} of your kitchen"
        tell(f"note: {told}, with all that was said in it, go into the file: whoever has the file can hear them")
        ask = asker()
        if ask is not None and not ask("Write them?", False):
            print_line("Nothing was written.")
            return
    size = machine_sharing.write(profile, out, sound=sound, replace=replace)
    print_line(
        f"wrote {out} ({size / 1e6:.1f} MB): {spoken(name)}, taught by {count(len(profile.roasts))}; the machine's "
        f"name, numbers and labels, {f'the sound of {count(len(sound))}' if sound else 'no sound'} and no name of a "
        "roast"
    )


def _recordings(profile: MachineProfile, roasts: Sequence[Roast], data: Path) -> dict[int, Path]:
    """Recordings of the profile's roasts, by their place there. Raises InputError where there are none."""
    from crackdetect.errors import InputError
    from crackdetect.storage.kept_sound import own_recording

    known, found = {roast.identity: roast for roast in roasts}, {}
    for place, identity in enumerate(profile.roasts):
        if identity not in known:
            continue
        try:
            found[place] = own_recording(known[identity], folder=data)
        except InputError as error:
            tell(f"note: {error}")
    if not found:
        raise InputError(
            f"no recording of the roasts that taught {spoken(profile.machine)} is here; without --with-sound what they "
            "taught can be written"
        )
    return found


def _recorded(recordings: int, size: int) -> str:
    return f"{recordings} recording{'' if recordings == 1 else 's'}, {size / 1e6:.1f} MB,"


def _take_over(file: Path, named: str | None, model: Model, data: Path) -> None:
    from dataclasses import replace

    from crackdetect.errors import ModelError
    from crackdetect.roast.words import clean
    from crackdetect.storage import machine_profiles, machine_sharing
    from crackdetect.terminal.question import asker

    shared = machine_sharing.read(file)
    profile = shared.profile
    if named is not None:
        profile = replace(profile, machine=clean(named) or "")
    sums = profile.sums
    print_lines(
        [
            f"{file} holds {spoken(profile.machine)}, taught by {count(len(profile.roasts))}:",
            f"  {sums.machine:.0f} sounds of the machine and {sums.cracks:.0f} cracks, as numbers",
            *([f"  {_labelled(profile)}"] if profile.labels else []),
        ]
    )
    _print_loudness(profile.sound, indent="  ")
    if shared.recordings:
        told = _recorded(shared.recordings, shared.sound_bytes)
        print_line(f"  {told} which stay in the file; a program for ZIP archives takes them out")
    if not profile.fits(model):
        raise ModelError(
            f"{file} was made with another model than {model.name} {model.digest[:8]}, so it says nothing here; ask "
            "for one that was made with that, or teach it your own roasts"
        )
    print_line(f"  made with the model that hears here, {model.name} {model.digest[:8]}")
    ask = asker()
    if ask is not None and not ask("Use it from now on?", True):
        print_line("Nothing has changed.")
        return
    machine_profiles.adopt(profile.foreign(), data=data)
    print_line(f"It is heard by from now on. Take it back with: crackdetect teach {_quoted(profile.machine)} --undo")
    tell("note: whether it is better on your own roasts nobody has looked at")


def _labelled(profile: MachineProfile) -> str:
    """What people have said of its roasts."""
    said = sum(one.said for one in profile.labels)
    answers = [is_crack for one in profile.labels for _, is_crack in one.answers]
    return (
        f"labels: first crack as a person has it in {said} of {count(len(profile.labels))}, "
        f"{len(answers)} sounds answered, {sum(answers)} of them cracks"
    )


def _quoted(name: str) -> str:
    return f'"{name}"'
