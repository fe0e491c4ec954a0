"""The computer must not fall asleep while a roast is listened to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

_ASLEEP = (
    "the computer could not be kept from falling asleep; switch its sleep off in the system's settings, plug it "
    "in, and touch it now and then"
)


@contextmanager
def awake(tell: Callable[[str], None]) -> Iterator[None]:
    """Keeps computer and screen awake; where only the computer can be, that. tell: told when neither can."""
    from wakepy import keep

    with keep.presenting(on_fail="pass") as both:
        if both.active:
            yield
            return
    with keep.running(on_fail="pass") as computer:
        if not computer.active:
            tell(_ASLEEP)
        yield
