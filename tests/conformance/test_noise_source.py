"""What every noise source does."""

from bench.contract.test_noise_source import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
