"""A chart description to SVG text: offline, with no browser, the same bytes for the same description.

Rule: SVG texts of several charts may stand in one page, so no two share an id. The converter numbers its ids (of colour
gradients and clip paths) on through all charts of a process; here each gets the chart's name and a number of its own.
"""

from __future__ import annotations

import re
from typing import Any
from xml.sax.saxutils import escape

#: First family that is there wins. All have the widths of the first, so that text fits where it was measured.
FONT = "Helvetica, Arial, Liberation Sans, sans-serif"

_ROOT = re.compile(r"<svg\b[^>]*>")
_ID = re.compile(r' id="([^"]+)"')


def svg_text(description: dict[str, Any], name: str, title: str) -> str:
    """Draw a Vega-Lite description.

    Args:
        description: A whole Vega-Lite chart, its data inline.
        name: Put in front of the title's id; letters, digits and underscores, another for each chart of a page.
        title: What a screen reader says in place of the drawing.

    Returns:
        One ``<svg>`` element that scales to its container's width.
    """
    import vl_convert

    drawn = vl_convert.vegalite_to_svg(description, allowed_base_urls=[])
    root = _ROOT.match(drawn)
    if root is None:
        raise AssertionError("the converter gave no <svg> element")
    opening = root.group()[:-1] + f' role="img" aria-labelledby="{name}-title">'
    return f'{opening}<title id="{name}-title">{escape(title)}</title>{_with_own_ids(drawn[root.end() :], name)}'


def _with_own_ids(drawn: str, name: str) -> str:
    """``drawn`` with ids ``name-1``, ``name-2`` … in the order in which they stand, where they are given and used."""
    for number, old in enumerate(dict.fromkeys(_ID.findall(drawn)), start=1):
        drawn = drawn.replace(f' id="{old}"', f' id="{name}-{number}"').replace(
            f"url(#{old})", f"url(#{name}-{number})"
        )
    return drawn
