"""What every DC supply does."""

from bench.contract.test_dc_supply import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
