"""What people read is true: help texts, README, DEVELOPERS, the files shown in them, and what must stand in no file."""

from __future__ import annotations

import ast
import importlib
import re
import shlex
import subprocess
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import typer.main

from bench.cli import app
from bench.tell_file import parse_tell_file
from sequences import read_files
from sequences.conditions import expand

ROOT = Path(__file__).parents[1]

COMMANDS = typer.main.get_group(app).commands
FENCE = re.compile(r"^```(?P<language>\w*)\n(?P<text>.*?)^```", re.M | re.S)


def _tracked() -> tuple[Path, ...]:
    """Files under version control, and those about to be; nothing that git ignores."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return tuple(path for name in listed.stdout.split("\0") if name and (path := ROOT / name).is_file())


def _documents() -> dict[str, str]:
    """The Markdown files that people read, by their path in the project; those of tests speak to developers alone."""
    paths = sorted((*ROOT.glob("*.md"), *ROOT.glob("bench/*.md"), *ROOT.glob("sequences/*.md")))
    return {path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in paths}


def _document(name: str) -> str:
    documents = _documents()
    assert name in documents, f"{name} is missing"
    return documents[name]


def _blocks(language: str) -> Iterator[tuple[str, str]]:
    for name, text in _documents().items():
        for number, found in enumerate(FENCE.finditer(text), start=1):
            if found["language"] == language:
                yield f"{name}, block {number}", found["text"]


def _example_of(command: str) -> str:
    found = re.search(r"^.*\bExample: (?P<line>nightbench .*)$", COMMANDS[command].help or "", re.M)
    assert found, f"nightbench {command} --help has no line 'Example: nightbench {command} …'"
    return found["line"]


def _parse(line: str) -> None:
    """Have a command line parsed, but not run: a usage error raises. Placeholders and comments are taken off."""
    words = shlex.split(line, comments=True)
    assert words[0] == "nightbench"
    if len(words) == 1 or words[1].startswith("-"):
        assert set(words[1:]) <= {"--help", "-h", "--version"}, line
        return
    assert words[1] in COMMANDS, f"no such command: {line}"
    if "--help" not in words and "-h" not in words:
        COMMANDS[words[1]].make_context(words[1], words[2:]).close()


@pytest.mark.parametrize("command", COMMANDS)
def test_the_help_of_a_command_has_an_example_that_parses(command: str) -> None:
    """A person copies the example before reading anything else."""
    line = _example_of(command)

    assert line.startswith(f"nightbench {command} ")
    _parse(line)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_and_argument_of_a_command_is_explained(command: str) -> None:
    """No bare name in a help text."""
    unexplained = [option.name for option in COMMANDS[command].params if not getattr(option, "help", "")]

    assert unexplained == []


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_its_line_in_the_readme(command: str) -> None:
    """README shows what there is."""
    assert f"nightbench {command}" in _document("README.md")


def test_the_commands_shown_in_the_documents_parse() -> None:
    """Every ``nightbench …`` line in a fenced block: its command exists and so do its options."""
    lines = [
        line.strip().removeprefix("$ ")
        for language in ("", "console", "sh", "bash", "shell")
        for _, text in _blocks(language)
        for line in text.replace("\\\n", " ").splitlines()
        if re.match(r"\s*(\$ )?nightbench\b(?! is )", line)
    ]

    assert lines, "README shows no command at all"
    for line in lines:
        _parse(line)


def test_no_document_names_a_command_that_does_not_exist() -> None:
    """In running text, too: a renamed command is renamed everywhere."""
    named = {
        (name, word)
        for name, text in _documents().items()
        for word in re.findall(r"`nightbench ([a-z-]+)[^`]*`", text)
        if word not in COMMANDS
    }

    assert named == set()


def test_the_readme_says_how_to_run_the_tests_in_one_line() -> None:
    """``.ci/run`` runs that line as it stands."""
    lines = [line for line in _document("README.md").splitlines() if "pytest -q" in line]

    assert lines, "README has no line with 'pytest -q'"


def test_the_extras_that_the_documents_name_exist() -> None:
    """``pip install '.[word]'`` with a word that pyproject.toml lacks only warns, and installs too little."""
    known = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    named = {
        extra.strip()
        for text in _documents().values()
        for extras in re.findall(r"(?:\.|nightbench)\[([a-z, ]+)\]", text)
        for extra in extras.split(",")
    }

    assert "test" in named
    assert named <= set(known)


def test_the_links_of_the_documents_lead_somewhere() -> None:
    """Relative links only; anchors must be among the headings of the document that they lead into."""
    documents, broken = _documents(), []
    headings = {
        (ROOT / name).resolve(): {_anchor(heading) for heading in re.findall(r"^#+ (.*)$", FENCE.sub("", text), re.M)}
        for name, text in documents.items()
    }
    for name, text in documents.items():
        for target in re.findall(r"\]\(([^)\s]+)\)", FENCE.sub("", text)):
            if re.match(r"[a-z]+:", target):
                continue
            path, _, anchor = target.partition("#")
            led = ((ROOT / name).parent / path if path else ROOT / name).resolve()
            if not led.exists() or (anchor and anchor not in headings.get(led, {anchor})):
                broken.append((name, target))

    assert broken == []


def _anchor(heading: str) -> str:
    return re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")


def test_the_paths_that_the_developers_guide_names_exist() -> None:
    """In backquotes, with a slash and an ending or a slash at the end: a moved file is moved there as well."""
    named = re.findall(r"`((?:bench|drivers|reports|sequences|tests|\.ci)/[\w./*-]*)`", _document("DEVELOPERS.md"))
    missing = [name for name in named if not list(ROOT.glob(name.rstrip("/")))]

    assert named
    assert missing == []


#: Table → kind of file that has it.
KIND_OF_TABLE = {
    **dict.fromkeys(("part", "gain_codes", "supply_mode", "absolute_maximum", "operating", "limit"), "part"),
    **dict.fromkeys(("bench", "instrument", "path_loss", "fixture", "dry_out", "interlock", "simulation"), "bench"),
    **dict.fromkeys(("deviations", "header"), "table of deviations"),
    **dict.fromkeys(("modbus", "registers", "alarm"), "register table"),
    "tell": "whom to tell",
    **dict.fromkeys(("sequence", "axes", "exclude", "tones", "measure", "soak", "settle"), "sequence"),
}
PARSERS: dict[str, Callable[[str, str], object]] = {
    "part": read_files.parse_part,
    "bench": read_files.parse_bench,
    "sequence": read_files.parse_sequence,
    "table of deviations": read_files.parse_deviations,
    "register table": read_files.parse_registers,
    "whom to tell": lambda text, name: parse_tell_file(text, Path(name), {"MAIL_PASSWORD": "?"}),
}
#: The table that only a whole file of a kind shows.
MARK_OF_WHOLE = {"part": "part", "bench": "fixture", "sequence": "sequence"}
WHOLE = {"part": "virga-2.part.toml", "bench": "nimbus.bench.toml", "sequence": "overnight.sequence.toml"}


def _whole_file(shown: str, kind: str) -> str:
    """The shipped file of its kind with what is shown put in place of the tables of those names.

    A single table of a list, such as ``[[limit]]``, is added to the list; beside the file's own table, which says that
    a whole file is meant, the list shown takes the place of the shipped one.
    """
    text = read_files.demo_file(WHOLE[kind]).read_text(encoding="utf-8")
    lists = r"|\[\[[\w.-]+\]\]" if kind in tomllib.loads(shown) else ""
    for header in set(re.findall(rf"^(?:\[[\w.-]+\]{lists})$", shown, re.M)):
        text = re.sub(rf"^{re.escape(header)}\n.*?(?=^\[|\Z)", "", text, flags=re.M | re.S)
    return f"{text}\n{shown}"


def test_the_files_shown_in_the_documents_are_accepted() -> None:
    """Whole files and single tables, read by the same code as a person's own."""
    shown = list(_blocks("toml"))

    assert shown, "no document shows a file"
    for place, text in shown:
        kinds = {KIND_OF_TABLE.get(table, "") for table in tomllib.loads(text)}
        assert len(kinds) == 1, f"{place}: tables of {sorted(kinds)}"
        kind = kinds.pop()
        PARSERS[kind](_whole_file(text, kind) if kind in WHOLE else text, place)


