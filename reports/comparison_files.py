"""Comparison → a folder: page, every difference as CSV, the answer as JSON, and the figures as SVG.

Rule: as for a report: nothing is replaced that this module did not write, and the wanted name never holds half of it.
"""

from __future__ import annotations

import json
import math
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from reports.columns import BOUND_WORDS
from reports.comparison import COLUMNS, COMPATIBLE, CONTRADICTS
from reports.comparison_figures import comparison_figures
from reports.comparison_html import FILE, comparison_html
from reports.folder import FolderNotOurs, swap
from reports.frames import AXES
from reports.table_csv import differences_csv

if TYPE_CHECKING:
    import pandas as pd

    from reports.comparison import Comparison, Pair, Side
    from reports.suspects import Suspect

_FIGURES, _CSV, _JSON = "figures", "comparison.csv", "comparison.json"
_OURS = frozenset({FILE, _CSV, _JSON, _FIGURES})

#: Differences in the JSON, the worst; comparison.csv has all. Ours.
MOST_WORST = 20


def write_comparison(comparison: Comparison, directory: Path, tool_version: str) -> Path:
    """Write the folder, in place of an earlier comparison there; the path of its page.

    Raises:
        FolderNotOurs: ``directory`` holds something that is no part of a comparison.
        OSError: The parent cannot be written; what was there is still in its place.
    """
    place = directory.resolve()
    check_place(directory)
    figures = comparison_figures(comparison)
    texts = {
        FILE: comparison_html(comparison, figures, tool_version),
        _CSV: differences_csv(differences(comparison)),
        _JSON: comparison_json(comparison),
        **{f"{_FIGURES}/{figure.name}.svg": figure.svg for figure in figures},
    }
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".comparison-", dir=place.parent) as beside:
        fresh, earlier = Path(beside, "fresh"), Path(beside, "earlier")
        (fresh / _FIGURES).mkdir(parents=True)
        for name, text in texts.items():
            (fresh / name).write_text(text, encoding="utf-8", newline="")
        swap(fresh, place, earlier)
    return place / FILE


def check_place(directory: Path) -> None:
    """Refuse a place that is neither free, nor an empty folder, nor an earlier comparison. Raises FolderNotOurs."""
    if not directory.exists():
        return
    if not directory.is_dir():
        raise FolderNotOurs(directory, directory.name)
    found = {entry.name for entry in directory.iterdir()}
    strange = sorted(found - _OURS) or sorted(found if found and not found >= {FILE, _JSON} else ())
    if strange:
        raise FolderNotOurs(directory, strange[0])


def comparison_json(comparison: Comparison) -> str:
    """The answer for machines: values in their characteristic's unit, axes in SI base units; null where there is none.

    Ends in a newline.
    """
    facts = {
        "part": comparison.part.part.name,
        "beyond_chance": comparison.beyond_chance,
        "runs": [_side(side) for side in comparison.sides],
        "cautions": list(comparison.cautions),
        "pairs": [_pair(pair) for pair in comparison.pairs],
    }
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def differences(comparison: Comparison) -> pd.DataFrame:
    """All differences of all pairs: columns ``reference`` and ``run`` (ids), then ``comparison.COLUMNS``.

    Bounds are in words; values are in ``unit``, NaN where there is none.
    """
    import pandas as pd

    table = pd.concat(
        [pair.table.assign(reference=pair.reference.facts.run, run=pair.other.facts.run) for pair in comparison.pairs],
        ignore_index=True,
    )
    table = table.assign(**{name: table[name].map(BOUND_WORDS) for name in ("bound_1", "bound_2")})
    return table[["reference", "run", *COLUMNS]]


def _side(side: Side) -> dict[str, object]:
    facts = side.facts
    return {"run": facts.run, "unit": facts.unit, "bench": side.bench, "label": side.label}


def _pair(pair: Pair) -> dict[str, object]:
    known, table = pair.compared, pair.table
    worst = ["characteristic", *AXES, "condition_1", "condition_2", "value_1", "expanded_1", "value_2", "expanded_2"]
    worst += ["difference", "expanded", "ratio", "e_n", "verdict", "unit"]
    return {
        "reference": pair.reference.facts.run,
        "other": pair.other.facts.run,
        "kind": pair.kind,
        "beyond_chance": pair.beyond_chance,
        "common": list(pair.sharing.common),
        "different": list(pair.sharing.apart),
        "differences": len(known),
        "within_u": int((known["ratio"].abs() <= 1).sum()),
        "bounds_agree": int((table["verdict"] == COMPATIBLE).sum()),
        "bounds_contradict": int((table["verdict"] == CONTRADICTS).sum()),
        "conditions_in_one_only": [int((pair.only["run"] == number).sum()) for number in (1, 2)],
        "suspects": [_suspect(pair, one) for one in pair.suspects],
        "chance": {"e_n_of_a_cause": pair.least_score, "e_n_of_a_condition": pair.least_ratio},
        "worst": _records(table.head(MOST_WORST)[worst]),
        "groups": _records(pair.groups.head(MOST_WORST)),
    }


def _suspect(pair: Pair, suspect: Suspect) -> dict[str, object]:
    alike = list(dict.fromkeys(pair.draw_words[draw] for draw in suspect.alike))
    words = pair.draw_words[suspect.draw]
    return {
        "cause": words,
        "not_told_apart_from": [one for one in alike if one != words],
        "e_n": suspect.score,
        "beyond_chance": suspect.score > pair.least_score,
        "effects": [asdict(effect) for effect in suspect.effects],
    }


def _records(table: pd.DataFrame) -> list[dict[str, object]]:
    return [{name: _plain(value) for name, value in row.items()} for row in table.to_dict("records")]  # type: ignore[misc]  # columns are texts


def _plain(value: object) -> object:
    item = getattr(value, "item", None)
    plain = item() if callable(item) else value
    return None if isinstance(plain, float) and not math.isfinite(plain) else plain
