"""Which inputs gave which results, as ``nightbench runs RUN --derivations`` tells it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.cli.output import console, print_json, table_of

if TYPE_CHECKING:
    from bench.cli.output import Plain
    from bench.store.records import Derivation
    from bench.store.store import Store

#: Digits of a digest in the table; the JSON has all.
_DIGITS = 12


def show_derivations(store: Store, run: str, *, as_json: bool) -> None:
    """All derivations of a run, the first first."""
    found = store.derivations(run)
    if as_json:
        print_json({"run": run, "derivations": [_json(one) for one in found]})
        return
    if not found:
        console().print(f"run {run[:8]} was never derived with other inputs than its own", markup=False)
        return
    rows = [
        (
            str(one.number), f"{one.at:%Y-%m-%d %H:%M}", one.tool_version, one.operator, _inputs(one), one.decision,
            one.digest[:_DIGITS],
        )
        for one in found
    ]  # fmt: skip
    columns = ("No.", "At (UTC)", "Tool", "Operator", "Other inputs", "Decision", "Result")
    console().print(table_of("", columns, rows))
    console().print(f"a report of one: nightbench report {run[:8]} --derivation {found[-1].number}", markup=False)


def _inputs(one: Derivation) -> str:
    """``part file tighter.part.toml (3f2a9c…)``."""
    texts = [f"{kind} file {_named(one.inputs[kind])}" for kind in ("part", "bench") if kind in one.inputs]
    if "residual" in one.inputs:
        texts.append(f"run {one.inputs['residual'][:8]} with a through")
    return ", ".join(texts) or "the run's own"


def _named(file: dict[str, str]) -> str:
    return f"{file['name']} ({file['fingerprint'][:_DIGITS]})"


def _json(one: Derivation) -> dict[str, Plain]:
    files: dict[str, Plain] = {
        kind: {name: one.inputs[kind][name] for name in ("name", "fingerprint")}
        for kind in ("part", "bench")
        if kind in one.inputs
    }
    return {
        "number": one.number,
        "at": one.at.isoformat(),
        "tool_version": one.tool_version,
        "operator": one.operator,
        "inputs": files | ({"residual": one.inputs["residual"]} if "residual" in one.inputs else {}),
        "decision": one.decision,
        "digest": one.digest,
    }
