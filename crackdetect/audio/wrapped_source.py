"""A source inside another one: the blocks are changed or watched on their way, all else stays what it was."""

from __future__ import annotations

from collections.abc import Iterator

from crackdetect.blocks import Block, Source, SourceKind


class WrappedSource:
    """Gives the blocks of ``source``; a class made of it says in ``__iter__`` what becomes of them.

    Closing it closes the source within.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self.samplerate = source.samplerate
        self.kind: SourceKind = source.kind
        self.name = source.name

    def __iter__(self) -> Iterator[Block]:
        yield from self._source

    def close(self) -> None:
        """Closes the source within."""
        self._source.close()
