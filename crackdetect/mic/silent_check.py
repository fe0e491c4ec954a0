"""The silent form of the microphone check: it judges the first seconds and speaks up if something is wrong."""

from __future__ import annotations

import threading

import numpy as np

from crackdetect.blocks import Block, Samples
from crackdetect.errors import OutputError
from crackdetect.notice import FAILED, Notice, Notices, defect
from crackdetect.worker import begin

#: How much of the beginning is judged, seconds.
FIRST_S = 6.0


class SilentCheck:
    """An observer of blocks that tells a weak or processed microphone early.

    Exact silence and clipping are told as health.

    Parameters
    ----------
    samplerate : int
        Hz.
    notices : Notices
        Where it is told what is wrong, once.
    """

    def __init__(self, *, samplerate: int, notices: Notices) -> None:
        self._samplerate = samplerate
        self._notices = notices
        self._blocks: list[Block] | None = []
        self._count = 0
        self._thread: threading.Thread | None = None

    def observe(self, block: Block) -> None:
        """The next block; the first few seconds of them are judged, in a thread of their own."""
        if self._blocks is None:
            return
        self._blocks.append(block)
        self._count += len(block.samples)
        if self._count >= FIRST_S * self._samplerate:
            samples = np.concatenate([one.samples for one in self._blocks])
            self._blocks = None
            # the hearing does not wait for it
            thread = threading.Thread(target=self._judge, args=(samples,), name="microphone-check", daemon=True)
            try:
                begin(thread)
            except OutputError as error:
                self._notices.put(Notice(FAILED, f"the microphone could not be checked ({error})"))
            else:
                self._thread = thread

    def wait(self, within_s: float) -> None:
        """Until what was begun is judged."""
        if self._thread is not None:
            self._thread.join(within_s)

    def _judge(self, samples: Samples) -> None:
        try:
            self._tell_findings(samples)
        except BaseException as error:  # it would end the check in silence
            self._notices.put(defect("the microphone could not be checked", error))

    def _tell_findings(self, samples: Samples) -> None:
        from crackdetect.mic.analysis import examine
        from crackdetect.mic.verdict import FAINT_DB, how_to_unprocess

        findings = examine(samples, samplerate=self._samplerate)
        if findings.zero_share > 0.9:
            return
        if findings.signs:
            message = f"the sound looks processed ({'; '.join(findings.signs)}): {how_to_unprocess()}"
            self._notices.put(Notice("processed_input", message))
        if findings.peak_db < FAINT_DB:
            message = f"hardly anything is heard (peaks of {findings.peak_db:.0f} dB): turn the input level up"
            self._notices.put(Notice("too_faint", message))
