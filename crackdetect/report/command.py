"""``crackdetect report``."""

from __future__ import annotations

from pathlib import Path

import click

from crackdetect.errors import OutputError

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command(name="report")
@click.argument("roast", metavar="ROAST")
@click.option("--out", type=_FILE, metavar="FILE", help="The page.  [default: report-NUMBER-NAME.html here]")
@click.option("--png", type=_FILE, metavar="FILE", help="All figures on one sheet, as PNG, instead of the page.")
@click.option("--svg", type=_FILE, metavar="FILE", help="The same as SVG.")
@click.option("--pdf", type=_FILE, metavar="FILE", help="The same as PDF.")
def command(roast: str, out: Path | None, png: Path | None, svg: Path | None, pdf: Path | None) -> None:
    """One roast as a page to read, print and keep: figures, spectrogram, clips to listen to, notes.

    ROAST is a number of 'crackdetect log', a name or its beginning, or "last". The page is one HTML file that works
    without a network. The spectrogram, the level and the clips need the recording where it was when it was kept.

    Example: crackdetect report last --out monday.html
    """
    from crackdetect.console import progress_line
    from crackdetect.log.store import RoastLog
    from crackdetect.log.words import file_name
    from crackdetect.report import figures, needed
    from crackdetect.report import sound as sounds

    wants_page = out is not None or not (png or svg or pdf)
    needed.check("matplotlib", "librosa", *(["jinja2"] if wants_page else []))
    with RoastLog() as log:
        story = log.story(log.find(roast))
    found = story.roast
    missing = sounds.why_not(found)
    heard = None
    with progress_line("drawing", total=4) as line:
        if missing is not None:
            line.say(f"note: {missing}")
        elif found.recording is not None:
            heard = sounds.gather(story, found.recording)
        line.advance(1)
        for kind, path in (("png", png), ("svg", svg), ("pdf", pdf)):
            if path is not None:
                figures.save(figures.sheet(story, heard), path, kind=kind)
                line.write(f"wrote {path}")
        line.advance(2)
        if not wants_page:
            return
        from crackdetect.report.page import render

        target = out or Path(f"report-{found.number}-{file_name(found.coffee or found.identity)}.html")
        page = render(story, heard, no_sound=missing)
        line.advance(3)
        part = target.with_name(target.name + ".part")
        try:
            part.write_text(page, encoding="utf-8")
            part.replace(target)
        except OSError as error:
            raise OutputError(f"{target} cannot be written ({error.strerror}); choose another place") from None
        finally:
            part.unlink(missing_ok=True)
        line.write(f"wrote {target} ({len(page.encode()) / 1e6:.1f} MB); open it in a browser")
