"""What every network analyzer does."""

from bench.contract.test_network_analyzer import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
