"""What lies between the instruments and the unit, as the bench file declares it: path losses and two-ports.

Uncertainties are expanded with k = 2, as a calibration certificate states them.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from sequences.part_file import FileModel
from sequences.values import NumberList

NonNegative = Annotated[float, Field(ge=0)]

#: Voltage standing wave ratio of one end. Ours: at more than 20 (a return loss below 0.87 dB) nothing is matched any
#: more; a lead is open or not connected.
Vswr = Annotated[float, Field(ge=1, le=20)]


def _two_ends(value: Any) -> Any:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise ValueError("give two ratios, of the path's own end and of the instrument's")
    return value


TwoEnds = Annotated[tuple[Vswr, Vswr], BeforeValidator(_two_ends)]


class LossTable(FileModel):
    """A loss against frequency: two lists of equal length, frequency rising."""

    frequency_hz: NumberList
    loss_db: NumberList

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if len(self.frequency_hz) != len(self.loss_db):
            raise ValueError(f"{len(self.frequency_hz)} frequencies but {len(self.loss_db)} losses")
        pairs = zip(self.frequency_hz, self.frequency_hz[1:], strict=False)
        if len(self.frequency_hz) < 2 or any(later <= earlier for earlier, later in pairs):
            raise ValueError("a loss table needs two or more points with rising frequency")
        return self


class PathLossEntry(FileModel):
    """``[[path_loss]]``: dB lost from the sources to the unit (input) or from the unit's load to the analyzer (output).

    ``loss_db`` is one number or a table ``{ frequency_hz = […], loss_db = […] }``; ``touchstone`` names an .s2p file
    instead. ``channel`` and ``load_ohm`` say for what the entry holds; left out means for all.

    ``vswr`` is of the two ends that face each other where the path meets the instrument: the path's own, as seen from
    there, and the instrument's. What they reflect to and fro makes the loss uncertain by their mismatch, beyond
    ``uncertainty_db``, with a phase that is drawn at knots 10 MHz apart. Left out means that nothing is reflected.
    """

    path: Literal["input", "output"]
    channel: str | None = None
    load_ohm: float | None = None
    loss_db: float | LossTable | None = None
    touchstone: str | None = None
    uncertainty_db: NonNegative
    vswr: TwoEnds | None = None

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.loss_db is None) == (self.touchstone is None):
            raise ValueError("give either loss_db or touchstone")
        return self


class DeEmbeddingEntry(FileModel):
    """``[[de_embedding]]``: a two-port between the network analyzer and the unit, taken off what was measured.

    ``path`` is input (analyzer port 1 to the unit) or output (the unit's load to analyzer port 2); ``touchstone`` names
    an .s2p file whose port 1 comes first in that direction. ``channel`` and ``load_ohm`` say for what the entry holds;
    left out means for all. Both uncertainties of its transmission are expanded with k = 2.
    """

    path: Literal["input", "output"]
    channel: str | None = None
    load_ohm: float | None = None
    touchstone: str = Field(min_length=1)
    magnitude_uncertainty_db: NonNegative
    phase_uncertainty_deg: NonNegative
