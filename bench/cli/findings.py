"""How ``nightbench check`` shows what it found: a block for each instrument, so that no name or address is broken."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from bench.cli.output import Plain, console

if TYPE_CHECKING:
    from rich.console import Console

    from bench.check import Calibration, Finding, LinkTime
    from bench.reach import PathReport, Reach
    from drivers.messages import Exchange
    from sequences.bench_file import Bench
    from sequences.errors import FileFault
    from sequences.read_files import Loaded

_INDENT = "    "

#: Sign, and colour for terminals that have one, of what stands well, is to be known, and is wrong.
GOOD, KNOW, WRONG = ("✓", "green"), ("!", "yellow"), ("✗", "bold red")

#: Before what would be right.
HINT = ("→", "default")


def show_check(
    loaded: Loaded[Bench], findings: tuple[Finding, ...], paths: PathReport, faults: tuple[FileFault, ...]
) -> None:
    """Everything for people."""
    from rich.text import Text

    out, bench = console(), loaded.model
    library = bench.bench.visa_library
    named = "the VISA library of this system" if not library else f"VISA library {library}"
    out.print(Text(f"Bench {bench.bench.name}", style="bold"), f"({loaded.path}), {named}", soft_wrap=True)
    for finding in findings:
        out.print()
        _show_finding(out, finding)
    out.print()
    _show_paths(out, paths)
    _show_faults(out, faults)
    _show_dates(out, findings)
    count, warned = sum(finding.works for finding in findings), sum(bool(finding.warnings) for finding in findings)
    ending = "nothing was switched on"
    sentence = f"{count} of {len(findings)} instruments answer as the bench file says, {warned} with a warning"
    for part in wrapped(f"{sentence}; {ending}", out.width):
        out.print(part, soft_wrap=True)


def line(out: Console, sign: tuple[str, str], text: str, indent: str = "") -> None:
    """A line with its sign, wrapped at blanks only: an address or a name that is broken cannot be pasted."""
    from rich.text import Text

    mark, style = sign
    first, *rest = wrapped(text, out.width - len(indent) - 2)
    out.print(Text.assemble(f"{indent}", (mark, style), f" {first}"), soft_wrap=True)
    for further in rest:
        out.print(Text(f"{indent}  {further}"), soft_wrap=True)


def wrapped(text: str, width: int) -> list[str]:
    """A text in lines, broken at blanks only."""
    return textwrap.wrap(text, max(width, 20), break_long_words=False, break_on_hyphens=False) or [""]


def _show_finding(out: Console, finding: Finding) -> None:
    from rich.text import Text

    mark, style = GOOD if finding.works else WRONG
    out.print(Text.assemble((mark, style), " ", (finding.place, "bold"), f"  {finding.resource}"), soft_wrap=True)
    driver = "" if finding.driver == "scpi" else f", driver {finding.driver}"
    _plain(out, f"{finding.role}{driver}: {finding.answer}")
    if finding.advice:
        line(out, HINT, finding.advice, _INDENT)
    said = [f"{answer.asked}: {answer.said}" for answer in finding.answers if not answer.failed]
    if said:
        _plain(out, "; ".join(said))
    for answer in finding.answers:
        if answer.failed:
            line(out, WRONG, f"{answer.asked}: {answer.said}", _INDENT)
    if finding.link is not None:
        _plain(out, f"link: {link_text(finding.link)}")
    for warning in finding.warnings:
        line(out, KNOW, warning, _INDENT)


def _plain(out: Console, text: str) -> None:
    from rich.text import Text

    for part in wrapped(text, out.width - len(_INDENT)):
        out.print(Text(_INDENT + part), soft_wrap=True)


def _show_paths(out: Console, paths: PathReport) -> None:
    for text in _path_lines(paths):
        line(out, GOOD, text)
    for remark in paths.remarks:
        line(out, KNOW, remark)
    for fault in paths.faults:
        line(out, WRONG if paths.by_sequence else KNOW, fault)
    out.print()


def _path_lines(paths: PathReport) -> Iterator[str]:
    from bench.reach import span_text

    for kind, common in paths.common_hz.items():
        of_kind = [reach for reach in paths.reaches if reach.kind == kind]
        head = f"[[{kind}]]: {len(of_kind)} entries"
        if common is None:
            yield f"{head}, no frequency in common"
            continue
        needed = {reach.path: reach.needed_hz for reach in of_kind if reach.needed_hz is not None}
        spans = ", ".join(f"{path} {span_text(span)}" for path, span in needed.items())
        asked = f"; the sequence needs {spans}" if spans else "; the sequence needs none" if paths.by_sequence else ""
        yield f"{head}, all known {span_text(common)}{asked}"


def _show_faults(out: Console, faults: tuple[FileFault, ...]) -> None:
    # Paths have been named already, by what is missing.
    others = [fault for fault in faults if fault.kind != "no path loss"]
    for fault in others:
        line(out, WRONG, str(fault))
    if others:
        out.print()


def _show_dates(out: Console, findings: tuple[Finding, ...]) -> None:
    """Every due date, the next one first."""
    dated = [(finding.calibration.due, finding) for finding in findings if finding.calibration.due is not None]
    if not dated:
        return
    out.print("Calibrations, the next one first:")
    width = max(len(finding.place) for _, finding in dated)
    for due, finding in sorted(dated, key=lambda pair: pair[0]):
        state = finding.calibration.state
        sign = GOOD if state == "valid" else WRONG if state == "past due" else KNOW
        line(out, sign, f"{finding.place:{width}}  {due.isoformat()}  {days_text(finding.calibration)}")
    out.print()


def days_text(calibration: Calibration) -> str:
    """How long a calibration holds still, or since when not."""
    days = calibration.days_left
    return f"PAST DUE for {-days} days" if days < 0 else f"in {days} days"


def link_text(link: LinkTime) -> str:
    """Time of a line for people."""
    from sequences.units import quantity_text

    middle, worst = (quantity_text(seconds, "s", digits=2) for seconds in (link.median_s, link.worst_s))
    return f"identity in {middle} (median of {link.repeats}), at worst {worst}"


def check_json(
    loaded: Loaded[Bench], findings: tuple[Finding, ...], paths: PathReport, faults: tuple[FileFault, ...]
) -> dict[str, Plain]:
    """Everything for machines."""
    bench = loaded.model.bench
    return {
        "bench": bench.name,
        "file": str(loaded.path),
        "visa_library": bench.visa_library,
        "works": all(finding.works for finding in findings) and not faults,
        "instruments": [_finding_json(finding) for finding in findings],
        "paths": [_reach_json(reach) for reach in paths.reaches],
        "path_faults": list(paths.faults),
        "path_remarks": list(paths.remarks),
        "file_faults": [str(fault) for fault in faults],
    }


def _finding_json(finding: Finding) -> dict[str, Plain]:
    due, link = finding.calibration.due, finding.link
    return {
        "place": finding.place,
        "role": finding.role,
        "driver": finding.driver,
        "resource": finding.resource,
        "answer": finding.answer,
        "works": finding.works,
        "advice": finding.advice,
        "answers": [
            {"asked": answer.asked, "said": answer.said, "failed": answer.failed} for answer in finding.answers
        ],
        "warnings": list(finding.warnings),
        "calibration": {
            "state": finding.calibration.state,
            "due": None if due is None else due.isoformat(),
            "days_left": None if due is None else finding.calibration.days_left,
        },
        "link": None
        if link is None
        else {
            "median_s": round(link.median_s, 7),
            "worst_s": round(link.worst_s, 7),
            "repeats": link.repeats,
        },
        "exchanges": [_exchange_json(exchange) for exchange in finding.exchanges],
    }


def _exchange_json(exchange: Exchange) -> dict[str, Plain]:
    return {
        "sent": exchange.sent.decode("ascii", "backslashreplace"),
        "received": None if exchange.received is None else exchange.received.decode("ascii", "backslashreplace"),
        "error": exchange.error,
    }


def _reach_json(reach: Reach) -> dict[str, Plain]:
    def span(span_hz: tuple[float, float]) -> list[Plain]:
        # JSON knows no infinity.
        return [span_hz[0], None if span_hz[1] == float("inf") else span_hz[1]]

    return {
        "kind": reach.kind,
        "number": reach.number,
        "where": reach.where,
        "source": reach.source,
        "known_hz": span(reach.known_hz),
        "needed_hz": None if reach.needed_hz is None else span(reach.needed_hz),
        "gaps_hz": [span(gap) for gap in reach.gaps_hz],
    }
