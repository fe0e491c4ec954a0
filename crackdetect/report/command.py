"""``crackdetect report``."""

from __future__ import annotations

from pathlib import Path

import click

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command(name="report")
@click.argument("roast", metavar="ROAST")
@click.option("--out", type=_FILE, metavar="FILE", help="The page.  [default: report-NUMBER-NAME.html here]")
@click.option("--png", type=_FILE, metavar="FILE", help="All figures on one sheet, as PNG, instead of the page.")
@click.option("--svg", type=_FILE, metavar="FILE", help="The same as SVG.")
@click.option("--pdf", type=_FILE, metavar="FILE", help="The same as PDF.")
@click.option("--replace", is_flag=True, help="FILE may be there already, even where it is not a report of ours.")
def command(roast: str, out: Path | None, png: Path | None, svg: Path | None, pdf: Path | None, replace: bool) -> None:
    """One roast as a page to read, print and keep: figures, spectrogram, clips to listen to, notes.

    ROAST is a number of 'crackdetect log', a name or its beginning, or "last". The page is one HTML file that works
    without a network. The spectrogram, the level and the clips need the recording where it was when it was kept. A file
    that is there already is replaced where it is a report of ours, any other only with --replace.

    Example: crackdetect report last --out monday.html
    """
    from crackdetect import writing
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
    page_at = out or Path(f"report-{found.number}-{file_name(found.coffee or found.identity)}.html")
    wanted = {"html": page_at if wants_page else None, "png": png, "svg": svg, "pdf": pdf}
    for kind, path in wanted.items():  # before the drawing, which takes its time
        if path is not None:
            writing.place_of(path, replace=replace, own=writing.is_own(kind))
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
                figures.save(figures.sheet(story, heard), path, kind=kind, replace=replace)
                line.write(f"wrote {path}")
        line.advance(2)
        if not wants_page:
            return
        from crackdetect.report.page import render

        page = render(story, heard, no_sound=missing)
        line.advance(3)
        with writing.whole_file(page_at, replace=replace, own=writing.is_own("html")) as part:
            part.write_text(page, encoding="utf-8")
        line.write(f"wrote {page_at} ({len(page.encode()) / 1e6:.1f} MB); open it in a browser")
