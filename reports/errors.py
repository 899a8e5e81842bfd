"""Errors of the derivations, one tree.

ReportError
├── ShapeFault     arrays that should go together do not
├── NotPositive    a logarithm or a division was asked of something that is not above zero
├── CannotDerive   the readings or the files do not hold what a characteristic needs
├── CannotCompare  two runs have nothing that could be held against each other
└── LibraryMissing a file format needs a Python package that is not installed
"""

from __future__ import annotations


class ReportError(Exception):
    """Base of everything that goes wrong between a run's frames and its report."""


class ShapeFault(ReportError, ValueError):
    """Arrays that belong together differ in shape, or an argument lies outside what it can be."""


class NotPositive(ReportError, ValueError):
    """A quantity that must be above zero is not.

    Attributes:
        quantity: What it was.
        found: The smallest value found.
    """

    def __init__(self, quantity: str, found: float) -> None:
        super().__init__(f"{quantity}: found {found:g}, must be above 0")
        self.quantity = quantity
        self.found = found


class CannotDerive(ReportError):
    """A characteristic cannot be computed at all from this run.

    Attributes:
        characteristic: The word of the characteristic.
        reason: What is missing.
    """

    def __init__(self, characteristic: str, reason: str) -> None:
        super().__init__(f"{characteristic}: {reason}")
        self.characteristic = characteristic
        self.reason = reason


class CannotCompare(ReportError):
    """Runs that are to be compared have nothing that could be held against each other; the text says why."""


class LibraryMissing(ReportError):
    """A file format needs a Python package that is not installed.

    Attributes:
        package: Name of the package.
    """

    def __init__(self, wanted: str, package: str, extra: str) -> None:
        super().__init__(
            f"{wanted} need the Python package {package}, which is not installed: pip install 'nightbench[{extra}]'"
        )
        self.package = package
