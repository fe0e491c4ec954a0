"""What hangs on a live roast: sinks that take its events, observers that take its sound, what must be closed after it.

Everything that wants to follow a roast is attached in one place, ``live_roast.LiveRoast.attach``.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Protocol

from crackdetect.audio.wrapped_source import WrappedSource
from crackdetect.blocks import Block, Source
from crackdetect.events import Sink


class BlockObserver(Protocol):
    """Sees every block as the microphone gave it, before the program's own sound is taken out of it.

    Called in the thread that hears: it must return at once and raise nothing. What takes longer belongs into a
    thread of its own behind a bounded queue.
    """

    def observe(self, block: Block) -> None:
        """Takes the next block."""


@dataclass(slots=True)
class Attachments:
    """What follows one roast.

    Attributes
    ----------
    sinks
        Each gets every event, in a thread of its own.
    observers
        Each sees every block.
    after
        Closed when the roast has ended and every sink has been drained, the last one entered first.
    """

    sinks: list[Sink] = field(default_factory=list)
    observers: list[BlockObserver] = field(default_factory=list)
    after: ExitStack = field(default_factory=ExitStack)


class ObservedSource(WrappedSource):
    """A source whose blocks pass by observers."""

    def __init__(self, source: Source, observers: list[BlockObserver]) -> None:
        super().__init__(source)
        self._observers = observers

    def __iter__(self) -> Iterator[Block]:
        for block in self._source:
            for observer in self._observers:
                observer.observe(block)
            yield block
