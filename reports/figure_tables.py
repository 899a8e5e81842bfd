"""What each figure shows, as a table: for readers who cannot see a drawing, and for those who want the numbers.

They fill a page of their own beside the report, so that the report stays light; each links to its figure and back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reports.templating import running_head, template

if TYPE_CHECKING:
    from reports.chart_parts import Rows
    from reports.panel_figures import Figure
    from reports.panels_chart import Panels
    from reports.summary import Report

#: Name of the file beside a report.
FILE = "tables.html"


@dataclass(frozen=True, slots=True)
class FigureTable:
    """What a figure shows, as text.

    Attributes:
        columns: Their headings.
        rows: Cells, as many as columns.
        heads: How many of the first columns name the row; the others hold numbers.
        note: What the cells are and under which conditions.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    heads: int
    note: str


def panels_table(figure: Panels) -> FigureTable:
    """A row for each place in each panel, a column for each line."""
    values = [row for row in figure.rows if row["kind"] == "value"]
    note = f"{figure.y_title}, {figure.subtitle}."
    return pivot(values, figure.panels, figure.series, figure.x_title, note)


def pivot(rows: Rows, panels: Sequence[str], series: Sequence[str], x_title: str, note: str) -> FigureTable:
    """Values with ``panel``, ``x``, ``series`` and ``shown``: a column for each of ``series``, a dash for no value."""
    cells: dict[tuple[str, float], dict[str, str]] = {}
    for row in rows:
        cells.setdefault((row["panel"], row["x"]), {})[row["series"]] = row["shown"]
    order = {panel: place for place, panel in enumerate(panels)}
    places = sorted(cells, key=lambda place: (order[place[0]], place[1]))
    names_panel = len(panels) > 1 or bool(panels[0])
    texts = tuple(
        (
            *((panel,) if names_panel else ()),
            _place_text(x),
            *(cells[panel, x].get(name, "–") for name in series),
        )
        for panel, x in places
    )
    head = ("Panel", x_title) if names_panel else (x_title,)
    columns = (*head, *(name[:1].upper() + name[1:] for name in series))
    return FigureTable(columns, texts, len(head), note)


def _place_text(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def table_link(figure: Figure) -> str:
    """Where the report finds a figure's table."""
    return f"{FILE}#table-{figure.name}"


def tables_html(report: Report, figures: Sequence[Figure]) -> str:
    """The page of all tables; the same bytes for the same report and figures."""
    facts = report.facts
    tables: list[dict[str, Any]] = [
        {"number": number, "name": one.name, "title": one.title, "caption": one.caption, "table": one.table}
        for number, one in enumerate(figures, start=1)
        if one.table is not None
    ]
    about = f"{report.part.part.name}, unit {facts.unit}, run {facts.run}"
    page = {
        "about": about,
        "tables": tables,
        "text": "Value ± expanded uncertainty U, about 95.45 %. ≥ and ≤: the true value is at least, or at most, this.",
        "colophon": f"Made by nightbench {facts.tool_version} from run {facts.run}.",
    }
    return template("tables_page.html").render(page=page, head=running_head(f"Tables of the figures: {about}"))
