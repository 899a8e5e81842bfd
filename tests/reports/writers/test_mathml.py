from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.explanations import EXPLANATIONS
from reports.mathml import FormulaFault, mathml


def _body(formula: str) -> str:
    typeset = mathml(formula, "spoken")
    return typeset.removeprefix('<math displaystyle="true" alttext="spoken">').removesuffix("</math>")


@pytest.mark.parametrize(
    ("formula", "typeset"),
    [
        ("x", "<mi>x</mi>"),
        ("a - 10.5", "<mrow><mi>a</mi><mo>−</mo><mn>10.5</mn></mrow>"),
        ("P_{2 f}", "<msub><mi>P</mi><mrow><mn>2</mn><mi>f</mi></mrow></msub>"),
        ("x_1^2", "<msubsup><mi>x</mi><mn>1</mn><mn>2</mn></msubsup>"),
        (r"\frac{1}{\sqrt{x}}", "<mfrac><mn>1</mn><msqrt><mi>x</mi></msqrt></mfrac>"),
        (r"\text{IP 3}_a", "<msub><mtext>IP 3</mtext><mi>a</mi></msub>"),
        (r"\max(a, b)", "<mrow><mi>max</mi><mo>(</mo><mi>a</mi><mo>,</mo><mi>b</mi><mo>)</mo></mrow>"),
        (r"\bar{I} < 2", '<mrow><mover accent="true"><mi>I</mi><mo>¯</mo></mover><mo>&lt;</mo><mn>2</mn></mrow>'),
    ],
)
def test_a_formula_is_typeset_as_presentation_mathml(formula: str, typeset: str) -> None:
    """Elements of MathML Core (W3C), written out by hand."""
    assert _body(formula) == typeset


@pytest.mark.parametrize(
    "formula", [r"\frac{1}", "{x", "x}", "x__1", "_1", r"\unknown", "x & y", r"\text x", "a_", r"\frac"]
)
def test_a_slip_is_refused_and_named(formula: str) -> None:
    """A missing brace, an unknown command or a stray sign: the message quotes the formula."""
    with pytest.raises(FormulaFault) as caught:
        mathml(formula, "")

    assert repr(formula) in str(caught.value)


@given(st.text(alphabet=r"ab12{}_^\frac+-() ,", max_size=20))
def test_whatever_is_typeset_is_well_formed(formula: str) -> None:
    """Either a fault of the one kind, or XML that a parser takes."""
    try:
        typeset = mathml(formula, 'say "so" & <so>')
    except FormulaFault:
        return

    assert ET.fromstring(typeset).get("alttext") == 'say "so" & <so>'


@pytest.mark.parametrize("word", EXPLANATIONS)
def test_every_formula_of_ours_can_be_typeset(word: str) -> None:
    """None of them has a slip, and each says something."""
    assert ET.fromstring(mathml(EXPLANATIONS[word].formula, "")).findall(".//mi")
