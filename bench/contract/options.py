"""The suite's options for pytest: an entry point of the package, so that they are known wherever the suite is run.

Rule: this module is loaded by every run of pytest where nightbench is installed, so it imports nothing heavy and does
nothing unless the suite is asked for.
"""

from __future__ import annotations

from pathlib import Path

import pytest

#: How the suite is named on pytest's command line.
SUITE = "bench.contract"

HINT = f"the suite needs a bench file: pytest --pyargs {SUITE} --bench my.bench.toml [--place tone_1] [--switch-on]"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Declare the options."""
    group = parser.getgroup("nightbench", f"contract of nightbench's drivers: --pyargs {SUITE}")
    group.addoption("--bench", metavar="FILE", type=Path, help="bench file with the instruments to look at")
    group.addoption("--place", metavar="NAME", action="append", help="only this place of the bench; may be repeated")
    group.addoption(
        "--switch-on",
        action="store_true",
        help="also run what switches outputs on, raises digital lines and starts the chamber, at the lowest settings",
    )


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Keep the suite in one process: a bench cannot be shared."""
    if _is_wanted(config) and hasattr(config.option, "numprocesses"):
        config.option.numprocesses = 0
        config.option.dist = "no"
        config.option.tx = []


def pytest_configure(config: pytest.Config) -> None:
    """Refuse the suite without a bench, or with one that is not right. Raises UsageError."""
    if not _is_wanted(config):
        return
    file: Path | None = config.getoption("--bench")
    if file is None:
        raise pytest.UsageError(HINT)
    if not file.is_file():
        raise pytest.UsageError(f"--bench: there is no file {file}; {HINT}")
    from bench.contract.asked import places_asked_for

    places_asked_for(config)


def _is_wanted(config: pytest.Config) -> bool:
    return any(SUITE in argument or "bench/contract" in argument for argument in config.args)
