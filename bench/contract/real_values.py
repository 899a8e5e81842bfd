"""What the suite asks for at a place of an author's bench: the gentlest that the bench file allows."""

from __future__ import annotations

from dataclasses import replace

from bench.contract.station import Values
from drivers.deviations import ERROR_QUEUE, Deviations
from sequences.bench_file import (
    AnalyzerEntry,
    ChannelSwitchEntry,
    CodePortEntry,
    LoadSwitchEntry,
    SupplyEntry,
)
from sequences.chamber_entry import ChamberEntry
from sequences.instrument_entry import InstrumentEntry

#: A supply is asked for at most this voltage and current: too little for anything to be harmed. Ours.
LOW_V, LOW_A = 1.0, 0.05

#: A chamber's limits stand this far around its idle temperature and the room's; its targets move by the second. Ours.
CHAMBER_MARGIN_K, CHAMBER_STEP_K = 10.0, 2.0

#: A word that raises one line.
ONE_LINE = 1


def values_of(entry: InstrumentEntry, deviations: Deviations | None) -> Values:
    """Values for one entry of a bench file, with its table of deviations."""
    queue = None if deviations is None else deviations.headers.get(ERROR_QUEUE)
    has_error_queue = queue is None or not queue.not_asked
    values = Values(has_error_queue=has_error_queue, knows_completion=deviations is None)
    if isinstance(entry, SupplyEntry):
        voltage_v, current_a = min(LOW_V, entry.highest_voltage_v / 2), min(LOW_A, entry.highest_current_a / 2)
        return replace(
            values,
            protection=(1.5 * voltage_v, 1.2 * current_a),
            voltage_v=voltage_v,
            current_limit_a=current_a,
            current_a=(-0.005, 1.1 * current_a),
        )
    if isinstance(entry, ChamberEntry):
        span, idle_c = entry.temperature_c, entry.idle_c
        return replace(
            values,
            ramp_k_per_min=min(1.0, entry.ramp_k_per_min),
            lowest_c=max(span.min, min(idle_c, values.room_c[0]) - CHAMBER_MARGIN_K),
            highest_c=min(span.max, max(idle_c, values.room_c[1]) + CHAMBER_MARGIN_K),
            idle_c=idle_c,
            target_c=idle_c,
            away_c=idle_c + CHAMBER_STEP_K,
        )
    if isinstance(entry, AnalyzerEntry):
        steps_db = sorted(entry.attenuations_db)
        highest_db, other_db = steps_db[-1], steps_db[-min(2, len(steps_db))]
        bandwidth_hz = max(entry.bandwidths_hz)
        return replace(
            values, bandwidth_hz=bandwidth_hz, points=101, attenuations_db=(other_db, highest_db, highest_db)
        )
    if isinstance(entry, LoadSwitchEntry):
        return replace(values, routes=tuple(entry.loads.values()))
    if isinstance(entry, ChannelSwitchEntry):
        return replace(values, routes=(*entry.channels.values(), *entry.network_channels.values()))
    if isinstance(entry, CodePortEntry):
        return replace(values, ports=dict.fromkeys((*entry.channels.values(), entry.mode), ONE_LINE))
    return values
