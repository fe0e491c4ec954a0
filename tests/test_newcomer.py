"""A newcomer finds things: twenty questions, the one file where the answer stands, and what must be defined there."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "crackdetect"

#: Question, file below crackdetect/, and the class, function, method or constant that answers it.
QUESTIONS = (
    ("Where is a recording or a stream turned into events, stage by stage?", "pipeline.py", "Pipeline"),
    ("Which kinds of events are there?", "events.py", "TYPES"),
    ("Where is the Python interface?", "interface.py", "analyze"),
    ("Where is a model file read and checked?", "model.py", "load_model"),
    ("Where are sounds that stand out found?", "hearing/onset.py", "Onset"),
    ("Where is the crack classifier?", "hearing/classifier.py", "Classifier"),
    ("What makes an announcement of first crack?", "deciding/first_crack.py", "FirstCrackHMM"),
    ("How is first crack dated back?", "deciding/dating.py", "date_start"),
    ("How are cracks a minute estimated?", "deciding/density.py", "crack_rate"),
    ("What does undo take back?", "roast/undoing.py", "Steps"),
    ("How is the development time ratio worked out?", "roast/arithmetic.py", "development_ratio"),
    ("Where are the words of an alert?", "roast/alerts.py", "Alerts"),
    ("Where are the words of safety?", "roast/cautions.py", "ALWAYS"),
    ("What happens when the microphone is lost?", "audio/reconnect.py", "Reconnect"),
    ("Where is a roast written to disk while it goes on?", "storage/journal.py", "Journal.send"),
    ("Where does a finished roast go into the log?", "storage/log_keeping.py", "LogKeeping.keep"),
    ("Which key marks what?", "terminal/keys.py", "MARKING"),
    ("Does the option hold, or the settings file?", "settings/precedence.py", "resolve"),
    ("Where is a synthetic roast rendered?", "synth/render.py", "Renderer"),
    ("How is what was heard held against the truth?", "evaluate/scoring.py", "score"),
)


@cache
def _defined(path: Path) -> frozenset[str]:
    """Names of classes, their methods, functions and constants of a module."""
    found: set[str] = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ClassDef):
            found |= {f"{node.name}.{part.name}" for part in node.body if isinstance(part, ast.FunctionDef)}
        if isinstance(node, ast.ClassDef | ast.FunctionDef):
            found.add(node.name)
        for target in node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]:
            if isinstance(target, ast.Name):
                found.add(target.id)
    return frozenset(found)


@pytest.mark.parametrize(("question", "file", "name"), QUESTIONS)
def test_the_answer_stands_where_it_is_looked_for(question: str, file: str, name: str) -> None:
    assert (PACKAGE / file).is_file(), f"{question} The file has gone elsewhere: mend the table or the move"
    assert name in _defined(PACKAGE / file), f"{question} {file} does not define {name} any more"


@pytest.mark.parametrize(("question", "file", "name"), QUESTIONS)
def test_it_stands_nowhere_else(question: str, file: str, name: str) -> None:
    places = [path for path in PACKAGE.rglob("*.py") if name in _defined(path)]
    # what the Python interface offers under the same name only calls the one that is meant
    others = [path for path in places if path not in (PACKAGE / file, PACKAGE / "interface.py")]
    assert others == []


def test_there_are_twenty_questions_of_every_room() -> None:
    assert len({question for question, _, _ in QUESTIONS}) == 20
    rooms = {file.partition("/")[0] for _, file, _ in QUESTIONS}
    assert {"hearing", "deciding", "roast", "audio", "storage", "terminal", "settings", "synth", "evaluate"} <= rooms


@pytest.mark.parametrize("room", sorted(path.parent.name for path in PACKAGE.glob("*/__init__.py")))
def test_every_room_says_what_it_is_for(room: str) -> None:
    text = ast.get_docstring(ast.parse((PACKAGE / room / "__init__.py").read_text(encoding="utf-8")))
    assert text, f"crackdetect/{room}/__init__.py says nothing"
