"""The weights of ``hearing.charge_drop.EVIDENCE``; ``python -m crackdetect.train.charge_drop SOUNDS`` prints them.

Scenes: short roasts, three in ten of them without a charge and as many without a drop, half of them with real sounds;
and kitchens of ten minutes. Everything that stands out is an example, those within a second of a true charge (2.6 s of
a drop) the positive ones, those within 8 s of it none; for a charge until it must be known (85 s after it), for a drop
from 15 s after first crack. Logistic regression on standardised numbers, C = 1. With a fifth of the recordings left
out in turn it was calibrated: of what it called 0.8 to 0.9, 0.85 (charge) and 0.97 (drop) were right.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from crackdetect.errors import InputError, MissingPartError
from crackdetect.hearing.charge_drop import EVIDENCE, Awaited, ChargeDropDetector, ChargeDropSettings
from crackdetect.hearing.onset import CELL, Cell, Onset
from crackdetect.hearing.spectrum import BandSplitter
from crackdetect.synth.plan import RoastPlan, plan_roast
from crackdetect.synth.render import Renderer
from crackdetect.synth.sounds import SoundBank
from crackdetect.train.scenes import FIRST_SEED, SAMPLERATES
from crackdetect.train.sounds import bank

ROASTS, KITCHENS = 260, 13
#: The first seed of the roasts, and of the kitchens above it; no model of cracks is trained there.
SEED = FIRST_SEED["charge and drop"]
_RATE_SHARES = (0.55, 0.15, 0.08, 0.07, 0.15)
#: A candidate this near the truth, seconds, is it; one that is no nearer than _UNSURE_S is another sound.
_NEAR_S = {"charge": 1.0, "drop": 2.6}
_UNSURE_S = 8.0


def scenes(sounds: SoundBank, *, roasts: int = ROASTS, kitchens: int = KITCHENS) -> Iterator[tuple[RoastPlan, bool]]:
    """The plans, and whether each uses the real sounds."""
    for scenario, first, count in (("roast", SEED, roasts), ("kitchen", SEED + 5_000, kitchens)):
        for i in range(count):
            yield _plan(scenario, first + i, i, sounds)


def _plan(scenario: str, seed: int, i: int, sounds: SoundBank) -> tuple[RoastPlan, bool]:
    rng = np.random.default_rng([seed, 77])
    samplerate = int(rng.choice(SAMPLERATES, p=_RATE_SHARES))
    real = bool(rng.random() < 0.5)
    extra: dict[str, Any] = {}
    if real:
        if rng.random() < 0.5:
            extra["bed_index"] = int(rng.integers(len(sounds.beds)))
        rate = rng.choice([0.0, 2.0, 6.0]) if scenario == "roast" else rng.uniform(5, 30)
        extra["real_distractor_rate_per_minute"] = float(rate)
        extra["real_crack_fraction"] = float(rng.choice([0.0, 1.0]))
    if scenario == "kitchen":
        kind = "machine" if i % 5 == 0 else "kitchen"
        return plan_roast(seed=seed, scenario=kind, samplerate=samplerate, duration_s=600.0, **extra), real
    charge = None if rng.random() < 0.3 else float(rng.uniform(8, 45))
    start = (charge or 20) + float(rng.uniform(60, 90))
    drop = None if rng.random() < 0.3 else start + float(rng.uniform(35, 120))
    plan = plan_roast(
        seed=seed,
        scenario="roast",
        samplerate=samplerate,
        duration_s=(drop or start + 100) + 40,
        overrides={"charge_s": charge, "first_start_s": start, "drop_s": drop},
        **extra,
    )
    return plan, real


def cells(renderer: Renderer) -> tuple[list[Cell], float]:
    """The cells of a recording, and the seconds of one."""
    samplerate = renderer.plan.samplerate
    splitter = BandSplitter(samplerate=samplerate)
    onset = Onset(bands=splitter.bands)
    found = [cell for samples in renderer.blocks() for cell in onset.push(splitter.push(samples)).cells]
    return found, CELL * splitter.hop / samplerate


def examples(plan: RoastPlan, found: list[Cell], cell_s: float, what: Awaited) -> list[tuple[tuple[float, ...], bool]]:
    """What stands out in a recording, as examples to learn from.

    Parameters
    ----------
    plan : RoastPlan
        Of the recording: it knows the truth.
    found : list of Cell
        Of :func:`cells`.
    cell_s : float
        Seconds of a cell.
    what : {"charge", "drop"}

    Returns
    -------
    list of (tuple of float, bool)
        Evidence in the order of EVIDENCE, and whether it is the true one.
    """
    truth = plan.charge_s if what == "charge" else plan.drop_s
    first, last = 0.0, plan.duration_s
    if plan.scenario == "roast" and what == "charge":
        last = min((plan.charge_s or 20.0) + 85.0, np.inf if plan.drop_s is None else plan.drop_s - 5.0)
    elif what == "drop":
        first = 30.0 if plan.first_start_s is None else plan.first_start_s + 15.0
    stage = ChargeDropDetector(cell_s=cell_s, settings=ChargeDropSettings(level=0.0))
    rows = []
    for heard in stage.push(found, awaiting=what, since_s=first):
        off = np.inf if truth is None else abs(heard.time - truth)
        if heard.time < last and not _NEAR_S[what] <= off < _UNSURE_S:
            rows.append((heard.evidence, off < _NEAR_S[what]))
    return rows


def fit(rows: list[tuple[tuple[float, ...], bool]]) -> list[float]:
    """Weights in the order of EVIDENCE, of which the first is the intercept."""
    try:
        from sklearn.linear_model import LogisticRegression
        from sklearn.preprocessing import StandardScaler
    except ModuleNotFoundError:
        raise MissingPartError.of("train") from None
    numbers = np.array([evidence[1:] for evidence, _ in rows])
    scaler = StandardScaler().fit(numbers)
    model = LogisticRegression(C=1.0, max_iter=500).fit(scaler.transform(numbers), [right for _, right in rows])
    weights = model.coef_[0] / scaler.scale_
    return [float(model.intercept_[0] - weights @ scaler.mean_), *weights.tolist()]


def main(sounds: Path, *, roasts: int = ROASTS, kitchens: int = KITCHENS) -> None:
    """Prints the table for ``crackdetect.hearing.charge_drop``."""
    real_sounds = bank(sounds, "train")
    if not real_sounds.beds:
        raise InputError(f"sound folder {sounds} holds no machine noise; see 'crackdetect guide training'")
    rows: dict[Awaited, list[tuple[tuple[float, ...], bool]]] = {"charge": [], "drop": []}
    for plan, real in scenes(real_sounds, roasts=roasts, kitchens=kitchens):
        found, cell_s = cells(Renderer(plan, sounds=real_sounds if real else None))
        for what, gathered in rows.items():
            gathered += examples(plan, found, cell_s, what)
    charge, drop = (fit(gathered) for gathered in rows.values())
    for name, of_charge, of_drop in zip(EVIDENCE, charge, drop, strict=True):
        print(f'    "{name}": ({of_charge:.3f}, {of_drop:.3f}),')


if __name__ == "__main__":
    main(Path(sys.argv[1]), **{name: int(n) for name, n in zip(("roasts", "kitchens"), sys.argv[2:], strict=False)})
