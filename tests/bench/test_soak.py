"""Soak on evidence: steady only while every part of the rule holds, and for as long as it says."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.soak import DRIFT_WINDOW_S, STUCK_K, Sample, SoakWatch, Verdict, arrival_limit_s
from sequences.sequence_file import Soak

RULE = Soak(
    air_within_k=0.5,
    board_within_k=1.0,
    drift_k_per_min=0.1,
    hold_s=120.0,
    shortest_s=300.0,
    longest_s=1200.0,
    poll_s=10.0,
)
TARGET_C = 85.0


def judged(rule: Soak, samples: list[Sample], began_s: float = 0.0) -> list[Verdict]:
    """Verdicts on samples in turn, as far as the first that is not "waiting"."""
    watch = SoakWatch(rule, TARGET_C, began_s)
    verdicts: list[Verdict] = []
    for sample in samples:
        verdicts.append(watch.judge(sample))
        if verdicts[-1].state != "waiting":
            break
    return verdicts


def polls(rule: Soak, air_k: float = 0.0, board_k: float | None = 0.0, drift_k_per_min: float = 0.0) -> list[Sample]:
    """Samples every poll until after the longest soak, off the target by these; the board drifts."""
    count = math.ceil(rule.longest_s / rule.poll_s) + 2
    return [
        Sample(
            at_s,
            TARGET_C + air_k,
            None if board_k is None else TARGET_C + board_k + drift_k_per_min * at_s / 60,
        )
        for at_s in (index * rule.poll_s for index in range(count))
    ]


def test_a_unit_that_is_at_temperature_is_steady_at_the_shortest_soak() -> None:
    """300 s of shortest soak are longer than half a drift window and 120 s of hold together."""
    verdicts = judged(RULE, polls(RULE))

    assert verdicts[-1].state == "steady"
    assert (len(verdicts) - 1) * RULE.poll_s == RULE.shortest_s


def test_the_hold_begins_when_all_is_good_for_the_first_time() -> None:
    """The board comes within at 600 s, where its drift is known at once and small: steady 120 s later, at 720 s."""
    samples = [
        Sample(at_s, TARGET_C, TARGET_C - 1.05 if at_s < 600 else TARGET_C - 0.99)
        for at_s in map(float, range(0, 900, 10))
    ]
    verdicts = judged(RULE, samples)

    assert verdicts[-1].state == "steady"
    assert samples[len(verdicts) - 1].elapsed_s == 720.0


def test_one_bad_sample_begins_the_hold_anew() -> None:
    """Air out of tolerance once, 10 s before the hold would have been over."""
    samples = polls(RULE)
    samples[29] = Sample(samples[29].elapsed_s, TARGET_C + 0.51, TARGET_C)
    verdicts = judged(RULE, samples)

    assert samples[len(verdicts) - 1].elapsed_s == 300.0 + RULE.hold_s


@pytest.mark.parametrize(
    ("air_k", "board_k", "drift"),
    [
        pytest.param(0.51, 0.0, 0.0, id="air too warm"),
        pytest.param(-0.51, 0.0, 0.0, id="air too cold"),
        pytest.param(0.0, 1.01, 0.0, id="board too warm"),
        pytest.param(0.0, -1.01, 0.0, id="board too cold"),
        pytest.param(0.0, -0.9, 0.11, id="board rising"),
        pytest.param(0.0, 0.9, -0.11, id="board falling"),
        pytest.param(math.nan, 0.0, 0.0, id="air unknown"),
        pytest.param(0.0, math.nan, 0.0, id="board unknown"),
        pytest.param(0.0, 0.0, math.nan, id="drift unknown"),
    ],
)
def test_a_rule_that_is_never_met_gives_up_at_the_longest_soak(air_k: float, board_k: float, drift: float) -> None:
    """Each part of the rule alone keeps the unit from being steady, and the wait ends at 1200 s with the evidence."""
    verdicts = judged(RULE, polls(RULE, air_k, board_k, drift))

    assert verdicts[-1].state == "gave up"
    assert (len(verdicts) - 1) * RULE.poll_s == RULE.longest_s
    assert "after 20.0 min" in verdicts[-1].evidence


def test_without_a_board_thermometer_the_air_is_judged_and_the_evidence_says_so() -> None:
    """The drift is then the air's."""
    verdicts = judged(RULE, polls(RULE, board_k=None))

    assert verdicts[-1].state == "steady"
    assert "no board thermometer" in verdicts[-1].evidence


def test_drifting_air_counts_on_a_bench_without_a_board_thermometer() -> None:
    """0.12 K/min through the middle of ±0.5 K: within tolerance for eight minutes, never steady."""
    rule = RULE.model_copy(update={"longest_s": 400.0})
    samples = [Sample(float(at_s), TARGET_C - 0.4 + 0.12 * at_s / 60, None) for at_s in range(0, 420, 10)]

    assert judged(rule, samples)[-1].state == "gave up"


