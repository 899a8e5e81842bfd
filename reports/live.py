"""A chart's description → one that can be hovered, zoomed and filtered in the page, and the script that shows it.

Rule: what is added only answers to a reader: at rest the live view shows what the drawing shows. Nothing is asked of
any network, and no text of the run can end the element that holds it or become a script.
"""

from __future__ import annotations

import base64
import copy
import hashlib
import json
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from reports.chart_parts import ROWS

if TYPE_CHECKING:
    from reports.chart_parts import Rows
    from reports.panels_chart import Panels

#: Digits of numbers in the page. Ours: a drawing shows three, and what is read is text that was rounded before.
_DIGITS = 6

#: What an expression in a description may not see of a row that is filtered away.
_KEPT = "indexof(hidden_series, datum.series) < 0 && indexof(hidden_panel, datum.panel) < 0"

#: Drags with a mouse move a zoomed view; a finger scrolls the page. The wheel alone scrolls the page, too.
_ZOOM = {
    "name": "zoom",
    "select": {
        "type": "interval",
        "translate": "[mousedown, window:mouseup] > window:mousemove!",
        "zoom": "wheel![event.ctrlKey || event.metaKey]",
    },
    "bind": "scales",
}

#: Asks for a tooltip; what it says is put together by our script from ``usermeta``. Vega-Lite's own says "undefined" of
#: texts where the nearest point answers (seen with 6.4).
_TOOLTIP = {"value": "…"}

#: The nearest value answers, so that nobody has to aim.
_HOVER = {
    "name": "hover",
    "select": {"type": "point", "on": "pointerover", "nearest": True, "clear": "pointerout"},
}


def live_panels(description: Mapping[str, Any], figure: Panels) -> dict[str, Any]:
    """Hover with value, uncertainty and place; zoom in both axes; lines and panels that can be hidden."""
    live = copy.deepcopy({key: value for key, value in description.items() if key != "datasets"})
    live["datasets"] = description["datasets"]
    panel = live["spec"] if "facet" in live else live
    layers = panel["layer"]
    values = next(one for one in layers if _mark(one) == "line" and _is_of(one, "value"))
    for one in layers:
        one["mark"] = {**_as_mark(one["mark"]), "clip": True}
    encoding = {axis: values["encoding"][axis] for axis in ("x", "y", "color")}
    told = {"shown": figure.y_title, "x": figure.x_title}
    if len(figure.series) > 1:
        told["series"] = figure.series_title
    if len(figure.panels) > 1 or figure.panels[0]:
        told["panel"] = "Panel"
    layers.append(
        {
            "transform": [{"filter": "datum.kind === 'value'"}],
            "mark": {"type": "point", "filled": True, "size": 70, "clip": True},
            "params": [_HOVER, _ZOOM],
            "encoding": {
                **encoding,
                "opacity": {"condition": {"param": "hover", "empty": False, "value": 1}, "value": 0},
                "tooltip": _TOOLTIP,
            },
        }
    )
    live["params"] = [{"name": "hidden_series", "value": []}, {"name": "hidden_panel", "value": []}]
    live["transform"] = [{"filter": _KEPT}]
    live["usermeta"] = {
        "zoom": True,
        "told": told,
        "fixed": figure.subtitle,
        "filters": [
            {"signal": signal, "title": title, "values": list(names)}
            for signal, title, names in (
                ("hidden_panel", "Panels", figure.panels),
                ("hidden_series", figure.series_title, figure.series),
            )
            if len(names) > 1
        ],
    }
    return live


