"""General detectors over one recording, each in a process of its own.

``python -m crackdetect.evaluate.rivals NAME FILE`` is one.
"""

from __future__ import annotations

import importlib.util
import shutil
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from crackdetect.blocks import Samples

#: An onset detector that is a program of its own, where it is installed.
_ONSET_PROGRAM = "aubioonset"


def commands(path: Path) -> tuple[dict[str, list[str]], list[str]]:
    """The command of each rival that is installed here, by its name; and sentences on those that are not."""
    found, missing = {}, []
    for name in DETECTORS:
        if name == "librosa's onsets" and importlib.util.find_spec("librosa") is None:
            missing.append("librosa's onsets: needs librosa")
        else:
            found[name] = [sys.executable, "-m", __name__, name, str(path)]
    if (program := shutil.which(_ONSET_PROGRAM)) is None:
        missing.append(f"aubio's onsets: needs its program {_ONSET_PROGRAM}")
    else:
        found["aubio's onsets"] = [program, "-i", str(path)]
    return found, missing


def _bandpass(samples: Samples, samplerate: int) -> object:
    from crackdetect.train.bandpass_peaks import bandpassed

    return bandpassed(samples, samplerate)


def _sta_lta(samples: Samples, samplerate: int) -> object:
    from crackdetect.evaluate.baselines import sta_lta_peaks

    return sta_lta_peaks(samples, samplerate)


def _peaks(samples: Samples, samplerate: int) -> object:
    from crackdetect.train.bandpass_peaks import bandpass_peaks

    return bandpass_peaks(samples, samplerate)


def _librosa(samples: Samples, samplerate: int) -> object:
    from crackdetect.evaluate.baselines import librosa_onsets

    return librosa_onsets(samples, samplerate)


#: By name, the cheapest first: a bare band-pass finds nothing, and is the least that anything here costs.
DETECTORS: Mapping[str, Callable[[Samples, int], object]] = {
    "a band-pass alone": _bandpass,
    "short over long average": _sta_lta,
    "peaks over the median": _peaks,
    "librosa's onsets": _librosa,
}


def main(name: str, path: str) -> None:
    """Reads a whole recording of one channel and asks the detector of that name."""
    import soundfile

    samples, samplerate = soundfile.read(path, dtype="float32")
    DETECTORS[name](samples, samplerate)


if __name__ == "__main__":
    main(*sys.argv[1:])
