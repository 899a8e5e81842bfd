"""``nightbench compare``: runs held against each other, condition by condition."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import DEFAULT_STORE, Json, Store

if TYPE_CHECKING:
    from bench.cli.output import Plain
    from reports.comparison import Comparison

RunNames = Annotated[
    list[str],
    typer.Argument(help="Two or more runs: ids, unique beginnings of ids, or 'latest'; the first is the reference."),
]
Characteristics = Annotated[
    list[str] | None, typer.Option("--characteristic", help="Only this characteristic; repeatable.", metavar="WORD")
]
Target = Annotated[Path | None, typer.Option("--to", help="Folder for the page; else comparison-RUN-RUN.")]

#: Lines that a terminal is given, the worst of as many characteristics; the page has more.
_SHOWN = 8


def compare(
    run_names: RunNames,
    to: Target = None,
    characteristic: Characteristics = None,
    store: Store = DEFAULT_STORE,
    as_json: Json = False,
) -> None:
    """Compare runs: differences with uncertainty, E_n between benches, and the cause that explains them best.

    Ends with 1 if two benches differ by more than their uncertainties and chance explain, else with 0.

    Example: nightbench compare 3f2a 9c01 --to comparison
    """
    import json

    from bench.cli.output import print_json
    from bench.errors import BenchError
    from bench.exit_codes import ExitCode
    from bench.reporting import frames_of
    from bench.store.store import open_store
    from bench.version import tool_version
    from reports.comparison import compare as held_together
    from reports.comparison_files import check_place, comparison_json, write_comparison
    from reports.errors import CannotCompare
    from reports.folder import FolderNotOurs

    try:
        if to is not None:
            check_place(to)
        with open_store(store, must_exist=True) as opened:
            runs = [opened.find_run(name) for name in run_names]
            comparison = held_together([frames_of(opened, run) for run in runs], characteristic or ())
        folder = to if to is not None else Path(f"comparison-{'-'.join(run[:8] for run in runs)}")
        page = write_comparison(comparison, folder, tool_version())
    except (CannotCompare, FolderNotOurs) as error:
        raise BenchError(str(error)) from error
    except OSError as error:
        raise BenchError(f"the comparison cannot be written: {error.strerror or error}") from error
    if as_json:
        answer: dict[str, Plain] = json.loads(comparison_json(comparison))
        print_json(answer | {"page": str(page)})
    else:
        _show(comparison, page)
    raise typer.Exit(ExitCode.LIMIT_NOT_MET if comparison.beyond_chance else ExitCode.DONE)


def _show(comparison: Comparison, page: Path) -> None:
    from bench.cli.output import console, table_of
    from reports import comparison_words as words

    out = console()
    for text in comparison.cautions:
        out.print(text)
    for pair in comparison.pairs:
        out.print(f"{words.heading(pair)}", style="bold")
        for suspect in pair.suspects:
            out.print(f"{words.suspect_head(pair, suspect)}: {words.suspect_text(pair, suspect)}")
        out.print(words.tally_text(pair))
        out.print(f"{words.kind_text(pair)} {words.sharing_text(pair)}", style="dim")
        rows_of_table = words.worst_of_each(pair).head(_SHOWN).to_dict("records")
        cells = [words.difference_cells(row, words.swept(pair)) for row in rows_of_table]
        if words.fixed_text_of(pair):
            out.print(words.fixed_text_of(pair), style="dim")
        columns = ("Characteristic", "Condition", "Difference ± U", words.ratio_name(pair), "Verdict")
        rows = [[one[key] for key in ("title", "where", "difference", "ratio", "verdict")] for one in cells]
        out.print(table_of("", columns, rows, right=f"Difference ± U,{words.ratio_name(pair)}"))
    out.print(words.verdict_text(comparison))
    out.print(f"comparison: {page}", soft_wrap=True)
