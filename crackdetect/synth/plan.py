"""Every number of a synthetic roast, drawn from a seed or given.

Numbers: crack rates about 100 a minute in first and 500 in second crack, first louder, lower and slower than second
(P. S. Wilson, J. Acoust. Soc. Am. 135, EL265, 2014; rates and spectra from memory, the ordering from the American
Institute of Physics' release on it); first crack of 1 to 2.5 minutes and roasts of 8 to 13 minutes are common practice,
no source; hum at 50 or 60 Hz is the mains. All other ranges are chosen, wide rather than typical, because a model that
hears many machines is the aim.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

import numpy as np

from crackdetect.errors import SettingError
from crackdetect.synth.chorus import Chorus
from crackdetect.synth.kinds import draw_machine
from crackdetect.synth.roasts import draw_roast
from crackdetect.synth.sounds import SoundBank
from crackdetect.synth.wide import RECORDED, Wide

SCENARIOS = ("roast", "chorus", "second", "quiet", "noisy", "kitchen", "machine")
HOUSEHOLD_KINDS = (
    "typing",
    "dishes",
    "knocks",
    "door",
    "claps",
    "footsteps",
    "speech",
    "music",
    "dog",
    "clock",
    "rain",
    "water",
    "crinkle",
    "switch",
    "scrape",
    "keys",
    "sneeze",
    "mains",
)


@dataclass(frozen=True, slots=True)
class Machine:
    """The roaster's own sound.

    kind: drum, fan, popper or pan. tilt: the fan noise falls with f**-tilt in amplitude. resonances: Hz, Q, gain dB
    of bumps in it. hum_hz, hum_db: mains hum (whole hertz) and its level over the noise's rms. motor_hz, motor_db: a
    tone that drifts. turn_s: a drum's turn, seconds (0 = none); turn_depth: swing of the noise with it, 0 to 1.
    knock_db: a knock once a turn, peak over the in-band rms, dB (None = none). impacts_per_second, impact_db:
    tumbling beans, and the level of their median impact over the in-band rms; impact_spread: standard deviation of
    the ln of their amplitude. rattle_per_minute: bursts of a loose chaff collector. tick_per_second: a motor's
    regular tick, 0 = none; tick_db: its level. cooling_db: level of the cooling fan against the roasting.
    """

    kind: str = "drum"
    tilt: float = 0.6
    resonances: tuple[tuple[float, float, float], ...] = ()
    hum_hz: float = 50.0
    hum_db: float = -10.0
    motor_hz: float = 120.0
    motor_db: float = -15.0
    turn_s: float = 1.2
    turn_depth: float = 0.2
    knock_db: float | None = None
    impacts_per_second: float = 20.0
    impact_db: float = -10.0
    impact_spread: float = 0.6
    rattle_per_minute: float = 0.0
    rattle_db: float = 6.0
    tick_per_second: float = 0.0
    tick_db: float = 6.0
    cooling_db: float = 3.0


@dataclass(frozen=True, slots=True)
class Room:
    """rt60_s: reverberation time. direct_db: direct sound against the reverberation, dB. early: early reflections."""

    rt60_s: float = 0.35
    direct_db: float = 4.0
    early: int = 6


@dataclass(frozen=True, slots=True)
class Microphone:
    """A microphone and what follows it.

    Attributes
    ----------
    low_hz, high_hz : float
        Pass band.
    tilt_db : float
        High against low end.
    resonances
        As in Machine.
    gain_control : float
        Strength of an automatic gain, 0 (none) to 1.
    lossy_hz : float
        Upper edge left by a codec, 0 = none.
    """

    low_hz: float = 60.0
    high_hz: float = 20_000.0
    tilt_db: float = 0.0
    resonances: tuple[tuple[float, float, float], ...] = ()
    gain_control: float = 0.0
    lossy_hz: float = 0.0


@dataclass(frozen=True, slots=True)
class Colour:
    """What this batch's cracks sound like.

    Attributes
    ----------
    centre_hz, spread_octaves : float
        Of the frequencies of their modes.
    decay_s : float
    noise, doubles : float
        Shares of noise in a crack, and of doubles.
    modes : int
        How many each has; 0 = two to five, as it comes.
    """

    centre_hz: float = 2_000.0
    spread_octaves: float = 0.8
    decay_s: float = 0.0015
    noise: float = 0.7
    doubles: float = 0.2
    modes: int = 0


@dataclass(frozen=True, slots=True)
class Household:
    """A sound in the kitchen: kind, start, length, and level (peak or rms over the in-band noise, dB)."""

    kind: str
    start_s: float
    duration_s: float
    level_db: float


#: Range of each number of a plan that a person can set; a time may lie before the first sample.
_RANGES = {
    "seed": (0, 2**63),
    "charge_s": (0, 36_000),
    "first_start_s": (-36_000, 36_000),
    "ramp_s": (0.1, 3_600),
    "peak_per_minute": (0, 2_000),
    "first_hold_s": (0, 36_000),
    "first_fall_s": (0.1, 3_600),
    "second_start_s": (-36_000, 36_000),
    "second_ramp_s": (0.1, 3_600),
    "second_peak_per_minute": (0, 2_000),
    "drop_s": (0, 36_000),
    "strays_per_minute": (0, 600),
    "stray_clump_probability": (0, 1),
    "snr_low_db": (-20, 80),
    "snr_high_db": (-20, 80),
    "second_snr_offset_db": (-40, 40),
    "level_dbfs": (-100, 0),
    "real_crack_fraction": (0, 1),
    "real_distractor_rate_per_minute": (0, 600),
    "real_distractor_low_db": (-40, 80),
    "real_distractor_high_db": (-40, 80),
    "bed_index": (0, 100_000),
    "bed_share": (0, 1),
}


@dataclass(frozen=True, slots=True)
class RoastPlan:
    """Every number of a rendering. Seconds from the first sample; rates in cracks a minute; None = does not happen.

    first_start_s: the rate leaves the strays' and rises over ramp_s to peak_per_minute, stays for first_hold_s and
    falls over first_fall_s. second_start_s: likewise, staying until the drop or the end. snr_low_db, snr_high_db: range
    of the cracks' peak over the in-band rms (1-12 kHz); second_snr_offset_db: second crack against that.

    wide: a machine with beans in it, of the wide family; then machine (but for its kind), room and colour say nothing.
    Its cracks come by a smooth distribution (``chorus.py``): first_start_s is when 2 % of them have come, ramp_s the
    time from there to the peak, first_hold_s and first_fall_s merely tell how long the rate stays above 0.8 of it and
    falls to 0.1 of it; snr_low_db and snr_high_db are where 5 and 95 % of the cracks lie, at the air's first level.
    """

    seed: int
    scenario: str
    samplerate: int
    duration_s: float
    charge_s: float | None = None
    first_start_s: float | None = None
    ramp_s: float = 20.0
    peak_per_minute: float = 100.0
    first_hold_s: float = 40.0
    first_fall_s: float = 40.0
    second_start_s: float | None = None
    second_ramp_s: float = 10.0
    second_peak_per_minute: float = 400.0
    drop_s: float | None = None
    strays_per_minute: float = 1.0
    stray_clump_probability: float = 0.2
    snr_low_db: float = 10.0
    snr_high_db: float = 24.0
    second_snr_offset_db: float = -1.2
    colour: Colour = field(default_factory=Colour)
    machine: Machine = field(default_factory=Machine)
    room: Room = field(default_factory=Room)
    microphone: Microphone = field(default_factory=Microphone)
    household: tuple[Household, ...] = ()
    level_dbfs: float = -35.0
    bits: int = 16
    real_crack_fraction: float = 0.0
    real_distractor_rate_per_minute: float = 0.0
    real_distractor_low_db: float = 0.0
    real_distractor_high_db: float = 30.0
    bed_index: int | None = None
    bed_share: float = 0.8
    wide: Wide | None = None

    def __post_init__(self) -> None:
        if self.scenario not in SCENARIOS:
            raise SettingError(f"scenario {self.scenario!r} is unknown; choose one of {', '.join(SCENARIOS)}")
        if not 8_000 <= self.samplerate <= 192_000:
            raise SettingError(f"samplerate {self.samplerate} is out of range; give 8000 to 192000 Hz")
        if not 1 <= self.duration_s <= 36_000:
            raise SettingError(f"duration {self.duration_s} s is out of range; give 0:01 to 10:00:00")
        if self.bits not in (16, 24, 32):
            raise SettingError(f"bits {self.bits} is not possible; give 16, 24 or 32 (float)")
        for name, (low, high) in _RANGES.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise SettingError(f"{name} {value} is out of range; give {low:g} to {high:g}")
        if self.machine.hum_hz != round(self.machine.hum_hz):
            raise SettingError(f"hum_hz {self.machine.hum_hz:g} is out of range; give a whole number of hertz")
        if self.snr_low_db > self.snr_high_db:
            raise SettingError("snr_low_db must not be above snr_high_db")
        last = self.duration_s if self.drop_s is None else min(self.drop_s, self.duration_s)
        if self.charge_s is not None and self.charge_s >= last:
            raise SettingError(f"charge_s {self.charge_s:g} is not before the drop and the end, {last:g} s; give less")

    @property
    def first_end_s(self) -> float | None:
        """Where the falling rate crosses a tenth of its peak, or the earlier drop; None if after the end."""
        if self.first_start_s is None or (self.drop_s is not None and self.drop_s <= self.first_start_s):
            return None
        if self.first_chorus is not None:
            end = self.first_chorus.end_s()
        else:
            end = self.first_start_s + self.ramp_s + self.first_hold_s + 0.9 * self.first_fall_s
        if self.drop_s is not None:
            end = min(end, self.drop_s)
        return end if 0 <= end <= self.duration_s else None

    @property
    def first_chorus(self) -> Chorus | None:
        """First crack of the wide family."""
        if self.wide is None or self.first_start_s is None:
            return None
        return self.wide.first(self.first_start_s, self.ramp_s, self.peak_per_minute)

    @property
    def second_chorus(self) -> Chorus | None:
        """Second crack of the wide family."""
        if self.wide is None or self.second_start_s is None:
            return None
        return self.wide.second(self.second_start_s, self.second_ramp_s, self.second_peak_per_minute)

    def first_per_minute(self, time_s: float) -> float:
        """True rate of first cracks at a time (s), a minute."""
        if self.first_start_s is None or (self.drop_s is not None and time_s >= self.drop_s):
            return 0.0
        if self.first_chorus is not None:
            return float(self.first_chorus.per_minute(np.array([time_s]))[0])
        since = time_s - self.first_start_s
        up = since / self.ramp_s
        down = (self.ramp_s + self.first_hold_s + self.first_fall_s - since) / self.first_fall_s
        return self.peak_per_minute * max(0.0, min(1.0, up, down))

    def second_per_minute(self, time_s: float) -> float:
        """True rate of second cracks at a time (s), a minute."""
        if self.second_start_s is None or (self.drop_s is not None and time_s >= self.drop_s):
            return 0.0
        if self.second_chorus is not None:
            return float(self.second_chorus.per_minute(np.array([time_s]))[0])
        return self.second_peak_per_minute * max(0.0, min(1.0, (time_s - self.second_start_s) / self.second_ramp_s))

    def cracks_per_minute(self, time_s: float) -> float:
        """True rate of all cracks at a time (s), strays among them, a minute."""
        beans_in = (self.charge_s is None or time_s >= self.charge_s) and (self.drop_s is None or time_s < self.drop_s)
        strays = self.strays_per_minute if beans_in else 0.0
        return strays + self.first_per_minute(time_s) + self.second_per_minute(time_s)

    def to_dict(self) -> dict[str, Any]:
        """As JSON takes it."""
        return asdict(self)

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> RoastPlan:
        """Raises TypeError on unknown names."""
        values = dict(content)

        def bumps(part: dict[str, Any]) -> dict[str, Any]:
            return {**part, "resonances": tuple(tuple(r) for r in part["resonances"])}

        values["colour"] = Colour(**values["colour"])
        values["machine"] = Machine(**bumps(values["machine"]))
        values["room"] = Room(**values["room"])
        values["microphone"] = Microphone(**bumps(values["microphone"]))
        values["household"] = tuple(Household(**h) for h in values["household"])
        if values.get("wide") is not None:
            values["wide"] = Wide.from_dict(values["wide"])
        return cls(**values)


def plan_roast(
    *,
    seed: int,
    scenario: str = "roast",
    samplerate: int = 44_100,
    duration_s: float | None = None,
    real_crack_fraction: float = 0.0,
    real_distractor_rate_per_minute: float = 0.0,
    bed_index: int | None = None,
    overrides: Mapping[str, Any] | None = None,
    family: str = "narrow",
    machine_seed: int | None = None,
    leave_out: frozenset[str] = frozenset(),
    sounds: SoundBank | None = None,
) -> RoastPlan:
    """Draws all numbers of a roast from ``seed``.

    scenario: ``roast`` (charge to cooling, 8 to 12 min), ``chorus`` (a minute or two around the start of first crack),
    ``second`` (first and second crack), ``quiet`` and ``noisy`` (a short roast, cracks far above or hardly above the
    machine), ``kitchen`` (a busy one, in which nothing cracks), ``machine`` (the same without the kitchen).
    overrides: values for any field of RoastPlan. family: ``narrow``, or ``wide``: a machine of any kind with beans in
    it, drawn from machine_seed (default: seed), none of the families of leave_out (of ``wide.FAMILIES``); sounds: the
    recorded sounds that it may use. Raises SettingError on an unknown name or a value out of range.
    """
    if scenario not in SCENARIOS:
        raise SettingError(f"scenario {scenario!r} is unknown; choose one of {', '.join(SCENARIOS)}")
    if family == "wide":
        values = _wide(seed, machine_seed, scenario, samplerate, duration_s, leave_out, sounds)
    elif family == "narrow":
        values = _narrow(seed, scenario, samplerate, duration_s)
        values |= {"real_crack_fraction": real_crack_fraction, "bed_index": bed_index}
    else:
        raise SettingError(f"family {family!r} is unknown; choose narrow or wide")
    values |= {"real_distractor_rate_per_minute": real_distractor_rate_per_minute}
    return _overridden(RoastPlan(seed=seed, scenario=scenario, samplerate=samplerate, **values), overrides)


def _narrow(seed: int, scenario: str, samplerate: int, duration_s: float | None) -> dict[str, Any]:
    """The values of a roast of the narrow family; the order of the draws is part of what a seed means."""
    rng = np.random.default_rng([seed, 1])
    length = duration_s if duration_s is not None else _usual_length(scenario, rng)
    low = rng.uniform(7, 16)
    values: dict[str, Any] = {"duration_s": float(length), "snr_low_db": low, "snr_high_db": low + rng.uniform(4, 10)}
    values["machine"] = _machine(rng)
    values["room"] = Room(
        rt60_s=float(rng.uniform(0.1, 0.9)), direct_db=float(rng.uniform(-4, 12)), early=int(rng.integers(2, 12))
    )
    values["microphone"] = _microphone(rng, samplerate)
    values["colour"] = Colour(
        centre_hz=float(np.exp(rng.uniform(np.log(700), np.log(5_000)))),
        spread_octaves=float(rng.uniform(0.4, 1.4)),
        decay_s=float(np.exp(rng.uniform(np.log(0.0006), np.log(0.004)))),
        noise=float(rng.uniform(0.1, 1.6)),
        doubles=float(rng.uniform(0, 0.4)),
    )
    values |= {
        "ramp_s": float(rng.uniform(10, 60)),
        "peak_per_minute": float(rng.uniform(40, 150)),
        "first_hold_s": float(rng.uniform(15, 60)),
        "first_fall_s": float(rng.uniform(15, 60)),
        "second_ramp_s": float(rng.uniform(3, 20)),
        "second_peak_per_minute": float(rng.uniform(300, 600)),
        "second_snr_offset_db": float(rng.uniform(-3, 0.5)),
        "strays_per_minute": float(rng.choice([rng.uniform(0.2, 1.5), rng.uniform(1.5, 6)])),
        "stray_clump_probability": float(rng.uniform(0, 0.5)),
        "level_dbfs": float(rng.uniform(-60, -20)),
    }
    household_rate = float(rng.choice([0.0, rng.uniform(0.2, 3)]))
    values |= _times(rng, scenario, length)
    if scenario in ("kitchen", "machine"):
        household_rate = float(rng.uniform(2, 14)) if scenario == "kitchen" else 0.0
    if scenario == "quiet":
        values |= {"snr_low_db": 18.0, "snr_high_db": 30.0, "level_dbfs": -50.0}
    if scenario == "noisy":
        values |= {"snr_low_db": 9.0, "snr_high_db": 14.0, "level_dbfs": -22.0}
    values["household"] = _household(rng, household_rate, length)
    return values | {"bed_share": float(rng.uniform(0.4, 1.0))}


def _times(rng: np.random.Generator, scenario: str, length: float) -> dict[str, Any]:
    """When beans go in and out and when they crack, in a roast of the narrow family."""
    if scenario in ("roast", "quiet", "noisy"):
        charge, cooling = float(rng.uniform(0.02, 0.05) * length), float(min(40.0, 0.08 * length))
        first = charge + float(rng.uniform(0.64, 0.76)) * (length - charge - cooling)
        times = {"charge_s": charge, "first_start_s": first, "drop_s": length - cooling}
        if length < 400:  # a short scene has a short chorus
            times |= {"ramp_s": float(rng.uniform(8, 20)), "first_hold_s": 60.0}
        return times
    if scenario == "chorus":
        return {"first_start_s": float(rng.uniform(0.1, 0.5)) * length, "ramp_s": float(rng.uniform(3, 25))}
    if scenario == "second" and length < 200:
        times = {"first_start_s": float(rng.uniform(-40, 5)), "ramp_s": 10.0}
        times["first_hold_s"] = float(rng.uniform(5, 40))
        return times | {"second_start_s": float(rng.uniform(0.3, 0.6)) * length}
    if scenario == "second":
        charge = float(rng.uniform(0.02, 0.05) * length)
        times = {"charge_s": charge, "first_start_s": charge + float(rng.uniform(0.40, 0.48)) * length}
        return times | {"second_start_s": charge + float(rng.uniform(0.76, 0.84)) * length, "drop_s": length - 15.0}
    times = {"strays_per_minute": 0.0}
    if rng.random() < 0.4 and length >= 120:
        times["charge_s"] = float(rng.uniform(0.05, 0.3)) * length
    return times


def _overridden(plan: RoastPlan, overrides: Mapping[str, Any] | None) -> RoastPlan:
    known = {f.name for f in fields(RoastPlan)}
    for name in overrides or {}:
        if name not in known:
            raise SettingError(f"setting {name!r} is unknown; choose from {', '.join(sorted(known))}")
    return replace(plan, **overrides) if overrides else plan


def _wide(
    seed: int,
    machine_seed: int | None,
    scenario: str,
    samplerate: int,
    duration_s: float | None,
    leave_out: frozenset[str],
    sounds: SoundBank | None,
) -> dict[str, Any]:
    """Values of a plan of the wide family."""
    lent = sounds or SoundBank()
    has = (any(lent.cracks.values()), bool(lent.distractors), bool(lent.beds))
    machine, microphone = draw_machine(
        seed if machine_seed is None else machine_seed,
        samplerate=samplerate,
        leave_out=leave_out,
        recorded=frozenset(name for name, there in zip(RECORDED, has, strict=True) if there),
    )
    length, values = draw_roast(seed, machine, scenario=scenario, length_s=duration_s)
    rng = np.random.default_rng([seed, 43])
    per_minute = rng.uniform(2, 14) if scenario == "kitchen" else rng.choice([0.0, rng.uniform(0.2, 3)])
    values |= {
        "duration_s": float(length),
        "machine": Machine(kind=machine.kind),
        "microphone": Microphone(**microphone),
        "household": () if scenario == "machine" else _household(rng, float(per_minute), length),
    }
    if values.get("first_start_s") is not None:
        chorus = values["wide"].first(values["first_start_s"], values["ramp_s"], values["peak_per_minute"])
        peak_s = values["first_start_s"] + values["ramp_s"]
        values["first_hold_s"] = max(0.0, chorus.end_s(0.8) - peak_s)
        values["first_fall_s"] = max(0.1, (chorus.end_s() - peak_s - values["first_hold_s"]) / 0.9)
    return values


def _usual_length(scenario: str, rng: np.random.Generator) -> float:
    if scenario == "roast":
        return float(rng.uniform(480, 720))
    if scenario == "second":
        return float(rng.uniform(420, 560))
    return {"chorus": 90.0, "quiet": 200.0, "noisy": 200.0}.get(scenario, 180.0)


def _bumps(rng: np.random.Generator, most: int, gain_db: float) -> tuple[tuple[float, float, float], ...]:
    return tuple(
        (
            float(np.exp(rng.uniform(np.log(200), np.log(12_000)))),
            float(rng.uniform(1, 12)),
            float(rng.uniform(-gain_db, gain_db)),
        )
        for _ in range(int(rng.integers(0, most + 1)))
    )


def _machine(rng: np.random.Generator) -> Machine:
    kind = str(rng.choice(["drum", "fan", "popper", "pan"], p=[0.45, 0.25, 0.15, 0.15]))
    turns = kind in ("drum", "pan")
    knocks = turns and rng.random() < 0.5
    return Machine(
        kind=kind,
        tilt=float(rng.uniform(0.1, 1.2)),
        resonances=_bumps(rng, 4, 12.0),
        hum_hz=float(rng.choice([50.0, 60.0])),
        hum_db=float(rng.uniform(-30, 10)),
        motor_hz=float(rng.uniform(80, 900)),
        motor_db=float(rng.uniform(-30, 5)),
        turn_s=float(rng.uniform(0.7, 2.5)) if turns else 0.0,
        turn_depth=float(rng.uniform(0, 0.5)) if turns else float(rng.uniform(0, 0.1)),
        knock_db=float(rng.uniform(0, 20)) if knocks else None,
        impacts_per_second=float(np.exp(rng.uniform(np.log(3), np.log(60 if kind == "popper" else 40)))),
        impact_db=float(rng.uniform(-20, -3)),
        impact_spread=float(rng.uniform(0.3, 0.8)),
        rattle_per_minute=float(rng.choice([0.0, rng.uniform(0.5, 6)], p=[0.7, 0.3])),
        rattle_db=float(rng.uniform(0, 18)),
        tick_per_second=float(rng.choice([0.0, rng.uniform(0.5, 8)], p=[0.8, 0.2])),
        tick_db=float(rng.uniform(0, 18)),
        cooling_db=float(rng.uniform(-3, 10)),
    )


def _microphone(rng: np.random.Generator, samplerate: int) -> Microphone:
    kind = rng.choice(["laptop", "phone", "headset", "good"])
    high = {"laptop": rng.uniform(9_000, 20_000), "phone": rng.uniform(7_000, 20_000)}
    high |= {"headset": rng.uniform(5_000, 16_000), "good": 20_000.0}
    return Microphone(
        low_hz=float(rng.uniform(30, 350)),
        high_hz=float(min(high[str(kind)], 0.49 * samplerate)),
        tilt_db=float(rng.uniform(-8, 8)),
        resonances=_bumps(rng, 3, 8.0),
        gain_control=float(rng.choice([0.0, rng.uniform(0.2, 0.8)], p=[0.8, 0.2])),
        lossy_hz=float(rng.choice([0.0, rng.uniform(7_000, 16_000)], p=[0.8, 0.2])),
    )


def _household(rng: np.random.Generator, per_minute: float, length_s: float) -> tuple[Household, ...]:
    """Sounds at random times; of a kitchen in which one or two kinds prevail."""
    favourites = rng.choice(HOUSEHOLD_KINDS, size=3)
    found = []
    for start in np.sort(rng.uniform(0, length_s, rng.poisson(per_minute * length_s / 60))).tolist():
        kind = str(rng.choice(favourites) if rng.random() < 0.5 else rng.choice(HOUSEHOLD_KINDS))
        duration = float(np.exp(rng.uniform(np.log(0.4), np.log(12))))
        found.append(Household(kind, start, duration, float(rng.uniform(-2, 32))))
    return tuple(found)
