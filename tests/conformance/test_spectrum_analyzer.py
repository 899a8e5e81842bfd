"""What every spectrum analyzer does."""

from bench.contract.test_spectrum_analyzer import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
