"""Part, bench and sequence files: from text to models, with every fault of a file named at once.

Rule: this is the only module of the package that opens a file. What it hands over keeps the text, so that a store can
hold it and build the same models again with no file at hand (``parse_…``).
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ValidationError

from sequences.bench_file import Bench
from sequences.cross_checks import cross_check
from sequences.de_embedding import DeEmbedding
from sequences.deviation_file import DeviationTable
from sequences.errors import FaultKind, FileFault, FileFaults, nearest_word
from sequences.model_faults import model_faults
from sequences.part_file import Part
from sequences.path_losses import PathLosses
from sequences.rating_checks import FileNames
from sequences.register_file import RegisterFile
from sequences.sequence_file import Sequence
from sequences.small_signal_checks import small_signal_faults
from sequences.toml_tables import Tables, toml_text

T = TypeVar("T", bound=BaseModel)
T_co = TypeVar("T_co", bound=BaseModel, covariant=True)

#: A table that only one kind of file has, to tell a file that was given in another's place.
_SIGNS = {
    "part": "part file",
    "bench": "bench file",
    "sequence": "sequence file",
    "deviations": "table of deviations",
    "registers": "register table",
}

_POSITION = re.compile(r"^(?P<problem>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$", re.S)


@dataclass(frozen=True, slots=True)
class Loaded(Generic[T_co]):
    """A model and the text it came from.

    Attributes:
        model: The file's content.
        text: The file's text, whole.
        path: Where it was, or the name under which it was parsed.
        fingerprint: SHA-256 of the UTF-8 text, in hexadecimal.
        attachments: Text of each file that this one names (Touchstone, tables), by the name that it uses; of a folder
            of drivers, whose name ends in ``/`` then, the fingerprints of its files.
        spelt: Key as the file spells it, by table and key in the model's units, where the two differ.
    """

    model: T_co
    text: str
    path: Path
    fingerprint: str
    attachments: dict[str, str] = field(default_factory=dict)
    spelt: dict[tuple[str, str], str] = field(default_factory=dict, repr=False)

    def in_its_words(self, fault: FileFault) -> FileFault:
        """A fault of this file with its key as the file spells it."""
        return replace(fault, key=self.spelt.get((fault.table, fault.key), fault.key))


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """The three files of a run, and the path losses and two-ports that follow from the bench."""

    sequence: Loaded[Sequence]
    part: Loaded[Part]
    bench: Loaded[Bench]
    path_losses: PathLosses
    de_embedding: DeEmbedding = field(default_factory=DeEmbedding)


def parse_part(text: str, name: str = "part file") -> Loaded[Part]:
    """Model of a part file's text. Raises FileFaults."""
    return _parse(text, name, Part)


def parse_sequence(text: str, name: str = "sequence file") -> Loaded[Sequence]:
    """Model of a sequence file's text. Raises FileFaults."""
    return _parse(text, name, Sequence)


def parse_registers(text: str, name: str = "register table") -> Loaded[RegisterFile]:
    """Model of a register table's text. Raises FileFaults."""
    return _parse(text, name, RegisterFile)


def parse_bench(text: str, name: str = "bench file", attachments: Mapping[str, str] | None = None) -> Loaded[Bench]:
    """Model of a bench file's text; ``attachments`` are the texts of the files it names. Raises FileFaults."""
    return _parse(text, name, Bench, attachments)


def parse_deviations(text: str, name: str = "table of deviations") -> Loaded[DeviationTable]:
    """Model of a table of deviations. Raises FileFaults."""
    return _parse(text, name, DeviationTable)


def read_part(path: Path | str) -> Loaded[Part]:
    """Read a part file. Raises FileFaults."""
    return _parse(_text(Path(path)), str(path), Part)


def read_sequence(path: Path | str) -> Loaded[Sequence]:
    """Read a sequence file. Raises FileFaults."""
    return _parse(_text(Path(path)), str(path), Sequence)


def read_bench(path: Path | str) -> Loaded[Bench]:
    """Read a bench file and the Touchstone files and tables that it names, relative to it. Raises FileFaults."""
    path = Path(path)
    loaded = _parse(_text(path), str(path), Bench)
    named = [entry.touchstone for entry in loaded.model.path_loss]
    named += [entry.touchstone for entry in loaded.model.de_embedding]
    named += [entry.deviations for entry in loaded.model.instrument.present.values()]
    chamber = loaded.model.instrument.chamber
    named.append(None if chamber is None else chamber.registers)
    names = dict.fromkeys(name for name in named if name is not None)
    attachments: dict[str, str] = {}
    faults: list[FileFault] = []
    for name in names:
        try:
            attachments[name] = _text(path.parent / name)
        except FileFaults as found:
            faults.extend(found.faults)
    if faults:
        raise FileFaults(faults)
    drivers = loaded.model.bench.drivers
    if drivers is not None and (path.parent / drivers).is_dir():
        attachments[f"{drivers}/"] = fingerprints_of(path.parent / drivers)
    loaded = replace(loaded, attachments=attachments)
    deviation_tables(loaded)
    register_table(loaded)
    return loaded


