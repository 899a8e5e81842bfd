"""Runs as tables for a notebook, read and never written.

    from bench import open_store

    store = open_store("nightbench.db")
    run = store.tables("latest")
    run.characteristics

Rule: nothing here changes a store. An older one is not brought forward: whoever reads must not decide that.
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from bench.store.connect import connect_read_only, store_name, store_url
from bench.store.store import Store

if TYPE_CHECKING:
    import pandas as pd

    from reports.frames import RunFrames
    from reports.summary import Report


def open_store(url_or_path: str | Path = "nightbench.db") -> Notebook:
    """Open a store to read it; nothing in it can be changed through what is returned.

    It may be used in a ``with`` statement, which closes it, or without one. A run may go on meanwhile.

    Args:
        url_or_path: A file, or any SQLAlchemy URL.

    Raises:
        StoreFault: No such file, not a store, of an older or a newer schema, locked, database driver not installed.
    """
    url = store_url(str(url_or_path))
    return Notebook(connect_read_only(url), store_name(url))


class Notebook(Store):
    """A store that is only read; ``open_store`` of this module makes it."""

    def runs_table(self) -> pd.DataFrame:
        """One row for each run, the newest first.

        Columns ``run``, ``unit``, ``part``, ``bench``, ``sequence``, ``operator``, ``state``, ``began`` and ``ended``
        (UTC), ``tool_version``, ``done`` and ``total`` conditions, ``kind``.
        """
        import pandas as pd

        from bench.store.records import RunLine

        lines = self.runs()
        columns = {name: [getattr(line, name) for line in lines] for name in RunLine.__dataclass_fields__}
        times = {name: pd.Series(columns[name], dtype="datetime64[us, UTC]") for name in ("began", "ended")}
        return pd.DataFrame({**columns, **times}).rename(columns={"id": "run"})

    def tables(
        self,
        run: str = "latest",
        *,
        part: str | Path | None = None,
        bench: str | Path | None = None,
        residual: str | None = None,
    ) -> RunTables:
        """One run's tables, each worked out when it is first asked for.

        Args:
            run: Its id, a beginning of it that no other run shares, or "latest".
            part: Part file to decide with, such as one with other limits, instead of the run's own.
            bench: Bench file to derive with, such as one with other path losses, instead of the run's own.
            residual: A run with a through, whose readings say what the bench itself contributes; named like ``run``.

        Raises:
            NoSuchRun: No run, or more than one, fits; the message names those that come nearest.
            StoreFault: This version cannot read the run's files.
            FileFaults: A file that was given does not fit.
        """
        from bench.reporting import frames_of

        through = None if residual is None else self.find_run(residual)
        part, bench = (None if file is None else Path(file) for file in (part, bench))
        return RunTables(frames_of(self, self.find_run(run), part, bench, through))


class RunTables:
    """One run as pandas tables.

    The tables are those of ``nightbench export``, with its columns; ``dictionary`` explains each of them. What is
    missing is NaN, NA, None or NaT.

    Attributes:
        frames: What was read, as the derivations take it.
    """

    def __init__(self, frames: RunFrames) -> None:
        self.frames = frames

    def __repr__(self) -> str:
        facts = self.frames.facts
        done = f"{len(self.frames.conditions)} of {facts.planned} conditions"
        return f"<run {facts.run[:8]}: {self.frames.part.part.name} {facts.unit}, {facts.state}, {done}>"

    @cached_property
    def report(self) -> Report:
        """The run derived and decided, with budgets and corrections."""
        from reports.summary import summarise

        return summarise(self.frames)

    @cached_property
    def readings(self) -> pd.DataFrame:
        """One row for each reading: condition, axes, repeat, quantity, value, unit."""
        from reports.tables import readings

        return readings(self.report).frame

    @cached_property
    def readings_wide(self) -> pd.DataFrame:
        """One row for each condition and repeat, a column for each quantity."""
        from reports.tables import readings_by_condition

        return readings_by_condition(self.report).frame

    @cached_property
    def characteristics(self) -> pd.DataFrame:
        """One row for each characteristic and condition: axes, value, uncertainties, bound in words, unit."""
        from reports.tables import characteristics

        return characteristics(self.report).frame

    @cached_property
    def characteristics_wide(self) -> pd.DataFrame:
        """One row for each condition; for each characteristic value, U and bound, units in the columns' names."""
        from reports.tables import characteristics_by_condition

        return characteristics_by_condition(self.report).frame

    @cached_property
    def conditions(self) -> pd.DataFrame:
        """One row for each condition that is complete or was skipped."""
        from reports.tables import conditions

        return conditions(self.report).frame

    @cached_property
    def decisions(self) -> pd.DataFrame:
        """One row for each limit of the part file, with worst value, U, margin and decision."""
        from reports.tables import decisions

        return decisions(self.report).frame

    @cached_property
    def events(self) -> pd.DataFrame:
        """One row for each event: at (UTC), kind, text."""
        from reports.tables import events

        return events(self.report).frame

    @cached_property
    def cascades(self) -> pd.DataFrame:
        """One row for each cascade, combination of gain codes, point and quantity; no row without cascades."""
        from reports.tables import cascades

        return cascades(self.report).frame

    @cached_property
    def curves(self) -> pd.DataFrame:
        """One row for each condition, repeat and frequency of a sweep: S-parameters; no row without sweeps."""
        from reports.tables import curves

        return curves(self.report, self.frames.curves).frame

    @cached_property
    def dictionary(self) -> pd.DataFrame:
        """What each column of each table of the run means: unit, type, missing values, source of the definition."""
        from reports.tables import dictionary, run_tables

        return dictionary(run_tables(self.report, self.frames.curves))
