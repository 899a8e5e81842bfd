"""Two or more runs, condition by condition: differences with their uncertainty, and whether these explain them.

E_n = (x − X) / √(U²(x) + U²(X)) with U for k = 2; |E_n| ≤ 1 is satisfactory (ISO 13528:2022, 9.7, and ISO/IEC
17043:2023, annex B; from memory, not seen). The formula takes both results as independent. Here it is
(x − X) / U(x − X), the same where nothing is shared. What two runs share (``shared_draws``) cancels in the difference
and so must in its uncertainty, or a wrong path would hide behind a common analyzer.

Rules: E_n is given only where one unit was measured at two benches, or at one bench before and after a change of it.
Two units may differ, so that their difference is told with U and nothing is called wrong. Bounds are never subtracted.
All runs are held against the first named: a consensus of a few runs is no reference, and each is part of it (ISO 13528
asks for many participants; from memory, not seen).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from reports.causes import CANCELLED
from reports.characteristics import CHARACTERISTICS
from reports.derive import Characteristic, derive_each, settled_table
from reports.draw_matrix import Draw, DrawMatrix
from reports.errors import CannotCompare
from reports.frames import AXES
from reports.group_means import GROUP_COLUMNS, group_means
from reports.settings_apart import with_settings
from reports.shared_draws import SharedDraws, Sharing
from reports.suspects import Differences, Suspect, suspects
from reports.uncertainty import Uncertain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reports.frames import RunFacts, RunFrames
    from sequences.part_file import Part

Kind = Literal["benches", "repeat", "units"]

#: Columns of ``Pair.table``; 1 is the run that others are held against.
COLUMNS = (
    "characteristic", *AXES, "condition_1", "condition_2", "value_1", "expanded_1", "bound_1", "value_2", "expanded_2",
    "bound_2", "difference", "expanded", "ratio", "e_n", "verdict", "unit",
)  # fmt: skip

AGREES, DIFFERS, COMPATIBLE, CONTRADICTS = "agrees", "differs", "bounds agree", "bounds contradict"

#: Characteristics that rest on the same readings and are looked through together for an error of a bench. Second-order
#: products and harmonics are left out: most of their uncertainty are phases, which are neither normal nor known to turn
#: from condition to condition, so that they raise suspicions of their own. All else is made of these and of them.
BASIC = (
    ("gain", "oip3_lower", "oip3_upper", "single_gain"),
    ("supply_current", "supply_power"),
    ("noise_figure_gain", "noise_figure_y"),
    ("small_signal_gain",),
    ("phase",),
)

#: Of these only what was measured at the lowest tone level: near the knee they follow the level really set.
_BELOW_KNEE = frozenset({"oip3_lower", "oip3_upper"})

#: Probability that two sound benches are called different, at most, for each of the two ways in which they may be: by
#: one error that many conditions share, and by one condition. Ours; errors with hard ends stay well below.
FALSE_ALARM = 0.02


@dataclass(frozen=True, slots=True)
class Side:
    """One of the runs: its facts, its bench's name, and what tells it from the others."""

    facts: RunFacts
    bench: str
    label: str


@dataclass(frozen=True, eq=False)
class Pair:
    """One run against the first.

    Attributes:
        reference, other: Both sides.
        kind: One unit at two benches (or at one that was changed), one unit twice at one bench, or two units.
        sharing: Which instruments and paths both have in common.
        table: ``COLUMNS``, the largest |difference / U| first, contradicting bounds before all. Differences are the
            other less the reference; NaN where either value is a bound. ``ratio`` is difference / U; ``e_n`` the same
            where it is one, else NaN.
        only: Conditions that one of both has alone; columns ``AXES`` and ``run`` (1 or 2).
        lone: Characteristics that one of both has alone, with 1 or 2.
        groups: Means over one or two axes, ``GROUP_COLUMNS``, the largest |ratio| first.
        suspects: Errors that explain most, the worst first; none of two units, which may differ by themselves.
        draw_words: Draw → its words, of all draws in ``suspects``.
        least_score: |E_n| from which the shift of a suspect is beyond chance.
        least_ratio: |ratio| from which a single condition is.
    """

    reference: Side
    other: Side
    kind: Kind
    sharing: Sharing
    table: pd.DataFrame
    only: pd.DataFrame
    lone: tuple[tuple[str, int], ...]
    groups: pd.DataFrame
    suspects: tuple[Suspect, ...]
    draw_words: dict[Draw, str]
    least_score: float
    least_ratio: float

    @property
    def compared(self) -> pd.DataFrame:
        """Rows of which the difference is known."""
        return self.table[self.table["ratio"].notna()]

    @property
    def beyond_chance(self) -> bool:
        """Whether two benches differ by more than their uncertainties and chance explain."""
        if self.kind != "benches":
            return False
        worst = float(self.compared["ratio"].abs().max()) if len(self.compared) else 0.0
        found = any(one.score > self.least_score for one in self.suspects)
        return found or worst > self.least_ratio or bool((self.table["verdict"] == CONTRADICTS).any())