def live_cells(description: Mapping[str, Any], told: Mapping[str, str], fixed: str = "") -> dict[str, Any]:
    """Hover over what has a place of its own already (fields of a map, bars, points).

    Args:
        description: The chart; ``layer``, panels beside each other, or panels by facet.
        told: Field of the rows → what it is, in the order in which a reader is told.
        fixed: What holds for all of them.
    """
    live = copy.deepcopy({key: value for key, value in description.items() if key != "datasets"})
    live["datasets"] = description["datasets"]
    for panel in live.get("hconcat") or live.get("vconcat") or [live.get("spec", live)]:
        for layer in panel["layer"]:
            if _mark(layer) in ("rect", "point"):
                layer["encoding"]["tooltip"] = _TOOLTIP
    live["usermeta"] = {"told": dict(told), "fixed": fixed}
    return live


def live_times(description: Mapping[str, Any], told: Mapping[str, str]) -> dict[str, Any]:
    """Hover as ``live_cells``, and zoom in time, in all panels at once."""
    live = live_cells(description, told)
    zoom = copy.deepcopy(_ZOOM)
    zoom["select"]["encodings"] = ["x"]  # type: ignore[index]  # a literal of mixed tables
    for number, panel in enumerate(live["vconcat"]):
        for layer in panel["layer"]:
            layer["mark"] = {**_as_mark(layer["mark"]), "clip": True}
        panel["layer"][-1]["params"] = [{**_HOVER, "name": f"hover_{number}"}, *([] if number else [zoom])]
    live["usermeta"]["zoom"] = True
    return live


def _as_mark(mark: str | dict[str, Any]) -> dict[str, Any]:
    return {"type": mark} if isinstance(mark, str) else mark


def _mark(layer: Mapping[str, Any]) -> str:
    return str(_as_mark(layer["mark"])["type"])


def _is_of(layer: Mapping[str, Any], kind: str) -> bool:
    return any(f"'{kind}'" in str(step.get("filter", "")) for step in layer.get("transform", ()))


def has_tools(live: Mapping[str, Any]) -> bool:
    """Whether a reader can do more with it than hover, so that the page keeps a line free for buttons."""
    return bool(live["usermeta"].get("zoom") or live["usermeta"].get("filters"))


def live_json(description: Mapping[str, Any]) -> str:
    """A description as text for a ``<script type="application/json">``: rows packed, and no ``<`` in it."""
    packed = {**description, "datasets": {ROWS: _packed(description["datasets"][ROWS])}}
    text = json.dumps(packed, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # Inside strings only, where JSON knows this way of writing them; U+2028 and U+2029 are allowed in JSON.
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _packed(rows: Rows) -> list[dict[str, Any]]:
    """Rows with the same keys as one list of keys and lists of values; texts that come again are written once."""
    groups: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault(tuple(row), []).append(row)
    packed = []
    for keys, members in groups.items():
        columns = []
        for key in keys:
            values = [_short(row[key]) for row in members]
            words = list(dict.fromkeys(value for value in values if isinstance(value, str)))
            if len(words) > len(values) // 2 or not all(isinstance(value, str) for value in values):
                columns.append({"key": key, "values": values})
            else:
                places: dict[object, int] = {word: place for place, word in enumerate(words)}
                columns.append({"key": key, "words": words, "values": [places[value] for value in values]})
        packed.append({"count": len(members), "columns": columns})
    return packed


def _short(value: object) -> object:
    if isinstance(value, float):
        near = float(f"{value:.{_DIGITS}g}")
        return int(near) if near.is_integer() else near
    return value


@cache
def scripts() -> tuple[str, ...]:
    """The texts of the page's scripts: the chart library, and ours, in the order in which they run."""
    folder = resources.files("reports").joinpath("templates")
    return tuple(folder.joinpath(name).read_text(encoding="utf-8") for name in ("vega.js", "live.js"))


def content_policy(texts: Sequence[str]) -> str:
    """A policy that lets these scripts run and no other, and nothing be fetched (W3C, Content Security Policy 3)."""
    hashes = (base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii") for text in texts)
    allowed = " ".join(f"'sha256-{one}'" for one in hashes) or "'none'"
    return f"default-src 'none'; style-src 'unsafe-inline'; script-src {allowed}; base-uri 'none'; form-action 'none'"
