"""``nightbench check`` on a bench behind sockets: lines have a time, outputs may be on, and the loopback works too."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from typing import Any

import pytest

from bench.assemble import open_bench
from bench.cli import app
from bench.cli.failures import run_guarded
from bench.exit_codes import ExitCode
from sequences.read_files import demo_file, read_bench, read_part
from served_rig import ServedRig, served_rig

PART = str(demo_file("virga-2.part.toml"))


@pytest.fixture(scope="module")
def rig() -> Iterator[ServedRig]:
    """The demo's bench, served once for this module."""
    with served_rig() as served:
        yield served


def nightbench(*arguments: str) -> tuple[int, str, str]:
    """Run a command in this process: exit code, standard output, standard error."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run_guarded(app, arguments)
    return code, out.getvalue(), err.getvalue()


def found(answer: str) -> dict[str, dict[str, Any]]:
    """Instruments of ``--json``, by place."""
    return {item["place"]: item for item in json.loads(answer)["instruments"]}


def test_each_line_has_its_time_in_real_seconds(rig: ServedRig) -> None:
    """Of five identity queries; the rig's clock runs hundreds of times faster, and is not asked."""
    code, out, _ = nightbench("check", str(rig.bench_file), "--json")
    _, shown, _ = nightbench("check", str(rig.bench_file))

    assert code == ExitCode.DONE
    for item in found(out).values():
        link = item["link"]
        assert 0 < link["median_s"] <= link["worst_s"] < 5, item["place"]
        assert link["repeats"] == 5
    assert shown.count("(median of 5), at worst") == len(found(out))


def test_an_output_that_somebody_has_left_on_is_warned_of(rig: ServedRig) -> None:
    """Check says so and leaves it as it is."""
    with open_bench(read_bench(rig.bench_file), read_part(PART).model, "VG2-0007") as opened:
        assert opened.places.supply is not None
        opened.places.supply.set_output(2.0, 0.3)
        opened.places.supply.switch_output(on=True)
    before = rig.log()
    code, out, _ = nightbench("check", str(rig.bench_file), "--json")
    after = rig.log()
    with open_bench(read_bench(rig.bench_file), read_part(PART).model, "VG2-0007") as opened:
        assert opened.places.supply is not None
        opened.places.supply.make_safe()
        assert not opened.places.supply.output_is_on(), "which also waits until it has been done"

    assert code == ExitCode.DONE
    assert found(out)["supply"]["warnings"] == ["THE OUTPUT IS ON: what is connected to it is live"]
    assert after == before


def test_a_silent_instrument_ends_check_with_4_and_no_loopback_begins(rig: ServedRig) -> None:
    """Address, failure and advice are told; the rest of the bench is looked at all the same."""
    patient = rig.bench_file.with_name("impatient.bench.toml")
    text = rig.bench_file.read_text("utf-8")
    patient.write_text(text.replace('serial = "NS-310"', 'serial = "NS-310"\ntimeout_s = 0.2'), "utf-8")
    before = rig.log()
    rig.control("fault supply silence")
    try:
        answer = nightbench("check", str(patient), "--loopback", "--unit", "VG2-0007", "--part", PART, "--json")
    finally:
        rig.control("fault supply none")
    code, out, _ = answer
    supply = found(out)["supply"]

    assert code == ExitCode.INSTRUMENT
    assert "no complete reply in time" in supply["answer"]
    assert "terminator" in supply["advice"]
    assert supply["resource"] == f"TCPIP0::127.0.0.1::{rig.ports['supply']}::SOCKET"
    assert [place for place, item in found(out).items() if not item["works"]] == ["supply"]
    assert "loopback" not in json.loads(out)
    assert rig.log() == before, "nothing was switched"


def test_a_loopback_over_sockets_is_good_and_leaves_everything_off(rig: ServedRig) -> None:
    """The same trials as in process; where standard output is for machines a person reads standard error."""
    code, out, err = nightbench(
        "check", str(rig.bench_file), "--loopback", "--unit", "VG2-0007", "--part", PART, "--json"
    )
    loopback = json.loads(out)["loopback"]

    assert (code, loopback["good"]) == (ExitCode.DONE, True), err
    assert {trial["verdict"] for trial in loopback["trials"]} == {"good"}
    assert "bias off" in loopback["safe"]
    assert "This loopback switches on each source alone" in err
    last = {place: what for _, place, what in rig.log() if place in ("tone_1", "tone_2", "supply")}
    assert last == {"tone_1": "rf off", "tone_2": "rf off", "supply": "bias off"}
