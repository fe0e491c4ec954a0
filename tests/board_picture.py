"""Pictures of the board from a real run: the embedded roast, heard up to a moment of each stage.

    python tests/board_picture.py              # writes crackdetect/guide/board.svg anew, the README's picture
    python tests/board_picture.py all FOLDER   # every stage on screens of 80x24, 120x40 and 70x20, as text and SVG

They are drawn by ourselves from what is on the screen, as the screen's own picture needs a font from the network.
"""

from __future__ import annotations

import asyncio
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from queue import SimpleQueue
from typing import get_args
from xml.sax.saxutils import escape

from rich.style import Style
from textual.strip import Strip

from crackdetect import model
from crackdetect.audio.files import open_recording
from crackdetect.config import About, Settings, Target
from crackdetect.events import Event
from crackdetect.pipeline import Pipeline
from crackdetect.roast.alerts import Alerts
from crackdetect.roast.stage import Stage, stage
from crackdetect.terminal.board import Board, Screenful
from crackdetect.terminal.board_text import MOMENT_S
from crackdetect.terminal.level import LevelWatch

PICTURE = Path(__file__).resolve().parent.parent / "crackdetect" / "guide" / "board.svg"
SIZES = ((80, 24), (120, 40), (70, 20))
#: One cell of the screen, in units of the picture.
WIDE, HIGH = 9, 19
MARGIN = 16
#: Blocks are drawn, for fonts leave gaps between them: from which eighth of the height to which.
BLOCKS = {"▀": (4, 8), "█": (0, 8), **{block: (0, number) for number, block in enumerate(" ▁▂▃▄▅▆▇") if number}}
HALF_TONE = "░"
#: Of the accent, by the name of the terminal's colour; a calm palette of our own.
COLOURS = {"blue": "#86a8d9", "green": "#93c47d", "magenta": "#d9a0c8", "red": "#e58a7b", "cyan": "#86c9c4"}

Screen = list[Strip]


class Kitchen:
    """The embedded roast, heard from the beginning, and boards that show it."""

    def __init__(self) -> None:
        self.source = open_recording(model.data_folder("recordings_synthetic") / "demo_roast.flac", block_s=0.5)
        self.pipeline = Pipeline(
            samplerate=self.source.samplerate,
            model=model.shipped(),
            settings=Settings(charge_at=13.0, target=Target.parse("1:45"), cool_s=120.0),
            about=About(coffee="Meadow Lane", green_g=200.0),
            roast="demo_roast",
        )
        self.level = LevelWatch()
        self.heard_s = 0.0
        self.events: list[Event] = []
        self._blocks = iter(self.source)

    def hear(self, until: Callable[[Kitchen], bool]) -> bool:
        """Hears on until then; whether that came."""
        while not until(self):
            block = next(self._blocks, None)
            if block is None:
                return False
            self.level.observe(block)
            self.heard_s += len(block.samples) / self.source.samplerate
            self.events += self.pipeline.push(block)
        return True

    def screen(self, size: tuple[int, int] = SIZES[0], *, later_s: float = 0.0) -> Screen:
        """What stands on a board of that size, so long after the last that was heard."""
        now = [self.heard_s]
        board = Board(
            device="the embedded roast",
            marks=SimpleQueue(),
            end=lambda: None,
            alerts=Alerts(),
            level=self.level,
            begin=lambda: None,
            last_time="last time: first crack 5:34, drop 7:12, balanced 4/5",
            monotonic=lambda: now[0],
        )
        for event in self.events:
            board.send(event)

        async def shown() -> Screen:
            async with board.run_test(size=size) as pilot:
                await pilot.pause()
                now[0] += later_s
                board._draw()
                return board.query_one(Screenful).rows

        return asyncio.run(shown())


def screen() -> Screen:
    """The README's: some seconds after the announcement."""
    kitchen = Kitchen()
    with closing(kitchen.source):
        kitchen.hear(lambda kitchen: kitchen.pipeline.state.first_crack is not None)
        announced = kitchen.heard_s
        kitchen.hear(lambda kitchen: kitchen.heard_s > announced + 6.0)
    return kitchen.screen(later_s=MOMENT_S)


