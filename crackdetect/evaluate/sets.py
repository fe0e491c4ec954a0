"""The recordings of the benchmark: which scenes, how many, and with which seeds.

0. single cracks in Gaussian noise, where the limit is known (``gaussian``);
1. machines of every kind and room, synthetic cracks, the start of first crack in four and a half minutes; and the same
   with cracks of 16 to 32 dB only;
2. real machines under synthetic cracks;
3. real pops, snaps and crackles as the cracks, in synthetic and in real machines; popcorn as it is, and in machines;
4. nothing cracks: scenes of one theme each (typing, dishes, a knocking drum, ...), mixed kitchens, real kitchen sounds;
5. whole roasts: charge, strays, first crack, its end, for some second crack, drop and cooling;
6. strangers: recordings with truth files in a folder, by another hand than ours (``run.folder_tasks``);
7. families: machines of the wide family (``synth.wide``), for each crack, each blow and each kind of machine some
   roasts with cracks of 12 to 26 dB, so that what differs is the family, and a recording in which nothing cracks.

Disjoint from training: a plan is drawn from its seed alone, and the benchmark's seeds are counted from
``FIRST_SEED["evaluate"]`` (``train/scenes.py``), where neither training nor calibration ever comes; within a benchmark
of one ``seed`` every row has numbers of its own. Real sounds are those of the validation side (``train/sounds.py``): a
quarter of the recordings by a hash of their name, and some whole classes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from crackdetect.errors import SettingError
from crackdetect.evaluate.real_sounds import RealSounds
from crackdetect.synth.plan import RoastPlan, plan_roast
from crackdetect.synth.themes import THEMES, themed
from crackdetect.synth.wide import FAMILIES, RECORDED
from crackdetect.train.scenes import FIRST_SEED
from crackdetect.train.sounds import POPCORN

#: Row of the single cracks in Gaussian noise.
GAUSSIAN = "0 Gaussian noise"
#: Number of the recordings from elsewhere, with which their rows begin.
STRANGERS = 6
#: Row of the wide families.
FAMILIES_ROW = "7 families"
SETS = (0, 1, 2, 3, 4, 5, STRANGERS, 7)
SAMPLERATES = (44_100, 44_100, 48_000, 32_000, 16_000, 22_050)
#: First number of each row's recordings within the ten thousand of a seed.
_FIRST = {
    GAUSSIAN: 0,
    "1 machines": 1_000,
    "1 strong cracks": 2_500,
    "2 real machines": 3_000,
    "3 real cracks": 4_000,
    "3 popcorn": 5_000,
    "4 nothing cracks": 6_000,
    "5 whole roasts": 8_000,
    FAMILIES_ROW: 9_000,
}
_GAUSSIAN_S = 120.0
_START_S = 270.0
_QUIET_S = 600.0
#: Of a recording of a family, seconds; its cracks, dB; numbers that each family has, of which the last are quiet.
_FAMILY_S, _FAMILY_SNR_DB, _FAMILY_NUMBERS, _FAMILY_QUIET = 360.0, (12.0, 26.0), 40, 10
#: Machine noise before popcorn begins in it, seconds.
POPCORN_LEAD_S = 60.0


@dataclass(frozen=True, slots=True)
class Task:
    """One recording to make (or to read), hear and score.

    Attributes
    ----------
    row, theme : str
        Column of the table it belongs to, and what it is within it.
    source : {"plan", "gaussian", "popcorn", "file"}
    seed : int
    duration_s : float
    plan : RoastPlan or None
        Of a rendering, or of the noise in which popcorn is played.
    cracks : tuple of str
        Real classes that stand in for cracks.
    bed : str or None
        Class of real machine noise.
    popcorn : str or None
        Name of a whole recording, as it is or (with a plan of the noise) at ``snr_db`` in it.
    snr_db : float
    path : str or None
        Of somebody's recording, with its truth beside it.
    """

    row: str
    theme: str
    source: Literal["plan", "gaussian", "popcorn", "file"]
    seed: int = 0
    duration_s: float = 0.0
    plan: RoastPlan | None = None
    cracks: tuple[str, ...] = ()
    bed: str | None = None
    popcorn: str | None = None
    snr_db: float = 0.0
    path: str | None = None

    @property
    def name(self) -> str:
        """What tells it from every other task of a run."""
        return self.path or f"{self.row}: {self.theme} {self.seed}"

    @property
    def real(self) -> bool:
        """Whether real sounds are needed for it."""
        distracted = self.plan is not None and self.plan.real_distractor_rate_per_minute > 0
        return bool(self.cracks) or self.bed is not None or self.popcorn is not None or distracted


def parse_sets(text: str) -> tuple[int, ...]:
    """``"1,4"`` -> (1, 4). Raises SettingError."""
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isdigit() and int(part) in SETS for part in parts):
        raise SettingError(f"sets {text!r}: write numbers from {SETS[0]} to {SETS[-1]} with commas, such as 1,4")
    return tuple(sorted({int(part) for part in parts}))


def tasks(
    *,
    roasts: int,
    quiet_hours: float,
    seed: int,
    sounds: RealSounds | None,
    chosen: tuple[int, ...] = SETS,
) -> list[Task]:
    """The benchmark's recordings, the same for the same arguments.

    Parameters
    ----------
    roasts : int
        Recordings of set 1, and of set 5; the other rows have a share of it: a twentieth of each family, at least 1, of
        half as many families, from 50 on all.
    quiet_hours : float
        Of set 4.
    seed : int
        0 to 999.
    sounds : RealSounds or None
        Without them the rows that need them are left out (:func:`not_run`).
    chosen : tuple of int
        Sets.

    Raises
    ------
    SettingError
        For the seed.
    """
    if not 0 <= seed < 1000:
        raise SettingError(f"seed {seed} is out of range; give 0 to 999")
    found: list[Task] = []
    made = (_gaussian, _machines, _real_machines, _real_cracks, _quiet, _whole, _from_elsewhere, _families)
    for number, make in zip(SETS, made, strict=True):
        if number in chosen:
            found += make(roasts, quiet_hours, seed, sounds)
    return found


def not_run(sounds: RealSounds | None, chosen: tuple[int, ...]) -> list[str]:
    """Which rows of the chosen sets cannot be run for want of real sounds, one sentence each."""
    if sounds is None:
        names = {2: "2 real machines", 3: "3 real cracks and popcorn", 4: "the real half of 4 nothing cracks"}
        names[7] = "recorded machines, cracks and blows of 7 families"
        return [f"{name}: needs --sounds DIR" for number, name in names.items() if number in chosen]
    missing = []
    if not sounds.machines():
        missing += [f"{name}: the sounds hold no machine noise" for n, name in ((2, "2 real machines"),) if n in chosen]
    if 3 in chosen and not sounds.cracks:
        missing.append("3 real cracks: the sounds hold no pop, snap or crackle for validation")
    if 3 in chosen and not sounds.popcorn:
        missing.append("3 popcorn: the sounds hold no popcorn recording for validation")
    if 4 in chosen and not sounds.distractors:
        missing.append("the real half of 4 nothing cracks: the sounds hold no household sounds for validation")
    return missing


def _numbers(row: str, seed: int, count: int) -> Iterator[tuple[int, int, np.random.Generator]]:
    """Index, seed of the plan, and a generator for what the plan does not draw."""
    for i in range(count):
        own = FIRST_SEED["evaluate"] + seed * 10_000 + _FIRST[row] + i
        yield i, own, np.random.default_rng([own, 9])  # the plan itself draws from [own, 1]


def _start_of_first_crack(own: int, i: int, rng: np.random.Generator, **more: Any) -> RoastPlan:
    """Some two minutes of machine and strays, then the ramp and the chorus."""
    overrides = {
        "first_start_s": float(rng.uniform(90, 150)),
        "ramp_s": float(rng.uniform(10, 60)),
        "first_hold_s": _START_S,
        **more.pop("overrides", {}),
    }
    return plan_roast(
        seed=own,
        scenario="chorus",
        samplerate=SAMPLERATES[i % len(SAMPLERATES)],
        duration_s=_START_S,
        overrides=overrides,
        **more,
    )


def _gaussian(roasts: int, quiet_hours: float, seed: int, sounds: RealSounds | None) -> Iterator[Task]:
    for _, own, _ in _numbers(GAUSSIAN, seed, max(1, roasts // 4)):
        yield Task(GAUSSIAN, "single cracks", "gaussian", seed=own, duration_s=_GAUSSIAN_S)


def _machines(roasts: int, quiet_hours: float, seed: int, sounds: RealSounds | None) -> Iterator[Task]:
    row = "1 machines"
    for i, own, rng in _numbers(row, seed, roasts):
        plan = _start_of_first_crack(own, i, rng)
        yield Task(row, plan.machine.kind, "plan", own, _START_S, plan)
    row = "1 strong cracks"
    for i, own, rng in _numbers(row, seed, max(1, roasts // 6)):
        plan = _start_of_first_crack(own, i, rng, overrides={"snr_low_db": 16.0, "snr_high_db": 32.0})
        yield Task(row, plan.machine.kind, "plan", own, _START_S, plan)


def _real_machines(roasts: int, quiet_hours: float, seed: int, sounds: RealSounds | None) -> Iterator[Task]:
    if sounds is None or not sounds.machines():
        return
    row = "2 real machines"
    classes = sorted(sounds.machines())
    for i, own, rng in _numbers(row, seed, max(1, roasts // 2)):
        label = classes[(i + seed) % len(classes)]
        bed = int(rng.integers(len(sounds.beds[label])))
        plan = _start_of_first_crack(own, i, rng, bed_index=bed, overrides={"bed_share": 1.0})
        yield Task(row, label, "plan", own, _START_S, plan, bed=label)


def _real_cracks(roasts: int, quiet_hours: float, seed: int, sounds: RealSounds | None) -> Iterator[Task]:
    if sounds is None:
        return
    machines = sorted(sounds.machines())
    row = "3 real cracks"
    if sounds.cracks:
        others = [label for label in sorted(sounds.cracks) if label != POPCORN]
        # popcorn above all: every other one
        order = [label for other in others for label in (POPCORN, other)] if POPCORN in sounds.cracks else others
        order = order or [POPCORN]
        for i, own, rng in _numbers(row, seed, max(1, roasts // 2)):
            label = order[i % len(order)]
            bed = machines[(i // 2) % len(machines)] if machines and i % 4 >= 2 else None
            more: dict[str, Any] = {"real_crack_fraction": 1.0}
            if bed is not None:
                more |= {"bed_index": int(rng.integers(len(sounds.beds[bed]))), "overrides": {"bed_share": 1.0}}
            plan = _start_of_first_crack(own, i, rng, **more)
            where = "a synthetic machine" if bed is None else bed
            yield Task(row, f"{label} in {where}", "plan", own, _START_S, plan, (label,), bed)
    row = "3 popcorn"
    for i, name in enumerate(sorted(sounds.popcorn)):
        yield Task(row, f"{name} as it is", "popcorn", i, popcorn=name)
    names = sorted(sounds.popcorn)
    for i, own, rng in _numbers(row, seed, max(1, roasts // 6) if names else 0):
        bed = machines[i % len(machines)] if machines and i % 2 else None
        plan = plan_roast(
            seed=own,
            scenario="machine",
            samplerate=44_100,
            duration_s=_QUIET_S,
            bed_index=None if bed is None else int(rng.integers(len(sounds.beds[bed]))),
            overrides={"charge_s": None, **({} if bed is None else {"bed_share": 1.0})},
        )
        where = "a synthetic machine" if bed is None else bed
        name = names[(i // 2) % len(names)]
        snr = float(rng.uniform(14, 26))
        yield Task(row, f"{name} in {where}", "popcorn", own, plan=plan, bed=bed, popcorn=name, snr_db=snr)


def _quiet(roasts: int, quiet_hours: float, seed: int, sounds: RealSounds | None) -> Iterator[Task]:
    row = "4 nothing cracks"
    for i, own, rng in _numbers(row, seed, round(quiet_hours * 3600 / _QUIET_S)):
        rate = SAMPLERATES[i % len(SAMPLERATES)]
        real = sounds is not None and bool(sounds.distractors)
        if i % 2 == 0:
            theme = THEMES[(i // 2 + seed) % len(THEMES)]
            plan = plan_roast(seed=own, scenario="machine", samplerate=rate, duration_s=_QUIET_S)
            yield Task(row, theme, "plan", own, _QUIET_S, themed(plan, theme, rng))
        elif i % 4 == 1 or not real or sounds is None:
            plan = plan_roast(seed=own, scenario="kitchen", samplerate=rate, duration_s=_QUIET_S)
            yield Task(row, "kitchen", "plan", own, _QUIET_S, plan)
        else:
            labels = sorted(sounds.beds)
            bed = labels[int(rng.integers(len(labels)))] if labels and i % 8 == 3 else None
            plan = plan_roast(
                seed=own,
                scenario="kitchen",
                samplerate=rate,
                duration_s=_QUIET_S,
                real_distractor_rate_per_minute=float(rng.uniform(5, 30)),
                bed_index=None if bed is None else int(rng.integers(len(sounds.beds[bed]))),
            )
            yield Task(
                row, "real kitchen" if bed is None else f"real kitchen, {bed}", "plan", own, _QUIET_S, plan, (), bed
            )


def _from_elsewhere(roasts: int, quiet_hours: float, seed: int, sounds: RealSounds | None) -> Iterator[Task]:
    yield from ()  # they come from a folder, not from a seed


def _families(roasts: int, quiet_hours: float, seed: int, sounds: RealSounds | None) -> Iterator[Task]:
    beds = sorted(sounds.machines()) if sounds is not None else []
    cracks, bed = (tuple(sorted(sounds.cracks)), beds[seed % len(beds)]) if sounds is not None and beds else ((), None)
    lent = sounds.bank(cracks=cracks, bed=bed) if sounds is not None and cracks else None
    most = _FAMILY_NUMBERS - _FAMILY_QUIET
    asked = {(7 * seed + i) % len(FAMILIES) for i in range(max(1, roasts // 2))}
    roasts, quiet = min(most, max(1, roasts // 20)), min(_FAMILY_QUIET, max(1, roasts // 60))
    for number, family in enumerate(FAMILIES):
        if number not in asked or (family in RECORDED and lent is None):
            continue
        for i in (*range(roasts), *range(most, most + quiet)):
            own = FIRST_SEED["evaluate"] + seed * 10_000 + _FIRST[FAMILIES_ROW] + _FAMILY_NUMBERS * number + i
            plan = plan_roast(
                seed=own,
                scenario="roast" if i < most else ("machine", "kitchen")[(number + i) % 2],
                samplerate=SAMPLERATES[i % len(SAMPLERATES)],
                duration_s=_FAMILY_S,
                overrides=dict(zip(("snr_low_db", "snr_high_db"), _FAMILY_SNR_DB, strict=True)),
                family="wide",
                leave_out=others_of_its_kind(family),
                sounds=lent,
            )
            recorded = plan.wide is not None and not plan.wide.families.isdisjoint(RECORDED)
            lends = (cracks, bed) if recorded else ((), None)
            yield Task(FAMILIES_ROW, family, "plan", own, _FAMILY_S, plan, *lends)


def others_of_its_kind(family: str) -> frozenset[str]:
    """All other cracks, all other blows, or all other kinds of machine: without them it must be this one."""
    prefix = family.partition(":")[0] + ":"
    return frozenset(other for other in FAMILIES if other.startswith(prefix) and other != family)


def _whole(roasts: int, quiet_hours: float, seed: int, sounds: RealSounds | None) -> Iterator[Task]:
    row = "5 whole roasts"
    for i, own, _ in _numbers(row, seed, roasts):
        scenario = "second" if i % 5 == 4 else "roast"
        plan = plan_roast(seed=own, scenario=scenario, samplerate=SAMPLERATES[i % len(SAMPLERATES)])
        theme = "with second crack" if scenario == "second" else "first crack only"
        yield Task(row, theme, "plan", own, plan.duration_s, plan)
