"""``crackdetect report``."""

from __future__ import annotations

from pathlib import Path

import click

from crackdetect.cli.options import FILE, figure_options, figures_of, replace_option, roast_argument
from crackdetect.errors import InputError, require


@click.command(name="report")
@roast_argument
@click.option("--out", type=FILE, metavar="FILE", help="The page.  [default: report-NUMBER-NAME.html here]")
@figure_options("All figures on one sheet, as PNG, instead of the page.", "The same as SVG.", "The same as PDF.")
@replace_option("FILE may be there already, even where it is not a report of ours.")
def command(roast: str, out: Path | None, png: Path | None, svg: Path | None, pdf: Path | None, replace: bool) -> None:
    """One roast as a page to read, print and keep: figures, spectrogram, clips to listen to, notes.

    ROAST is a number of 'crackdetect log', a name or its beginning, or "last". The page is one HTML file that works
    without a network. The spectrogram, the level and the clips need the recording where it was when it was kept. A file
    that is there already is replaced where it is a report of ours, any other only with --replace.

    Example: crackdetect report last --out monday.html
    """
    from crackdetect.report import drawing, roast_figures
    from crackdetect.report import sound as sounds
    from crackdetect.roast.usual_start import usual_before
    from crackdetect.roast.words import file_name
    from crackdetect.storage import atomic_file
    from crackdetect.storage.roast_store import RoastLog
    from crackdetect.terminal.progress import progress_line

    sheets = figures_of(png, svg, pdf)
    wants_page = out is not None or not sheets
    require("report", "matplotlib", *(["jinja2"] if wants_page else []))
    with RoastLog() as log:
        record = log.record(log.find(roast))
        usual = usual_before(log.roasts(), record.roast)
    found = record.roast
    page_at = out or Path(f"report-{found.number}-{file_name(found.coffee or found.identity)}.html")
    for kind, path in [*sheets, *([("html", page_at)] if wants_page else [])]:  # before the drawing takes its time
        atomic_file.place_of(path, replace=replace, own=atomic_file.is_own(kind))
    missing = sounds.why_not(found)
    heard = None
    with progress_line("drawing", total=4) as line:
        if missing is None and found.recording is not None:
            try:
                heard = sounds.gather(record, found.recording)
            except InputError as error:
                missing = f"The sound cannot be shown: {error}."
        if missing is not None:
            line.note(missing)
        line.advance(1)
        for kind, path in sheets:
            drawing.save(roast_figures.sheet(record, heard), path, kind=kind, replace=replace)
            line.write(f"wrote {path}")
        line.advance(2)
        if not wants_page:
            return
        from crackdetect.report.page import render

        page = render(record, heard, usual=usual, no_sound=missing)
        line.advance(3)
        with atomic_file.whole_file(page_at, replace=replace, own=atomic_file.is_own("html")) as part:
            part.write_text(page, encoding="utf-8")
        line.write(f"wrote {page_at} ({len(page.encode()) / 1e6:.1f} MB); open it in a browser")
