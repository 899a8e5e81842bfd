"""A replayed run against the run: every reading and curve to the bit, every decision, everything derived.

Rule: nothing here knows how the replay was made; both are runs in stores.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from bench.replay.differences import Difference, What

if TYPE_CHECKING:
    from bench.events import Event
    from bench.store.store import Store
    from reports.frames import RunFrames
    from reports.summary import Report

#: Events that are not said by the run's own loop, but by who starts it, its guard or its witnesses.
FROM_OUTSIDE = frozenset(
    {
        "taken over",
        "compared",
        "change accepted",
        "hazard",
        "acknowledged",
        "unsafe",
        "guard",
        "could not tell",
        "could not log",
        "could not show",
    }
)

_READING_KEYS = ["condition", "repeat", "quantity"]
_VALUE_KEYS = ["characteristic", "condition"]
_FIGURES = ["value", "standard_uncertainty", "expanded_uncertainty", "dof", "bound"]


@dataclass(frozen=True, slots=True)
class Scope:
    """How much of two runs can be compared.

    Attributes:
        is_whole: Whether the replay came to its end; else only what it has of the run is compared.
        is_cut: Whether the end of the run's last session is not known, as it was killed: nor is its state.
    """

    is_whole: bool
    is_cut: bool


def differences(run: Store, replay: Store, name: str, scope: Scope) -> Iterator[Difference]:
    """Everything that differs between run ``name`` in two stores, what was read first."""
    before, after = run.frames(name), replay.frames(name)
    numbers = after.conditions.index if not scope.is_whole else None
    yield from _conditions(before, after, numbers)
    yield from _table("reading", _some(before.readings, numbers), after.readings, _READING_KEYS, ["value"])
    yield from _curves(_some(before.curves, numbers), after.curves)
    yield from _rechecks(run, replay, name, is_whole=scope.is_whole)
    if not scope.is_whole:
        return
    yield from _skipped(before, after)
    yield from _instruments(before, after)
    if not scope.is_cut and before.facts.state != after.facts.state:
        yield Difference("state", "how the run ended", before.facts.state, after.facts.state)


def derived_differences(before: Report, after: Report) -> Iterator[Difference]:
    """What differs in two reports: values, uncertainties and decisions."""
    yield from _table("value", before.characteristics, after.characteristics, _VALUE_KEYS, _FIGURES)
    for was, now in zip(before.limits, after.limits, strict=True):
        if repr(was) != repr(now):
            where = f"{was.characteristic}{f', {was.where}' if was.where else ''}"
            yield Difference("decision", where, _decision(was), _decision(now))
    if not before.cascades.equals(after.cascades):
        yield Difference(
            "value", "cascades", f"{len(before.cascades)} rows", f"{len(after.cascades)} rows, not the same"
        )
    if before.decision != after.decision:
        yield Difference("decision", "the whole run", before.decision, after.decision)


def event_differences(
    before: list[Event], after: list[Event], session: int, *, is_cut: bool, same_version: bool
) -> Iterator[Difference]:
    """What the loops of a session said; of one whose end is not known only as far as both go."""
    was, now = ([one for one in side if one.kind not in FROM_OUTSIDE] for side in (before, after))
    if not same_version:
        yield from _unsaid(was, now, session, is_cut=is_cut)
        return
    for number in range(min(len(was), len(now)) if is_cut else max(len(was), len(now))):
        old, new = (side[number] if number < len(side) else None for side in (was, now))
        if old != new:
            where, at = f"event {number + 1} of session {session}", None if old is None else old.at
            yield Difference("event", where, _event(old), _event(new), session=session, at=at)
            return  # what follows is moved, and says nothing more


def _unsaid(was: list[Event], now: list[Event], session: int, *, is_cut: bool) -> Iterator[Difference]:
    """Events that another version does not say; it may word them otherwise, say more, and in another order."""
    left = list(now)
    for old in was:
        same = [
            new for new in left if (old.at, old.kind) == (new.at, new.kind) and old.facts.items() <= new.facts.items()
        ]
        if same:
            left.remove(same[0])
        elif not (is_cut and now and old.at >= now[-1].at):
            yield Difference("event", f"session {session}", _event(old), "nothing like it", session=session, at=old.at)


def _event(event: Event | None) -> str:
    if event is None:
        return "nothing"
    facts = "".join(f", {name} = {value!r}" for name, value in event.facts.items())
    return f"{event.at:%H:%M:%S.%f} {event.kind}: {event.text}{facts}"


def _some(frame: pd.DataFrame, numbers: pd.Index[int] | None) -> pd.DataFrame:
    return frame if numbers is None else frame[frame["condition"].isin(numbers)]


def _conditions(before: RunFrames, after: RunFrames, numbers: pd.Index[int] | None) -> Iterator[Difference]:
    old_flags, new_flags = (_texts(frames.conditions["flag"]) for frames in (before, after))
    for number in sorted(old_flags.keys() | new_flags.keys()):
        if number in old_flags and number in new_flags:
            old, new = old_flags[number], new_flags[number]
            if old != new:
                flag = f"flag of condition {number}"
                yield Difference("condition", flag, old or "no flag", new or "no flag", condition=number)
        elif numbers is None or number in new_flags:
            old, new = ("complete" if number in side else "not complete" for side in (old_flags, new_flags))
            yield Difference("condition", f"condition {number}", old, new, condition=number)


def _table(
    what: What, before: pd.DataFrame, after: pd.DataFrame, keys: list[str], figures: list[str]
) -> Iterator[Difference]:
    """Rows with the same keys must have the same figures, bit for bit."""
    was, now = (frame.astype({key: "str" for key in keys if key != "condition"}) for frame in (before, after))
    if _alike(was, now, keys, figures):
        return
    both = was[keys + figures].merge(
        now[keys + figures], on=keys, how="outer", suffixes=(" was", " now"), indicator=True
    )
    for row in both.to_dict("records"):
        where = ", ".join(f"{key} {row[key]}" if key in ("condition", "repeat") else str(row[key]) for key in keys)
        there = row["_merge"]
        if there != "both":
            old, new = ("nothing", "there") if there == "right_only" else ("there", "nothing")
            yield Difference(what, where, old, new, condition=int(row["condition"]))
            continue
        for figure in figures:
            value_was, value_now = row[f"{figure} was"], row[f"{figure} now"]
            if _bits(value_was) != _bits(value_now):
                name = where if figures == ["value"] else f"{figure} of {where}"
                texts = repr(float(value_was)), repr(float(value_now))
                yield Difference(what, name, *texts, condition=int(row["condition"]))


def _alike(was: pd.DataFrame, now: pd.DataFrame, keys: list[str], figures: list[str]) -> bool:
    if len(was) != len(now):
        return False
    same_keys = all(np.array_equal(was[key].to_numpy(), now[key].to_numpy()) for key in keys)
    return same_keys and all(was[name].to_numpy().tobytes() == now[name].to_numpy().tobytes() for name in figures)


def _bits(value: Any) -> bytes:
    return np.float64(value).tobytes()


def _curves(before: pd.DataFrame, after: pd.DataFrame) -> Iterator[Difference]:
    if len(before) == len(after) and before.to_numpy().tobytes() == after.to_numpy().tobytes():
        return
    was, now = (_by_repeat(frame) for frame in (before, after))
    for number, repeat in sorted(was.keys() | now.keys()):
        old, new = was.get((number, repeat)), now.get((number, repeat))
        if old is None or new is None or old.to_numpy().tobytes() != new.to_numpy().tobytes():
            was_text, now_text = ("nothing" if part is None else f"{len(part)} points" for part in (old, new))
            moved = f", {_moved(old, new)}" if old is not None and new is not None and len(old) == len(new) else ""
            where = f"condition {number}, repeat {repeat}"
            yield Difference("curve", where, was_text, now_text + moved, condition=number)


def _by_repeat(curves: pd.DataFrame) -> dict[tuple[int, int], pd.DataFrame]:
    keys = zip(curves["condition"].tolist(), curves["repeat"].tolist(), strict=True)
    parts: dict[tuple[int, int], list[int]] = {}
    for row, key in enumerate(keys):
        parts.setdefault(key, []).append(row)
    return {key: curves.iloc[rows] for key, rows in parts.items()}


def _moved(old: pd.DataFrame, new: pd.DataFrame) -> str:
    count = int((old.to_numpy() != new.to_numpy()).any(axis=1).sum())
    return f"{count} of them not as they were"


def _rechecks(run: Store, replay: Store, name: str, *, is_whole: bool) -> Iterator[Difference]:
    was, now = run.rechecks(name), replay.rechecks(name)
    for key in sorted(was.keys() | now.keys() if is_whole else now.keys()):
        if _bits(was.get(key, np.nan)) != _bits(now.get(key, np.nan)):
            at, number, repeat, quantity = key
            old, new = ("nothing" if key not in side else repr(side[key]) for side in (was, now))
            where = f"condition {number}, repeat {repeat}, {quantity}"
            yield Difference("recheck", where, old, new, condition=number, at=at)


def _skipped(before: RunFrames, after: RunFrames) -> Iterator[Difference]:
    was, now = (_texts(frames.skipped["reason"]) for frames in (before, after))
    for number in sorted(was.keys() | now.keys()):
        old, new = (side.get(number, "not skipped") for side in (was, now))
        if old != new:
            yield Difference("skipped", f"condition {number}", old, new, condition=number)


def _texts(column: pd.Series[str]) -> dict[int, str]:
    """The texts by number of the condition."""
    return {int(number): str(text) for number, text in zip(column.index.to_list(), column.to_list(), strict=True)}


def _instruments(before: RunFrames, after: RunFrames) -> Iterator[Difference]:
    was, now = (_lines(frames.instruments) for frames in (before, after))
    for number in range(max(len(was), len(now))):
        old, new = (side[number] if number < len(side) else "nothing" for side in (was, now))
        if old != new:
            yield Difference("instrument", f"number {number + 1}", old, new)


def _lines(instruments: pd.DataFrame) -> list[str]:
    return [", ".join(map(str, row)) for row in instruments.itertuples(index=False)]


def _decision(limit: Any) -> str:
    return f"{limit.decision}, worst {limit.worst_value!r}, U {limit.expanded_uncertainty!r}, margin {limit.margin!r}"
