"""A run done again from its recording: the same files, sequencer and drivers; instruments made of what was heard.

recorded_log.py    the run's own log and clock, which follow the recording; what people, disk and guard said
recorded_bench.py  a bench whose instruments are made of the recording
sessions.py        every session of a run in turn, into a store of its own
comparison.py      the replayed run against the run
differences.py     what differs, as data and as text
"""
