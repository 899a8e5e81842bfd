"""Comparison → one HTML page that needs nothing else, in the house style.

Rule: as in ``page_html``: the template gets text only, and only our own style and drawings go in as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from reports import comparison_words as words
from reports.characteristics import CHARACTERISTICS
from reports.comparison import CONTRADICTS
from reports.definitions_html import anchor
from reports.frames import AXES
from reports.live import content_policy, live_json, scripts
from reports.templating import running_head, template
from reports.wording import axis_values_text, condition_text, time_text

if TYPE_CHECKING:
    from reports.comparison import Comparison, Pair, Side
    from reports.panel_figures import Figure

#: Name of the file.
FILE = "comparison.html"

#: Lines of the tables on the page; comparison.csv has all. Ours: what is read, and no more.
MOST_DIFFERENCES, MOST_GROUPS, MOST_LONE, MOST_OF_ONE = 40, 20, 40, 3

_CLASSES = {True: ("Differs", "✗", "fail"), False: ("Agrees", "✓", "pass")}

_METHOD = (
    "E_n is the difference over its expanded uncertainty (k = 2): (x − X) / U(x − X), with U² = U²(x) + U²(X) where "
    "the runs share no error (ISO 13528:2022, 9.7; ISO/IEC 17043:2023, annex B; from memory, not seen). |E_n| ≤ 1 is "
    "satisfactory; about one value in twenty lies beyond by chance, and values that share an error do so together.",
    "What both runs share cancels in the difference and is left out of its uncertainty. A mean over many conditions "
    "keeps the errors that they share: it is no better known for their number.",
    "Causes are sought by least squares with the covariance that the files declare as weight: for each error of a "
    "bench, the shift that explains the differences best, and its uncertainty, in which the declared one is included. "
    "It is beyond chance if sound benches would show one as large in less than one comparison of fifty. Looked "
    "through are gain, OIP3 at the lowest level, supply, noise figure and sweeps; second-order products and harmonics "
    "hang on phases that nobody knows.",
    "Values that are only bounds are not subtracted; a bound contradicts if the other value lies beyond it by more "
    "than U.",
    "Conditions are joined where every axis has the same value to the last digit. Supply figures count the difference "
    "of the supply voltages, products in dBc that of the tone levels, as further errors.",
)


def comparison_html(comparison: Comparison, figures: Sequence[Figure], tool_version: str) -> str:
    """The whole page, as text; the same bytes for the same comparison and figures."""
    from markupsafe import Markup

    numbered = [
        {"number": number, "name": one.name, "title": one.title, "caption": one.caption, "svg": Markup(one.svg)}
        | {"group": one.group, "live": Markup(live_json(one.live)) if one.live else ""}
        for number, one in enumerate(figures, start=1)
    ]
    groups = [
        {"title": group, "id": anchor(group), "figures": [one for one in numbered if one["group"] == group]}
        for group in dict.fromkeys(one.group for one in figures)
    ]
    texts = scripts() if any(one.live for one in figures) else ()
    part = comparison.part.part
    differs = comparison.beyond_chance
    tested = any(pair.kind == "benches" for pair in comparison.pairs)
    page: dict[str, Any] = {
        "policy": content_policy(texts),
        "scripts": [Markup(text) for text in texts],
        "title": f"{part.name}: {' against '.join(side.label for side in reversed(comparison.sides))}",
        "part": part.name,
        "about": part.description,
        "verdict": {
            "word": words.verdict_text(comparison),
            "sign": _CLASSES[differs][1] if tested else "–",
            "css": _CLASSES[differs][2] if tested else "not-tested",
        },
        "runs": [_side(side) for side in comparison.sides],
        "pairs": [_pair(pair, number) for number, pair in enumerate(comparison.pairs, start=1)],
        "groups": groups,
        "cautions": comparison.cautions,
        "method": _METHOD,
        "colophon": f"Compared by nightbench {tool_version} from stored runs.",
    }
    head = running_head(f"{part.name}, comparison of runs {', '.join(side.facts.run[:8] for side in comparison.sides)}")
    return template("comparison.html").render(page=page, head=head)


def _side(side: Side) -> dict[str, str]:
    facts = side.facts
    return {
        "label": side.label,
        "unit": facts.unit,
        "bench": side.bench,
        "run": facts.run,
        "began": f"{time_text(facts.began)} UTC",
        "state": facts.state,
        "version": facts.tool_version,
    }


def _pair(pair: Pair, number: int) -> dict[str, Any]:
    table = pair.table
    rows = words.worst_of_each(pair, MOST_OF_ONE).head(MOST_DIFFERENCES).to_dict("records")
    more = len(table) - len(rows)
    return {
        "id": f"pair-{number}",
        "title": words.heading(pair),
        "ratio": words.ratio_name(pair),
        "kind": words.kind_text(pair),
        "sharing": words.sharing_text(pair),
        "tally": words.tally_text(pair),
        "fixed": words.fixed_text_of(pair),
        "suspects": [
            {
                "text": words.suspect_text(pair, one),
                "head": words.suspect_head(pair, one),
                "css": "fail" if one.score > pair.least_score else "not-tested",
            }
            for one in pair.suspects
        ],
        "characteristics": list(words.characteristic_lines(pair)),
        "differences": [
            words.difference_cells(row, words.swept(pair))
            | {"css": "fail" if row["verdict"] in ("differs", CONTRADICTS) else "pass"}
            for row in rows
        ],
        "more": f"At most {MOST_OF_ONE} of each characteristic; {more} more in comparison.csv." if more else "",
        "groups": [
            words.group_cells(row) for row in words.worst_groups(pair, MOST_OF_ONE).head(MOST_GROUPS).to_dict("records")
        ],
        "lone": _lone(pair),
        "first": pair.reference.label,
        "second": pair.other.label,
    }


def _lone(pair: Pair) -> list[dict[str, str]]:
    """What one of both runs has alone: conditions, each in words or, if there are many, the span of each axis."""
    found = []
    for number, side in ((1, pair.reference), (2, pair.other)):
        rows = pair.only[pair.only["run"] == number]
        if len(rows) > MOST_LONE:
            text = ", ".join(axis_values_text(axis, rows[axis].tolist()) for axis in AXES)
            found.append({"side": side.label, "text": f"{len(rows)} conditions among {text}"})
        elif len(rows):
            listed = "; ".join(condition_text({axis: row[axis] for axis in AXES}) for row in rows.to_dict("records"))
            found.append({"side": side.label, "text": f"{len(rows)} conditions: {listed}"})
        titles = [CHARACTERISTICS[word].title for word, where in pair.lone if where == number]
        if titles:
            found.append({"side": side.label, "text": f"characteristics: {', '.join(titles)}"})
    return found
