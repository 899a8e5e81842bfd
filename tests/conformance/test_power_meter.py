"""What every power meter does."""

from bench.contract.test_power_meter import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
