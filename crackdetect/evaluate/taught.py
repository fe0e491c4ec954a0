"""What teaching is worth: machines of the wide family, taught by some roasts as ``teach`` does, judged by the next.

A machine is drawn from one seed and each roast on it from another. Every recording is heard once; what each way of
teaching would have made of it is asked of the stage that learns the machine (:mod:`crackdetect.teach.heard_again`), so
nothing here decides anything itself. Machines come in pairs, for one way is to load the other's profile by mistake.

The person is drawn too: first crack is marked some seconds late, and the answers are those of the truth, to what
``review`` asks once ``teach`` has heard a roast.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.deciding.machine_sums import taught
from crackdetect.deciding.own_machine import OwnMachineModel
from crackdetect.errors import ModelError
from crackdetect.evaluate import real_sounds
from crackdetect.evaluate.announcement import Announcement, score_announcement
from crackdetect.evaluate.detection import Candidate, TrueCracks, score_detection
from crackdetect.evaluate.real_sounds import RealSounds
from crackdetect.evaluate.run import make
from crackdetect.evaluate.sets import SAMPLERATES, Task, others_of_its_kind
from crackdetect.model import Model
from crackdetect.pipeline import CRACK_FROM
from crackdetect.roast.corrections import Corrections, CrackLabel
from crackdetect.roast.doubtful import doubtful
from crackdetect.roast.record import Crack, Moment, Roast, RoastRecord
from crackdetect.running.parallel import imap
from crackdetect.synth.plan import plan_roast
from crackdetect.synth.truth import Truth
from crackdetect.synth.wide import RECORDED
from crackdetect.teach.comparison import LEAST, TeachingRoast, Told, compared
from crackdetect.teach.heard_again import Answers, HeardAgain, answers_of, hear_again
from crackdetect.teach.machine_profile import weighed
from crackdetect.teach.whose_machine import WhoseMachine
from crackdetect.train.labelled_rows import IGNORED, OTHER, label
from crackdetect.train.scenes import FIRST_SEED

#: Roasts of a machine that may teach, and those that judge, after them.
MOST_TAUGHT, JUDGED = 5, 2
#: Machines at most: each has ten numbers for its roasts.
MOST_MACHINES = 1_000
#: Cracks of this and more must be found, dB.
FROM_DB = 8.0
#: Answers that a person gives in a roast: two minutes of ``review``.
_CARDS = 20
#: How late first crack is marked: mean and standard deviation, seconds (chosen).
_MARKED_LATE_S = (4.0, 4.0)
_KITCHEN_S = 600.0
_BY, _WHEN = "the truth", "2026-01-01T00:00:00.000+00:00"


@dataclass(frozen=True, slots=True)
class Way:
    """One way of teaching.

    Attributes
    ----------
    name : str
    roasts : int
        How many teach, at most MOST_TAUGHT.
    says : {"all", "cards", "mark"}
        What the person says of each: what every sound was, and when first crack began; when it began, some seconds
        late, and the answers to what ``review`` asks; or only the former.
    wrong : float
        Share of the answers that are wrong.
    late_s : float
        First crack is marked so much later still, seconds.
    mistaken : bool
        The roasts are those of the other machine of the pair.
    """

    name: str
    roasts: int
    says: Literal["all", "cards", "mark"]
    wrong: float = 0.0
    late_s: float = 0.0
    mistaken: bool = False


_SAID = {"all": "every sound", "cards": f"{_CARDS} answers", "mark": "the mark only"}
UNTAUGHT = "untaught"
WAYS: tuple[Way, ...] = (
    *(
        Way(f"{count} roast{'s' if count > 1 else ''}, {said}", count, says)  # type: ignore[arg-type]
        for count in (1, 2, MOST_TAUGHT)
        for says, said in _SAID.items()
    ),
    Way("2 roasts, a fifth of the answers wrong", 2, "cards", wrong=0.2),
    Way("2 roasts, marked 30 s late", 2, "mark", late_s=30.0),
    Way("2 roasts of another machine", 2, "cards", mistaken=True),
)
#: After the name of a way: what holds if it is used only where ``teach`` finds it better on the roasts that taught.
IF_BETTER = ", if better"


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """How the roasts and kitchens that did not teach are heard.

    Attributes
    ----------
    false, cracks : float64, shape (n,)
        Probabilities of sounds that were no cracks, and of the cracks from FROM_DB on.
    announcements : tuple of Announcement
        Of the roasts, then of the kitchens.
    """

    false: Doubles
    cracks: Doubles
    announcements: tuple[Announcement, ...]


@dataclass(frozen=True, slots=True, eq=False)
class TaughtMachine:
    """One machine.

    Attributes
    ----------
    kind : str
    minutes, quiet_hours : float
        Length of the roasts, and of the kitchens, that judge.
    ways : dict of str to Judged
        UNTAUGHT, each way by its name, and with IF_BETTER those that ``teach`` can judge.
    compared : dict of str to (Told, Told) or None
        Of the latter, how ``teach`` found the roasts that taught to be heard, as shipped and taught by the others; None
        where too few of them taught.
    misheard, noticed : int
        In how many of the JUDGED roasts this machine was said to sound like the other of its pair, where this one was
        named, and where the other was; both known by two roasts.
    """

    kind: str
    minutes: float
    quiet_hours: float
    ways: dict[str, Judged]
    compared: dict[str, tuple[Told, Told] | None]
    misheard: int = 0
    noticed: int = 0

    def to_dict(self) -> dict[str, Any]:
        """As JSON takes it."""
        ways = {
            name: {
                "false": one.false.round(4).tolist(),
                "cracks": one.cracks.round(4).tolist(),
                "delays_s": [announcement.delay_s for announcement in one.announcements],
                "false_announcements": [announcement.false for announcement in one.announcements],
            }
            for name, one in self.ways.items()
        }
        plain = {name: getattr(self, name) for name in ("kind", "minutes", "quiet_hours", "misheard", "noticed")}
        compared = {name: both and [asdict(told) for told in both] for name, both in self.compared.items()}
        return plain | {"compared": compared, "ways": ways}

    def adopts(self, way: str) -> bool:
        """Whether ``teach`` finds a way of ``compared`` better."""
        both = self.compared[way]
        return both is not None and both[1].better_than(both[0])


@dataclass(frozen=True, slots=True, eq=False)
class _Heard:
    """A recording, heard once."""

    seed: int
    truth: Truth
    heard: HeardAgain
    untaught: Answers


@dataclass(frozen=True, slots=True, eq=False)
class _Machine:
    """All that was recorded on a machine."""

    kind: str
    teaching: list[_Heard]
    judging: list[_Heard]
    kitchens: list[_Heard]


def teach_machines(
    *,
    machines: int,
    quiet_hours: float,
    seed: int,
    model: Model,
    sounds: Path | None = None,
    families: Sequence[str] = (),
    ways: Sequence[Way] = WAYS,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Callable[[int], None] = lambda done: None,
) -> list[TaughtMachine]:
    """Draws, teaches and judges machines; the same for the same arguments.

    Parameters
    ----------
    machines : int
        2 to MOST_MACHINES; an odd one is made even.
    quiet_hours : float
        Of kitchens on all machines together, in which nothing cracks.
    seed : int
        0 to 999.
    model : Model
        That learns machines.
    sounds : pathlib.Path or None
        Folder of real sounds, of which the side is used that never trains.
    families : sequence of str
        Of ``synth.wide.FAMILIES``: each machine is of one of them, in turn; without any, of all.
    ways : sequence of Way
    jobs, cluster
        See :func:`crackdetect.running.parallel.imap`.
    progress : callable
        Called with the number of machines done.

    Raises
    ------
    ModelError
        When the model does not learn machines.
    """
    if model.own_machine is None:
        raise ModelError(f"model {model.name} does not learn machines; take the shipped one")
    kitchens = round(quiet_hours * 3600 / _KITCHEN_S)
    pairs = [(2 * pair, 2 * pair + 1) for pair in range((machines + 1) // 2)]
    of_machine = [range(kitchens)[number :: 2 * len(pairs)] for pair in pairs for number in pair]
    items = [(pair, (of_machine[pair[0]], of_machine[pair[1]])) for pair in pairs]
    work = partial(_pair, seed=seed, model=model, sounds=sounds, families=tuple(families), ways=tuple(ways))
    found: dict[int, tuple[TaughtMachine, TaughtMachine]] = {}
    for number, both in imap(work, items, jobs=jobs, cluster=cluster):
        found[number] = both
        progress(2 * len(found))
    return [machine for number in sorted(found) for machine in found[number]]


def _pair(
    item: tuple[tuple[int, int], tuple[range, range]],
    *,
    seed: int,
    model: Model,
    sounds: Path | None,
    families: Sequence[str],
    ways: Sequence[Way],
) -> tuple[TaughtMachine, TaughtMachine]:
    real = None if sounds is None else real_sounds.load(sounds)
    of = [families[number % len(families)] if families else None for number in item[0]]
    one, other = (
        _machine(number, kitchens, model, seed=seed, sounds=real, family=family)
        for number, kitchens, family in zip(*item, of, strict=True)
    )
    assert model.own_machine is not None
    return _taught(one, other, model.own_machine, ways), _taught(other, one, model.own_machine, ways)


def _machine(
    number: int, kitchens: range, model: Model, *, seed: int, sounds: RealSounds | None, family: str | None
) -> _Machine:
    """Renders and hears all of a machine."""
    tasks = roast_tasks(number, seed=seed, sounds=sounds, family=family)
    roasts = [_heard(task, model, sounds) for task in tasks]
    tasks = kitchen_tasks(number, kitchens, seed=seed, sounds=sounds, family=family)
    quiet = [_heard(task, model, sounds) for task in tasks]
    kind = str((roasts[0].truth.plan or {})["wide"]["machine"]["kind"])
    return _Machine(kind, roasts[:MOST_TAUGHT], roasts[MOST_TAUGHT:], quiet)


def _heard(task: Task, model: Model, sounds: RealSounds | None) -> _Heard:
    signal = make(task, sounds)
    heard = hear_again(signal.blocks, samplerate=signal.samplerate, model=model)
    assert model.own_machine is not None
    return _Heard(task.seed, signal.truth, heard, answers_of(heard, model.own_machine))


def roast_tasks(number: int, *, seed: int, sounds: RealSounds | None, family: str | None = None) -> Iterator[Task]:
    """The roasts of a machine, those that teach first. family: that it is of, None: any."""
    first = _machine_seed(number, seed)
    for i in range(MOST_TAUGHT + JUDGED):
        yield _task(first + i, number, "roast", seed=seed, sounds=sounds, family=family)


def kitchen_tasks(
    number: int, kitchens: range, *, seed: int, sounds: RealSounds | None, family: str | None = None
) -> Iterator[Task]:
    """Recordings of a machine in which nothing cracks. kitchens: their numbers among those of all machines."""
    for i in kitchens:
        own = FIRST_SEED["taught kitchen"] + seed * 10_000 + i
        yield _task(own, number, "kitchen", seed=seed, sounds=sounds, family=family, duration_s=_KITCHEN_S)


def _machine_seed(number: int, seed: int) -> int:
    return FIRST_SEED["taught"] + seed * 10_000 + 10 * number


def _task(
    own: int,
    number: int,
    scenario: str,
    *,
    seed: int,
    sounds: RealSounds | None,
    family: str | None,
    duration_s: float | None = None,
) -> Task:
    """A recording of a machine, in its place and by its microphone."""
    beds = sorted(sounds.machines()) if sounds is not None else []
    cracks, bed = (tuple(sorted(sounds.cracks)), beds[seed % len(beds)]) if sounds is not None and beds else ((), None)
    lent = sounds.bank(cracks=cracks, bed=bed) if sounds is not None and cracks else None
    rng = np.random.default_rng([own, 9])
    disturbed = scenario == "kitchen" and lent is not None and bool(lent.distractors) and rng.random() < 0.5
    plan = plan_roast(
        seed=own,
        scenario=scenario,
        samplerate=SAMPLERATES[number % len(SAMPLERATES)],
        duration_s=duration_s,
        real_distractor_rate_per_minute=float(rng.uniform(5, 30)) if disturbed else 0.0,
        family="wide",
        machine_seed=_machine_seed(number, seed),
        leave_out=frozenset() if family is None else others_of_its_kind(family),
        sounds=lent,
    )
    recorded = plan.wide is not None and not plan.wide.families.isdisjoint(RECORDED)
    lends = (cracks, bed) if recorded else ((), None)
    return Task("taught", scenario, "plan", own, plan.duration_s, plan, *lends)


# -- what the person says --------------------------------------------------------------------------------------


def record_of(way: Way, *, seed: int, truth: Truth, heard: HeardAgain, untaught: Answers) -> RoastRecord:
    """The roast as the log would know it.

    Parameters
    ----------
    way : Way
    seed : int
        Of the roast.
    truth : Truth
        In which first crack begins.
    heard : HeardAgain
    untaught : Answers
        What was said of it.
    """
    assert truth.first_crack_start_s is not None
    labels, _, _ = label(np.array(heard.times), truth)
    truly = {
        time: None if kind == IGNORED else bool(kind > OTHER)
        for time, kind in zip(heard.times, labels.tolist(), strict=True)
    }
    rng = np.random.default_rng([seed, 21])
    if way.says == "all":
        start = Moment(heard_s=untaught.announced_s, corrected=True, entered_s=truth.first_crack_start_s)
    else:
        marked_s = truth.first_crack_start_s + float(rng.normal(*_MARKED_LATE_S)) + way.late_s
        start = Moment(heard_s=untaught.announced_s, marked_s=max(0.0, marked_s))
    moments = {"first_crack.start": start, "charge": Moment(marked_s=truth.charge_s)}
    moments |= {"drop": Moment(marked_s=truth.drop_s)}
    roast = Roast(seed, str(seed), "2026-01-01", _WHEN, moments=moments)
    sounds = [
        Crack(time, "first", probability, math.nan)
        for time, probability in zip(heard.times, untaught.probabilities.tolist(), strict=True)
    ]
    record = RoastRecord(roast, cracks=tuple(one for one in sounds if one.probability >= CRACK_FROM))
    unsaid = [one for one in sounds if one.probability < CRACK_FROM]
    if way.says == "mark":
        return record
    listened = (
        heard.times if way.says == "all" else [one.crack.at_s for one in doubtful(record, most=_CARDS, unsaid=unsaid)]
    )
    wrong = rng.random(len(listened)) < way.wrong
    answers = (
        CrackLabel(time, (not truly[time]) if slipped and truly[time] is not None else truly[time], _BY, _WHEN)
        for time, slipped in zip(listened, wrong.tolist(), strict=True)
    )
    return replace(record, corrections=Corrections(tuple(answers)))


# -- taught and judged -----------------------------------------------------------------------------------------


def _taught(one: _Machine, other: _Machine, own: OwnMachineModel, ways: Sequence[Way]) -> TaughtMachine:
    """What each way of teaching makes of a machine. other: the one whose profile is loaded by mistake."""
    judging = [*one.judging, *one.kitchens]
    untaught = _judged(judging, [recording.untaught for recording in judging])
    found: dict[str, Judged] = {UNTAUGHT: untaught}
    told: dict[str, tuple[Told, Told] | None] = {}
    for way in ways:
        roasts = _teaching((other if way.mistaken else one).teaching[: way.roasts], way)
        known = _known(roasts, own)
        found[way.name] = _judged(judging, [answers_of(recording.heard, known) for recording in judging])
        if way.roasts >= LEAST and not way.mistaken:
            told[way.name + IF_BETTER] = compared(roasts, own) if len(roasts) >= LEAST else None
    here, there = (_known(_teaching(m.teaching[:2], Way("", 2, "cards")), own) for m in (one, other))
    machines = {"here": here, "there": there}
    machine = TaughtMachine(
        kind=one.kind,
        minutes=sum(roast.truth.duration_s for roast in one.judging) / 60,
        quiet_hours=sum(kitchen.truth.duration_s for kitchen in one.kitchens) / 3600,
        ways=found,
        compared=told,
        misheard=sum(_sounds_like_another(roast.heard, "here", machines, own) for roast in one.judging),
        noticed=sum(_sounds_like_another(roast.heard, "there", machines, own) for roast in one.judging),
    )
    better = {name: found[name.removesuffix(IF_BETTER)] if machine.adopts(name) else untaught for name in told}
    return replace(machine, ways=found | better)


def _teaching(heard: Sequence[_Heard], way: Way) -> list[TeachingRoast]:
    """Those of them that teach something, as ``teach`` takes them."""
    found = []
    for one in heard:
        if not one.heard.candidates:
            continue
        record = record_of(way, seed=one.seed, truth=one.truth, heard=one.heard, untaught=one.untaught)
        teaching = TeachingRoast.of(record, one.heard, one.untaught)
        if not teaching.lesson.question:
            found.append(teaching)
    return found


def _known(roasts: Sequence[TeachingRoast], own: OwnMachineModel) -> OwnMachineModel:
    """What knows the machine of these roasts; without any, what is shipped."""
    return taught(own, weighed([roast.sums for roast in roasts])) if roasts else own


def _sounds_like_another(
    heard: HeardAgain, named: str, machines: Mapping[str, OwnMachineModel], own: OwnMachineModel
) -> bool:
    check = WhoseMachine(named, machines, average=own.adaptation)
    return any(check.push(asked) is not None for asked in heard.asked())


def _judged(recordings: Sequence[_Heard], answers: Sequence[Answers]) -> Judged:
    """Holds what was said of recordings against their truth; in kitchens only what was announced counts."""
    false, cracks, announcements = [np.zeros(0)], [np.zeros(0)], []
    for one, said in zip(recordings, answers, strict=True):
        announcements.append(score_announcement(said.announced_s, one.truth))
        if one.truth.first_crack_start_s is None:
            continue
        candidates = list(map(Candidate, one.heard.times, said.probabilities.tolist()))
        detection = score_detection([], TrueCracks.of(one.truth), candidates=candidates)
        false.append(np.array(detection.probabilities)[~np.array(detection.hits, bool)])
        cracks.append(np.array(detection.crack_probabilities)[np.array(detection.crack_snr_db) >= FROM_DB])
    return Judged(np.concatenate(false), np.concatenate(cracks), tuple(announcements))
