"""A comparison in words and as tables of text; terminal, page and JSON take them from here, so that they agree."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from reports.characteristics import CHARACTERISTICS
from reports.comparison import COMPATIBLE, CONTRADICTS
from reports.frames import AXES
from reports.wording import condition_text, difference_unit, fixed_text, shown_unit, value_text, with_minus

if TYPE_CHECKING:
    import pandas as pd

    from reports.comparison import Comparison, Pair
    from reports.suspects import Effect, Suspect

#: Paths and instruments that a sentence names; the JSON has them all. Ours.
MOST_NAMED = 4


def ratio_name(pair: Pair) -> str:
    """What the ratio of a difference to its uncertainty is called."""
    return "E_n" if pair.kind == "benches" else "Difference / U"


def heading(pair: Pair) -> str:
    """``bench Cirrus less bench Nimbus``."""
    return f"{pair.other.label} less {pair.reference.label}"


def kind_text(pair: Pair) -> str:
    """What was compared, and so whether E_n says anything."""
    unit = pair.reference.facts.unit
    if pair.kind == "units":
        return (
            f"Units {unit} and {pair.other.facts.unit}. They may differ, so that no E_n is given: a difference beyond "
            "U is one of the units, if the benches are sound, and no cause is sought in a bench. What contacts and "
            "cables do anew each time that a unit is put in is in no U here."
        )
    if pair.kind == "repeat":
        return (
            f"Unit {unit} twice at one bench that has not changed. What the bench does wrong cancels, so that no E_n "
            "is given: a difference beyond U is a drift of unit or bench, contacts made anew, or noise that its "
            "readings do not tell."
        )
    if pair.reference.bench == pair.other.bench and pair.sharing.common:
        return f"Unit {unit} at one bench before and after a change of it; E_n tests what was changed."
    return f"Unit {unit} at two benches; E_n tests whether their uncertainties hold."


def sharing_text(pair: Pair) -> str:
    """What both runs share, and how that was decided."""
    decided = (
        "Instruments count as one by place, maker, model, serial number, calibration date and declared accuracy; paths "
        "by bench and loss."
    )
    if not pair.sharing.common:
        return f"They share no instrument and no path: U of a difference holds the errors of both. {decided}"
    common = f"Both used the same {_listed(pair.sharing.common)}: their errors cancel and are not in U."
    if pair.sharing.is_one_bench:
        return f"{common} {decided}"
    return f"{common} Different: {_listed(pair.sharing.apart)}. {decided}"


def _listed(names: tuple[str, ...]) -> str:
    shown = [name.replace("_", " ") for name in names[:MOST_NAMED]]
    more = len(names) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more > 0 else "")


def tally_text(pair: Pair) -> str:
    """How many differences are within U, how many bounds agree, how many conditions are in one run only."""
    known, table = pair.compared, pair.table
    within = int((known["ratio"].abs() <= 1).sum())
    parts = []
    if len(known):
        share = f"{100 * within / len(known):.1f} %"
        parts.append(
            f"{within} of {len(known)} differences ({share}) lie within U, where about 95 % are to be expected"
        )
    else:
        parts.append("No value was measured in both runs")
    contradicting, agreeing = (int((table["verdict"] == word).sum()) for word in (CONTRADICTS, COMPATIBLE))
    if contradicting:
        parts.append("1 bound contradicts" if contradicting == 1 else f"{contradicting} bounds contradict")
    if agreeing:
        said = "1 bound agrees, and says" if agreeing == 1 else f"{agreeing} bounds agree, and say"
        parts.append(f"{said} no more")
    for number, side in ((1, pair.reference), (2, pair.other)):
        count = int((pair.only["run"] == number).sum())
        if count:
            parts.append(f"{count} condition{' is' if count == 1 else 's are'} in {side.label} only")
    return "; ".join(parts) + "."


def verdict_text(comparison: Comparison) -> str:
    """The comparison in a few words."""
    if all(pair.kind != "benches" for pair in comparison.pairs):
        return "No benches compared"
    return "Benches differ beyond chance" if comparison.beyond_chance else "Benches agree within chance"


def suspect_text(pair: Pair, suspect: Suspect) -> str:
    """``output path, channel A, 200 Ω: loss. Gain reads 0.30 ± 0.13 dB higher at bench Cirrus …``."""
    effect = suspect.effects[0]
    names = list(dict.fromkeys(pair.draw_words[draw] for draw in (suspect.draw, *suspect.alike)))
    unit, factor = shown_unit(CHARACTERISTICS[effect.characteristic].unit)
    way = "higher" if effect.shift > 0 else "lower"
    by = value_text(abs(effect.shift) * factor, effect.expanded * factor, difference_unit(unit))
    at = "at" if pair.kind == "benches" else "in"
    told_apart = "" if len(names) == 1 else f" Not told apart by these conditions: {_listed(tuple(names[1:]))}."
    first = names[0].replace("_", " ")
    return (
        f"{_upper(first)}. {CHARACTERISTICS[effect.characteristic].title} reads {by} {way} {at} {pair.other.label}, "
        f"in {effect.conditions} conditions{_also(suspect.effects[1:])}.{told_apart}"
    )


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _also(effects: tuple[Effect, ...]) -> str:
    titles = [CHARACTERISTICS[one.characteristic].title for one in effects]
    return f"; seen in {', '.join(titles)} as well" if titles else ""


def suspect_head(pair: Pair, suspect: Suspect) -> str:
    """How much it weighs: ``E_n 2.4, beyond chance``."""
    known = "beyond chance" if suspect.score > pair.least_score else "may be chance"
    return f"{ratio_name(pair)} {suspect.score:.1f}, {known}"


def swept(pair: Pair) -> tuple[str, ...]:
    """Axes that have more than one value in what was compared; the others are told once."""
    return tuple(axis for axis in AXES if pair.table[axis].nunique() > 1)


def fixed_text_of(pair: Pair) -> str:
    """``All at nominal mode, 200 Ω.``; empty if every axis was swept."""
    held = {axis: pair.table[axis].iloc[0] for axis in AXES if axis not in swept(pair)}
    return f"All at {condition_text(held)}." if held else ""


def worst_of_each(pair: Pair, most: int = 1) -> pd.DataFrame:
    """The ``most`` worst differences of each characteristic, and all bounds that contradict, in the table's order."""
    table = pair.table
    place = table[table["ratio"].notna()].groupby("characteristic").cumcount()
    shown = place.reindex(table.index, fill_value=most) < most
    return table[shown | (table["verdict"] == CONTRADICTS)]


