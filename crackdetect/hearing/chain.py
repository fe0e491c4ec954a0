"""The stages of hearing, one behind the other: samples in, scored candidates out."""

from __future__ import annotations

from dataclasses import dataclass

from crackdetect.blocks import Samples
from crackdetect.hearing.classifier import Classifier, ClassifierModel, CrackScore
from crackdetect.hearing.features import Features
from crackdetect.hearing.level import LevelMeter
from crackdetect.hearing.onset import AFTER, Candidate, Cell, HeardFrames, Onset
from crackdetect.hearing.spectrum import BandSplitter


@dataclass(frozen=True, slots=True)
class Heard:
    """What one portion of samples brought.

    Attributes
    ----------
    candidates : tuple of (Candidate, CrackScore)
        In the order of time.
    frames : HeardFrames or None
        The frames that were judged.
    cells : tuple of Cell
        The cells that became whole and held sound.
    judged : int
        All frames before this one have been judged.
    """

    candidates: tuple[tuple[Candidate, CrackScore], ...]
    frames: HeardFrames | None
    cells: tuple[Cell, ...]
    judged: int


class HearingChain:
    """Band-pass, onset, features and classifier, and the level of single cracks.

    Parameters
    ----------
    samplerate
        Hz, 8,000 to 192,000, else SettingError.
    model
        Of the classifier.
    """

    def __init__(self, *, samplerate: int, model: ClassifierModel) -> None:
        self.samplerate = samplerate
        self._splitter = BandSplitter(samplerate=samplerate)
        self.hop = self._splitter.hop
        self._onset = Onset(bands=self._splitter.bands)
        self._features = Features()
        self._classifier = Classifier(model)
        self._level = LevelMeter(samplerate=samplerate)
        self._begin()

    def reset(self) -> None:
        """As new."""
        for stage in (self._splitter, self._onset, self._features, self._classifier, self._level):
            stage.reset()
        self._begin()

    def _begin(self) -> None:
        self._resumed_at = 0  # sample at which the first frame after the last gap was complete
        self._judged_before_gap = 0  # all frames before this one, when it began

    def push(self, samples: Samples) -> Heard:
        """samples: float32 (n,), within ±64 (full scale is ±1), or the energies could overflow."""
        self._level.push(samples)
        frames = self._splitter.push(samples)
        if len(frames) == 0:
            return Heard((), None, (), self._onset.next_frame - AFTER)
        if frames.first != self._onset.next_frame:
            self._judged_before_gap = self._onset.next_frame - AFTER
            self._resumed_at = self._splitter.end(frames.first)
        found = self._onset.push(frames)
        candidates: tuple[tuple[Candidate, CrackScore], ...] = ()
        if found.candidates:  # live, most blocks have none
            scores = self._classifier.push(self._features.push(found.candidates))
            candidates = tuple(zip(found.candidates, scores, strict=True))
        return Heard(candidates, found.heard, found.cells, self._onset.next_frame - AFTER)

    def gap(self, count: int) -> None:
        """So many samples were lost here."""
        self._splitter.gap(count)
        self._level.gap(count)

    def frames_until(self, position: int) -> int:
        """Frames that could have been judged by sample ``position`` had there been sound."""
        return position // self.hop - AFTER

    def judged_at(self, position: int) -> int:
        """All frames before this one had been judged at sample ``position``, which lies in what was pushed last."""
        if position < self._resumed_at:
            return self._judged_before_gap
        return min(self._onset.next_frame, self._splitter.complete(position)) - AFTER

    def centre(self, frame: int) -> int:
        """Sample in the middle of a frame."""
        return self._splitter.centre(frame)

    def said_at(self, frame: int) -> int:
        """Sample at which a candidate in this frame could be judged."""
        return self._splitter.end(frame + AFTER)

    def passed_at(self, frame: int) -> int:
        """Sample at which all frames before this one could be judged; after a gap, when sound was back."""
        return max(self._splitter.end(frame + AFTER - 1), self._resumed_at)

    def snr_db(self, candidate: Candidate) -> float:
        """Of a candidate that was found just now, see :class:`LevelMeter`."""
        return self._level.snr_db(self.centre(candidate.frame), candidate.in_band_floor)
