"""Kinds of machine of the wide family, and the drawing of a machine.

Sources: a bean of .13 to .17 g and batches of 60 to 450 g are common practice; that each bean strikes something .3 to 4
times a second is counted from what a drum's turn or an air stream does to it (chosen by kind); Young's modulus of a
bean, tens to hundreds of MPa green and stiffer when dry, from memory, chosen wide so that contacts last 50 to 340 us.
All else is chosen, wide rather than typical.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from crackdetect.errors import SettingError
from crackdetect.synth.chance import Range, log_uniform, uniform
from crackdetect.synth.contact import BEAN_G, fall_speed
from crackdetect.synth.place import Place
from crackdetect.synth.walls import Wall
from crackdetect.synth.wide import (
    BLOW_NAMES,
    CRACK_NAMES,
    FAMILIES,
    RECORDED,
    Hiss,
    Part,
    Tone,
    WideMachine,
)


@dataclass(frozen=True, slots=True)
class Kind:
    """Ranges of a kind of machine.

    Attributes
    ----------
    walls
        Material, thickness (mm), width and height (m).
    hisses
        Of ``_HISSES``.
    tone_hz
        Of its blower or motor.
    parts
        Name, and how likely it is.
    """

    batch_g: Range
    blows_per_bean: Range
    fall_m: Range
    walls: tuple[tuple[str, Range, Range, Range], ...]
    hisses: tuple[str, ...]
    parts: dict[str, float]
    gusts: str = "none"
    turn_s: Range = (0.0, 0.0)
    vanes: tuple[int, int] = (1, 1)
    gust_depth: Range = (0.0, 0.0)
    bean_on_bean: Range = (0.3, 0.8)
    perforated_hz: Range = (0.0, 0.0)
    lid: float = 0.9
    tone_hz: Range = (60.0, 400.0)


_ANYWHERE = {"ping": 0.35, "relay": 0.3, "tick": 0.1, "rattle": 0.2}
KINDS: dict[str, Kind] = {
    "drum": Kind(
        batch_g=(100, 450), blows_per_bean=(0.5, 2.5), fall_m=(0.06, 0.20),
        walls=(("steel", (0.8, 2.0), (0.25, 0.50), (0.12, 0.30)), ("cast iron", (2.5, 4.0), (0.25, 0.45), (0.12, 0.3))),
        hisses=("draught", "flame", "blower"), parts={"axle": 0.5, "squeak": 0.3, **_ANYWHERE},
        gusts="turn", turn_s=(0.7, 2.0), vanes=(2, 6), gust_depth=(0.1, 0.9),
    ),
    "perforated drum": Kind(
        batch_g=(80, 300), blows_per_bean=(0.5, 3.0), fall_m=(0.05, 0.15),
        walls=(("steel", (0.5, 1.0), (0.20, 0.40), (0.10, 0.22)),), perforated_hz=(1_000, 5_000),
        hisses=("heat gun", "blower", "flame", "draught"), parts={"axle": 0.5, "squeak": 0.4, **_ANYWHERE},
        gusts="turn", turn_s=(0.6, 3.0), vanes=(1, 5), gust_depth=(0.2, 0.9),
    ),
    "wire cage": Kind(
        batch_g=(60, 300), blows_per_bean=(0.5, 3.0), fall_m=(0.05, 0.15),
        walls=(("wire", (0.6, 1.6), (0.06, 0.15), (0.015, 0.04)),), perforated_hz=(1_500, 5_000),
        hisses=("oven fan", "heat gun", "flame"), parts={"axle": 0.4, "squeak": 0.4, "scraper": 0.2, **_ANYWHERE},
        gusts="turn", turn_s=(0.8, 4.0), vanes=(1, 4), gust_depth=(0.2, 0.9), lid=0.5,
    ),
    "fluid bed": Kind(
        batch_g=(60, 200), blows_per_bean=(1.5, 4.0), fall_m=(0.05, 0.25),
        walls=(("glass", (2.0, 4.0), (0.15, 0.35), (0.08, 0.15)), ("steel", (0.5, 1.0), (0.15, 0.30), (0.08, 0.15)),
               ("aluminium", (1.0, 2.0), (0.12, 0.30), (0.08, 0.15))),
        hisses=("blower", "jets", "heat gun"), parts={"clink": 0.2, **_ANYWHERE},
        bean_on_bean=(0.5, 0.9), lid=0.7, tone_hz=(200.0, 2_500.0),
    ),
    "stirred pot": Kind(
        batch_g=(80, 350), blows_per_bean=(0.3, 1.5), fall_m=(0.01, 0.06),
        walls=(("aluminium", (1.5, 4.0), (0.2, 0.3), (0.2, 0.3)), ("steel", (0.8, 1.5), (0.2, 0.3), (0.2, 0.3)),
               ("cast iron", (3.0, 5.0), (0.2, 0.3), (0.2, 0.3))),
        hisses=("hob", "flame"), parts={"scraper": 0.6, "squeak": 0.3, "clink": 0.2, **_ANYWHERE},
        gusts="irregular", turn_s=(0.8, 4.0), gust_depth=(0.4, 1.0), lid=0.6,
    ),
    "bowl with hot air": Kind(
        batch_g=(80, 300), blows_per_bean=(0.5, 2.5), fall_m=(0.02, 0.10),
        walls=(("steel", (0.6, 1.2), (0.2, 0.3), (0.2, 0.3)), ("glass", (4.0, 6.0), (0.2, 0.3), (0.2, 0.3))),
        hisses=("heat gun", "jets"), parts={"scraper": 0.3, "clink": 0.2, **_ANYWHERE},
        gusts="irregular", turn_s=(0.8, 3.0), gust_depth=(0.1, 0.8), lid=0.2, tone_hz=(150.0, 1_500.0),
    ),
    "oven": Kind(
        batch_g=(100, 450), blows_per_bean=(0.3, 1.0), fall_m=(0.01, 0.08),
        walls=(("steel", (0.5, 0.9), (0.25, 0.45), (0.2, 0.35)), ("wire", (0.8, 2.0), (0.08, 0.2), (0.02, 0.05))),
        perforated_hz=(800, 3_000),
        hisses=("oven fan", "hob"), parts={"axle": 0.4, "squeak": 0.2, **_ANYWHERE, "ping": 0.7, "relay": 0.6},
        gusts="turn", turn_s=(3.0, 15.0), vanes=(1, 4), gust_depth=(0.3, 1.0), lid=1.0,
    ),
    "recorded bed": Kind(
        batch_g=(60, 300), blows_per_bean=(0.3, 2.0), fall_m=(0.03, 0.15),
        walls=(("steel", (0.6, 1.5), (0.15, 0.40), (0.10, 0.25)), ("aluminium", (1.0, 2.0), (0.15, 0.3), (0.1, 0.25))),
        hisses=("blower", "draught"), parts=_ANYWHERE, bean_on_bean=(0.3, 0.9),
    ),
}  # fmt: skip
#: Centre (Hz), exponent below and above it.
_HISSES: dict[str, tuple[Range, Range, Range]] = {
    "draught": ((120, 500), (0.6, 1.2), (0.8, 1.5)),
    "flame": ((250, 900), (0.8, 1.4), (0.9, 1.8)),
    "jets": ((2_500, 8_000), (0.7, 1.8), (0.7, 2.0)),
    "heat gun": ((800, 3_500), (0.5, 1.0), (0.4, 1.1)),
    "blower": ((250, 1_500), (0.4, 1.0), (0.4, 1.2)),
    "rumble": ((40, 150), (0.8, 1.5), (1.0, 2.0)),
    "hob": ((80, 300), (0.6, 1.0), (0.9, 1.8)),
    "oven fan": ((150, 700), (0.6, 1.2), (0.8, 1.6)),
}
#: How often each part is heard, a minute (what goes round: a turn), and its peak against a median crack, dB.
_PARTS: dict[str, tuple[Range, Range]] = {
    "axle": ((1, 1), (-16, 4)),
    "squeak": ((1, 1), (-18, 2)),
    "scraper": ((1, 2), (-18, 0)),
    "rattle": ((0.3, 6), (-14, 4)),
    "ping": ((0.5, 5), (-14, 6)),
    "relay": ((0.5, 6), (-14, 4)),
    "tick": ((30, 400), (-20, -4)),
    "clink": ((0.3, 4), (-14, 6)),
}
#: More blows a second sound like fewer.
_BLOWS_PER_SECOND = (150.0, 6_000.0)


def draw_machine(
    seed: int, *, samplerate: int, leave_out: frozenset[str] = frozenset(), recorded: frozenset[str] = frozenset()
) -> tuple[WideMachine, dict[str, Any]]:
    """A machine of any kind but those left out, and its microphone (fields of ``plan.Microphone``).

    leave_out: of FAMILIES. recorded: those of RECORDED for which there are sounds. Raises SettingError on an unknown
    family and when nothing is left to draw from.
    """
    rng = np.random.default_rng([seed, 41])
    name, crack, blow, other = _families(rng, leave_out, recorded)
    kind = KINDS[name]
    second = other if other != blow and rng.random() < 0.4 else ""
    bean_g, batch_g = uniform(rng, BEAN_G), uniform(rng, kind.batch_g)
    per_bean = log_uniform(rng, *kind.blows_per_bean)
    least, most = _BLOWS_PER_SECOND
    per_bean = float(np.clip(per_bean, least * bean_g / batch_g, most * bean_g / batch_g))
    fall_m = uniform(rng, kind.fall_m)
    turn_s = uniform(rng, kind.turn_s)
    lid = rng.random() < kind.lid
    machine = WideMachine(
        seed=seed,
        kind=name,
        crack=crack,
        blow=blow,
        second_blow=second,
        second_share=float(rng.uniform(0.1, 0.5)) if second else 0.0,
        batch_g=batch_g,
        bean_g=bean_g,
        blows_per_bean=per_bean,
        bean_on_bean=uniform(rng, kind.bean_on_bean),
        speed_mps=float(rng.uniform(0.12, 0.45)) * fall_speed(fall_m),
        speed_spread=float(rng.uniform(0.5, 1.0)),
        fall_m=fall_m,
        modulus_pa=log_uniform(rng, 20e6, 800e6),
        stiffening=log_uniform(rng, 1.3, 4.0),
        gusts=kind.gusts,
        turn_s=turn_s,
        vanes=int(rng.integers(kind.vanes[0], kind.vanes[1] + 1)),
        gust_depth=uniform(rng, kind.gust_depth),
        wall=_wall(rng, kind),
        lid_air_hz=log_uniform(rng, 1_500, 9_000) if lid else 0.0,
        lid_struck_hz=log_uniform(rng, 2_500, 14_000) if lid else 0.0,
        lid_leak=log_uniform(rng, 0.08, 0.5),
        cavity=_cavity(rng),
        hisses=_hisses(rng, kind),
        tones=_tones(rng, kind),
        bumps=_bumps(rng),
        flicker=float(rng.choice([rng.uniform(0, 0.1), rng.uniform(0.1, 0.4)])),
        flicker_hz=log_uniform(rng, 0.2, 8.0),
        parts=_parts(rng, kind),
        cooling_db=float(rng.uniform(-3, 10)),
        place=_place(rng),
        gain_range_db=float(rng.choice([0.0, rng.uniform(6, 12)], p=[0.7, 0.3])),
        gain_rise_s=float(rng.uniform(2, 8)),
        coder_noise_db=float(rng.choice([0.0, rng.uniform(8, 20)], p=[0.8, 0.2])),
        coder_hz=float(rng.uniform(7_000, 18_000)),
    )
    return machine, _microphone(rng, samplerate)


def _families(
    rng: np.random.Generator, leave_out: frozenset[str], recorded: frozenset[str]
) -> tuple[str, str, str, str]:
    """Kind of machine, generator of cracks, and two of blows (they may be the same)."""
    unknown = sorted(leave_out - set(FAMILIES))
    if unknown:
        raise SettingError(f"family {unknown[0]!r} is unknown; choose from {', '.join(FAMILIES)}")
    gone = leave_out | (set(RECORDED) - recorded)

    def one(prefix: str, names: Iterable[str]) -> str:
        left = [name for name in names if f"{prefix}:{name}" not in gone]
        if not left:
            raise SettingError(f"every {prefix} family is left out; leave some to draw from")
        return str(rng.choice(left))

    return one("kind", KINDS), one("crack", CRACK_NAMES), one("blow", BLOW_NAMES), one("blow", BLOW_NAMES)


def _cavity(rng: np.random.Generator) -> tuple[tuple[float, float, float], ...]:
    """Resonances of the air in the machine: Hz, Q, share."""
    return tuple(
        (log_uniform(rng, 400, 5_000), float(rng.uniform(2, 12)), float(rng.uniform(0.2, 1.5)))
        for _ in range(int(rng.integers(0, 4)))
    )


def _bumps(rng: np.random.Generator) -> tuple[tuple[float, float, float], ...]:
    """Bumps in the noise of the air: Hz, Q, dB."""
    return tuple(
        (log_uniform(rng, 200, 10_000), float(rng.uniform(1, 8)), float(rng.uniform(-9, 9)))
        for _ in range(int(rng.integers(0, 5)))
    )


def _parts(rng: np.random.Generator, kind: Kind) -> tuple[Part, ...]:
    """What of the mechanism is heard on this machine."""
    return tuple(
        Part(part, log_uniform(rng, *_PARTS[part][0]), uniform(rng, _PARTS[part][1]))
        for part, likely in kind.parts.items()
        if rng.random() < likely
    )


def _wall(rng: np.random.Generator, kind: Kind) -> Wall:
    material, thickness_mm, width_m, height_m = kind.walls[int(rng.integers(len(kind.walls)))]
    return Wall(
        material=material,
        thickness_m=uniform(rng, thickness_mm) / 1000,
        width_m=uniform(rng, width_m),
        height_m=uniform(rng, height_m),
        decay_s=log_uniform(rng, 0.005, 0.060),
        decay_slope=float(rng.uniform(0.2, 1.0)),
        perforated_hz=log_uniform(rng, *kind.perforated_hz) if kind.perforated_hz[0] else 0.0,
    )


def _hisses(rng: np.random.Generator, kind: Kind) -> tuple[Hiss, ...]:
    few = rng.choice(kind.hisses, size=min(len(kind.hisses), int(rng.integers(1, 3))), replace=False).tolist()
    found = []
    for name in few:
        centre, rise, fall = _HISSES[name]
        found.append(
            Hiss(name, log_uniform(rng, *centre), uniform(rng, rise), uniform(rng, fall), float(rng.uniform(-10, 0)))
        )
    if rng.random() < 0.7:  # whatever turns shakes what it stands on
        centre, rise, fall = _HISSES["rumble"]
        level_db = float(rng.uniform(-6, 12))
        found.append(Hiss("rumble", log_uniform(rng, *centre), uniform(rng, rise), uniform(rng, fall), level_db))
    return tuple(found)


def _tones(rng: np.random.Generator, kind: Kind) -> tuple[Tone, ...]:
    hum = Tone(float(rng.choice([100.0, 120.0])), int(rng.integers(1, 5)), float(rng.uniform(-25, 10)), 0.0)
    blower = Tone(
        log_uniform(rng, *kind.tone_hz),
        int(rng.integers(1, 7)),
        float(rng.uniform(-25, 6)),
        log_uniform(rng, 0.0005, 0.02),
    )
    return (hum, blower) if rng.random() < 0.7 else (hum,)


def _place(rng: np.random.Generator) -> Place:
    room = (float(rng.uniform(2.2, 6.0)), float(rng.uniform(2.0, 4.5)), float(rng.uniform(2.3, 3.0)))
    return Place(
        room_m=room,
        rt60_s=float(rng.uniform(0.15, 0.8)),
        distance_m=float(rng.uniform(0.3, 1.3)),
        kitchen_m=float(rng.uniform(0.8, 1.9)),
        table=float(rng.choice([0.0, rng.uniform(0.3, 0.9)], p=[0.3, 0.7])),
        table_m=log_uniform(rng, 0.01, 0.25),
    )


def _microphone(rng: np.random.Generator, samplerate: int) -> dict[str, Any]:
    """A laptop's (behind a port), a phone's, one on a stand."""
    laptop = rng.random() < 0.5
    port = [(log_uniform(rng, 4_000, 16_000), float(rng.uniform(1, 5)), float(rng.uniform(3, 12)))] if laptop else []
    more = [
        (log_uniform(rng, 200, 10_000), float(rng.uniform(1, 6)), float(rng.uniform(-8, 8)))
        for _ in range(int(rng.integers(0, 3)))
    ]
    return {
        "low_hz": log_uniform(rng, 80, 400) if laptop else log_uniform(rng, 20, 150),
        "high_hz": min(log_uniform(rng, 7_000, 20_000), 0.49 * samplerate),
        "tilt_db": float(rng.uniform(-7, 7)),
        "resonances": (*port, *more),
    }
