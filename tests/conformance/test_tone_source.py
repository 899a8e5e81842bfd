"""What every tone source does."""

from bench.contract.test_tone_source import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
