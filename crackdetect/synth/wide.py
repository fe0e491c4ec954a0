"""The numbers of the wide family: machines with beans in them, of many kinds, that share nothing but physics.

A machine is drawn whole from one seed, each roast on it from another, so that several roasts on one machine can be
taught and heard. ``kinds.py`` and ``roasts.py`` draw them; ``stage.py`` sounds them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from crackdetect.synth.chorus import Chorus
from crackdetect.synth.place import Place
from crackdetect.synth.walls import Wall

#: Names of the families: of the generators in ``voices.py`` and ``blows.py``, and of the kinds in ``kinds.py``.
CRACK_NAMES = ("modes", "noise", "recoil", "shell", "dipole", "dull", "micro", "jet", "grain")
BLOW_NAMES = ("hertz", "slap", "ring", "rustle", "scratch", "thud", "bounce", "grain")
KIND_NAMES = (
    "drum",
    "perforated drum",
    "wire cage",
    "fluid bed",
    "stirred pot",
    "bowl with hot air",
    "oven",
    "recorded bed",
)
#: All of them, as ``leave_out`` takes them.
FAMILIES = (
    *(f"crack:{name}" for name in CRACK_NAMES),
    *(f"blow:{name}" for name in BLOW_NAMES),
    *(f"kind:{name}" for name in KIND_NAMES),
)
#: Those that need recorded sounds.
RECORDED = ("crack:grain", "blow:grain", "kind:recorded bed")


@dataclass(frozen=True, slots=True)
class Hiss:
    """Broad noise.

    Attributes
    ----------
    name : str
    centre_hz : float
        Where its amplitude is largest.
    rise, fall : float
        It rises as f**rise below and falls as f**-fall above.
    level_db : float
        Power relative to the other hisses.
    """

    name: str
    centre_hz: float
    rise: float
    fall: float
    level_db: float


@dataclass(frozen=True, slots=True)
class Tone:
    """A blower's or motor's tone with ``harmonics``, rms over the in-band rms of the air, and its wander (share)."""

    hz: float
    harmonics: int
    level_db: float
    wander: float


@dataclass(frozen=True, slots=True)
class Part:
    """Something of the machine that makes itself heard (see ``mechanism.py``).

    per_minute: how often; of what goes round: how many a turn. level_db: its peak against that of a median first crack.
    """

    name: str
    per_minute: float
    level_db: float


@dataclass(frozen=True, slots=True)
class WideMachine:
    """A machine, and the beans that it usually gets.

    kind, crack, blow: families. second_blow, second_share: another way of making blows, for that share of them ("" = no
    other). batch_g, bean_g: all the beans and one of them. blows_per_bean: a second. bean_on_bean: share of blows
    between beans. speed_mps, speed_spread: median speed of a blow and standard deviation of its logarithm; fall_m: no
    bean falls farther. modulus_pa: E* of green beans against a wall; stiffening: how many times that when roasted.
    gusts: turn, none or irregular; turn_s: a turn (0 = nothing turns); vanes: gusts a turn; gust_depth: 0 to 1.
    lid_air_hz, lid_struck_hz: low-pass of the lid for sound in the air and for sound of the struck wall, 0 = no lid;
    lid_leak: what goes past it, in amplitude. cavity: Hz, Q and gain of the air's resonances in the vessel.
    hisses, tones, bumps (Hz, Q, dB): the air. flicker: depth of its slow swing, at flicker_hz.
    """

    seed: int
    kind: str
    crack: str
    blow: str
    second_blow: str
    second_share: float
    batch_g: float
    bean_g: float
    blows_per_bean: float
    bean_on_bean: float
    speed_mps: float
    speed_spread: float
    fall_m: float
    modulus_pa: float
    stiffening: float
    gusts: str
    turn_s: float
    vanes: int
    gust_depth: float
    wall: Wall
    lid_air_hz: float
    lid_struck_hz: float
    lid_leak: float
    cavity: tuple[tuple[float, float, float], ...]
    hisses: tuple[Hiss, ...]
    tones: tuple[Tone, ...]
    bumps: tuple[tuple[float, float, float], ...]
    flicker: float
    flicker_hz: float
    parts: tuple[Part, ...]
    cooling_db: float
    place: Place
    gain_range_db: float
    gain_rise_s: float
    coder_noise_db: float
    coder_hz: float

    @property
    def beans(self) -> int:
        """How many are in it."""
        return round(self.batch_g / self.bean_g)

    @property
    def blows_per_second(self) -> float:
        """Of all beans together."""
        return self.beans * self.blows_per_bean


@dataclass(frozen=True, slots=True)
class Wide:
    """One roast on a machine.

    beans: whether there are any in it. blow_below_db: how far a median blow stays below a median first crack (farther,
    where the blows would else be more than blow_share of the whole noise's rms, which the plan's SNR gives).
    blow_drift_db: how much louder blows are at the end than at the beginning. first_shape, first_skew, second_shape,
    second_skew, fade_s: see Chorus. second_pitch: of second crack. voice_pitch: of this batch's first crack on the
    machine. doubles: share of cracks that are double. air_steps: (s, dB) the air's level from then on. hood: (s, s, dB)
    when an extractor runs. lid_open: (s, s). chaff_per_minute, crackle_per_minute: flakes that hiss by, bursts of them
    crackling on an element.
    """

    machine: WideMachine
    beans: bool
    blow_below_db: float
    blow_share: float
    blow_drift_db: float
    first_shape: str
    first_skew: float
    second_shape: str
    second_skew: float
    fade_s: float | None
    voice_pitch: float
    second_pitch: float
    doubles: float
    air_steps: tuple[tuple[float, float], ...]
    hood: tuple[tuple[float, float, float], ...]
    lid_open: tuple[tuple[float, float], ...]
    chaff_per_minute: float
    crackle_per_minute: float

    @property
    def named(self) -> tuple[str, ...]:
        """Families of this roast: of its cracks, its machine, its blows, and of some of its blows if they differ."""
        machine = self.machine
        blows = [name for name in (machine.blow, machine.second_blow) if name]
        return f"crack:{machine.crack}", f"kind:{machine.kind}", *(f"blow:{name}" for name in blows)

    @property
    def families(self) -> frozenset[str]:
        """Which families this roast is of, as ``leave_out`` names them."""
        return frozenset(self.named)

    def first(self, start_s: float, ramp_s: float, peak_per_minute: float) -> Chorus:
        """The chorus of first crack, from its start (s) up to its peak (cracks a minute) within ``ramp_s``."""
        return Chorus(start_s, ramp_s, peak_per_minute, self.first_shape, self.first_skew, self.fade_s)

    def second(self, start_s: float, ramp_s: float, peak_per_minute: float) -> Chorus:
        """The chorus of second crack, likewise."""
        return Chorus(start_s, ramp_s, peak_per_minute, self.second_shape, self.second_skew)

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Wide:
        """Raises TypeError on unknown names."""
        values = {name: _tuples(value) for name, value in content.items()}
        machine = {name: _tuples(value) for name, value in values["machine"].items()}
        machine["wall"] = Wall(**machine["wall"])
        machine["place"] = Place(**{name: _tuples(value) for name, value in machine["place"].items()})
        machine["hisses"] = tuple(Hiss(**one) for one in machine["hisses"])
        machine["tones"] = tuple(Tone(**one) for one in machine["tones"])
        machine["parts"] = tuple(Part(**one) for one in machine["parts"])
        values["machine"] = WideMachine(**machine)
        return cls(**values)


def _tuples(value: Any) -> Any:
    """JSON knows lists only."""
    return tuple(_tuples(one) for one in value) if isinstance(value, list | tuple) else value