@dataclass(frozen=True, eq=False)
class Comparison:
    """Runs side by side; ``tables`` holds each run's characteristics as ``Report.characteristics`` does."""

    part: Part
    sides: tuple[Side, ...]
    tables: tuple[pd.DataFrame, ...]
    pairs: tuple[Pair, ...]
    reference_temperature_c: float
    cautions: tuple[str, ...]

    @property
    def beyond_chance(self) -> bool:
        """Whether any two benches differ by more than their uncertainties and chance explain."""
        return any(pair.beyond_chance for pair in self.pairs)


def compare(runs: Sequence[RunFrames], only: Sequence[str] = ()) -> Comparison:
    """Hold every run against the first.

    Args:
        runs: Two or more.
        only: Characteristics; empty for all.

    Raises:
        CannotCompare: The same run twice, other parts, a through beside a unit, nothing in common, a run without
            readings, or an unknown characteristic.
    """
    sides = _sides(runs)
    _check(runs, only)
    draws = SharedDraws(runs)
    derived = [_renumbered(draws, number, frames, only) for number, frames in enumerate(runs)]
    pairs = tuple(
        _pair(draws, (runs[0], runs[number]), (derived[0], derived[number]), (sides[0], sides[number]), number)
        for number in range(1, len(runs))
    )
    tables = tuple(
        settled_table({word: (one.rows, one.result.settled()) for word, one in found.items()}, frames.conditions)
        for found, frames in zip(derived, runs, strict=True)
    )
    return Comparison(
        part=runs[0].part,
        sides=sides,
        tables=tables,
        pairs=pairs,
        reference_temperature_c=runs[0].sequence.sequence.reference_temperature_c,
        cautions=tuple(_cautions(runs, sides)),
    )


def _sides(runs: Sequence[RunFrames]) -> tuple[Side, ...]:
    """Each run with a label made of what differs: unit, bench, and the run's own id where these do not tell."""
    facts = [one.facts for one in runs]
    benches = [one.bench.bench.name for one in runs]
    units = [f"unit {one.unit}" for one in facts]
    told = [column for column in (units, [f"bench {name}" for name in benches]) if len(set(column)) > 1]
    labels = [", ".join(parts) for parts in zip(*told, strict=True)] if told else [""] * len(runs)
    if len(set(labels)) < len(labels):
        labels = [f"{label}, run {one.run[:8]}".removeprefix(", ") for label, one in zip(labels, facts, strict=True)]
    return tuple(Side(*side) for side in zip(facts, benches, labels, strict=True))


def _check(runs: Sequence[RunFrames], only: Sequence[str]) -> None:
    if len(runs) < 2:
        raise CannotCompare("one run alone; name two or more")
    names = [one.facts.run for one in runs]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise CannotCompare(f"run {twice[:8]} is named twice; a run agrees with itself")
    first = runs[0]
    for one in runs:
        name, other = one.part.part.name, first.part.part.name
        if name != other:
            runs_text = f"run {first.facts.run[:8]} is of part {other}, run {one.facts.run[:8]} of {name}"
            raise CannotCompare(f"{runs_text}; only runs of one part can be compared")
        if one.facts.kind != first.facts.kind:
            raise CannotCompare("a run with a through beside one with a unit; compare like with like")
        if one.readings.empty and one.curves.empty:
            raise CannotCompare(f"run {one.facts.run[:8]} has no readings")
    unknown = next((word for word in only if word not in CHARACTERISTICS), None)
    if unknown is not None:
        raise CannotCompare(f"{unknown!r} is not a characteristic; there are {', '.join(CHARACTERISTICS)}")


