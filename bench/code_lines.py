"""From the code port's entry in the bench file to the driver that knows how each word reaches the unit."""

from __future__ import annotations

from drivers.latched_words import LatchedPort, Shifted, Strobed
from drivers.roles import DigitalPort
from sequences.bench_file import CodePortEntry


def with_latches(port: DigitalPort, entry: CodePortEntry) -> DigitalPort:
    """The port itself where every word stands on a port of its own; else with the latches in front of it."""
    ways: dict[int, Strobed | Shifted] = {
        one.word: Strobed(one.data_port, one.bits, one.strobe_port, one.strobe_bit, active_high=one.active == "high")
        for one in entry.strobed
    }
    for word in entry.shifted:
        ways[word.word] = Shifted(
            word.port,
            word.bits,
            word.data_bit,
            word.clock_bit,
            word.latch_bit,
            msb_first=word.first == "MSB",
            clock_rising=word.clock == "rising",
            latch=word.latch,
        )
    return LatchedPort(port, ways, "code_port", entry.resource) if ways else port
