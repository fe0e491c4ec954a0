"""The guide: every page can be read, and every command and option that it shows exists."""

from __future__ import annotations

import io
import json
import os
import re
import shlex
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

import board_picture
import click
import pytest

from crackdetect.cli import entry, guide
from crackdetect.errors import CrackdetectError
from crackdetect.events import TYPES
from crackdetect.roast import cautions
from crackdetect.settings.known import NAMES

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "crackdetect" / "guide"
#: Everything written for a reader, by its path from the top.
TEXTS = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for path in sorted(
        [
            *ROOT.glob("*.md"),
            *(path for top in ("crackdetect", "models", "recordings_synthetic") for path in (ROOT / top).rglob("*.md")),
        ]
    )
}
PAGES = {name: text for name, text in TEXTS.items() if name.startswith("crackdetect/guide/")}
#: Lines of a shell, and code within a sentence.
SHELL = re.compile(r"^( *)```sh\n(.*?)^\1```$", flags=re.DOTALL | re.MULTILINE)
INLINE = re.compile(r"(?<!`)`([^`]+)`(?!`)")
FENCED = re.compile(r"^( *)```.*?^\1```$", flags=re.DOTALL | re.MULTILINE)
#: What stands for a thing that the reader puts there.
PLACEHOLDERS = {"COMMAND", "DIR", "FOLDER", "TOPIC", "URL"}
#: What must be there for a command that names it to be accepted.
FOLDERS_SHOWN = ("models", "sounds", "DIR", "my-roasts")
FILES_SHOWN = ("models/first-crack.json", "model.json", "drum.json")


def in_shell(text: str) -> list[list[str]]:
    """Every call of the program to be typed: its arguments."""
    return program_calls(line for _, block in SHELL.findall(text) for line in block.splitlines())


def in_sentences(text: str) -> list[list[str]]:
    """Those that a sentence names; there a command may stand without what it needs."""
    return program_calls(code_in(text))


def code_in(text: str) -> list[str]:
    """What stands in backticks within sentences and tables."""
    return [" ".join(code.split()) for code in INLINE.findall(FENCED.sub("", text))]


def program_calls(lines: Iterable[str]) -> list[list[str]]:
    found = [call for line in lines for call in calls(line)]
    return [call[1:] for call in found if len(call) > 1 and call[0].rpartition("/")[2] == "crackdetect"]


def calls(line: str) -> Iterator[list[str]]:
    """The words of every program that a line of a shell starts."""
    lexer = shlex.shlex(line, posix=True, punctuation_chars=True)
    lexer.whitespace_split = True
    call: list[str] = []
    try:
        for word in lexer:
            if set(word) <= set("|&;>"):
                yield call
                call = []
            else:
                call.append(word)
    except ValueError:  # a sentence's apostrophe: no line of a shell
        return
    yield call


def parse(words: list[str]) -> None:
    """As the command line does it, without doing anything. Raises click.UsageError."""
    command: click.Command = entry.cli
    while isinstance(command, click.Group) and words and words[0] in command.list_commands(click.Context(command)):
        found = command.get_command(click.Context(command), words[0])
        assert found is not None
        command, words = found, words[1:]
    if not (PLACEHOLDERS | {"--help", "--version"}) & set(words):
        command.make_context("crackdetect", [*words], resilient_parsing=False)


def options_by_command(command: click.Command, name: str = "") -> Iterator[tuple[str, set[str]]]:
    """``log show`` and its options, and so on; of the program itself under the empty name."""
    own = {option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)}
    yield name, own | {"--help"}
    if isinstance(command, click.Group):
        context = click.Context(command)
        for each in command.list_commands(context):
            below = command.get_command(context, each)
            assert below is not None
            yield from options_by_command(below, f"{name} {each}".strip())


OPTIONS = dict(options_by_command(entry.cli))


def command_of(words: list[str]) -> str:
    """The command that is called, as OPTIONS names it; the empty name where it is none."""
    words = words[1:] if words[:1] == ["crackdetect"] else words
    return next((name for n in (2, 1) if (name := " ".join(words[:n])) in OPTIONS and len(words) >= n), "")