def _cautions(runs: Sequence[RunFrames], sides: Sequence[Side]) -> Iterator[str]:
    """What else is not the same, and may make a difference that no uncertainty tells."""
    first = runs[0]
    for one, side in zip(runs[1:], sides[1:], strict=True):
        differ = [
            words
            for words, ours, theirs in (
                ("tone spacing", first.sequence.tones.spacing_hz, one.sequence.tones.spacing_hz),
                (
                    "reference temperature",
                    first.sequence.sequence.reference_temperature_c,
                    one.sequence.sequence.reference_temperature_c,
                ),
                ("rule of the soak", first.sequence.soak, one.sequence.soak),
                ("gain codes of the part file", first.part.gain_codes, one.part.gain_codes),
                ("ratings and resistances of the part file", first.part.part, one.part.part),
                ("version of the tool", first.facts.tool_version, one.facts.tool_version),
            )
            if ours != theirs
        ]
        if differ:
            yield f"{side.label} was made with another {', '.join(differ)} than {sides[0].label}."


def _renumbered(draws: SharedDraws, number: int, frames: RunFrames, only: Sequence[str]) -> dict[str, Characteristic]:
    return {
        word: Characteristic(one.rows, draws.renumbered(number, one.result))
        for word, one in derive_each(frames)
        if not only or word in only
    }


def _pair(
    draws: SharedDraws,
    runs: tuple[RunFrames, RunFrames],
    derived: tuple[dict[str, Characteristic], dict[str, Characteristic]],
    sides: tuple[Side, Side],
    number: int,
) -> Pair:
    sharing = draws.told(0, number)
    kind: Kind = "units" if sides[0].facts.unit != sides[1].facts.unit else "benches"
    if kind == "benches" and sharing.is_one_bench:
        kind = "repeat"
    keys = [pd.MultiIndex.from_frame(frames.conditions[list(AXES)]) for frames in runs]
    tables, groups = [], []
    words = [word for word in CHARACTERISTICS if word in derived[0] and word in derived[1]]
    joined = {word: _joined(keys, derived[0][word], derived[1][word]) for word in words}
    if not any(len(rows) for rows, _ in joined.values()):
        raise CannotCompare(f"{sides[0].label} and {sides[1].label} have no condition in common that both measured")
    measured: dict[str, Differences] = {}
    for word in words:
        table, difference = _table(word, runs, derived, joined[word], kind)
        tables.append(table)
        known = np.flatnonzero(table["ratio"].notna())
        if len(known):
            drawn = DrawMatrix.of(difference.take(known), draws.one_phase)
            groups.append(group_means(table.iloc[known], drawn))
            if word in _BELOW_KNEE:
                level = table["tone_level_dbm"].to_numpy()[known]
                known = known[level == level.min()]
                drawn = DrawMatrix.of(difference.take(known), draws.one_phase)
            measured[word] = Differences(word, difference.value[known], drawn)
    # What two units differ by is no instrument's error: one that explains it well only happens to look like it.
    found, least = _suspects(draws, {} if kind == "units" else measured)
    whole = pd.concat(tables, ignore_index=True)
    order = np.where(whole["verdict"] == CONTRADICTS, np.inf, whole["ratio"].abs().fillna(-1.0))
    return Pair(
        reference=sides[0],
        other=sides[1],
        kind=kind,
        sharing=sharing,
        table=whole.iloc[np.argsort(-order, kind="stable")].reset_index(drop=True),
        only=_only(runs, keys),
        lone=tuple(
            (word, side)
            for word in CHARACTERISTICS
            for side in (1, 2)
            if word in derived[side - 1] and word not in derived[2 - side]
        ),
        groups=_sorted(pd.concat(groups, ignore_index=True) if groups else pd.DataFrame(columns=list(GROUP_COLUMNS))),
        suspects=found,
        draw_words={one: draws.words(one) for suspect in found for one in (suspect.draw, *suspect.alike)},
        least_score=least / 2.0,
        least_ratio=_two_sided(FALSE_ALARM, sum(len(one.value) for one in measured.values())) / 2.0,
    )


def _sorted(groups: pd.DataFrame) -> pd.DataFrame:
    return groups.iloc[np.argsort(-groups["ratio"].abs().to_numpy(), kind="stable")].reset_index(drop=True)


def _suspects(draws: SharedDraws, measured: dict[str, Differences]) -> tuple[tuple[Suspect, ...], float]:
    """Suspects of all readings, the worst first, and the |t| from which one is beyond chance."""
    sets = [[measured[word] for word in words if word in measured] for words in BASIC]
    sets = [one for one in sets if one] or [[one] for one in measured.values()]
    tried = [{draws.inner(d) for part in parts for d in part.drawn.draws if draws.is_of_bench(d)} for parts in sets]
    least = _two_sided(FALSE_ALARM, sum(map(len, tried)))
    found = [one for parts in sets for one in suspects(parts, draws.is_of_bench, least)]
    return tuple(sorted(found, key=lambda one: -one.score)), least


