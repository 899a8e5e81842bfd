"""What holds for all tests: no example of Hypothesis fails because the machine was busy.

How long something takes belongs to ``tests/benchmarks``.
"""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
