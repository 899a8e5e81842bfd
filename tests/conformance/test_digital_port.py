"""What every digital port does."""

from bench.contract.test_digital_port import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