def _two_sided(alpha: float, count: int) -> float:
    """The normal value that the largest of ``count`` independent ones exceeds with probability ``alpha``.

    Each may exceed it with 1 − (1 − α)^(1/count) (Šidák 1967; from memory, not seen); what hangs together only makes it
    rarer.
    """
    from scipy.special import ndtri

    each = -np.expm1(np.log1p(-alpha) / max(count, 1))
    return float(-ndtri(each / 2.0))


def _joined(
    keys: Sequence[pd.MultiIndex], first: Characteristic, second: Characteristic
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Places of the conditions that both have, in the first and in the second; axes must be equal to the last bit."""
    place = keys[1][second.rows].get_indexer(keys[0][first.rows])
    there = np.flatnonzero(place >= 0)
    return there, place[there]


def _table(
    word: str,
    runs: tuple[RunFrames, RunFrames],
    derived: tuple[dict[str, Characteristic], dict[str, Characteristic]],
    joined: tuple[NDArray[np.intp], NDArray[np.intp]],
    kind: Kind,
) -> tuple[pd.DataFrame, Uncertain]:
    """Rows of one characteristic, and their differences with causes."""
    ours, theirs = (one[word].result.take(rows) for one, rows in zip(derived, joined, strict=True))
    conditions = [
        frames.conditions.iloc[one[word].rows[rows]] for frames, one, rows in zip(runs, derived, joined, strict=True)
    ]
    # Bounds are left out below; a difference of two opposite ones has no meaning even to be thrown away.
    numbers = (conditions[0].index, conditions[1].index)
    difference = with_settings(word, _unbounded(theirs) - _unbounded(ours), ours.value, runs, numbers)
    gap, expanded = difference.value, difference.expanded()
    bounded = (ours.bound != 0) | (theirs.bound != 0)
    # What is zero by definition, as a change at its own reference, or has cancelled but for float noise is no evidence.
    least = CANCELLED * np.maximum(ours.expanded(), theirs.expanded())
    ratio = np.divide(gap, expanded, out=np.full(len(gap), np.nan), where=~bounded & (expanded > least))
    contradicts = ((theirs.bound > 0) & (ours.bound <= 0) & (gap > expanded)) | (
        (theirs.bound < 0) & (ours.bound >= 0) & (-gap > expanded)
    )
    contradicts |= ((ours.bound > 0) & (theirs.bound <= 0) & (-gap > expanded)) | (
        (ours.bound < 0) & (theirs.bound >= 0) & (gap > expanded)
    )
    verdict = np.where(np.abs(np.nan_to_num(ratio)) <= 1.0, AGREES, DIFFERS)
    verdict = np.where(bounded, np.where(contradicts, CONTRADICTS, COMPATIBLE), verdict)
    columns: dict[str, object] = {"characteristic": word}
    columns |= {axis: conditions[0][axis].to_numpy() for axis in AXES}
    columns |= {
        "condition_1": conditions[0].index.to_numpy(),
        "condition_2": conditions[1].index.to_numpy(),
        "value_1": ours.value,
        "expanded_1": ours.expanded(),
        "bound_1": ours.bound,
        "value_2": theirs.value,
        "expanded_2": theirs.expanded(),
        "bound_2": theirs.bound,
        "difference": np.where(bounded, np.nan, gap),
        "expanded": np.where(bounded, np.nan, expanded),
        "ratio": ratio,
        "e_n": ratio if kind == "benches" else np.full(len(gap), np.nan),
        "verdict": verdict,
        "unit": CHARACTERISTICS[word].unit,
    }
    return pd.DataFrame(columns, columns=list(COLUMNS)), difference


def _unbounded(quantity: Uncertain) -> Uncertain:
    return Uncertain.of(quantity.value, quantity.causes)


def _only(runs: tuple[RunFrames, RunFrames], keys: Sequence[pd.MultiIndex]) -> pd.DataFrame:
    """Conditions that one of both runs has alone."""
    found = [
        frames.conditions.loc[~mine.isin(other), list(AXES)].assign(run=number)
        for number, frames, mine, other in zip((1, 2), runs, keys, reversed(keys), strict=True)
    ]
    return pd.concat(found, ignore_index=True)
