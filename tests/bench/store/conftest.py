"""A store on disk, a run that begins in it, and what is put into both."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bench.store.records import FileText, RunRecord, RunTexts
from bench.store.run_writer import RunWriter
from bench.store.store import Store, open_store
from sequences.conditions import Condition

BEGAN = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the store of this test is, or will be."""
    return tmp_path / "night.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    """An open, fresh store."""
    with open_store(str(path)) as opened:
        yield opened


@pytest.fixture
def make_record() -> Callable[..., RunRecord]:
    """A run about to begin; any field can be given."""

    def make(**fields: object) -> RunRecord:
        texts = RunTexts(
            part=FileText("virga-2.part.toml", "[part] # Ω", "a" * 64),
            bench=FileText("nimbus.bench.toml", "[bench]", "b" * 64),
            sequence=FileText("quick.sequence.toml", "[sequence]", "c" * 64),
            attachments={"cable.s2p": "# MHz S DB R 50\n"},
        )
        given: dict[str, object] = {
            "unit": "VG2-0013",
            "part": "VIRGA-2",
            "bench": "Nimbus",
            "sequence": "quick",
            "operator": "Ada",
            "began": BEGAN,
            "tool_version": "0.1.0",
            "texts": texts,
        }
        return RunRecord(**(given | fields))  # type: ignore[arg-type]  # fields of many types, checked by the tests

    return make


@pytest.fixture
def plan() -> tuple[Condition, ...]:
    """Four conditions in run order."""
    return tuple(
        Condition("A" if code % 2 == 0 else "B", code, -40.0 + code, "low power", 150.0, 3.0, 60e6) for code in range(4)
    )


@pytest.fixture
def writer(store: Store, make_record: Callable[..., RunRecord], plan: tuple[Condition, ...]) -> RunWriter:
    """A run that has begun and has its plan."""
    writer = store.begin_run(make_record())
    writer.conditions(plan)
    return writer