@pytest.mark.parametrize("poll_s", [1.0, 29.0, 59.9, 60.0, 60.1, 120.0, 600.0])
def test_any_distance_of_the_polls_lets_a_steady_unit_be_steady(poll_s: float) -> None:
    """Also beyond the drift window: then the drift is that since the poll before. A poll takes a moment itself."""
    rule = Soak(hold_s=120.0, shortest_s=300.0, longest_s=5400.0, poll_s=poll_s)
    samples = [Sample(index * (poll_s + 0.003), TARGET_C, TARGET_C) for index in range(5400)]
    verdicts = judged(rule, samples)

    assert verdicts[-1].state == "steady"
    assert samples[len(verdicts) - 1].elapsed_s <= max(300.0, 120.0 + DRIFT_WINDOW_S) + 3 * poll_s


def test_waiting_counts_from_the_command_not_from_the_first_sample() -> None:
    """The clock shows hours when a later temperature is commanded."""
    samples = [Sample(7200.0 + one.elapsed_s, one.air_c, one.board_c) for one in polls(RULE)]
    verdicts = judged(RULE, samples, began_s=7200.0)

    assert (len(verdicts) - 1) * RULE.poll_s == RULE.shortest_s


def test_the_evidence_names_air_board_drift_and_time() -> None:
    """A person can check the verdict by hand: 0.3 K in the last minute of ten is 0.3 K/min."""
    watch = SoakWatch(RULE, TARGET_C, 0.0)
    watch.judge(Sample(540.0, 84.9, 84.2))
    verdict = watch.judge(Sample(600.0, 84.9, 84.5))

    lacks = "drift not within 0.1 K/min"
    assert verdict == Verdict("waiting", "air 84.90 °C, board 84.50 °C, drift +0.300 K/min, after 10.0 min", lacks)


WALKS = st.lists(
    st.tuples(st.floats(1.0, 90.0), st.floats(-0.8, 0.8), st.one_of(st.none(), st.floats(-1.5, 1.5))),
    min_size=1,
    max_size=60,
)


@given(WALKS, st.floats(0.0, 200.0), st.floats(0.0, 400.0))
def test_steady_is_never_said_while_any_part_of_the_rule_is_broken(
    walk: list[tuple[float, float, float | None]], hold_s: float, shortest_s: float
) -> None:
    """The last sample is within, all samples of the last ``hold_s`` are within, and the shortest soak is over."""
    rule = RULE.model_copy(update={"hold_s": hold_s, "shortest_s": shortest_s, "drift_k_per_min": 0.5})
    samples: list[Sample] = []
    for gap_s, air_k, board_k in walk:
        at_s = (samples[-1].elapsed_s if samples else 0.0) + gap_s
        samples.append(Sample(at_s, TARGET_C + air_k, None if board_k is None else TARGET_C + board_k))
    verdicts = judged(rule, samples)
    if verdicts[-1].state != "steady":
        return
    last = samples[len(verdicts) - 1]
    held = [one for one in samples[: len(verdicts)] if one.elapsed_s >= last.elapsed_s - hold_s]

    assert last.elapsed_s >= shortest_s
    for sample in held:
        assert abs(sample.air_c - TARGET_C) <= rule.air_within_k
        assert sample.board_c is None or abs(sample.board_c - TARGET_C) <= rule.board_within_k


@given(WALKS)
def test_a_soak_always_ends(walk: list[tuple[float, float, float | None]]) -> None:
    """Whatever the temperatures do, the first sample at or after the longest soak is not told to wait."""
    watch = SoakWatch(RULE, TARGET_C, 0.0)
    at_s = 0.0
    for gap_s, air_k, board_k in walk:
        at_s += gap_s
        watch.judge(Sample(at_s, TARGET_C + air_k, None if board_k is None else TARGET_C + board_k))

    assert watch.judge(Sample(RULE.longest_s + at_s, TARGET_C, TARGET_C)).state != "waiting"


# --- Sensors that are no evidence, and chambers that do not arrive


def ramp(board_c: Callable[[float], float | None], sensor_c: Callable[[float], float | None] = lambda _: None) -> str:
    """What a soak from 25 to 85 °C at 4 K/min lacks at its end; a board and a sensor may read anything of the air."""
    watch, verdict = SoakWatch(RULE, TARGET_C, 0.0, 4.0), Verdict("waiting", "")
    at_s = 0.0
    while verdict.state == "waiting":
        air_c = min(TARGET_C, 25.0 + at_s / 15)
        verdict = watch.judge(Sample(at_s, air_c, board_c(air_c), sensor_c(air_c)))
        at_s += 10.0
    return verdict.lacks if verdict.state == "gave up" else verdict.state


