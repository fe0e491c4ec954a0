"""What hangs on a live roast: sinks that take its events, observers that take its sound, what must be closed after it.

Everything that wants to follow a roast is attached in one place, :func:`crackdetect.listening.command.attach`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Protocol

from crackdetect.blocks import Block

if TYPE_CHECKING:
    from crackdetect.session import Sink, Source


class BlockObserver(Protocol):
    """Sees every block as the microphone gave it, before the program's own sound is taken out of it.

    Called in the thread that hears: it must return at once and raise nothing. What takes longer belongs into a
    thread of its own behind a bounded queue.
    """

    def observe(self, block: Block) -> None: ...


@dataclass(slots=True)
class Attachments:
    """sinks: each gets every event, in a thread of its own (see ``session``). observers: see :class:`BlockObserver`.

    after: closed when the roast has ended and every sink has been drained, the last one entered first.
    """

    sinks: list[Sink] = field(default_factory=list)
    observers: list[BlockObserver] = field(default_factory=list)
    after: ExitStack = field(default_factory=ExitStack)


class ObservedSource:
    """A source whose blocks pass by observers."""

    def __init__(self, source: Source, observers: list[BlockObserver]) -> None:
        self._source = source
        self._observers = observers
        self.samplerate = source.samplerate
        self.kind: Literal["microphone", "file", "stdin"] = source.kind
        self.name = source.name

    def __iter__(self) -> Iterator[Block]:
        for block in self._source:
            for observer in self._observers:
                observer.observe(block)
            yield block

    def close(self) -> None:
        self._source.close()
