"""What is the same for every recording of one run of the benchmark."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from crackdetect.classify import Model
from crackdetect.config import Sensitivity


@dataclass(frozen=True, slots=True)
class Hearing:
    """How everything is heard. sounds: folder of real sounds, or None. rivals: also ask the general detectors."""

    model: Model
    sensitivity: Sensitivity = "usual"
    sounds: Path | None = None
    rivals: bool = True