def worst_groups(pair: Pair, most: int) -> pd.DataFrame:
    """The ``most`` groups of each characteristic whose mean differs most, in the table's order."""
    return pair.groups[pair.groups.groupby("characteristic").cumcount() < most]


def difference_cells(row: Mapping[Hashable, Any], axes: tuple[str, ...]) -> dict[str, str]:
    """One line of the table of differences, as text; its condition by ``axes`` only."""
    unit, factor = shown_unit(str(row["unit"]))

    def value(number: int) -> str:
        known, u = float(row[f"value_{number}"]), float(row[f"expanded_{number}"])
        return value_text(known * factor, u * factor, "", int(row[f"bound_{number}"]))

    gap, expanded, ratio = (float(row[name]) for name in ("difference", "expanded", "ratio"))
    is_known = math.isfinite(ratio)
    return {
        "title": CHARACTERISTICS[str(row["characteristic"])].title,
        "where": condition_text({axis: row[axis] for axis in axes}) or "all",
        "first": value(1),
        "second": value(2),
        "unit": unit,
        "difference": value_text(gap * factor, expanded * factor, difference_unit(unit)) if is_known else "–",
        "ratio": fixed_text(ratio, 2),
        "verdict": str(row["verdict"]),
    }


def group_cells(row: Mapping[Hashable, Any]) -> dict[str, str]:
    """One line of the table of groups, as text."""
    unit, factor = shown_unit(str(row["unit"]))
    mean, expanded, ratio = (float(row[name]) for name in ("mean", "expanded", "ratio"))
    held = {axis: row[axis] for axis in str(row["by"]).split(", ") if axis}
    if "gain_code" in held:
        held["gain_code"] = int(held["gain_code"])
    return {
        "title": CHARACTERISTICS[str(row["characteristic"])].title,
        "where": condition_text(held) if held else "all conditions",
        "conditions": str(row["conditions"]),
        "mean": value_text(mean * factor, expanded * factor, difference_unit(unit)),
        "ratio": fixed_text(ratio, 2),
    }


def characteristic_lines(pair: Pair) -> Iterator[dict[str, str]]:
    """Each characteristic of both runs: how many differences, within U, the worst; the worst first."""
    known = pair.compared
    for word in dict.fromkeys(pair.table["characteristic"].tolist()):
        rows = pair.table[pair.table["characteristic"] == word]
        measured = known[known["characteristic"] == word]
        bounds = rows[rows["verdict"].isin([COMPATIBLE, CONTRADICTS])]
        yield {
            "title": CHARACTERISTICS[word].title,
            "conditions": str(len(measured)),
            "within": _share(measured),
            "worst": fixed_text(float(measured["ratio"].iloc[0]), 2) if len(measured) else "–",
            "at": condition_text({axis: measured.iloc[0][axis] for axis in swept(pair)}) if len(measured) else "–",
            "bounds": str(len(bounds)) if len(bounds) else "–",
            "contradicting": str(int((rows["verdict"] == CONTRADICTS).sum())) if len(bounds) else "–",
        }


def _share(measured: pd.DataFrame) -> str:
    if measured.empty:
        return "–"
    return with_minus(f"{100 * float((measured['ratio'].abs() <= 1).mean()):.0f} %")
