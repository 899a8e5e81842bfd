r"""Formulas as MathML, which browsers typeset by themselves: no script, no picture, no request.

A formula is written in a small part of TeX's notation, since that is what people know:

    letters, numbers      x, 10, 0.5         one letter is one variable; \text{OIP3} is a word
    signs                 + - = ( ) | , /    the hyphen becomes a minus sign
    groups                {…}
    sub- and superscript  P_1, P_{2f_1-f_2}, V^2
    constructions         \frac{a}{b}, \sqrt{a}, \bar{a}
    names and symbols     those of ``_NAMES`` and ``_SYMBOLS``

Rule: anything else is refused, so that a slip in a formula is found when it is written, not when it is read.
"""

from __future__ import annotations

import re
from xml.sax.saxutils import escape

#: Functions: set upright.
_NAMES = frozenset({"log", "max", "min", "cos", "sin", "arg", "exp", "ln"})

#: Command → sign, and whether it stands for a quantity (``mi``) or does something (``mo``).
_SYMBOLS = {
    "cdot": ("·", "mo"),
    "times": ("×", "mo"),
    "pm": ("±", "mo"),
    "approx": ("≈", "mo"),
    "geq": ("≥", "mo"),
    "leq": ("≤", "mo"),
    "ldots": ("…", "mo"),
    "sum": ("∑", "mo"),
    "Delta": ("Δ", "mi"),
    "Phi": ("Φ", "mi"),
    "varphi": ("φ", "mi"),
    "theta": ("θ", "mi"),
    "infty": ("∞", "mi"),
}

_TOKEN = re.compile(r"\\([A-Za-z]+)|(\d+(?:\.\d+)?)|([A-Za-z])|([{}_^])|([-+=()|,/<>:·−])|(\s+)")


class FormulaFault(ValueError):
    """A formula that is not in this module's notation."""


def mathml(formula: str, spoken: str) -> str:
    """A ``<math>`` element, set as large as on a line of its own.

    Args:
        formula: In the notation above.
        spoken: What is said or shown where MathML is not known.

    Raises:
        FormulaFault: The formula holds something that this notation does not have, or a brace is missing.
    """
    reader = _Reader(formula)
    row = reader.row(closing=None)
    alternative = escape(spoken, {'"': "&quot;"})
    return f'<math displaystyle="true" alttext="{alternative}">{row}</math>'


class _Reader:
    """Reads a formula token by token."""

    def __init__(self, formula: str) -> None:
        self._formula = formula
        self._place = 0

    def row(self, closing: str | None) -> str:
        """Everything up to ``closing``, which is consumed, or up to the end."""
        parts: list[str] = []
        while (one := self._scripted(closing)) is not None:
            parts.append(one)
        return parts[0] if len(parts) == 1 else f"<mrow>{''.join(parts)}</mrow>"

    def _scripted(self, closing: str | None) -> str | None:
        """One element with its sub- and superscript; None at the end of the row."""
        base = self._element(closing)
        if base is None:
            return None
        scripts = {"_": "", "^": ""}
        while (sign := self._peek()) in scripts:
            self._next()
            if scripts[sign]:
                raise self._fault(f"two {sign!r} after one element")
            scripts[sign] = self._operand()
        below, above = scripts["_"], scripts["^"]
        if below and above:
            return f"<msubsup>{base}{below}{above}</msubsup>"
        if below or above:
            name = "msub" if below else "msup"
            return f"<{name}>{base}{below or above}</{name}>"
        return base

    def _element(self, closing: str | None) -> str | None:
        token = self._next()
        if not token:
            if closing is not None:
                raise self._fault(f"no {closing!r}")
            return None
        if token == closing:
            return None
        if token == "{":
            return self.row("}")
        if token.startswith("\\"):
            return self._command(token[1:])
        if token[0].isdigit():
            return f"<mn>{token}</mn>"
        if token.isalpha():
            return f"<mi>{token}</mi>"
        if token in "}_^":
            raise self._fault(f"{token!r} with nothing before it")
        return f"<mo>{escape(token.replace('-', '−'))}</mo>"

    def _operand(self) -> str:
        one = self._element(closing=None)
        if one is None:
            raise self._fault("it ends where something must follow")
        return one

    def _command(self, name: str) -> str:
        if name == "text":
            return f"<mtext>{escape(self._words())}</mtext>"
        if name == "frac":
            return f"<mfrac>{self._operand()}{self._operand()}</mfrac>"
        if name == "sqrt":
            return f"<msqrt>{self._operand()}</msqrt>"
        if name == "bar":
            return f'<mover accent="true">{self._operand()}<mo>¯</mo></mover>'
        if name in _NAMES:
            return f"<mi>{name}</mi>"
        if name not in _SYMBOLS:
            raise self._fault(f"no command \\{name}")
        sign, element = _SYMBOLS[name]
        return f"<{element}>{sign}</{element}>"

    def _words(self) -> str:
        found = re.compile(r"\{([^{}]*)\}").match(self._formula, self._place)
        if found is None:
            raise self._fault("\\text without words in braces")
        self._place = found.end()
        return found.group(1)

    def _peek(self) -> str:
        place = self._place
        token = self._next()
        self._place = place
        return token

    def _next(self) -> str:
        """The next token; empty at the end. White space means nothing."""
        while self._place < len(self._formula):
            found = _TOKEN.match(self._formula, self._place)
            if found is None:
                raise self._fault(f"{self._formula[self._place]!r} is not known")
            self._place = found.end()
            if not found.group().isspace():
                return found.group()
        return ""

    def _fault(self, why: str) -> FormulaFault:
        return FormulaFault(f"{self._formula!r}, before place {self._place}: {why}")