def fingerprints_of(folder: Path) -> str:
    """A line for each Python file below a folder, in the order of names: its SHA-256, and its path there.

    Not the files themselves, which may hold what belongs in no store.
    """
    lines = []
    for file in sorted(folder.rglob("*.py")):
        try:
            digest = hashlib.sha256(file.read_bytes()).hexdigest()
        except OSError as error:
            raise FileFaults([_unreadable(file, f"it cannot be read: {error.strerror or error}")]) from None
        lines.append(f"{digest}  {file.relative_to(folder).as_posix()}\n")
    return "".join(lines)


def deviation_tables(bench: Loaded[Bench]) -> dict[str, Loaded[DeviationTable]]:
    """Tables of deviations of a bench by place, from the texts that it came with. Raises FileFaults."""
    tables: dict[str, Loaded[DeviationTable]] = {}
    faults: list[FileFault] = []
    for place, entry in bench.model.instrument.present.items():
        if entry.deviations is None:
            continue
        text = bench.attachments.get(entry.deviations)
        name = str(bench.path.parent / entry.deviations)
        if text is None:
            problem = f"{entry.deviations} did not come with the bench file"
            where = f"[instrument.{place}]"
            faults.append(FileFault("no file", str(bench.path), where, "deviations", problem=problem))
            continue
        table = _collect(faults, partial(parse_deviations, text, name))
        if table is not None:
            tables[place] = table
    if faults:
        raise FileFaults(dict.fromkeys(faults))
    return tables


def register_table(bench: Loaded[Bench]) -> Loaded[RegisterFile] | None:
    """Register table of the bench's chamber, if it names one, from the text that it came with. Raises FileFaults."""
    chamber = bench.model.instrument.chamber
    if chamber is None or chamber.registers is None:
        return None
    text = bench.attachments.get(chamber.registers)
    if text is None:
        problem = f"{chamber.registers} did not come with the bench file"
        raise FileFaults([FileFault("no file", str(bench.path), "[instrument.chamber]", "registers", problem=problem)])
    return parse_registers(text, str(bench.path.parent / chamber.registers))


def deviation_gaps(bench: Loaded[Bench]) -> dict[str, tuple[str, ...]]:
    """What the tables of deviations leave unchecked, by place: clauses for people. Raises FileFaults."""
    gaps = {place: table.model.gaps() for place, table in deviation_tables(bench).items()}
    return {place: clauses for place, clauses in gaps.items() if clauses}


def read_setup(
    sequence_path: Path | str,
    bench_path: Path | str | None = None,
    part_path: Path | str | None = None,
    known_characteristics: Mapping[str, str] | None = None,
) -> Setup:
    """Read a sequence with the part and bench that it names, or those given instead, and check them together.

    Args:
        sequence_path: The sequence file; paths inside it are relative to it.
        bench_path: Bench file to use instead of the one that the sequence names.
        part_path: Part file to use instead of the one that the sequence names.
        known_characteristics: Characteristics that a limit may name, with their unit; None leaves them unchecked.

    Raises:
        FileFaults: Everything that is wrong in any of the files, or between them.
    """
    sequence_path = Path(sequence_path)
    sequence = read_sequence(sequence_path)
    facts = sequence.model.sequence
    part_file = Path(part_path) if part_path is not None else sequence_path.parent / facts.part
    faults: list[FileFault] = []
    part = _collect(faults, lambda: read_part(part_file))
    bench: Loaded[Bench] | None = None
    if bench_path is not None or facts.bench is not None:
        bench_file = Path(bench_path) if bench_path is not None else sequence_path.parent / str(facts.bench)
        bench = _collect(faults, lambda: read_bench(bench_file))
    else:
        problem = "no bench is named, and none was given"
        faults.append(FileFault("missing key", str(sequence_path), "[sequence]", "bench", problem=problem))
    losses = _collect(faults, lambda: PathLosses.of(bench.model, bench.attachments)) if bench is not None else None
    fixtures = _collect(faults, lambda: DeEmbedding.of(bench.model, bench.attachments)) if bench is not None else None
    if part is None or bench is None or losses is None or fixtures is None:
        raise FileFaults(faults)
    names = FileNames(str(sequence.path), str(part.path), str(bench.path))
    crossed = cross_check(sequence.model, part.model, bench.model, losses, names, known_characteristics)
    crossed += small_signal_faults(sequence.model, part.model, bench.model, fixtures, names)
    if crossed:
        by_file = {names.sequence: sequence, names.part: part, names.bench: bench}
        raise FileFaults(by_file[fault.file].in_its_words(fault) for fault in crossed)
    return Setup(sequence, part, bench, losses, fixtures)


