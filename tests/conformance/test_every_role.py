"""What every driver of every role does: identify, drain its errors, and be made safe."""

from bench.contract.test_every_role import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest
