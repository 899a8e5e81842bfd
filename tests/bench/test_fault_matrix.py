"""Every instrument of the demo bench × every fault that it can have, struck at random moments of a run over sockets.

The rig is served on loopback and runs a few thousand times faster than real time; the run goes through VISA in pure
Python as it would with real instruments. ``pytest -m slow -n 0 -s tests/bench/test_fault_matrix.py`` prints the table.

What holds for every combination: the run ends within its time; it completes, trips or ends with the fault of an
instrument, never with a traceback; the exit code is 3 or 4 then; what can be switched off is off at the rig, RF before
bias; what cannot be confirmed is said so; the event of the trip names instrument, message and cause; no condition is
stored twice; and a condition that is stored holds what an undisturbed run reads.

That last promise has a limit by nature. A number that is wrong and plausible cannot be told from a right one: a level a
few dB off, a current within the mode's range. ``wrong-number`` sends what no instrument can mean (not-a-number) and is
always caught. ``drifting-sensor`` and ``drifting-current`` are caught when they leave what is allowed: air and
board against the soaked temperature, current against the mode's plausible range, and never below that. Settings are
caught by reading back; what a tone source, a relay or a port was told but did not do is seen there.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from faulty_nights import COUNT, PLACES, FaultyNights, Night, Policy, Strike, faulty_nights

from bench.errors import Tripped, UnsafeBench
from drivers.errors import InstrumentError

SEED = 20261102

#: No night takes longer, in real seconds; an undisturbed one takes half a second, and each time-out 0.4 s.
DEADLINE_S = 30.0

#: How much faster than real time the rig runs, and the pause between RF off and bias off in real seconds: messages are
#: under way in real time, however fast the rig's clock runs, and the machine may be busy.
SPEED = 6000.0
PAUSE_S = 0.05

POLICIES: tuple[Policy, ...] = ("trip", "retry, and the fault stays", "retry, and the fault passes")

#: Faults of the conversation with an instrument, as the control line takes them.
OF_MESSAGES = (
    "silence",
    "garbage",
    "partial",
    "wrong-number",
    "late 1",
    "dropped",
    "refused",
    "error -310",
    "restart",
)
#: The same that happen once, or again and again.
OTHERWISE = ("silence x1", "garbage x1", "partial x1", "late 0.6 x1", "dropped x1000000", "error -310 x1")
#: Faults of the bench's physics, each at its place.
OF_PHYSICS = (
    ("chamber", "runaway 30"),
    ("chamber", "runaway"),
    ("chamber", "stuck"),
    ("supply", "supply-limit 0.05"),
    ("supply", "drifting-current 40"),
    ("board_thermometer", "drifting-sensor 20"),
    ("current_meter", "drifting-sensor 60"),
)

#: Words that an instrument without physical numbers in its replies cannot say wrong.
WITHOUT_NUMBERS = ("load_switch", "channel_switch", "code_port", "noise_source")

#: How far readings of one condition differ from run to run in an undisturbed one: the analyzer's noise at the products.
SAME_WITHIN_DB = 3.0
TONES_SAME_WITHIN_DB = 0.3

#: A strike comes after who is there is known, and so early that every instrument is spoken to once more.
FIRST, LAST = 60, 560


@pytest.fixture
def nights(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FaultyNights]:
    monkeypatch.setattr("bench.safe_state.RF_BEFORE_BIAS_S", PAUSE_S * SPEED)
    with faulty_nights(tmp_path, monkeypatch, SPEED) as made:
        yield made


def judged(night: Night, undisturbed: Night) -> str:
    """Hold a night to all that it must keep, and say in a few words how it ended."""
    assert night.seconds < DEADLINE_S
    assert night.exit_code in (0, 3, 4), night.notes
    assert night.struck_at_s is not None
    _holds_safe_state(night)
    _holds_what_is_stored(night, undisturbed)
    if night.error is None:
        _may_complete(night)
        return "completed after a retry" if night.of_kind("retrying") else "completed"
    _names_the_fault(night)
    _keeps_the_policy(night)
    if isinstance(night.error, UnsafeBench):
        return "unsafe, and said so"
    return "tripped" if isinstance(night.error, Tripped) else "fault of an instrument"


def _holds_safe_state(night: Night) -> None:
    """All is off but what could not be told, and then a person is sent there; RF went before bias."""
    place = night.strike.place
    left_on = night.left_on()
    assert left_on <= {place}
    if left_on:
        assert isinstance(night.error, UnsafeBench)
    if isinstance(night.error, UnsafeBench):
        named = {"supply": "bias off", "noise_source": "noise source off", "chamber": "chamber to idle"}
        named |= {"tone_1": "RF of tone_1 off", "tone_2": "RF of tone_2 off", "analyzer": "analyzer to its highest"}
        assert [step.startswith(named[place]) for step in night.error.unconfirmed] == [True]
        assert night.notes.startswith("COULD NOT CONFIRM THE SAFE STATE")
    _holds_order(night)
    told = [event for event in night.events if event.kind == "safe state"]
    assert told, "the way to the safe state is in the record"


def _holds_order(night: Night) -> None:
    """RF is told to be off before the bias is, and goes off before it at the rig, but for what was struck."""
    switched = [(place, text[-1] == "1") for place, text in night.sent if text in (":OUTP:STAT 0", ":OUTP:STAT 1")]
    sources = {"tone_1", "tone_2", "noise_source"} - {night.strike.place}
    last_on = max((at for at, (place, on) in enumerate(switched) if on and place != "chamber"), default=-1)
    way_down = [place for place, _ in switched[last_on + 1 :]]
    assert sources <= set(way_down[: way_down.index("supply")])
    emitting: dict[str, bool] = {}
    bias_is_off = False
    for _, where, what in night.log:
        if what in ("rf on", "noise on"):
            emitting[where] = True
        elif what in ("rf off", "noise off"):
            emitting[where] = False
            assert not bias_is_off or where == night.strike.place
        elif what in ("bias off", "bias on"):
            bias_is_off = what == "bias off" and night.strike.fault != "restart"


def _holds_what_is_stored(night: Night, undisturbed: Night) -> None:
    """No condition twice, and none that an undisturbed run would have read otherwise."""
    assert sorted(set(night.done)) == night.done
    assert {number for number, _ in night.readings} == set(night.done)
    if "drifting" in night.strike.fault:
        return  # wrong and plausible: by nature it is not seen until it leaves what the interlocks allow
    for (number, quantity), value in night.readings.items():
        within = _same_within(quantity)
        assert value == pytest.approx(undisturbed.readings[number, quantity], abs=within), (number, quantity)


def _same_within(quantity: str) -> float:
    if quantity.endswith("temperature_c"):
        return 2.5
    if quantity.endswith("_current_a"):
        return 0.003
    if quantity in ("tone_lower_level_dbm", "tone_upper_level_dbm") or quantity.startswith("source"):
        return TONES_SAME_WITHIN_DB
    if quantity.endswith("_voltage_v"):
        return 0.01
    # Products near the noise, their scatter, and the settings that the acquisition has chosen for them.
    return float("inf")


def _may_complete(night: Night) -> None:
    """A night may only complete where the fault passed, or spoiled nothing."""
    assert night.done == list(range(COUNT))
    place, kind = night.strike.place, night.strike.fault
    passes = kind.endswith("x1") or kind in ("dropped",)
    harmless = (
        (kind == "wrong-number" and place in WITHOUT_NUMBERS)
        or (kind.startswith("error") and night.told_while_measuring == 0)
        or kind.startswith(("drifting", "stuck"))
    )
    healed = bool(night.of_kind("retrying")) and (night.policy.endswith("passes") or kind == "restart")
    assert passes or harmless or healed, night.strike


def _names_the_fault(night: Night) -> None:
    """The record says what failed: of a fault of an instrument its place, the message in flight, and the cause."""
    if night.done == list(range(COUNT)):  # all had been measured; only the way to safety, or home, met the fault
        unconfirmed = [event for event in night.of_kind("safe state") if not event.facts["confirmed"]]
        (told,) = unconfirmed or night.of_kind("tripped")
        assert told.text in night.notes or night.of_kind("not safe to open")
        return
    (told,) = night.of_kind("tripped")
    assert told.text
    of_message = not any((night.strike.place, night.strike.fault) == one for one in OF_PHYSICS)
    if "instrument" in told.facts and of_message and night.strike.fault != "restart":
        assert told.facts["instrument"] == night.strike.place
    if isinstance(night.error, InstrumentError):
        assert told.facts["message"], told
        assert told.facts["cause"], told
        assert str(told.facts["instrument"]) in told.text


def _keeps_the_policy(night: Night) -> None:
    """No retry unless asked for, never of a trip or an unsafe bench; the end of tried ones names first and last."""
    retries = night.of_kind("retrying")
    assert len(retries) <= (0 if night.policy == "trip" else 1)
    if night.policy == "trip":
        return
    if isinstance(night.error, InstrumentError):
        assert len(retries) == 1
        assert "tried again once; the first fault was" in night.notes
        assert "tried again once; the first fault was" in night.of_kind("tripped")[0].text
        assert not night.policy.endswith("passes"), night.notes
    for event in retries:
        assert event.facts["attempt"] == 1
        assert event.facts["instrument"]
        assert event.facts["cause"]


def strikes(combinations: Iterable[tuple[str, str]], chance: random.Random) -> list[Strike]:
    return [Strike(place, fault, chance.randint(FIRST, LAST)) for place, fault in combinations]


def spent(
    nights: FaultyNights, struck: list[Strike], policies: tuple[Policy, ...], capsys: pytest.CaptureFixture[str]
) -> Counter[str]:
    """Spend a night for each strike and policy and count how they ended."""
    undisturbed = nights.undisturbed()
    assert undisturbed.error is None, undisturbed.notes
    assert undisturbed.done == list(range(COUNT))
    endings: Counter[str] = Counter()
    broken: list[str] = []
    for number, strike in enumerate(struck):
        policy = policies[number % len(policies)]
        night = nights.night(strike, policy)
        with capsys.disabled():
            print(f"\n{strike}, {policy}: ", end="")  # noqa: T201 - so that what failed can be struck again
            try:
                ending = judged(night, undisturbed)
            except AssertionError as failure:
                ending = f"BROKEN: {failure}\n{night.notes}"
                broken.append(f"{strike}, {policy}: {ending}")
            print(f"{ending}, {night.seconds:.1f} s", end="")  # noqa: T201 - as above
        endings[ending] += 1
    assert broken == []
    return endings


#: How many combinations of instrument, fault and policy there are.
TRIED = len(PLACES) * (2 * len(OF_MESSAGES) + len(OTHERWISE)) + 2 * len(OF_PHYSICS)


def test_the_matrix_has_so_many_combinations() -> None:
    """Eleven instruments: nine faults under both policies, six more ways of them; seven of physics under both."""
    assert TRIED == 278


@pytest.mark.slow
@pytest.mark.waits
@pytest.mark.parametrize("place", [*PLACES, "physics"])
@pytest.mark.parametrize("policy", ["trip", "retry"])
def test_every_fault_of_every_instrument_ends_in_a_named_error_a_retry_or_a_trip(
    nights: FaultyNights, capsys: pytest.CaptureFixture[str], place: str, policy: str
) -> None:
    """The whole matrix; what must hold is said at the top of this module."""
    faults = OF_MESSAGES + (OTHERWISE if policy == "trip" else ())
    combinations = OF_PHYSICS if place == "physics" else [(place, fault) for fault in faults]
    chance = random.Random(f"{SEED} {place} {policy}")
    endings = spent(nights, strikes(combinations, chance), POLICIES[:1] if policy == "trip" else POLICIES[1:], capsys)

    assert endings.total() == len(combinations)


#: Quick ones of every sort: each ending, no fault of which all answers run into their time-out.
SAMPLE = (
    (Strike("supply", "garbage x1", 300), POLICIES[0], "fault of an instrument"),
    (Strike("tone_2", "restart", 480), POLICIES[2], "completed after a retry"),
    (Strike("chamber", "refused", 200), POLICIES[1], "unsafe, and said so"),
    (Strike("code_port", "error -310", 400), POLICIES[2], "completed after a retry"),
    (Strike("analyzer", "wrong-number", 350), POLICIES[1], "fault of an instrument"),
    (Strike("supply", "supply-limit 0.05", 420), POLICIES[1], "tripped"),
)


def test_a_sample_of_faults_ends_as_each_must(nights: FaultyNights) -> None:
    """One of each ending, at fixed moments."""
    undisturbed = nights.undisturbed()
    endings = [judged(nights.night(strike, policy), undisturbed) for strike, policy, _ in SAMPLE]

    assert undisturbed.done == list(range(COUNT))
    assert endings == [ending for _, _, ending in SAMPLE]
