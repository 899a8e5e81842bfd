"""What every chamber does."""

from bench.contract.test_chamber import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
