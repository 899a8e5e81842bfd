"""What every switch does."""

from bench.contract.test_switch import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
