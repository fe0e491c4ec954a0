"""The report: figures by their data, the page by what is in it and by what a real browser makes of it."""

from __future__ import annotations

import base64
import hashlib
import html
import html.parser
import json
import os
import re
import shutil
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from clicks import clicks_in_noise
from roasts import HOSTILE, WRONG_RATE, roast_events

from crackdetect.cli import entry
from crackdetect.errors import SettingError, install_command
from crackdetect.roast.comparing import trend_of
from crackdetect.roast.record import Crack, RoastRecord, Trouble
from crackdetect.storage.roast_store import RoastLog
from crackdetect.terminal.roast_lines import roast_lines

matplotlib = pytest.importorskip("matplotlib")
pytest.importorskip("jinja2")

from crackdetect.report import comparing_figures, drawing, roast_figures, sound, style  # noqa: E402
from crackdetect.report.page import render  # noqa: E402

RATE = 16_000
CRACKS = [20.0 + 2.0 * i for i in range(12)]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> RoastRecord:
    """A roast of a minute with a recording: charge at 2 s, first crack at 20 s, drop at 50 s; cracks of 3 kHz."""
    folder = tmp_path_factory.mktemp("kept")
    path = folder / "monday.wav"
    soundfile.write(path, clicks_in_noise(CRACKS, samplerate=RATE, duration_s=60, frequency_hz=3_000), RATE)
    about = {"coffee": "Lot Seven", "green_g": 200.0, "origin": "north slope"}
    with RoastLog(folder / "roasts.sqlite3") as log:
        log.keep(
            roast_events(charge=2.0, first_crack=20.0, drop=50.0, cracks=12, about=about, target="30%"), recording=path
        )
        log.edit(log.find("1"), values={"roasted_g": 168.0})
        log.note(log.find("1"), text="lemon", cup=-1, liking=4)
        return log.record(log.find("1"))


@pytest.fixture(scope="module")
def gathered(kept: RoastRecord) -> sound.Sound:
    assert kept.roast.recording is not None
    return sound.gather(kept, kept.roast.recording)


# -- figures ---------------------------------------------------------------------------------------------------


def test_the_density_figure_shows_the_kept_numbers_in_roast_time(kept: RoastRecord) -> None:
    upper, lower = roast_figures.density(kept).axes
    (curve,) = [line for line in upper.lines if line.get_label() == "crack rate"]
    assert curve.get_xdata().tolist() == [30, 31, 32, 33, 34]  # from charge at 2 s
    assert curve.get_ydata().tolist() == [10, 40, 80, 60, 20]
    texts = [text.get_text().strip() for text in upper.texts]
    assert texts == ["charge 0:00", "first crack 0:18", "drop 0:48"]
    bar = [line for line in upper.lines if line.get_linewidth() == 3]
    assert list(bar[0].get_xdata()) == [12, 24]  # the interval, 6 s to each side
    assert upper.get_ylabel() == "cracks a minute"
    assert (lower.get_xlabel(), lower.get_ylabel()) == ("roast time, min:s", "dB over the noise")
    marks = np.concatenate([dots.get_offsets() for dots in lower.collections if len(dots.get_offsets())])
    heights = {(float(x), float(y)) for x, y in marks if y > 0}
    assert {(18.0, 15.0), (20.0, 16.0)} <= heights


@pytest.mark.parametrize(
    ("source", "clock"), [("file", "recording time, min:s"), ("microphone", "time since listening began, min:s")]
)
def test_without_charge_the_axis_says_what_it_counts(
    kept: RoastRecord, tmp_path: Path, source: str, clock: str
) -> None:
    with RoastLog(tmp_path / "roasts.sqlite3") as log:
        log.keep(roast_events(charge=None, source=source))
        figure = roast_figures.density(log.record(log.find("1")))
    assert figure.axes[1].get_xlabel() == clock


def test_rings_lie_where_the_cracks_sound(kept: RoastRecord, gathered: sound.Sound) -> None:
    axes = roast_figures.chorus(kept, gathered).axes[0]
    rings = np.concatenate([dots.get_offsets() for dots in axes.collections if len(dots.get_offsets())])
    assert set(np.round(rings[:, 0])) == {time - 2 for time in CRACKS if time < 54}
    assert np.median(np.asarray(rings)[:, 1]) == pytest.approx(3.0, abs=0.4)  # kHz
    assert axes.get_ylabel() == "frequency, kHz"