@pytest.mark.parametrize("name", ["board", "second sensor"])
def test_each_sensor_that_is_no_evidence_is_named_with_what_is_wrong(name: str) -> None:
    """Stuck at the target, open, off by 2 K; and one that follows the air does not keep a soak from its end."""

    def soak(read: Callable[[float], float | None]) -> str:
        return ramp(read) if name == "board" else ramp(lambda air_c: air_c, read)

    assert soak(lambda air_c: air_c - 0.3) == "steady"
    assert soak(lambda _: TARGET_C).startswith(
        f"the sensor of {name} is stuck: it has read 85.00 °C while the air moved"
    )
    assert soak(lambda _: math.nan) == f"the sensor of {name} is open or lost: it reads no temperature"
    assert soak(lambda _: math.inf) == f"the sensor of {name} is open or lost: it reads no temperature"
    assert soak(lambda air_c: air_c - 2.0) == f"{name} and air disagree: {name} has come to rest -2.00 K from the air"


def test_a_thermometer_of_coarse_steps_is_not_called_stuck() -> None:
    """Steps of 0.1 K, and a lag of three minutes: the reading moves with each look while the air does."""
    lagging = [25.0]

    def board_c(air_c: float) -> float:
        lagging[0] += (air_c - lagging[0]) * (1 - math.exp(-10 / 180))
        return round(lagging[0], 1)

    assert ramp(board_c) == "board not within 1 K of 85 °C"  # what keeps this soak of twenty minutes from its end


@given(st.floats(20.0, 90.0), st.floats(-60.0, 20.0), st.integers(0, 40))
def test_a_reading_that_never_changes_ends_no_soak_to_which_the_air_had_to_move(
    stuck_c: float, from_c: float, first_looks: int
) -> None:
    """Whatever it reads, as long as the air has moved by more than STUCK_K over ten looks or more."""
    watch, verdict = SoakWatch(RULE, TARGET_C, 0.0), Verdict("waiting", "")
    air = [from_c] * first_looks + [from_c + (TARGET_C - from_c) * step / 20 for step in range(21)] + [TARGET_C] * 200
    for number, air_c in enumerate(air):
        verdict = watch.judge(Sample(10.0 * number, air_c, stuck_c))
        assert verdict.state != "steady"

    assert TARGET_C - from_c > STUCK_K
    assert verdict.state == "gave up"


@given(st.floats(0.5, 150.0), st.floats(0.1, 20.0))
def test_a_chamber_at_its_rate_is_never_late_and_one_that_does_not_arrive_always_is(
    distance_k: float, ramp_k_per_min: float
) -> None:
    """The limit is above the ramp's own time and never above the longest soak."""
    rule = RULE.model_copy(update={"longest_s": 20_000.0})
    limit_s = arrival_limit_s(rule, distance_k, ramp_k_per_min)
    ramp_s = distance_k / ramp_k_per_min * 60

    assert min(ramp_s + 900.0, 20_000.0) <= limit_s <= 20_000.0

    standing = SoakWatch(rule, TARGET_C, 0.0, ramp_k_per_min)
    first = standing.judge(Sample(0.0, TARGET_C - distance_k, None))
    before = standing.judge(Sample(limit_s - 1.0, TARGET_C - distance_k, None))
    after = standing.judge(Sample(limit_s + 1e-3, TARGET_C - distance_k, None))
    is_there = abs((TARGET_C - distance_k) - TARGET_C) <= rule.air_within_k

    assert (first.state, before.state) == ("waiting", "waiting") or is_there
    assert is_there or after.state == "gave up"
    assert is_there or limit_s == 20_000.0 or "has not reached 85 °C within" in after.lacks


def test_a_chamber_that_has_been_there_once_may_stray() -> None:
    """What was reached is not late any more: a later stray is judged by the interlocks and the longest soak."""
    watch = SoakWatch(RULE, TARGET_C, 0.0, 4.0)
    watch.judge(Sample(0.0, 83.0, TARGET_C))
    watch.judge(Sample(60.0, TARGET_C, TARGET_C))

    assert watch.judge(Sample(1190.0, 83.0, TARGET_C)).state == "waiting"


def test_the_evidence_in_numbers_is_what_it_was_held_against() -> None:
    """Target, temperatures, drift, times, and the rule's bounds; what is not known is left out."""
    verdict = judged(RULE, polls(RULE, board_k=0.2))[-1]

    assert verdict.facts == {
        "target_c": 85.0,
        "air_temperature_c": 85.0,
        "board_temperature_c": 85.2,
        "drift_k_per_min": 0.0,
        "waited_s": 300.0,
        "held_s": 270.0,
        "air_within_k": 0.5,
        "board_within_k": 1.0,
        "drift_within_k_per_min": 0.1,
    }
