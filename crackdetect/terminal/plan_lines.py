"""The plan of the next batch as lines."""

from __future__ import annotations

from crackdetect.notation import clock, grams
from crackdetect.roast.planning import GUESSED_S, Plan
from crackdetect.roast.words import shown
from crackdetect.terminal.roast_lines import row


def plan_lines(coffee: str, plan: Plan) -> list[str]:
    """The plan as a person reads it. coffee: its name, as the log spells it."""
    n = len(plan.roasts)
    told = f"{n} roast{'s' if n != 1 else ''} of this coffee"
    if plan.green_g is not None:
        told += " and weight" if plan.same_weight else ", none of this weight"
    wants = [shown(coffee, most=50)]
    wants += [] if plan.green_g is None else [grams(plan.green_g)]
    wants += [] if plan.target is None else [f"target {plan.target}"]
    lines = [f"Plan for {', '.join(wants)}", *row("drop", _drop(plan))]
    lines += row("first crack", _expected(plan))
    for sentence in plan.advice:
        lines += row("the cup", sentence)
    lines += row("rests on", told)
    if plan.off is not None:
        side = "past" if plan.off.mean >= 0 else "short of"
        text = f"development {abs(plan.off.mean):.0f} s {side} the target"
        if plan.off.sd is None:
            text += ", in the one roast that had a target"
        else:
            text += f" on average, spread {plan.off.sd:.0f} s (standard deviation, {plan.off.n} roasts)"
        lines += row("repeatable", text)
    return lines


def _expected(plan: Plan) -> str:
    spread, window = plan.first_crack, plan.window
    if spread is None or window is None:
        return "no roast of it has a first crack counted from charge yet; nothing can be expected from the log"
    text = f"expected {clock(spread.mean)}, between {clock(window[0])} and {clock(window[1])}"
    if plan.guessed:
        few = "one roast" if spread.n == 1 else "two roasts"
        guess = f"the window is {GUESSED_S:.0f} s to each side, not measured"
        return f"{text}; {few} cannot say how far they spread, so {guess}"
    return f"{text} (90 %, from {spread.n} roasts, standard deviation {spread.sd or 0:.0f} s)"


def _drop(plan: Plan) -> str:
    if plan.target is None:
        return "no target is known; give one with --target 1:45 or --target 18%"
    if plan.drop is None or plan.first_crack is None or plan.after is None:
        return f"{plan.target} after first crack, as it is heard"
    low, mid, high = (clock(value) for value in plan.drop)
    why = ", as the last cup suggests" if plan.by_cup else ""
    return (
        f"{clock(plan.after)} after first crack{why}: at {mid} if it begins at {clock(plan.first_crack.mean)}, "
        f"{low} to {high} over the window"
    )
