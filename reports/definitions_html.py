"""The definitions page: what each characteristic is, from what it is derived, and what its uncertainty is made of.

It holds every characteristic that can be derived, also those that a run has not measured, and needs nothing else:
formulas are MathML, which browsers typeset by themselves.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from reports.characteristics import CHARACTERISTICS, Definition
from reports.explanations import EXPLANATIONS, GROUPS, OTHER, group_of
from reports.mathml import mathml
from reports.templating import running_head, template
from reports.wording import shown_unit

#: Name of the file beside a report.
FILE = "definitions.html"


def definitions_html(tool_version: str) -> str:
    """The whole page, as text; it depends on nothing but the version."""
    groups = [
        {"title": group, "id": anchor(group), "entries": [_entry(word, one) for word, one in _members(group)]}
        for group in (*GROUPS, OTHER)
        if any(_members(group))
    ]
    page = {"groups": groups, "colophon": f"Made by nightbench {tool_version}."}
    return template("definitions.html").render(page=page, head=running_head("Definitions of characteristics"))


def link(characteristic: str) -> str:
    """Where a page in the same folder finds a characteristic's definition."""
    return f"{FILE}#{characteristic}"


def _members(group: str) -> Iterator[tuple[str, Definition]]:
    return ((word, one) for word, one in CHARACTERISTICS.items() if group_of(word) == group)


def anchor(group: str) -> str:
    """The id of a group's section, here and in the report."""
    return "group-" + group.lower().replace(" ", "-")


def _entry(word: str, definition: Definition) -> dict[str, Any]:
    from markupsafe import Markup

    explained = EXPLANATIONS.get(word)
    unit, _ = shown_unit(definition.unit)
    facts = [
        ("Assumes", definition.assumptions),
        ("Symbols", explained.symbols if explained else ""),
        ("Needs", explained.needs if explained else ""),
        ("Uncertainty", explained.uncertainty if explained else ""),
        ("Source", definition.source),
    ]
    return {
        "word": word,
        "title": definition.title,
        "unit": "1" if not unit else unit if unit == definition.unit else f"{unit} ({definition.unit} in files)",
        "text": definition.formula,
        # Markup: made by our own typesetter, which escapes what it is given.
        "formula": Markup(mathml(explained.formula, definition.formula)) if explained else "",
        "facts": [(name, text) for name, text in facts if text],
    }
