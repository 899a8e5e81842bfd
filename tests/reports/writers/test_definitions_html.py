from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from reports.characteristics import CHARACTERISTICS
from reports.definitions_html import FILE, definitions_html, link
from reports.explanations import EXPLANATIONS, GROUPS, OTHER, group_of


class _Anchors(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.ids += [value for name, value in attrs if name == "id" and value]
        self.links += [value for name, value in attrs if name == "href" and value]


@pytest.fixture(scope="module")
def page() -> str:
    return definitions_html("0.1.0")


def test_every_characteristic_has_its_place_on_the_page(page: str) -> None:
    """Whatever can be derived is defined; its anchor is what the report leads to, and stands once."""
    anchors = _Anchors()
    anchors.feed(page)

    assert set(CHARACTERISTICS) <= set(anchors.ids)
    assert len(anchors.ids) == len(set(anchors.ids))
    assert {link(word) for word in CHARACTERISTICS} == {f"{FILE}#{word}" for word in CHARACTERISTICS}
    assert {place.removeprefix("#") for place in anchors.links} <= set(anchors.ids)


def test_the_page_needs_nothing_else(page: str) -> None:
    """No script, no picture, no request: formulas are MathML."""
    anchors = _Anchors()
    anchors.feed(page)

    assert not {"script", "link", "img", "iframe"} & anchors.tags
    assert not re.search(r"@import|url\(|https?://", page)
    assert page.count("<math ") == len(set(CHARACTERISTICS) & set(EXPLANATIONS))


@pytest.mark.parametrize("word", CHARACTERISTICS)
def test_every_characteristic_is_explained(word: str) -> None:
    """Group, formula, symbols, needed readings and uncertainty: an entry in ``EXPLANATIONS`` for each."""
    assert group_of(word) in GROUPS
    assert all((EXPLANATIONS[word].symbols, EXPLANATIONS[word].needs, EXPLANATIONS[word].uncertainty))


def test_nothing_is_explained_that_does_not_exist() -> None:
    """An entry whose characteristic was renamed would never be seen; a word without an entry is still listed."""
    assert set(EXPLANATIONS) <= set(CHARACTERISTICS)
    assert group_of("no such word") == OTHER


def test_definition_assumptions_and_source_stand_beside_each_other(page: str) -> None:
    """The slope of the third-order product: assumption and source of its definition, as the table has them."""
    article = page.split('id="im3_slope"')[1].split("</article>")[0]

    assert CHARACTERISTICS["im3_slope"].formula in article
    assert CHARACTERISTICS["im3_slope"].assumptions in article
    assert CHARACTERISTICS["im3_slope"].source in article