def stages() -> Iterator[tuple[str, tuple[int, int], Screen]]:
    """Every stage, and the moment that fills the screen, on screens of each size; the drop is marked on the target."""
    kitchen = Kitchen()
    known = kitchen.pipeline

    def come(word: Stage) -> Callable[[Kitchen], bool]:
        return lambda kitchen: stage(known.state, kitchen.heard_s) == word

    with closing(kitchen.source):
        for name in get_args(Stage):
            if name == "cooling":
                kitchen.events += known.mark("drop")
            elif not kitchen.hear(come(name)):
                continue
            if name == "first crack":
                for size in SIZES:
                    yield "first crack, the first two seconds", size, kitchen.screen(size)
            wait_until = kitchen.heard_s + (0.0 if name == "pops coming" else 6.0)
            kitchen.hear(lambda kitchen, until=wait_until: kitchen.heard_s > until)  # type: ignore[misc]
            for size in SIZES:
                yield name, size, kitchen.screen(size, later_s=MOMENT_S)


def drawn(shown: Screen, size: tuple[int, int] = SIZES[0]) -> str:
    """The picture of a screen, SVG."""
    width, height = size[0] * WIDE + 2 * MARGIN, size[1] * HIGH + 2 * MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        'aria-label="The board, six seconds after it announced first crack">',
        "<style>text{font:15px ui-monospace,monospace;white-space:pre}.b{font-weight:bold}"
        "rect{shape-rendering:crispEdges}.h{opacity:.25}</style>",
        f'<rect width="{width}" height="{height}" rx="6" fill="#23211e"/>',
    ]
    for row, strip in enumerate(shown):
        column = 0
        for text, style, _ in strip:
            parts += _piece(row, column, text, style or Style())
            column += len(text)
    return "\n".join([*parts, "</svg>", ""])


def _piece(row: int, column: int, text: str, style: Style) -> Iterator[str]:
    left, y, ink = MARGIN + column * WIDE, MARGIN + row * HIGH, "#e8e4da"
    ground = ink if style.reverse else None if style.bgcolor is None else COLOURS[style.bgcolor.name]
    if ground is not None:
        yield f'<rect x="{left}" y="{y}" width="{len(text) * WIDE}" height="{HIGH}" fill="{ground}"/>'
        ink = "#23211e"
    solid = "".join(BLOCKS) + HALF_TONE
    for piece in re.finditer(rf"([{solid}])\1*|[^{solid}]+", text):
        x, wide = left + piece.start() * WIDE, len(piece[0]) * WIDE
        letter = piece[0][0]
        if letter in solid:
            low, high = BLOCKS.get(letter, (0, 8))
            look = ' class="h"' if letter == HALF_TONE else ""
            top, tall = y + HIGH * (8 - high) / 8, HIGH * (high - low) / 8
            yield f'<rect{look} x="{x}" y="{top:g}" width="{wide}" height="{tall:g}" fill="{ink}"/>'
        elif piece[0].strip():
            x += WIDE * (len(piece[0]) - len(piece[0].lstrip()))
            word = piece[0].strip()
            look = ' class="b"' if style.bold else ""
            yield (
                f'<text{look} x="{x}" y="{y + 14}" fill="{ink}" textLength="{len(word) * WIDE}" xml:space="preserve">'
                f"{escape(word)}</text>"
            )


def main(arguments: list[str]) -> None:
    """Writes the README's picture, or all of them into a folder."""
    if not arguments:
        PICTURE.write_text(drawn(screen()), encoding="utf-8")
        print(f"written: {PICTURE}")
        return
    folder = Path(arguments[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, size, shown in stages():
        file = folder / f"{name.replace(',', '').replace(' ', '-')}-{size[0]}x{size[1]}"
        file.with_suffix(".svg").write_text(drawn(shown, size), encoding="utf-8")
        file.with_suffix(".txt").write_text("\n".join(strip.text.rstrip() for strip in shown) + "\n", encoding="utf-8")
    print(f"written: {folder}")


if __name__ == "__main__":
    main(sys.argv[1:])
