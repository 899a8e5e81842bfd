"""A chart description to SVG text: offline, with no browser, the same bytes for the same description.

Rule: SVG texts of several charts may stand in one page, so no two share an id.
"""

from __future__ import annotations

import re
from typing import Any
from xml.sax.saxutils import escape

#: First family that is there wins. All have the widths of the first, so that text fits where it was measured.
FONT = "Helvetica, Arial, Liberation Sans, sans-serif"

_ROOT = re.compile(r"<svg\b[^>]*>")
_ID = re.compile(r'(\bid="|url\(#|href="#)')


def svg_text(description: dict[str, Any], name: str, title: str) -> str:
    """Draw a Vega-Lite description.

    Args:
        description: A whole Vega-Lite chart, its data inline.
        name: Put in front of every id of the drawing; letters, digits and underscores.
        title: What a screen reader says in place of the drawing.

    Returns:
        One ``<svg>`` element that scales to its container's width.
    """
    import vl_convert

    drawn = vl_convert.vegalite_to_svg(description, allowed_base_urls=[])
    drawn = _ID.sub(rf"\g<1>{name}-", drawn)
    root = _ROOT.match(drawn)
    if root is None:
        raise AssertionError("the converter gave no <svg> element")
    opening = root.group()[:-1] + f' role="img" aria-labelledby="{name}-title">'
    return f'{opening}<title id="{name}-title">{escape(title)}</title>{drawn[root.end() :]}'
