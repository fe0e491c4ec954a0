"""The cautions, by the moment at which they matter: the one place that holds their words.

The tool advises and never says that something is safe. What it says is general (common practice; NFPA on unattended
cooking and NIOSH on coffee roasting, both as quoted by others) and gives way to the maker's instructions and to local
codes. Every caution is one line for a person.
"""

from __future__ import annotations

#: Short, wherever a roast is near: before listening, under a demonstration, a report and a plan.
ALWAYS = (
    "Stay beside the roaster until it is cold and never leave a roast unattended; local codes and the maker's "
    "instructions come first."
)
#: All of them, shown at first use; README.md and the guide's page on safety have the same ones.
FIRST_USE = (
    "Local codes and the maker's instructions come first. crackdetect is an ear, not a guard: it never makes it safe "
    "to walk away.",
    "Never leave a roaster that is on or hot. Keep children and pets a metre away.",
    "Ventilate: smoke and carbon monoxide are real, and roasted and ground coffee keeps giving carbon monoxide off.",
    "Chaff is fuel: empty the collector every time. Keep an extinguisher at hand.",
    "If a drum burns, keep it shut and switch the power off.",
    "If fire leaves the roaster, or you are in doubt, get out and call the fire service.",
    "Surfaces are hot: wear gloves, and nothing flammable.",
    "Do not go past second crack unwatched.",
)
PAST_SECOND_CRACK = (
    "Past second crack beans can catch fire: watch them, be ready to drop, and if they burn keep the drum shut and "
    "switch the power off."
)
AT_COOLING = "Drum and beans are hot for long; stay until they are cold, then empty the chaff collector."

#: What to show before the first roast.
FIRST_ROAST = (
    "Before your first roast with crackdetect, please read this (it is shown once):",
    *(f"- {line}" for line in FIRST_USE),
)
