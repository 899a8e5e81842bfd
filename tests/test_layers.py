"""The layers, read from the source: who may import whom, what each module may touch, and how large it may grow."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

#: Package → packages of this project that it may import.
ARROWS = {
    "bench": {"sequences", "drivers", "reports"},
    "reports": {"sequences"},
    "drivers": set[str](),
    "sequences": set[str](),
}
HEAVY = {
    "pandas", "scipy", "skrf", "altair", "pyvisa", "pymodbus", "sqlalchemy", "alembic", "rich", "jinja2", "vl_convert",
    "apprise", "pyarrow", "xlsxwriter",
}  # fmt: skip

LONGEST_MODULE = 400
LONGEST_FUNCTION = 60


@dataclass(frozen=True)
class Import:
    """One imported name, whole: ``from a import b`` is ``a.b``; ``when`` says when it is done."""

    name: str
    line: int
    when: str


def imports_of(tree: ast.AST, when: str = "load") -> Iterator[Import]:
    """Every import under ``tree``: "load" at import of the module, "typing" for checkers only, "call" in a function."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.expr):
            continue  # no statement is within an expression, and most of a tree is expressions
        if isinstance(node, ast.Import):
            yield from (Import(alias.name, node.lineno, when) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = f"{'.' * node.level}{node.module or ''}"
            yield from (Import(f"{base}.{alias.name}", node.lineno, when) for alias in node.names)
        elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            yield from imports_of(ast.Module(node.body, []), "typing")
            yield from imports_of(ast.Module(node.orelse, []), when)
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield from imports_of(node, "call" if when == "load" else when)
        else:
            yield from imports_of(node, when)


def functions_of(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    """Every function under ``tree``, also within functions, classes and branches."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.expr):
            continue
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node
        yield from functions_of(node)


def _dotted(called: ast.expr) -> str:
    """What ``ast.unparse`` gives; the usual ``a.b.c`` without its detours."""
    names: list[str] = []
    node = called
    while isinstance(node, ast.Attribute):
        names.append(node.attr)
        node = node.value
    return ".".join([node.id, *reversed(names)]) if isinstance(node, ast.Name) else ast.unparse(called)


@dataclass(frozen=True)
class Source:
    """One module of the project."""

    name: str
    path: Path
    text: str

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text)

    @cached_property
    def imports(self) -> tuple[Import, ...]:
        return tuple(imports_of(self.tree))

    @cached_property
    def calls(self) -> tuple[tuple[str, int], ...]:
        """Every call: what is called, and in which line."""
        found = (node for node in ast.walk(self.tree) if isinstance(node, ast.Call))
        return tuple((_dotted(node.func), node.lineno) for node in found)

    def at(self, line: int) -> str:
        return f"{self.path.relative_to(ROOT)}:{line}"


def _read(path: Path) -> Source:
    parts = path.relative_to(ROOT).with_suffix("").parts
    name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
    return Source(name, path, path.read_text(encoding="utf-8"))


SOURCES = {source.name: source for package in ARROWS for source in map(_read, sorted((ROOT / package).rglob("*.py")))}
TESTS = [_read(path) for path in sorted((ROOT / "tests").rglob("*.py"))]


def _module(imported: str) -> str | None:
    """Module of the project that an imported name is or lies in; None for other people's."""
    name = imported
    while name and name not in SOURCES:
        name = name.rpartition(".")[0]
    return name or None


def _edges(source: Source, whens: set[str]) -> set[str]:
    found = {_module(item.name) for item in source.imports if item.when in whens}
    return {name for name in found if name is not None and name != source.name}


def _reach(names: set[str], whens: set[str]) -> set[str]:
    """Modules of the project that are loaded with ``names``, themselves included."""
    seen: set[str] = set()
    todo = set(names)
    while todo:
        name = todo.pop()
        seen.add(name)
        todo |= _edges(SOURCES[name], whens) - seen
    return seen


def test_the_reader_of_imports_sees_every_kind() -> None:
    """Nothing escapes the other tests by standing in a function, a class, a branch or under TYPE_CHECKING."""
    text = """
import a
if TYPE_CHECKING:
    from b.c import d
else:
    import e
class K:
    import f
    def m(self):
        from . import g
try:
    import h
except ImportError:
    pass
"""
    found = {(item.name, item.when) for item in imports_of(ast.parse(text))}

    assert found == {
        ("a", "load"),
        ("b.c.d", "typing"),
        ("e", "load"),
        ("f", "load"),
        ("..g", "call"),
        ("h", "load"),
    }


@pytest.mark.parametrize("package", ARROWS)
def test_a_package_imports_only_along_the_arrows(package: str) -> None:
    """bench → sequences, drivers, reports; reports → sequences; no other, also not in functions or for types."""
    wrong = [
        f"{source.at(item.line)} imports {item.name}"
        for source in SOURCES.values()
        if source.name.split(".")[0] == package
        for item in source.imports
        if (target := item.name.split(".")[0]) in ARROWS and target != package and target not in ARROWS[package]
    ]

    assert wrong == []


def test_no_module_imports_relatively_or_from_the_tests() -> None:
    """Whole names only: they can be searched for, and the other tests here can follow them."""
    wrong = [
        source.at(item.line)
        for source in SOURCES.values()
        for item in source.imports
        if item.name.startswith((".", "tests."))
    ]

    assert wrong == []


@pytest.mark.parametrize("package", ARROWS)
def test_the_modules_of_a_package_import_each_other_in_no_ring(package: str) -> None:
    """At load time, so that any module can be imported first."""
    graph = {
        name: {other for other in _edges(source, {"load"}) if other.split(".")[0] == package}
        for name, source in SOURCES.items()
        if name.split(".")[0] == package
    }
    ring: list[str] = []
    try:
        tuple(TopologicalSorter(graph).static_order())
    except CycleError as error:
        ring = error.args[1]

    assert ring == []


#: Module of others → files that may import it, and when; every other import of it is wrong.
KEEPERS = {
    "apprise": {"bench/post.py": {"call"}},
    "pymodbus": {"drivers/modbus_line.py": {"load"}, "drivers/recorded_modbus.py": {"load"}},
    "pyvisa": {
        "drivers/visa.py": {"load"},
        "drivers/simulated/pyvisa_bridge.py": {"typing", "call"},
        "bench/assemble.py": {"typing"},
    },
    "time": {"bench/clocks.py": {"load"}},
    "random": {},
    "pytest": {path.relative_to(ROOT).as_posix(): {"load", "typing"} for path in ROOT.glob("bench/contract/*.py")},
    "sqlalchemy": {f"bench/store/{path.name}": {"load", "call", "typing"} for path in ROOT.glob("bench/store/*.py")}
    | {
        path.relative_to(ROOT).as_posix(): {"load", "call", "typing"}
        for path in ROOT.glob("bench/store/migrations/**/*.py")
    },
}


@pytest.mark.parametrize("library", KEEPERS)
def test_only_its_keepers_import_a_library(library: str) -> None:
    """One narrow seam to each part of the outside: links, the machine's clock, chance, the database."""
    keepers = KEEPERS[library]
    wrong = [
        source.at(item.line)
        for source in SOURCES.values()
        for item in source.imports
        if item.name.split(".")[0] == library
        and item.when not in keepers.get(source.path.relative_to(ROOT).as_posix(), set())
    ]

    assert wrong == []


def test_no_module_outside_loads_the_contract_suite() -> None:
    """It needs pytest, which only authors of drivers have."""
    wrong = [
        source.at(item.line)
        for source in SOURCES.values()
        for item in source.imports
        if item.name.startswith("bench.contract") and not source.name.startswith("bench.contract")
    ]

    assert wrong == []


def test_only_the_clocks_ask_the_machine_for_the_time() -> None:
    """Everything else asks a clock that it was given, so that a night can be simulated and replayed."""
    asking = {"datetime.now", "datetime.utcnow", "datetime.today", "date.today"}
    found = {
        source.path.relative_to(ROOT).as_posix()
        for source in SOURCES.values()
        for name, _ in source.calls
        if name.removeprefix("datetime.") in asking or name in asking
    }

    assert found == {"bench/clocks.py"}


#: What lets a program hear of the machine around it.
OUTSIDE = {
    "getpass", "locale", "multiprocessing", "os", "platform", "queue", "random", "secrets", "select", "shutil",
    "signal", "socket", "subprocess", "tempfile", "threading", "time", "uuid",
}  # fmt: skip


def test_a_run_hears_of_nothing_but_what_its_recording_holds() -> None:
    """The loop and all that it loads: time, people and guard come through ``bench.hearing``, the rest from instruments.

    The one exception is the job's look at its disk, which ``heard_disk`` notes.
    """
    found = {
        (name, item.name.split(".")[0])
        for name in _reach({"bench.runner"}, {"load", "call"})
        for item in SOURCES[name].imports
        if item.name.split(".")[0] in OUTSIDE or item.name.startswith("bench.clocks")
    }

    assert found == {("bench.job", "shutil")}


def test_chance_is_never_taken_from_a_shared_generator() -> None:
    """numpy's module-level functions share one hidden state; generators are made from a seed and handed on."""
    allowed = {"default_rng", "SeedSequence", "Generator", "Philox", "PCG64"}
    wrong = [
        f"{source.at(line)} calls {name}"
        for source in SOURCES.values()
        for name, line in source.calls
        if name.startswith(("np.random.", "numpy.random.")) and name.split(".")[2] not in allowed
    ]

    assert wrong == []


def test_only_read_files_opens_files_in_sequences() -> None:
    """Models, rules and arithmetic take text and values; a store can build them again with no file at hand."""
    opening = ("open", "read_text", "read_bytes", "write_text", "write_bytes")
    found = {
        source.path.name
        for source in SOURCES.values()
        if source.name.startswith("sequences.")
        for name, _ in source.calls
        if name.rpartition(".")[2] in opening
    }

    assert found == {"read_files.py"}


def test_the_front_ends_share_no_code_with_the_drivers_text_layer() -> None:
    """A misreading of the standard must not hide on both sides of the link."""
    drivers_side = {"drivers.scpi_text", "drivers.scpi_status", "drivers.messages", "drivers.scpi_instrument"}
    front_ends = {name for name in SOURCES if name.startswith("drivers.simulated.")}
    everywhere = {"load", "call", "typing"}

    assert _reach(front_ends, everywhere) & drivers_side == set()
    assert _reach(drivers_side, everywhere) & front_ends == set()


@pytest.mark.parametrize(
    ("module", "not_loaded"),
    [
        ("bench.cli", HEAVY | {"numpy", "pydantic"}),
        ("bench.store.store", HEAVY - {"sqlalchemy"}),
        ("sequences.read_files", HEAVY),
        ("drivers.catalogue", HEAVY),
        ("reports.summary_json", HEAVY),
    ],
)
def test_importing_a_module_loads_no_heavy_library(module: str, not_loaded: set[str]) -> None:
    """``--help`` and ``runs`` answer at once; a heavy library loads where it is used."""
    code = f"import sys; import {module}; print(*sorted(set(name.split('.')[0] for name in sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)

    assert set(done.stdout.split()) & not_loaded == set()


def test_no_module_is_longer_than_its_ceiling() -> None:
    """A module that outgrows ``LONGEST_MODULE`` lines has more than one subject."""
    lengths = {source.at(1): len(source.text.splitlines()) for source in SOURCES.values()}

    assert {place: length for place, length in lengths.items() if length > LONGEST_MODULE} == {}


def test_no_function_is_longer_than_its_ceiling() -> None:
    """Docstring and signature included; tests too."""
    wrong = [
        f"{source.at(node.lineno)} {node.name}"
        for source in (*SOURCES.values(), *TESTS)
        for node in functions_of(source.tree)
        if (node.end_lineno or node.lineno) - node.lineno + 1 > LONGEST_FUNCTION
    ]

    assert wrong == []


def test_every_module_opens_with_its_purpose() -> None:
    """The folder listing and the first sentences are the map of the project."""
    assert [source.at(1) for source in SOURCES.values() if not ast.get_docstring(source.tree)] == []


def test_tests_do_not_import_tests_and_never_sleep() -> None:
    """Each test file stands alone, and time passes only on a simulated clock."""
    imports = [
        source.at(item.line)
        for source in TESTS
        for item in source.imports
        if item.name.split(".")[0] in ("tests", "conftest")
    ]
    may_sleep = (source for source in TESTS if "sleep" in source.text)
    sleeps = [source.at(line) for source in may_sleep for name, line in source.calls if name == "time.sleep"]

    assert imports == []
    assert sleeps == []
