"""Part, bench and sequence together, checked against each other and against what ``reports`` can derive."""

from __future__ import annotations

from pathlib import Path

from sequences.read_files import Setup, read_setup


def setup_from_files(sequence: Path, bench: Path | None = None, part: Path | None = None) -> Setup:
    """Read a sequence and the files it names, or the bench and part given instead. Raises FileFaults."""
    from reports.characteristics import CHARACTERISTICS

    units = {word: item.unit for word, item in CHARACTERISTICS.items()}
    return read_setup(sequence, bench, part, known_characteristics=units)


def setup_of(store: Store, run: str, part: Path | None = None, bench: Path | None = None) -> Setup:
    """The files of a stored run as they were when it began, or the part and bench given instead.

    Raises NoSuchRun, or FileFaults if the files do not fit.
    """
    texts = store.run_texts(run)
    return parse_setup(
        sequence=(texts.sequence.name, texts.sequence.text),
        bench=_replaced(texts.bench, bench),
        part=_replaced(texts.part, part),
        attachments=texts.attachments,
    )