def parse_setup(
    sequence: str,
    part: str,
    bench: str,
    attachments: Mapping[str, str] | None = None,
    names: FileNames | None = None,
) -> Setup:
    """Models of three texts and of the Touchstone texts that the bench names, as a store keeps them.

    The rules across files are not applied again: they held when the run began, and a rule that came later must not
    keep a finished run from being read. Raises FileFaults.
    """
    names = names or FileNames()
    faults: list[FileFault] = []
    loaded_sequence = _collect(faults, lambda: parse_sequence(sequence, names.sequence))
    loaded_part = _collect(faults, lambda: parse_part(part, names.part))
    loaded_bench = _collect(faults, lambda: parse_bench(bench, names.bench, attachments))
    if loaded_sequence is None or loaded_part is None or loaded_bench is None:
        raise FileFaults(faults)
    losses = PathLosses.of(loaded_bench.model, loaded_bench.attachments)
    fixtures = DeEmbedding.of(loaded_bench.model, loaded_bench.attachments)
    return Setup(loaded_sequence, loaded_part, loaded_bench, losses, fixtures)


def demo_file(name: str) -> Path:
    """Path of a shipped file, such as ``overnight.sequence.toml``. Raises FileFaults for a name that is not shipped."""
    folder = Path(str(resources.files("sequences"))) / "demo"
    shipped = sorted(path.name for path in folder.glob("*.toml"))
    if name not in shipped:
        fault = FileFault("no file", name, allowed=", ".join(shipped), nearest=nearest_word(name, shipped))
        raise FileFaults([fault])
    return folder / name


R = TypeVar("R")


def _collect(faults: list[FileFault], read: Callable[[], R]) -> R | None:
    """Result of ``read``, or None with its faults kept, so that the other files are looked at too."""
    try:
        return read()
    except FileFaults as found:
        faults.extend(found.faults)
        return None


def _parse(text: str, name: str, model: type[T], attachments: Mapping[str, str] | None = None) -> Loaded[T]:
    raw = _toml(text, name)
    _check_kind(raw, name, model)
    tables = Tables(name, raw, model)
    try:
        built = model.model_validate(tables.data)
    except ValidationError as error:
        raise FileFaults((*tables.faults, *model_faults(error, tables))) from None
    if tables.faults:
        raise FileFaults(tables.faults)
    fingerprint = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
    return Loaded(built, text, Path(name), fingerprint, dict(attachments or {}), tables.spelt)


def _toml(text: str, name: str) -> dict[str, Any]:
    if not text.strip():
        raise FileFaults([FileFault("broken TOML", name, problem="the file is empty")])
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileFaults([_broken(str(error), text, name)]) from None
    except RecursionError:
        raise FileFaults([FileFault("broken TOML", name, problem="nested too deeply")]) from None
    except ValueError:
        # Python's own limit on decimal integers, which the parser passes on bare.
        raise FileFaults([FileFault("broken TOML", name, problem="a number has too many digits")]) from None


def _broken(message: str, text: str, name: str) -> FileFault:
    position = _POSITION.match(message)
    if position is None:
        return FileFault("broken TOML", name, problem=message)
    if position["line"] is None:
        return FileFault("broken TOML", name, problem=f"at the end of the file: {position['problem']}")
    # The parser counts lines by line feeds, so splitlines, which knows more line ends, would miscount.
    line = text.split("\n")[int(position["line"]) - 1].strip()
    problem = f"line {position['line']}, column {position['column']}: {position['problem']}"
    return FileFault("broken TOML", name, problem=problem, found=toml_text(line)[1:-1])


def _check_kind(raw: Mapping[str, Any], name: str, model: type[BaseModel]) -> None:
    """Say so at once when a file of another kind was given, instead of one fault for each of its tables."""
    own = {DeviationTable: "deviations", RegisterFile: "registers"}.get(model, model.__name__.lower())
    others = [kind for sign, kind in _SIGNS.items() if sign != own and isinstance(raw.get(sign), dict)]
    if own not in raw and others:
        raise FileFaults([FileFault("wrong file", name, found=f"a {others[0]}", allowed=f"a {_SIGNS[own]}")])


def _text(path: Path) -> str:
    try:
        # A byte-order mark, as some editors write it, is no part of the text.
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileFaults([_unreadable(path, f"byte {error.start + 1} is not UTF-8 text")]) from None
    except FileNotFoundError:
        raise FileFaults([_unreadable(path, "there is no such file", "no file")]) from None
    except IsADirectoryError:
        raise FileFaults([_unreadable(path, "this is a folder, a file is wanted")]) from None
    except (OSError, ValueError) as error:
        # ValueError: a name with a zero byte, which no file can have.
        reason = getattr(error, "strerror", None) or error
        raise FileFaults([_unreadable(path, f"it cannot be read: {reason}")]) from None


def _unreadable(path: Path, problem: str, kind: FaultKind = "unreadable file") -> FileFault:
    nearest = ""
    if kind == "no file" and path.parent.is_dir():
        nearest = nearest_word(path.name, sorted(near.name for near in path.parent.iterdir()))
    return FileFault(kind, str(path), nearest=nearest, problem=problem)
