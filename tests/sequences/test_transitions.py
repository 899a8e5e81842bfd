"""What changes cost, and the estimate of a run."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequences.conditions import Condition, expand
from sequences.order import order
from sequences.read_files import demo_file, read_setup
from sequences.sequence_file import Soak
from sequences.transitions import SETTLING_AXES, WRITE_S, SoakModel, TransitionCosts, estimate, total_cost_s

SETUP = read_setup(demo_file("overnight.sequence.toml"))
COSTS = TransitionCosts.of(SETUP.bench.model, SETUP.sequence.model)
HERE = Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6)
LOOSE = Soak(hold_s=0.0, shortest_s=0.0, longest_s=1e9, poll_s=0.001)


def _simulated_soak_s(model: SoakModel, change_k: float) -> float:
    """The soak by stepping air and board through time: an independent path to the closed form.

    The board follows dT/dt = (air − board)/lag; the soak is met from the last instant at which a rule was broken.
    """
    step_s = 0.25
    air = board = 0.0
    broken_s = 0.0
    end_s = change_k / model.ramp_k_per_s + 12 * model.lag_s
    for index in range(int(end_s / step_s)):
        air = min(change_k, air + model.ramp_k_per_s * step_s)
        drift = (air - board) / model.lag_s
        board += drift * step_s
        steady = (
            change_k - air <= model.rule.air_within_k
            and change_k - board <= model.rule.board_within_k
            and drift <= model.rule.drift_k_per_min / 60
        )
        if not steady:
            broken_s = (index + 1) * step_s
    return broken_s + model.rule.hold_s


@pytest.mark.parametrize("change_k", [5.0, 20.0, 60.0, 125.0])
@pytest.mark.parametrize("lag_s", [60.0, 180.0, 600.0])
@pytest.mark.parametrize("drift", [0.1, 2.0])
def test_the_soak_formula_agrees_with_a_simulated_ramp(change_k: float, lag_s: float, drift: float) -> None:
    """Within a second and 0.5 %: the simulation steps 0.25 s, and Euler's method errs by about a step over the lag."""
    model = SoakModel(4 / 60, lag_s, LOOSE.model_copy(update={"drift_k_per_min": drift}))

    assert model.soak_s(0.0, change_k) == pytest.approx(_simulated_soak_s(model, change_k), rel=0.005, abs=1.0)


@pytest.mark.parametrize(("air_within_k", "board_within_k"), [(0.7, 0.5), (0.2, 1.0)])
def test_a_fast_board_is_ready_before_the_ramp_ends(air_within_k: float, board_within_k: float) -> None:
    """A lag of 5 s trails by 0.33 K only: then the tolerance of the board, or that of air, decides."""
    tolerances = {"drift_k_per_min": 5.0, "air_within_k": air_within_k, "board_within_k": board_within_k}
    model = SoakModel(4 / 60, 5.0, LOOSE.model_copy(update=tolerances))

    found = model.soak_s(0.0, 20.0)

    assert found < 300.0
    assert found == pytest.approx(_simulated_soak_s(model, 20.0), abs=0.5)


def test_a_soak_holds_polls_and_never_ends_early() -> None:
    """The rule's hold is added, the shortest soak and whole polls are kept, the longest caps it."""
    rule = Soak(hold_s=180, shortest_s=300, longest_s=1500, poll_s=7)
    model = SoakModel(4 / 60, 180.0, rule)

    assert model.soak_s(25.0, 25.0) == 301.0
    assert model.soak_s(25.0, 85.0) == 1500.0
    assert model.soak_s(25.0, 35.0) % 7 == 0


@given(one=st.floats(-60, 150), two=st.floats(-60, 150), further=st.floats(0, 50))
def test_a_longer_way_never_soaks_shorter(one: float, two: float, further: float) -> None:
    """The soak grows with the distance and does not depend on the direction."""
    assert COSTS.soak is not None
    beyond = two + math.copysign(further, two - one)

    assert COSTS.soak.soak_s(one, two) == COSTS.soak.soak_s(two, one)
    assert COSTS.soak.soak_s(one, beyond) >= COSTS.soak.soak_s(one, two)


