"""Part, bench and sequence together, checked against each other and against what ``reports`` can derive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bench.deviating import bench_faults
from sequences.cross_checks import FileNames, cross_check
from sequences.de_embedding import DeEmbedding
from sequences.errors import FileFaults
from sequences.path_losses import PathLosses
from sequences.read_files import Loaded, Setup, parse_setup, read_bench, read_part, read_setup
from sequences.small_signal_checks import small_signal_faults
from sequences.through import through_setup

if TYPE_CHECKING:
    from bench.store.store import Store
    from sequences.bench_file import Bench
    from sequences.part_file import Part


def setup_from_files(sequence: Path, bench: Path | None = None, part: Path | None = None) -> Setup:
    """Read a sequence and the files it names, or the bench and part given instead. Raises FileFaults."""
    setup = read_setup(sequence, bench, part, known_characteristics=_units())
    faults = bench_faults(setup.bench)
    if faults:
        raise FileFaults(faults)
    return setup


def setup_of(
    store: Store,
    run: str,
    part: Path | Loaded[Part] | None = None,
    bench: Path | Loaded[Bench] | None = None,
    *,
    with_unit: bool = False,
) -> Setup:
    """The files of a stored run as they were when it began, or the part and bench given instead.

    A file given instead is checked against the others as strictly as before a run. Of a run with a through they are as
    ``sequences.through`` makes them, unless ``with_unit`` asks for those that a person wrote. Raises NoSuchRun or
    FileFaults.
    """
    setup = _setup_with_unit(store, run, part, bench)
    return through_setup(setup) if store.run(run).kind == "through" and not with_unit else setup


def _setup_with_unit(
    store: Store, run: str, part: Path | Loaded[Part] | None, bench: Path | Loaded[Bench] | None
) -> Setup:
    texts = store.run_texts(run)
    stored = parse_setup(texts.sequence.text, texts.part.text, texts.bench.text, texts.attachments)
    if part is None and bench is None:
        return stored
    new_part = stored.part if part is None else read_part(part) if isinstance(part, Path) else part
    new_bench = stored.bench if bench is None else read_bench(bench) if isinstance(bench, Path) else bench
    losses = PathLosses.of(new_bench.model, new_bench.attachments)
    fixtures = DeEmbedding.of(new_bench.model, new_bench.attachments)
    names = FileNames(texts.sequence.name, str(new_part.path), str(new_bench.path))
    faults = cross_check(stored.sequence.model, new_part.model, new_bench.model, losses, names, _units())
    faults += small_signal_faults(stored.sequence.model, new_part.model, new_bench.model, fixtures, names)
    if faults:
        raise FileFaults(faults)
    return Setup(stored.sequence, new_part, new_bench, losses, fixtures)


def _units() -> dict[str, str]:
    from reports.characteristics import CHARACTERISTICS

    return {word: item.unit for word, item in CHARACTERISTICS.items()}
