"""The silent form of the microphone check: it judges the first seconds and speaks up if something is wrong."""

from __future__ import annotations

import threading

import numpy as np

from crackdetect.blocks import Block, Samples
from crackdetect.notice import Notice, Notices

#: How much of the beginning is judged, seconds.
FIRST_S = 6.0


class SilentCheck:
    """An observer of blocks. What is wrong goes to ``notices``, once. Exact silence and clipping are health's own."""

    def __init__(self, *, samplerate: int, notices: Notices) -> None:
        self._samplerate = samplerate
        self._notices = notices
        self._blocks: list[Block] | None = []
        self._count = 0
        self._thread: threading.Thread | None = None

    def observe(self, block: Block) -> None:
        if self._blocks is None:
            return
        self._blocks.append(block)
        self._count += len(block.samples)
        if self._count >= FIRST_S * self._samplerate:
            samples = np.concatenate([one.samples for one in self._blocks])
            self._blocks = None
            # the hearing does not wait for it
            self._thread = threading.Thread(target=self._judge, args=(samples,), name="microphone-check", daemon=True)
            self._thread.start()

    def wait(self, within_s: float) -> None:
        """Until what was begun is judged."""
        if self._thread is not None:
            self._thread.join(within_s)

    def _judge(self, samples: Samples) -> None:
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