def test_nothing_changed_costs_nothing() -> None:
    """A repeat of a condition needs neither soak nor settling."""
    assert COSTS.cost_s(HERE, HERE) == 0.0


@pytest.mark.parametrize(
    ("axis", "value", "seconds"),
    [
        ("supply_mode", "low power", 2.0 + 0.2),
        ("load_ohm", 100.0, 0.1 + 0.05),
        ("channel", "B", 0.05 + 0.05),
        ("frequency_hz", 45e6, 0.02 + 0.02),
        ("tone_level_dbm", 6.0, 0.02 + 0.02),
        ("gain_code", 1, 0.02 + 0.02),
    ],
)
def test_one_change_costs_its_instrument_and_the_unit(axis: str, value: object, seconds: float) -> None:
    """Settle times of the demo files; a gain code also moves the sources, since levels are meant at the output."""
    changed = replace(HERE, **{axis: value})  # type: ignore[arg-type]  # axis and value go together above

    assert COSTS.cost_s(HERE, changed) == pytest.approx(seconds + WRITE_S)


def test_changes_settle_together() -> None:
    """The longest settling counts, and one write for each setting."""
    changed = replace(HERE, gain_code=1, supply_mode="low power", channel="B")

    assert COSTS.cost_s(HERE, changed) == pytest.approx(2.2 + 3 * WRITE_S)


def test_the_first_condition_soaks_from_room_temperature_and_sets_everything() -> None:
    """Even at room temperature: nobody knows what the bench did before."""
    assert COSTS.soak is not None

    assert COSTS.soak_cost_s(None, HERE) == COSTS.soak.soak_s(23.0, 25.0)
    assert COSTS.settle_cost_s(None, HERE) == pytest.approx(2.2 + WRITE_S * len(SETTLING_AXES))


def test_a_bench_without_a_chamber_never_soaks() -> None:
    """Temperature is then what the room gives."""
    bench = SETUP.bench.model
    bare = bench.model_copy(update={"instrument": bench.instrument.model_copy(update={"chamber": None})})

    assert TransitionCosts.of(bare, SETUP.sequence.model).soak_cost_s(None, HERE) == 0.0


def test_levels_at_the_input_do_not_follow_the_gain_code() -> None:
    """Then a code costs only its port and the unit's own settling."""
    sequence = SETUP.sequence.model
    at_input = sequence.model_copy(update={"tones": sequence.tones.model_copy(update={"level_at": "input"})})

    costs = TransitionCosts.of(SETUP.bench.model, at_input)

    assert costs.settle_s["gain_code"] == pytest.approx(0.011)


def test_an_estimate_adds_up() -> None:
    """Causes sum to the last finish, finishes rise, shares sum to one."""
    conditions = order(expand(SETUP.sequence.model, SETUP.part.model, SETUP.bench.model), COSTS)

    found = estimate(conditions, COSTS, lambda condition: 0.5 + condition.gain_code / 100)

    assert found.total_s == pytest.approx(sum(found.by_cause_s.values()))
    changes_s = total_cost_s(conditions, COSTS) - COSTS.return_cost_s(conditions[-1])
    assert found.by_cause_s["soak"] + found.by_cause_s["settle"] == pytest.approx(changes_s)
    assert len(found.finish_s) == len(conditions)
    assert np.all(np.diff(found.finish_s) > 0)
    assert sum(found.shares.values()) == pytest.approx(1.0)
    assert found.shares["soak"] > 0.5


def test_an_estimate_of_nothing_is_zero() -> None:
    """No condition, no time, no share."""
    found = estimate((), COSTS, lambda _: 1.0)

    assert found.total_s == 0.0
    assert set(found.shares.values()) == {0.0}
