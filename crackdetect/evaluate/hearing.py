"""What is the same for every recording of one run of the benchmark."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from crackdetect.classify import Model
from crackdetect.config import SENSITIVITIES, Sensitivity


@dataclass(frozen=True, slots=True)
class Hearing:
    """How everything is heard.

    sounds: folder of real sounds, or None. rivals: also ask the general detectors. compare: also announce with the
    other sensitivities, on the same signals.
    """

    model: Model
    sensitivity: Sensitivity = "usual"
    sounds: Path | None = None
    rivals: bool = True
    compare: bool = False

    def others(self) -> tuple[Sensitivity, ...]:
        """The sensitivities to compare with."""
        return tuple(other for other in SENSITIVITIES if self.compare and other != self.sensitivity)