def test_the_level_is_that_of_the_recording(kept: RoastRecord, gathered: sound.Sound) -> None:
    samples, _ = soundfile.read(kept.roast.recording)
    half = samples[RATE // 2 * 3 : RATE // 2 * 4]
    assert gathered.level_db[3] == pytest.approx(10 * np.log10(np.mean(half**2)), abs=0.01)
    assert gathered.level_s[3] == 1.75


def test_the_spectrogram_shows_a_tone_at_its_frequency_and_time() -> None:
    samples = np.zeros(RATE, np.float32)
    samples[8_000:8_160] = np.sin(2 * np.pi * 4_000 * np.arange(160) / RATE)
    times, frequencies, decibels = sound.spectrogram(sound.Part(5.0, samples), RATE, columns=200)
    row, column = np.unravel_index(np.argmax(decibels), decibels.shape)
    assert frequencies[row] == pytest.approx(4_000, abs=150)
    assert times[column] == pytest.approx(5.505, abs=0.01)


def test_surest_and_doubtful_cracks_are_chosen_without_overlap() -> None:
    cracks = [Crack(float(i), "first", 0.5 + 0.05 * (i % 10), 15.0) for i in range(7)]
    surest, doubtful = sound.choose(cracks)
    assert (len(surest), len(doubtful)) == (5, 2)
    assert not set(surest) & set(doubtful)
    assert max(crack.probability for crack in doubtful) <= min(crack.probability for crack in surest)


def test_the_overlay_is_aligned_at_first_crack(kept: RoastRecord) -> None:
    axes = comparing_figures.overlay([kept, kept]).axes[0]
    curves = [line for line in axes.lines if len(line.get_xdata()) == 5]
    assert [line.get_xdata()[0] for line in curves] == [12, 12]  # told 12 s after it began
    assert len({line.get_linestyle() for line in curves}) == 2  # told apart without colour
    assert "first-crack start" in axes.get_xlabel()


def test_the_trend_figure_shows_development_and_target(kept: RoastRecord) -> None:
    axes = comparing_figures.trend(trend_of([kept.roast] * 3)).axes[0]
    (line,) = [line for line in axes.lines if line.get_label() == "development"]
    assert list(line.get_ydata()) == [30, 30, 30]
    (wanted,) = [line for line in axes.lines if line.get_label() == "target"]
    assert wanted.get_ydata()[0] == pytest.approx(18 * 0.3 / 0.7)  # ratio r after first crack t: t r / (1 - r)


@pytest.mark.parametrize(("kind", "begins"), [("png", b"\x89PNG\r\n"), ("svg", b"<?xml"), ("pdf", b"%PDF-")])
def test_each_kind_of_file_is_what_it_says(kept: RoastRecord, tmp_path: Path, kind: str, begins: bytes) -> None:
    path = tmp_path / f"sheet.{kind}"
    drawing.save(roast_figures.sheet(kept, None), path, kind=kind)
    assert path.read_bytes().startswith(begins)
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_a_figure_takes_the_place_of_its_like_only(kept: RoastRecord, tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"sheet.{kind}"
    for _ in range(2):
        drawing.save(roast_figures.sheet(kept, None), path, kind=kind)
    first = path.read_bytes()
    recording = tmp_path / "roast.wav"
    recording.write_bytes(b"RIFF" + bytes(20_000))
    with pytest.raises(SettingError, match="not of crackdetect's making"):
        drawing.save(roast_figures.sheet(kept, None), recording, kind=kind)
    assert recording.read_bytes() == b"RIFF" + bytes(20_000)
    drawing.save(roast_figures.sheet(kept, None), recording, kind=kind, replace=True)
    assert recording.read_bytes() == first
    assert sorted(tmp_path.iterdir()) == [recording, path]


@pytest.mark.skipif(os.name == "nt", reason="no pipes with names there")
def test_what_is_no_ordinary_file_is_never_replaced_and_a_link_stays(kept: RoastRecord, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    link_to_pipe = tmp_path / "link"
    link_to_pipe.symlink_to(pipe)
    for path in (pipe, link_to_pipe, tmp_path):
        with pytest.raises(SettingError, match="not an ordinary file"):
            drawing.save(roast_figures.sheet(kept, None), path, kind="png", replace=True)
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    link = tmp_path / "latest.png"
    (tmp_path / "sheets").mkdir()
    link.symlink_to(tmp_path / "sheets" / "one.png")
    for _ in range(2):
        drawing.save(roast_figures.sheet(kept, None), link, kind="png")
    assert link.is_symlink()
    assert (tmp_path / "sheets" / "one.png").read_bytes().startswith(b"\x89PNG")


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", ["ink", "faint", "rate", "first", "second"])
@pytest.mark.parametrize("page", ["light", "dark"])
def test_text_can_be_read_on_light_and_dark(name: str, page: str) -> None:
    """A contrast of 4.5 at the least (WCAG 2.1, 1.4.3, from memory)."""
    text, paper = (_luminance(getattr(style.TONES[tone], page)) for tone in (name, "paper"))
    assert (max(text, paper) + 0.05) / (min(text, paper) + 0.05) >= 4.5


# -- the page --------------------------------------------------------------------------------------------------


class _Outline(html.parser.HTMLParser):
    """Tags, addresses and names of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.names: list[str] = []
        self.handlers: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "action", "data", "poster"):
                self.addresses.append(value or "")
            if name == "id":
                self.names.append(value or "")
            if name.startswith("on"):
                self.handlers.append(name)


@pytest.fixture(scope="module")
def page(kept: RoastRecord, gathered: sound.Sound) -> str:
    return render(kept, gathered)


def test_the_page_tells_the_numbers_the_rules_and_the_notes(page: str) -> None:
    text = " ".join(re.sub(r"<svg.*?</svg>|<[^>]+>", " ", page, flags=re.DOTALL).split())
    for told in (
        "Lot Seven",
        "0:18",
        "0:30",
        "62.5 %",
        "16.0 %",
        "suggests medium (common practice)",
        "lemon",
        "under",
    ):
        assert told in text
    assert "common practice, no source" in text
    assert "never leave a roast unattended" in text
    assert page.count("<audio") == 10


def test_a_roast_whose_times_are_all_off_says_so_above_all_else(kept: RoastRecord, page: str) -> None:
    assert "All times:" not in page
    gaps = [Trouble(1.0, "gap", 1, "sound was lost")] * 60
    off = replace(kept, troubles=(*gaps, Trouble(2.0, "wrong_rate", 1, WRONG_RATE)))
    text = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", render(off, None))).split())
    assert text.index(f"All times: {WRONG_RATE}") < text.index("First crack")


def test_the_programs_own_sound_is_no_sound_problem(kept: RoastRecord) -> None:
    own = Trouble(1.0, "own_sound", 44_100, "1.000 s were not listened to")
    troubled = replace(kept, troubles=(own, Trouble(2.0, "gap", kept.roast.samplerate or 0, "sound was lost"), own))
    text = html.unescape(render(troubled, None))
    shown = "\n".join(roast_lines(troubled))
    for told in (text, shown):
        assert "were not listened to" not in told
        assert "sound was lost" in told
    assert "gap 1.0 s" in text


def test_the_page_asks_nothing_of_any_network(page: str) -> None:
    outline = _Outline(page)
    assert all(address.startswith(("data:", "#")) for address in outline.addresses)
    assert not {"iframe", "object", "embed", "link"} & (set(outline.tags) - {"link"})
    assert outline.handlers == []
    assert "default-src 'none'" in page
    assert len(outline.names) == len(set(outline.names))


def test_the_only_script_is_our_own_and_the_policy_knows_it_by_its_hash(page: str) -> None:
    """Content Security Policy Level 3, hash sources: base64 of the SHA-256 of what stands between the tags."""
    (script,) = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    assert script == (Path(sound.__file__).parent / "tap.js").read_text(encoding="utf-8")
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', page)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert policy.split("; ")[-1] == f"script-src 'sha256-{digest}'"


def test_what_can_be_tapped_stands_where_the_crack_is_drawn(kept: RoastRecord, page: str) -> None:
    """By the drawing library itself: the axes of the figure, and where a time lies in them."""
    rows = re.findall(r'class="at" hidden style="left:([\d.]+)%" data-clip="([a-z]+-\d)" aria-label="(\d:\d\d)', page)
    assert len(rows) == 20
    for width, some in ((drawing.WIDE, rows[:10]), (drawing.NARROW, rows[10:])):
        axes = roast_figures.density(kept, width=width).axes[0]
        for left, clip, at in some:
            minutes, seconds = at.split(":")
            pixel, _ = axes.transData.transform((60 * int(minutes) + int(seconds), 0))
            share = pixel / axes.figure.bbox.width
            assert float(left) / 100 == pytest.approx(share, abs=0.01)
            assert f'<audio id="{clip}"' in page
        assert [float(left) for left, _, _ in some] == sorted(float(left) for left, _, _ in some)


def test_what_you_said_stands_beside_what_was_heard(tmp_path: Path) -> None:
    with RoastLog(tmp_path / "roasts.sqlite3") as log:
        log.keep(roast_events(charge=2.0, first_crack=20.0, drop=50.0, cracks=12))
        log.label_crack(log.find("1"), 22.0, False, by="<b>Ada</b>")
        log.edit(log.find("1"), moments={"first_crack.start": 21.0}, by="Ada")
        record = log.record(log.find("1"))
    made = render(record, None)
    text = " ".join(html.unescape(re.sub(r"<svg.*?</svg>|<[^>]+>", " ", made, flags=re.DOTALL)).split())
    assert "first crack: 0:18 (heard), now 0:19 (Ada, " in text
    assert "1 not a crack (<b>Ada</b>, " in text
    assert "crossed what you say is none" in text
    _, lower = roast_figures.density(record).axes
    (crosses,) = [line for line in lower.lines if line.get_marker() == "x"]
    assert (list(crosses.get_xdata()), list(crosses.get_ydata())) == ([20.0], [16.0])


def test_the_clips_are_sound_around_the_cracks(page: str) -> None:
    import io

    clips = re.findall(r'src="data:audio/wav;base64,([^"]+)"', page)
    samples, rate = soundfile.read(io.BytesIO(base64.b64decode(clips[0])))
    assert rate == RATE
    assert len(samples) / rate == pytest.approx(2 * sound.CLIP_S, abs=0.01)
    assert abs(int(np.argmax(np.abs(samples))) / rate - sound.CLIP_S) < 0.02


@pytest.mark.parametrize("turn", [0, 1])
def test_names_stay_names(tmp_path: Path, turn: int) -> None:
    texts = [*HOSTILE[turn * 5 :], *HOSTILE[: turn * 5]]
    with RoastLog(tmp_path / "roasts.sqlite3") as log:
        about = dict(zip(("coffee", "process", "origin", "machine", "microphone"), texts, strict=False))
        log.keep(roast_events(texts[5], about=about))
        for text in texts:
            log.note(log.find("1"), text=text)
        record = log.record(log.find("1"))
    made = render(record, None, no_sound=f"No recording at {texts[0]}.")
    outline = _Outline(made)
    assert "script" not in outline.tags
    assert "img" not in outline.tags
    assert outline.handlers == []
    assert all(address.startswith(("data:", "#")) for address in outline.addresses)
    drawing.save(roast_figures.sheet(record, None), tmp_path / "sheet.png", kind="png")


def test_a_recording_that_is_gone_or_another_is_said_to_be(kept: RoastRecord, tmp_path: Path) -> None:
    from dataclasses import replace

    assert sound.why_not(kept.roast) is None
    gone = replace(kept.roast, recording=tmp_path / "gone.wav")
    assert "no longer at" in (sound.why_not(gone) or "")
    assert "has changed since" in (sound.why_not(replace(kept.roast, recording_sha256="0" * 64)) or "")
    assert "No recording" in (sound.why_not(replace(kept.roast, recording=None)) or "")
    assert "There is no spectrogram" in render(kept, None, no_sound=sound.why_not(gone))


@pytest.mark.parametrize("name", ["<script>alert(1)</script>.flac", "x" * 300 + ".flac", "broken.flac"])
def test_no_sound_is_a_page_without_sound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "broken.flac").write_bytes(b"fLaC" + bytes(1000))
    with RoastLog() as log:
        log.keep(roast_events(), recording=tmp_path / name)
        with log.writing() as db:
            db.execute("UPDATE roasts SET recording = ?", (name,))
    assert entry.main(["report", "1", "--out", "page.html"]) == 0
    outline = _Outline((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert "script" not in outline.tags
    assert "audio" not in outline.tags
    assert "note: The " in capsys.readouterr().err


def test_the_command_writes_the_page_and_the_sheet(
    kept: RoastRecord, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    with RoastLog() as log:
        log.keep(roast_events(about={"coffee": "../Hill / Farm"}))
    assert entry.main(["report", "last"]) == 0
    assert (tmp_path / "report-1-Hill-Farm.html").is_file()
    assert entry.main(["report", "1", "--png", "sheet.png"]) == 0
    assert (tmp_path / "sheet.png").is_file()
    assert entry.main(["log", "compare", "1", "1"]) == 2
    assert entry.main(["report", "1", "--out", "nowhere/page.html"]) == 6
    assert "cannot be written" in capsys.readouterr().err
    assert entry.main(["report", "1"]) == 0
    (tmp_path / "notes.txt").write_text("mine")
    for arguments in (["report", "1", "--out"], ["report", "1", "--pdf"], ["log", "trend", "--coffee", "x", "--png"]):
        assert entry.main([*arguments, "notes.txt"]) == 2
        assert (tmp_path / "notes.txt").read_text() == "mine"
        assert "add --replace" in capsys.readouterr().err
    assert entry.main(["report", "1", "--out", "notes.txt", "--replace"]) == 0
    assert "crackdetect" in (tmp_path / "notes.txt").read_text(encoding="utf-8")


def test_a_missing_part_is_told_before_anything_is_done(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("crackdetect.errors.find_spec", lambda name: None)
    assert entry.main(["report", "last"]) == 7
    assert install_command("report") in capsys.readouterr().err


# -- a real browser --------------------------------------------------------------------------------------------

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
#: What the browser itself asks its maker, whatever page is open.
_ITS_OWN = re.compile(r"https?://([a-z0-9-]+\.)*(google|googleapis|gstatic)\.com[/:]")


def browse(page: Path, folder: Path, *, width: int, height: int = 900) -> tuple[list[str], list[str], Path]:
    """Opens a page; what it said on the console, what was asked for, and its picture."""
    assert BROWSER is not None
    log, picture = folder / f"net-{width}.json", folder / f"page-{width}.png"
    done = subprocess.run(
        [
            BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
            f"--user-data-dir={folder / 'profile'}", "--enable-logging=stderr", f"--log-net-log={log}",
            f"--window-size={width},{height}", f"--screenshot={picture}", page.as_uri(),
        ],
        capture_output=True, text=True, errors="replace", timeout=180, check=True,
    )  # fmt: skip
    console = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    asked = re.findall(r'"url":"((?:https?|wss?|ftp)://[^"]*)"', log.read_text(encoding="utf-8", errors="replace"))
    return console, [url for url in asked if not _ITS_OWN.match(url)], picture


@pytest.mark.browser
@pytest.mark.skipif(BROWSER is None, reason="no chromium is installed (Debian: apt-get install chromium)")
class TestBrowser:
    @pytest.mark.parametrize("width", [390, 1280])
    def test_the_page_opens_without_a_complaint_or_a_request(self, page: str, tmp_path: Path, width: int) -> None:
        path = tmp_path / "page.html"
        path.write_text(page, encoding="utf-8")
        console, asked, picture = browse(path, tmp_path, width=width)
        assert console == []
        assert asked == []
        pixels = matplotlib.image.imread(picture)
        assert pixels.shape[1] == width
        assert len(np.unique(pixels.reshape(-1, pixels.shape[2])[::37], axis=0)) > 20  # something is drawn

    def test_no_side_to_side_scrolling_on_a_phone(self, page: str, tmp_path: Path) -> None:
        """The page, in a frame as wide as a phone, tells its own width."""
        told = page.replace("default-src 'none'", "script-src 'unsafe-inline'; default-src 'none'")
        told = told.replace(
            "</body>", "<script>console.log('width', document.documentElement.scrollWidth)</script></body>"
        )
        (tmp_path / "page.html").write_text(told, encoding="utf-8")
        frame = '<iframe src="page.html" width="390" height="900" style="border:0"></iframe>'
        (tmp_path / "frame.html").write_text(frame, encoding="utf-8")
        console, _, _ = browse(tmp_path / "frame.html", tmp_path, width=1280)
        assert [int(number) for line in console for number in re.findall(r"width (\d+)", line)] == [390]

    def test_a_page_that_complains_and_asks_would_be_noticed(self, tmp_path: Path) -> None:
        path = tmp_path / "bad.html"
        path.write_text('<img src="http://127.0.0.1:9/x.png"><script>console.error("loud")</script>', encoding="utf-8")
        console, asked, _ = browse(path, tmp_path, width=390)
        assert any("loud" in line for line in console)
        assert "http://127.0.0.1:9/x.png" in asked


def test_nothing_of_the_report_is_loaded_by_the_log() -> None:
    code = (
        "import crackdetect.cli.log.group, crackdetect.cli.log.compare, crackdetect.cli.log.trend, "
        "crackdetect.cli.report, sys, json; print(json.dumps(sorted(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert not {"matplotlib", "librosa", "jinja2", "numpy", "rich", "sqlite3"} & set(json.loads(out))
