"""Cascades as the page shows them: what each does at its ends, and how far measured ones are from their prediction."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reports.cascade_chart import one_point
from reports.cascade_table import MOST_COMBINATIONS, POINT, QUANTITIES
from reports.wording import condition_text, value_text

if TYPE_CHECKING:
    from reports.summary import Report
    from sequences.part_file import Cascade

_TITLES = {
    "gain": "Gain",
    "gain_range": "Gain range",
    "noise_figure": "Noise figure",
    "oip3": "OIP3, products added coherently",
    "oip3_non_coherent": "OIP3, products added as powers",
}

#: Most measured combinations that the page lists; the rest is counted. Ours: a page of them.
MOST_COMPARED = 30


def cascade_section(report: Report) -> list[dict[str, Any]]:
    """Texts of each cascade that the run holds."""
    specs = {each.name: each for each in report.part.cascade}
    return [_one(report, specs[str(name)], table) for name, table in report.cascades.groupby("cascade", sort=False)]


def _one(report: Report, spec: Cascade, table: pd.DataFrame) -> dict[str, Any]:
    sliced, point = one_point(report, table)
    codes = [f"gain_code_{stage}" for stage in range(1, len(spec.stages) + 1)]
    compared = table[table["measured"].notna()]
    return {
        "name": spec.name,
        "stages": f"{' into '.join(spec.stages)}; {_losses(spec)}{_stated_noise(report, spec)}",
        "at": condition_text(point),
        "limited": _limited(table, codes),
        "rows": [row for quantity in _TITLES for row in _row(sliced, quantity, codes)],
        "compared": [_compared(row, codes) for row in compared.head(MOST_COMPARED).to_dict("records")],
        "left_out": max(0, len(compared) - MOST_COMPARED),
    }


def _stated_noise(report: Report, spec: Cascade) -> str:
    """Why a noise figure of the cascade may have nearly no U; empty where the run measured those of stages."""
    stages = report.characteristics["channel"].isin(spec.stages)
    is_measured = (report.characteristics.loc[stages, "characteristic"] == "noise_figure").any()
    if spec.noise_figure_db is None or is_measured:
        return ""
    stated = ", ".join(f"{noise:g} dB" for noise in spec.noise_figure_db)
    return f"; noise figure of a stage {stated} as stated by the part file, taken as exact"


def _limited(table: pd.DataFrame, codes: list[str]) -> str:
    """What is left out where all stages are at one code; empty where every combination is listed."""
    first = table[codes[0]]
    if first.nunique() < 2 or not all(bool((table[code] == first).all()) for code in codes[1:]):
        return ""
    return (
        "Only combinations with all stages at the same gain code are predicted, because all of them would be more than "
        f"{MOST_COMBINATIONS:,} at each point."
    )


def _losses(spec: Cascade) -> str:
    losses = ", ".join(f"{loss:g} dB" for loss in spec.loss_db)
    return f"loss between them {losses} ± {spec.uncertainty_db:g} dB"


def _row(table: pd.DataFrame, quantity: str, codes: list[str]) -> list[dict[str, str]]:
    """The quantity at the lowest and at the highest codes of all stages; none if it is not known at the lowest."""
    found = table[(table["quantity"] == quantity) & table["value"].notna()].sort_values(codes, kind="stable")
    if found.empty:
        return []
    first, last = found.iloc[0], found.iloc[-1]
    is_single = quantity == "gain_range"
    return [
        {
            "title": _TITLES[quantity],
            "first": _value(first, quantity),
            "first_codes": "" if is_single else _codes(first, codes),
            "last": "–" if is_single else _value(last, quantity),
            "last_codes": "" if is_single else _codes(last, codes),
        }
    ]


def _value(row: Any, quantity: str) -> str:
    return value_text(float(row["value"]), float(row["expanded_uncertainty"]), QUANTITIES[quantity], int(row["bound"]))


def _codes(row: Any, codes: list[str]) -> str:
    return ", ".join(str(int(row[code])) for code in codes)


def _compared(row: Any, codes: list[str]) -> dict[str, str]:
    quantity = str(row["quantity"])
    unit = QUANTITIES[quantity]
    agrees = abs(row["difference"]) <= row["difference_expanded_uncertainty"]
    return {
        "title": _TITLES[quantity],
        "codes": _codes(row, codes),
        "at": condition_text({axis: row[axis] for axis in POINT}),
        "predicted": _value(row, quantity),
        "measured": value_text(float(row["measured"]), float(row["measured_expanded_uncertainty"]), unit),
        "difference": value_text(float(row["difference"]), float(row["difference_expanded_uncertainty"]), "dB"),
        "verdict": "within U" if agrees else "beyond U",
    }
