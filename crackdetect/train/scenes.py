"""Which scenes are heard for training, calibration and evaluation; their seeds never meet.

Seeds are numbered from a start of their own for each purpose, so that no machine, room, microphone or roast of one
purpose is ever drawn for another.

Most scenes have cracks of 7 to 26 dB in a machine. To three of them comes a plain one: cracks of up to 48 dB in a quiet
machine or a room, among household sounds as loud, or a whole recording of popcorn, its sizzle and falling kernels
between the pops. To twelve comes a bare one: cracks of a single mode in steady noise without a room, as detectors are
compared in (``evaluate/gaussian.py``). To six comes one of a single disturbance in which nothing cracks, and to five
one in which somebody handles things: real sounds, few or many, in bursts as keys are struck.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from crackdetect.blocks import Samples
from crackdetect.errors import SettingError
from crackdetect.synth.chain import Sections, microphone_sections
from crackdetect.synth.plan import Household, Machine, Microphone, RoastPlan, Room, plan_roast
from crackdetect.synth.render import Renderer
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.themes import THEMES, themed
from crackdetect.synth.truth import Truth
from crackdetect.synth.wide import FAMILIES
from crackdetect.train.popcorn import in_machine_noise

#: First seed of each purpose; a purpose has less than ten million scenes.
FIRST_SEED = {"train": 10_000_000, "calibrate": 20_000_000, "evaluate": 30_000_000, "context": 50_000_000}
FIRST_SEED |= {"plain train": 60_000_000, "plain calibrate": 70_000_000}
FIRST_SEED |= {"bare train": 80_000_000, "bare calibrate": 90_000_000}
FIRST_SEED |= {"themed train": 100_000_000, "themed calibrate": 110_000_000}
FIRST_SEED |= {"machine": 180_000_000, "wide": 160_000_000, "long kitchen": 170_000_000, "long roast": 171_000_000}
FIRST_SEED |= {"handling train": 120_000_000, "handling calibrate": 130_000_000, "charge and drop": 140_000_000}
FIRST_SEED |= {"taught": 190_000_000, "taught kitchen": 200_000_000}
SAMPLERATES = (44_100, 48_000, 32_000, 22_050, 16_000)
_RATE_SHARES = (0.55, 0.15, 0.08, 0.07, 0.15)
SCENARIOS = ("chorus", "second", "kitchen", "machine")
_SCENARIO_SHARES = (0.48, 0.17, 0.28, 0.07)
_MACHINE_SCENARIOS, _MACHINE_SHARES = ("roast", "second", "kitchen", "machine"), (0.52, 0.10, 0.26, 0.12)
#: So many ordinary scenes to a plain one, a bare one, one of a single disturbance, and one of handling.
PLAIN_EVERY, BARE_EVERY, THEMED_EVERY, HANDLING_EVERY = 3, 12, 6, 5
_PLAIN_SHARES = (0.6, 0.15, 0.25, 0.0)
_POPCORN_SHARE = 0.3
#: Of the whole scenes; of their kitchens without real sounds, and with them.
_QUIETER_SHARE, _BARE_SHARE = 0.2, 0.06
_THEMED_SHARE, _HANDLING_SHARE = 0.6, 0.6
#: Of handling: with a few sounds, with those of a session that has so many, and with many, half of them short, seconds.
_HANDLING_SHARES, _KEYS_LEAST, _KEY_S = (0.4, 0.35, 0.25), 3, 0.5
#: Before this the machine is hardly known, seconds; so many of the whole scenes that begin so are heard.
_EARLY_S, _EARLY_KEPT = 75.0, 0.25
#: Machine noise before popcorn begins in it, and what is heard of its recording, seconds.
_LEAD_S, _POPCORN_S = 4.0, 40.0


@dataclass(frozen=True, slots=True)
class Scene:
    """A recording to render and hear.

    Attributes
    ----------
    plan : RoastPlan
    scenario : str
        What happens in it, one of SCENARIOS or ``roast``, ``popcorn``.
    real : bool
        Whether it uses real sounds.
    popcorn : int or None
        Number of a whole recording that is played in the plan's machine.
    snr_db : float
        Of its median pop over the noise, dB.
    """

    plan: RoastPlan
    scenario: str
    real: bool
    popcorn: int | None = None
    snr_db: float = 0.0


def scenes(purpose: str, *, count: int, seed: int, bank: SoundBank | None, duration_s: float = 50.0) -> Iterator[Scene]:
    """The short scenes of a purpose; the same for the same arguments.

    Parameters
    ----------
    purpose : {"train", "calibrate"}
    count : int
        Ordinary scenes. Plain ones come to them, a third as many, bare ones (a twelfth), themed ones (a sixth) and such
        of handling (a fifth).
    seed : int
        0 to 999.
    bank : SoundBank or None
        Real sounds.
    duration_s : float
        Of each scene, seconds.
    """
    for i in range(count):
        own_seed = FIRST_SEED[purpose] + seed * 10_000 + i
        rng = np.random.default_rng([own_seed, 7])
        scenario = str(rng.choice(SCENARIOS, p=_SCENARIO_SHARES))
        samplerate = int(rng.choice(SAMPLERATES, p=_RATE_SHARES))
        real = bank is not None and bool(rng.random() < 0.6)
        plan = plan_roast(
            seed=own_seed,
            scenario=scenario,
            samplerate=samplerate,
            duration_s=duration_s,
            **_borrowed(rng, bank if real else None, scenario),
            overrides=_dense(rng, scenario, duration_s),
        )
        yield Scene(plan, scenario, real)
    for i in range(count // PLAIN_EVERY):
        yield _plain_scene(purpose, FIRST_SEED[f"plain {purpose}"] + seed * 10_000 + i, bank, duration_s)
    for i in range(count // BARE_EVERY):
        yield _bare_scene(FIRST_SEED[f"bare {purpose}"] + seed * 10_000 + i, duration_s)
    for i in range(count // THEMED_EVERY):
        yield _themed_scene(FIRST_SEED[f"themed {purpose}"] + seed * 10_000 + i, duration_s)
    for i in range(count // HANDLING_EVERY):
        yield _handling_scene(FIRST_SEED[f"handling {purpose}"] + seed * 10_000 + i, bank, duration_s)


def _handling_scene(own_seed: int, bank: SoundBank | None, duration_s: float) -> Scene:
    rng = np.random.default_rng([own_seed, 7])
    samplerate = int(rng.choice(SAMPLERATES, p=_RATE_SHARES))
    plan = plan_roast(seed=own_seed, scenario="machine", samplerate=samplerate, duration_s=duration_s)
    if bank is not None and bank.distractors:
        plan = replace(plan, household=_handling(rng, bank, duration_s))
    return Scene(plan, "kitchen", bank is not None)


def _handling(rng: np.random.Generator, bank: SoundBank, duration_s: float) -> tuple[Household, ...]:
    """The bank's sounds, half a second of each at most, in bursts with pauses between.

    One to four of them again and again, or those of one session, as the keys of a keyboard are, or many of any.
    """
    together = [session for session in bank.sessions if len(session) >= _KEYS_LEAST]
    among: Sequence[int] = range(len(bank.distractors))
    how = rng.choice(("few", "session", "many"), p=_HANDLING_SHARES)
    if how == "few":
        keys = rng.choice(among, size=int(rng.integers(1, 5))).tolist()
    elif how == "session" and together:
        keys = list(together[int(rng.integers(len(together)))])
    else:
        short = [i for i in among if len(bank.distractors[i]) <= _KEY_S * bank.samplerate]
        keys = rng.choice(short if short and rng.random() < 0.5 else among, size=int(rng.integers(10, 61))).tolist()
    loud, interval_s = float(rng.uniform(4, 36)), 60 / float(np.exp(rng.uniform(np.log(60), np.log(400))))
    found, time = [], float(rng.uniform(1, 10))
    while time < duration_s:
        end = time + float(rng.uniform(3, 15))
        while time < min(end, duration_s):
            found.append(Household(f"real {rng.choice(keys)}", time, 0.5, loud + float(rng.uniform(-4, 4))))
            time += float(rng.gamma(4, interval_s / 4))
        time += float(rng.uniform(3, 20))
    return tuple(found)


def _themed_scene(own_seed: int, duration_s: float) -> Scene:
    rng = np.random.default_rng([own_seed, 7])
    samplerate = int(rng.choice(SAMPLERATES, p=_RATE_SHARES))
    plan = plan_roast(seed=own_seed, scenario="machine", samplerate=samplerate, duration_s=duration_s)
    return Scene(themed(plan, str(rng.choice(THEMES)), rng), "kitchen", False)


def heard_in(count: int) -> int:
    """How many scenes ``count`` of :func:`scenes` are."""
    return count + sum(count // every for every in (PLAIN_EVERY, BARE_EVERY, THEMED_EVERY, HANDLING_EVERY))


def _bare_scene(own_seed: int, duration_s: float) -> Scene:
    rng = np.random.default_rng([own_seed, 7])
    low = float(rng.uniform(5, 14))
    plan = plan_roast(
        seed=own_seed,
        scenario="chorus",
        samplerate=int(rng.choice(SAMPLERATES, p=_RATE_SHARES)),
        duration_s=duration_s,
        overrides={"snr_low_db": low, "snr_high_db": low + 8.0, "strays_per_minute": 0.0}
        | {"room": Room(rt60_s=0.05, direct_db=40.0, early=0), "microphone": Microphone(low_hz=30.0, high_hz=20_000.0)}
        | _dense(rng, "chorus", duration_s),
    )
    machine = Machine(kind="fan", tilt=float(rng.choice([0.0, rng.uniform(0, 1)])), turn_s=0.0, impacts_per_second=0.0)
    colour = replace(plan.colour, centre_hz=5_000.0, spread_octaves=1.5, noise=0.0, doubles=0.0, modes=1)
    return Scene(replace(plan, machine=machine, colour=colour), "chorus", False)


def _plain_scene(purpose: str, own_seed: int, bank: SoundBank | None, duration_s: float) -> Scene:
    rng = np.random.default_rng([own_seed, 7])
    scenario = str(rng.choice(SCENARIOS, p=_PLAIN_SHARES))
    samplerate = int(rng.choice(SAMPLERATES, p=_RATE_SHARES))
    real = bank is not None and bool(rng.random() < 0.6)
    borrowed = _borrowed(rng, bank if real else None, scenario)
    if purpose == "train" and bank is not None and bank.popcorn and rng.random() < _POPCORN_SHARE:
        which, snr_db = int(rng.integers(len(bank.popcorn))), float(rng.uniform(12, 60))
        plan = plan_roast(
            seed=own_seed,
            scenario="machine",
            samplerate=samplerate,
            duration_s=_LEAD_S + _POPCORN_S,
            bed_index=borrowed["bed_index"],
            overrides={"charge_s": None},
        )
        return Scene(plan, "popcorn", True, which, snr_db)
    low = float(rng.uniform(14, 36))
    overrides = {"snr_low_db": low, "snr_high_db": low + float(rng.uniform(4, 12)), "real_distractor_high_db": 45.0}
    plan = plan_roast(
        seed=own_seed,
        scenario=scenario,
        samplerate=samplerate,
        duration_s=duration_s,
        **borrowed,
        overrides=overrides | _dense(rng, scenario, duration_s),
    )
    return Scene(_quieter(plan, float(rng.uniform(0, 14)), still=bool(rng.random() < 0.5)), scenario, real)


def _quieter(plan: RoastPlan, louder_db: float, *, still: bool) -> RoastPlan:
    """The household louder in comparison. still: nothing strikes, knocks or rattles in the machine; noise is all."""
    plan = replace(plan, household=tuple(replace(h, level_db=h.level_db + louder_db) for h in plan.household))
    if not still:
        return plan
    machine = replace(plan.machine, impacts_per_second=0.0, knock_db=None, rattle_per_minute=0.0, tick_per_second=0.0)
    return replace(plan, machine=machine)


def _borrowed(rng: np.random.Generator, bank: SoundBank | None, scenario: str) -> dict[str, Any]:
    """Which real sounds a scene has, as arguments of a plan."""
    crack_share, rate, bed = 0.0, 0.0, None
    if bank is not None:
        if bank.cracks:
            crack_share = float(rng.choice([0.0, 0.5, 1.0], p=[0.25, 0.25, 0.5]))
        if bank.distractors:
            rate = float(rng.choice([0.0, 2.0, 6.0, 15.0], p=[0.4, 0.25, 0.2, 0.15]))
            if scenario == "kitchen":
                rate = float(rng.uniform(5, 30))
        if bank.beds and rng.random() < 0.5:
            bed = int(rng.integers(len(bank.beds)))
    return {"real_crack_fraction": crack_share, "real_distractor_rate_per_minute": rate, "bed_index": bed}


def rendered(scene: Scene, bank: SoundBank | None) -> tuple[Iterator[Samples], Truth]:
    """The samples of a scene, in blocks, and what truly sounds in them. bank: the one that it was chosen for."""
    renderer = Renderer(scene.plan, sounds=bank if scene.real else None)
    if scene.popcorn is None or bank is None:
        return renderer.blocks(), renderer.truth
    from scipy.signal import resample

    rate = scene.plan.samplerate
    rng = np.random.default_rng([scene.plan.seed, 8])
    whole, longest = bank.popcorn[scene.popcorn], int(_POPCORN_S * bank.samplerate)
    offset = int(rng.integers(max(1, len(whole) - longest + 1)))
    part = whole[offset : offset + longest].astype(np.float64)
    part = resample(part, int(len(part) * rate / bank.samplerate / float(rng.uniform(1.0, 1.18))))
    heard = Sections(microphone_sections(scene.plan.microphone, rate))(part).astype(np.float32)
    mixed, truth = in_machine_noise(heard, rate, renderer.render(), lead_s=_LEAD_S, snr_db=scene.snr_db)
    return iter([mixed[: round(truth.duration_s * rate)]]), truth


def whole_scenes(*, count: int, seed: int, bank: SoundBank | None, purpose: str = "context") -> Iterator[Scene]:
    """At most ``count`` scenes, long enough to know a machine by, two roasts to a kitchen or machine.

    They are of all lengths from two and a half minutes, and first crack comes early or late in them: how long it has
    been listening must tell the context classifier little. Of those whose cracks begin before the machine is known
    three in four are left out, for a sound that was there from the beginning is the machine's as a rule.
    """
    for i in range(count):
        own_seed = FIRST_SEED[purpose] + seed * 10_000 + i
        rng = np.random.default_rng([own_seed, 7])
        duration_s = float(rng.uniform(150, 450))
        if rng.random() < _BARE_SHARE:
            scene = _bare_scene(own_seed, duration_s)
            if rng.random() < _EARLY_KEPT:
                yield scene
            continue
        scenario = str(rng.choice(("roast", "second", "kitchen", "machine"), p=(0.56, 0.11, 0.27, 0.06)))
        real = bank is not None and bool(rng.random() < 0.5)
        crack_share, rate, bed = 0.0, 0.0, None
        if real and bank is not None:
            if bank.cracks:
                crack_share = float(rng.choice([0.0, 0.5, 1.0]))
            if bank.distractors:
                rate = float(rng.uniform(5, 30) if scenario == "kitchen" else rng.choice([0.0, 1.0, 3.0, 8.0]))
            if bank.beds and rng.random() < 0.5:
                bed = int(rng.integers(len(bank.beds)))
        plan = plan_roast(
            seed=own_seed,
            scenario=scenario,
            samplerate=int(rng.choice(SAMPLERATES, p=_RATE_SHARES)),
            duration_s=duration_s,
            real_crack_fraction=crack_share,
            real_distractor_rate_per_minute=rate,
            bed_index=bed,
            overrides=_anywhere(rng, duration_s) if scenario == "roast" else None,
        )
        if scenario == "kitchen" and not real and rng.random() < _THEMED_SHARE:
            plan = themed(plan, str(rng.choice(THEMES)), rng)
        if scenario == "kitchen" and bank is not None and real and bank.distractors and rng.random() < _HANDLING_SHARE:
            plan = replace(plan, household=plan.household + _handling(rng, bank, duration_s))
        if rng.random() < _QUIETER_SHARE:
            up = float(rng.uniform(0, 22))
            plan = replace(plan, snr_low_db=plan.snr_low_db + up, snr_high_db=plan.snr_high_db + up)
            plan = _quieter(plan, float(rng.uniform(0, 14)), still=bool(rng.random() < 0.5))
        if plan.first_start_s is not None and plan.first_start_s < _EARLY_S and rng.random() >= _EARLY_KEPT:
            continue
        yield Scene(plan, scenario, real)


def machine_scenes(
    *, count: int, seed: int, bank: SoundBank | None, leave_out: frozenset[str] = frozenset()
) -> Iterator[Scene]:
    """Scenes long enough to learn a machine by.

    ``count`` are of the wide family, of 200 to 560 s; at most 13 of 16 times as many are such as the context classifier
    has (:func:`whole_scenes`), and 3 of 16 times as many are kitchens of 10 minutes and whole roasts each.

    Parameters
    ----------
    count : int
        At most 5,333.
    seed : int
        0 to 999.
    bank : SoundBank or None
        Real sounds.
    leave_out : frozenset of str
        Families (of ``wide.FAMILIES``): scenes on their machines are skipped, the others stay as they are.

    Raises
    ------
    SettingError
        On an unknown family.
    """
    if unknown := leave_out - set(FAMILIES):
        raise SettingError(f"family {min(unknown)!r} is unknown; choose among {', '.join(FAMILIES)}")
    yield from whole_scenes(count=count * 13 // 16, seed=seed, bank=bank, purpose="machine")
    rng = np.random.default_rng(seed + 1)
    for i in range(count):
        scenario = str(rng.choice(_MACHINE_SCENARIOS, p=_MACHINE_SHARES))
        scene = _long_scene("wide", seed * 10_000 + i, scenario, float(rng.uniform(200, 560)), bank)
        if scene.plan.wide is not None and leave_out.isdisjoint(scene.plan.wide.families):
            yield scene
    for purpose, scenario, duration_s in (("long kitchen", "kitchen", 600.0), ("long roast", "roast", None)):
        for i in range(count * 3 // 16):
            yield _long_scene(purpose, seed * 1_000 + i, scenario, duration_s, bank)


def machines_in(count: int) -> int:
    """How many scenes ``count`` of :func:`machine_scenes` are, at most."""
    return count * 13 // 16 + count + 2 * (count * 3 // 16)


def _long_scene(purpose: str, number: int, scenario: str, duration_s: float | None, bank: SoundBank | None) -> Scene:
    own_seed = FIRST_SEED[purpose] + number
    rng = np.random.default_rng([own_seed, 7])
    samplerate = int(rng.choice(SAMPLERATES, p=_RATE_SHARES))
    lent = bank if rng.random() < 0.6 else None
    per_minute = 0.0
    if lent is not None:
        per_minute = float(rng.uniform(5, 30) if scenario == "kitchen" else rng.choice([0, 1, 3, 8]))
    wide: dict[str, Any] = {"family": "wide", "sounds": lent} if purpose == "wide" else {}
    plan = plan_roast(
        seed=own_seed,
        scenario=scenario,
        samplerate=samplerate,
        duration_s=duration_s,
        real_distractor_rate_per_minute=per_minute,
        **wide,
    )
    return Scene(plan, scenario, lent is not None)


def wide_scene(
    own_seed: int,
    *,
    bank: SoundBank | None,
    leave_out: frozenset[str] = frozenset(),
    duration_s: float | None = 50.0,
    machine_seed: int | None = None,
) -> Scene:
    """A scene on a machine of the wide family.

    Parameters
    ----------
    own_seed : int
        Of everything in it.
    bank : SoundBank or None
        Real sounds.
    leave_out : frozenset of str
        Families (of ``wide.FAMILIES``) of which nothing is in it.
    duration_s : float or None
        Of a short scene, in which a chorus is dense, seconds; None = a whole roast or kitchen of 150 to 480 s.
    machine_seed : int, optional
        The same for several scenes with one machine; by default each has its own.
    """
    rng = np.random.default_rng([own_seed, 7])
    scenario = str(rng.choice(SCENARIOS, p=_SCENARIO_SHARES))
    if duration_s is None:
        scenario = str(rng.choice(("roast", "second", "kitchen", "machine"), p=(0.56, 0.11, 0.2, 0.13)))
    real = bank is not None and bool(rng.random() < 0.6)
    lent = bank if real else None
    plan = plan_roast(
        seed=own_seed,
        scenario=scenario,
        samplerate=int(rng.choice(SAMPLERATES, p=_RATE_SHARES)),
        duration_s=duration_s,
        real_distractor_rate_per_minute=_borrowed(rng, lent, scenario)["real_distractor_rate_per_minute"],
        family="wide",
        machine_seed=machine_seed,
        leave_out=leave_out,
        sounds=lent,
    )
    return Scene(plan, scenario, real)


def _anywhere(rng: np.random.Generator, duration_s: float) -> dict[str, float]:
    """First crack early or late, its ramp short or long."""
    return {"first_start_s": float(rng.uniform(0.2, 0.75)) * duration_s, "ramp_s": float(rng.uniform(8, 50))}


def _dense(rng: np.random.Generator, scenario: str, duration_s: float) -> dict[str, float]:
    """A chorus that soon begins and stays: a scene is short, and cracks are what it is for."""
    if scenario != "chorus":
        return {}
    return {
        "first_start_s": float(rng.uniform(0.05, 0.3)) * duration_s,
        "peak_per_minute": float(rng.uniform(60, 160)),
        "first_hold_s": duration_s,
    }
