"""Weight loss: the arithmetic, and the roast level that it suggests.

Green beans lose water, then more, as they roast. The bands are common practice, no source: light 11 to 13 %, medium 14
to 16 %, dark 17 to 20 % and more; half points between belong to the nearer band. They shift with the beans' moisture.
"""

from __future__ import annotations

from crackdetect.errors import SettingError

#: Upper border of each level, share of the green weight (common practice, no source).
LEVELS = ((0.105, "hardly roasted"), (0.135, "light"), (0.165, "medium"), (0.205, "dark"), (1.0, "very dark"))


def weight_loss(green_g: float, roasted_g: float) -> float:
    """(green - roasted) / green, 0 to 1. Raises SettingError unless 0 < roasted < green."""
    if not 0 < roasted_g < green_g:
        raise SettingError(
            f"roasted weight {roasted_g:g} g must be above 0 and below the green weight {green_g:g} g; "
            "check which of the two is which"
        )
    return (green_g - roasted_g) / green_g


def roast_level(loss: float) -> str:
    """``light``, ``medium``, …: what a weight loss (0 to 1) suggests. Common practice, no source."""
    return next(level for border, level in LEVELS if loss < border or border == 1.0)
