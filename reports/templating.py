"""What all pages of a report share: the template engine with escaping on, one style, and the head of printed pages."""

from __future__ import annotations

import re
from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import jinja2

_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:°C|k?Ω|[kMG]?Hz|dB[mc]?|[µm]?[AVW]|K|%)(?!\w))")


def template(name: str) -> jinja2.Template:
    """A template of ``reports/templates`` in which every text is escaped and ``style`` is our style sheet."""
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("reports"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        finalize=_kept_together,
    )
    # Ours, so it goes in as it is.
    style = resources.files("reports").joinpath("templates/report.css").read_text(encoding="utf-8")
    return environment.get_template(name, globals={"style": Markup(style)})


def _kept_together(value: object) -> object:
    """Text with a no-break space between a number and its unit; our own style and drawings stay as they are."""
    return _NUMBER_AND_UNIT.sub("\u00a0", value) if type(value) is str else value


def running_head(text: str) -> str:
    """Style that repeats ``text`` and the page number at the head of each printed page, safe inside ``<style>``."""
    from markupsafe import Markup

    face = 'font: 8pt "Helvetica Neue", Arial, "Liberation Sans", sans-serif; color: #5b6775'
    return Markup(
        "@page { size: A4; margin: 17mm 14mm 14mm;"
        f" @top-left {{ content: {_css_string(text)}; {face} }}"
        f' @top-right {{ content: "page " counter(page) " of " counter(pages); {face} }} }}\n'
    )


def _css_string(text: str) -> str:
    """``text`` as a CSS string in which every sign but letters and digits is escaped (CSS Syntax Level 3, 4.3.7).

    So no quote ends the string and no ``</style>`` ends the element that holds it.
    """
    return '"' + "".join(sign if sign.isascii() and sign.isalnum() else f"\\{ord(sign):x} " for sign in text) + '"'
