"""The house: every module has its room, nothing imports upwards or in a circle, nobody pokes at another's parts."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

from patience import PATIENCE_S

PACKAGE = Path(__file__).resolve().parent.parent / "crackdetect"

#: Rows of the house, the lowest first: a module may import its own row and those above it in this list. A package
#: stands for all its modules; an entry of its own takes a module out of it, with a reason.
ROOMS: tuple[frozenset[str], ...] = (
    frozenset({"", "errors", "blocks", "events", "config", "notation", "notice", "worker"}),
    frozenset({"hearing"}),
    frozenset({"deciding"}),
    frozenset({"roast"}),
    frozenset({"model", "pipeline", "synth"}),
    # recordings are input, but evaluation hears them; many at a time, here or on a cluster
    frozenset({"audio", "running.parallel", "running.signals"}),
    frozenset({"train", "evaluate", "teach"}),
    frozenset({"storage", "terminal", "webhook", "report", "mic", "settings", "sound", "page"}),
    frozenset({"interface"}),
    frozenset({"running"}),
    frozenset({"listening", "cli", "__main__"}),
)
#: Imports against the rows that are still to be turned round.
UPWARDS: frozenset[tuple[str, str]] = frozenset()
#: Pairs of packages that still import each other.
CIRCLES: frozenset[frozenset[str]] = frozenset()
#: Modules at the top, at most: what everything speaks in must stay easy to take in.
TOP_MODULES = 12


@cache
def _sources() -> list[tuple[str, ast.Module]]:
    """(dotted name below the package, syntax tree) of every module."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix("__init__").rstrip(".")
        found.append((name, ast.parse(path.read_text(encoding="utf-8"), str(path))))
    return found


def _imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute in this package"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def _room(module: str) -> int | None:
    """Row of a module: its own entry, else that of the nearest package around it."""
    while True:
        for row, names in enumerate(ROOMS):
            if module in names:
                return row
        if "." not in module:
            return None
        module = module.rsplit(".", 1)[0]


@cache
def _edges() -> dict[str, set[str]]:
    """Module -> our own modules that it imports, those inside functions among them."""
    sources = _sources()
    known = {name for name, _ in sources}
    edges: dict[str, set[str]] = {}
    for name, tree in sources:
        edges[name] = set()
        for imported in _imports(tree):
            if imported == "crackdetect" or imported.startswith("crackdetect."):
                target = imported.removeprefix("crackdetect").lstrip(".")
                while target not in known:  # the last part is a name in the module, not a module
                    target = target.rpartition(".")[0]
                edges[name].add(target)
    return edges


def _package_edges() -> dict[str, set[str]]:
    """The same between the folders; a module at the top stands for itself."""
    edges: dict[str, set[str]] = {}
    for name, targets in _edges().items():
        package = name.partition(".")[0]
        if _takes_part(name):
            edges.setdefault(package, set()).update(
                target.partition(".")[0] for target in targets if _takes_part(target)
            )
            edges[package].discard(package)
    return edges


def _takes_part(name: str) -> bool:
    """A module that ROOMS takes out of its package does not count for it."""
    return "." not in name or not any(name in row for row in ROOMS)


def _circles(edges: Mapping[str, set[str]]) -> list[list[str]]:
    """A way round for each circle that a walk from any place comes upon."""
    found: list[list[str]] = []
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        if name in path:
            found.append([*path[path.index(name) :], name])
        elif name not in done:
            for target in sorted(edges.get(name, set()) - {name}):
                visit(target, (*path, name))
            done.add(name)

    for name in sorted(edges):
        visit(name, ())
    return found


def test_every_module_has_its_place() -> None:
    homeless = [name for name in _edges() if _room(name) is None]
    assert homeless == [], "give these modules a row in ROOMS, with a reason where it is not plain"


def test_no_row_names_what_is_not_there() -> None:
    there = {name for module in _edges() for name in (module, module.partition(".")[0])}
    assert [name for row in ROOMS for name in row if name not in there] == []


def test_the_top_stays_small() -> None:
    assert len([name for name in _edges() if "." not in name and not (PACKAGE / name).is_dir()]) <= TOP_MODULES


def test_nothing_imports_upwards() -> None:
    upwards = {
        (name, target)
        for name, targets in _edges().items()
        for target in targets
        if (_room(target) or 0) > (_room(name) or 0)
    }
    assert upwards - UPWARDS == set()
    assert UPWARDS - upwards == set(), "no longer so: take them out of UPWARDS"


def test_no_module_imports_in_a_circle() -> None:
    assert _circles(_edges()) == []


def test_no_package_imports_in_a_circle() -> None:
    circles = {frozenset(circle) for circle in _circles(_package_edges())}
    assert circles - CIRCLES == set()
    assert CIRCLES - circles == set(), "no longer so: take them out of CIRCLES"


def test_a_circle_is_found_wherever_it_lies() -> None:
    assert _circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == [["b", "c", "b"]]
    assert _circles({"a": {"b", "c"}, "b": {"c"}, "c": set()}) == []


def test_nobody_takes_another_module_s_private_names() -> None:
    taken = [
        f"{name} takes {alias.name} of {node.module}"
        for name, tree in _sources()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("crackdetect")
        for alias in node.names
        if alias.name.startswith("_") and alias.name != "__version__"
    ]
    assert taken == []


def test_the_core_does_not_import_what_is_slow_or_not_always_there() -> None:
    heavy = ["sounddevice", "soundfile", "librosa", "sklearn", "joblib", "scipy.signal", "scipy.stats", "matplotlib"]
    script = (
        "import sys, crackdetect.pipeline, crackdetect.model; "
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    answer = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=PATIENCE_S
    )
    assert answer.stdout.strip() == "[]"


CODE_IN_DATA = ("pickle", "cPickle", "_pickle", "dill", "cloudpickle", "shelve", "marshal", "skops")


def test_no_pickle_anywhere() -> None:
    """Nothing that can run code when it reads data: neither pickle nor what stands on it."""
    for name, tree in _sources():
        for imported in _imports(tree):
            assert imported.split(".")[0] not in CODE_IN_DATA, f"{name} imports {imported}"
            assert imported not in ("joblib.load", "joblib.dump"), f"{name} imports {imported}"
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute) and node.attr in ("load", "dump"):
                assert not (isinstance(node.value, ast.Name) and node.value.id == "joblib"), f"{name}: joblib file"
            if isinstance(node, ast.keyword) and node.arg == "allow_pickle":
                assert isinstance(node.value, ast.Constant), f"{name}: allow_pickle"
                assert node.value.value is False, f"{name}: allow_pickle"
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id not in ("eval", "exec"), f"{name}: {node.func.id}"