@pytest.mark.parametrize("name", TEXTS)
def test_every_command_that_is_shown_can_be_typed(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for folder in FOLDERS_SHOWN:
        (tmp_path / folder).mkdir()
    for file in FILES_SHOWN:
        (tmp_path / file).touch()
    for words in in_shell(TEXTS[name]):
        parse(words)
    for words in in_sentences(TEXTS[name]):
        with suppress(click.MissingParameter):
            parse(words)


#: Pages whose options stand without the command that they belong to, for the whole page is about it.
ABOUT = {
    "alerts": "listen",
    "marks": "listen",
    "privacy": "listen",
}


@pytest.mark.parametrize("name", TEXTS)
def test_every_option_that_is_named_is_one_of_its_command(name: str) -> None:
    """Of the command before it; an option that stands alone, of a command that the page shows or is about."""
    shown = {command_of(words) for words in in_shell(TEXTS[name])}
    codes = code_in(TEXTS[name])
    about = shown | {command_of(code.split()) for code in codes} | {"", ABOUT.get(Path(name).stem, "")}
    for code in codes:
        own = command_of(code.split())
        for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", code):
            assert any(option in OPTIONS[command] for command in ({own} if own else about)), option


@pytest.mark.parametrize("name", TEXTS)
def test_every_link_leads_somewhere(name: str) -> None:
    for link in re.findall(r"\]\(([^)#\s]+)\)", TEXTS[name]):
        assert link.startswith("https://") or ((ROOT / name).parent / link).exists(), link


@pytest.mark.parametrize("name", PAGES)
def test_what_can_be_copied_fits_into_a_line_of_a_usual_terminal(name: str) -> None:
    for block in re.findall(r"^ *```(?:sh|python|toml)\n(.*?)^ *```$", PAGES[name], flags=re.DOTALL | re.MULTILINE):
        assert [line for line in block.splitlines() if len(line) > 77] == []


def test_the_list_names_every_page_once() -> None:
    assert sorted(re.findall(r"^\| \[([a-z-]+)\]\(\1\.md\)", guide.page(None), flags=re.MULTILINE)) == guide.topics()


def test_every_command_stands_in_the_guide() -> None:
    text = " ".join(" ".join(PAGES.values()).split())
    for command in entry.cli.list_commands(click.Context(entry.cli)):
        assert f"crackdetect {command}" in text


def test_what_cannot_be_read_is_told_with_a_suggestion() -> None:
    with pytest.raises(CrackdetectError, match="no page 'sensitivty'; did you mean 'sensitivity'"):
        guide.page("sensitivty")
    with pytest.raises(CrackdetectError, match="'crackdetect guide' lists the pages"):
        guide.page("../../pyproject")


def test_a_page_goes_into_a_pipe_as_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert entry.main(["guide", "marks"]) == 0
    assert capsys.readouterr().out == PAGES["crackdetect/guide/marks.md"]


def test_on_a_terminal_links_become_commands() -> None:
    shown = guide.rendered("See [the log](log.md) and [a page](https://example.org).", width=80)
    assert "See crackdetect guide log and a page" in shown


@pytest.mark.parametrize(("lines", "paged"), [(200, False), (24, True)])
def test_on_a_terminal_a_long_page_is_paged(lines: int, paged: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    screen, pager = io.StringIO(), io.StringIO()
    monkeypatch.setattr(screen, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(guide.sys, "stdout", screen)
    monkeypatch.setattr(guide.shutil, "get_terminal_size", lambda: os.terminal_size((80, lines)))
    monkeypatch.setattr(click, "echo_via_pager", pager.write)
    assert guide.command.callback is not None
    guide.command.callback("marks")
    assert "Your mark outranks what was heard." in (pager if paged else screen).getvalue()
    assert not (screen if paged else pager).getvalue()


def test_the_events_page_describes_every_event_and_exit_code() -> None:
    events, _, codes = PAGES["crackdetect/guide/events.md"].partition("## Exit codes")
    described = {name for line in events.splitlines() if line.startswith("| `") for name in code_in(line)}
    assert set(TYPES) <= described
    kinds = [CrackdetectError, *CrackdetectError.__subclasses__()]
    told = {int(code) for code in re.findall(r"^\| (\d+) \|", codes, flags=re.MULTILINE)}
    assert told == {0, entry.INTERRUPTED, *(kind.exit_code for kind in kinds)}


def test_the_settings_page_shows_settings_that_exist() -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", PAGES["crackdetect/guide/settings.md"], flags=re.DOTALL)
    assert {line.partition(" = ")[0] for line in block.splitlines()} <= set(NAMES)


def test_the_safety_page_gives_every_caution() -> None:
    text = " ".join(PAGES["crackdetect/guide/safety.md"].split())
    assert all(line in text for line in cautions.FIRST_USE)


# -- what README.md shows --------------------------------------------------------------------------------------


def test_the_readme_shows_what_the_demonstration_prints(capsys: pytest.CaptureFixture[str]) -> None:
    (shown,) = re.findall(r"begin -->\n```text\n(.*?)```\n<!--", TEXTS["README.md"], flags=re.DOTALL)
    assert entry.main(["demo", "--format", "text"]) == 0
    assert shown in capsys.readouterr().out


@pytest.mark.parametrize("name", ["README.md", "crackdetect/guide/python.md"])
def test_the_python_that_is_shown_runs(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"```python\n(.*?)```", TEXTS[name], flags=re.DOTALL)
    names: dict[str, object] = {}
    for number, block in enumerate(blocks, start=1):
        exec(compile(block, f"{name}, block {number}", "exec"), names)
    assert "Moment(at=323." in capsys.readouterr().out


def test_the_picture_shows_the_board_as_it_is() -> None:
    """``python tests/board_picture.py`` makes it anew."""
    picture, board = board_picture.PICTURE.read_text(encoding="utf-8"), board_picture.drawn(board_picture.screen())
    words = re.compile(r">([^<]+)</text>")
    assert words.findall(picture) == words.findall(board)


def test_the_readme_is_short() -> None:
    assert len(TEXTS["README.md"].split()) <= 1_200
    assert len(TEXTS["DEVELOPERS.md"].encode()) <= 10_000


def test_the_models_card_is_of_the_shipped_model_and_credits_every_source() -> None:
    shipped = json.loads((ROOT / "models" / "first-crack.json").read_text(encoding="utf-8"))
    card = TEXTS["models/README.md"]
    assert f"digest `{shipped['digest'][:8]}`, format {shipped['format_version']}" in card
    sources = [credit.split()[1].rstrip(":") for credit in shipped["card"]["real_sounds"]["credits"]]
    assert sources
    assert [source for source in sources if source not in card] == []


def test_what_contributors_are_told_of_is_there() -> None:
    """Files by their path from the top; names by their definition in the package."""
    named = {code for code in code_in(TEXTS["DEVELOPERS.md"]) if " " not in code}
    paths = {name for name in named if re.fullmatch(r"[\w./-]+\.(py|md|json|yml)|[\w./-]+/", name)}
    assert {path for path in paths if not (ROOT / path).exists() and not (ROOT / "crackdetect" / path).exists()} == {
        "DECISIONS.md"  # one in most rooms
    }
    source = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "crackdetect").rglob("*.py"))
    for name in named - paths - PLACEHOLDERS:
        if re.fullmatch(r"[A-Z]\w+(\.\w+)?", name) and not name.startswith("CRACKDETECT_"):
            assert re.search(rf"(class |def |^){re.escape(name.split('.')[-1])}\b", source, flags=re.MULTILINE), name


def test_every_module_of_the_table_of_rooms_is_in_its_room() -> None:
    rows = re.findall(r"^\| `(\w+)/` \| (.*) \|$", TEXTS["DEVELOPERS.md"], flags=re.MULTILINE)
    assert len(rows) >= 5
    for room, told in rows:
        for module in re.findall(r"`([a-z_*]+)`", told):
            assert list((ROOT / "crackdetect" / room).glob(f"{module}.py")), f"{room}/{module}.py"
