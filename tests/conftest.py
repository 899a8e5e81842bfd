"""What holds for all tests: no example of Hypothesis fails because the machine was busy, and code is compiled once.

How long something takes belongs to ``tests/benchmarks``.
"""

from __future__ import annotations

import os
import sys

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

# Many tests start programs of their own, and each worker imports all tests. Where a shell asks for no ``__pycache__``,
# every one of these processes would compile all of it again: minutes in sum. The folders are ignored by git.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