def test_the_python_shown_in_the_documents_imports_what_there_is() -> None:
    """Every block compiles, and every name that it imports can be imported."""
    shown = list(_blocks("python"))

    assert shown, "no document shows Python"
    for place, text in shown:
        for node in ast.walk(ast.parse(text, place)):
            if isinstance(node, ast.ImportFrom):
                module = importlib.import_module(str(node.module))
                assert [alias.name for alias in node.names if not hasattr(module, alias.name)] == []


def test_the_readme_says_how_many_conditions_the_demo_has() -> None:
    """The number that a person sees a minute later."""
    setup = read_files.read_setup(read_files.demo_file("overnight.sequence.toml"))
    count = len(expand(setup.sequence.model, setup.part.model, setup.bench.model))

    assert f"{count:,} conditions" in _document("README.md")


#: Roots of one machine's paths, and hosts that packages come from. Written so that this file does not match itself.
MACHINE_PATH = re.compile(r"(?<![\w.])/(work|farm|root|tmp|home|Users)/[\w.-]+")
REGISTRY = re.compile(r"\bpy[p]i\.|pythonhoste[d]|//[\w.-]*(artifactor[y]|nexu[s]|registr[y]|prox[y])[\w.-]*")


@pytest.mark.parametrize("pattern", [MACHINE_PATH, REGISTRY], ids=["path of one machine", "package registry"])
def test_no_file_holds_what_belongs_to_one_machine(pattern: re.Pattern[str]) -> None:
    """A checkout works anywhere, with whatever registry its user has."""
    found = [
        f"{path.relative_to(ROOT)}:{number}: {match[0]}"
        for path in _tracked()
        if path.suffix != ".svg"
        for number, line in enumerate(path.read_text(encoding="utf-8", errors="replace").splitlines(), start=1)
        if (match := pattern.search(line))
    ]

    assert found == []
