"""Catalogue: words to classes, and what is said when that fails."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

from drivers import catalogue
from drivers.catalogue import DRIVERS, PROTOCOLS, Role, driver_class, missing_methods, unfit_methods
from drivers.tone_source import ScpiToneSource


@pytest.fixture
def own_module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder on the path, where a user keeps drivers of their own; forgotten afterwards."""
    monkeypatch.syspath_prepend(tmp_path)
    before = set(sys.modules)
    yield tmp_path
    for name in set(sys.modules) - before:
        if name.startswith("own_"):
            del sys.modules[name]


def test_every_role_has_an_scpi_driver_with_all_its_methods() -> None:
    """The table is checked against the Protocols."""
    assert set(get_args(Role)) == set(DRIVERS) == set(PROTOCOLS)
    for role, words in DRIVERS.items():
        assert "scpi" in words
        for made in words.values():
            assert isinstance(made, type)
            assert missing_methods(role, made) == ()


def test_a_word_of_the_table_names_its_class() -> None:
    """The bench file's default word."""
    assert driver_class("tone source", "scpi") is ScpiToneSource


def test_an_unknown_role_names_the_nearest() -> None:
    """Roles are words of the program, so this is a fault of ours or of a plug-in."""
    with pytest.raises(catalogue.UnknownRole, match="did you mean 'DC supply'"):
        driver_class("dc supply", "scpi")


def test_an_unknown_word_names_the_nearest_and_what_is_allowed() -> None:
    """A misspelt word in the bench file."""
    with pytest.raises(catalogue.UnknownDriver, match=r"did you mean 'scpi'.*package\.module:Class"):
        driver_class("meter", "spci")


def test_a_class_of_the_users_own_is_found(own_module: Path) -> None:
    """No change of the program is needed for it."""
    (own_module / "own_switch.py").write_text(
        "from drivers.switch import ScpiSwitch\n\nclass BenchSwitch(ScpiSwitch):\n    pass\n"
    )
    found = driver_class("switch", "own_switch:BenchSwitch")

    assert isinstance(found, type)
    assert found.__name__ == "BenchSwitch"


@pytest.mark.parametrize("word", ["own_nothing:Class", ":Class", "own_broken:Class"])
def test_a_module_that_cannot_be_imported_is_named(own_module: Path, word: str) -> None:
    """Not there, no name at all, or it imports something that is not there."""
    (own_module / "own_broken.py").write_text("import no_such_module_anywhere\n")
    with pytest.raises(catalogue.NoSuchModule, match="cannot be imported"):
        driver_class("switch", word)


def test_a_class_that_the_module_lacks_names_the_nearest(own_module: Path) -> None:
    """A misspelt class name."""
    (own_module / "own_names.py").write_text("class BenchSwitch:\n    pass\n\nvalue = 3\n")
    with pytest.raises(catalogue.NoSuchClass, match="did you mean 'BenchSwitch'"):
        driver_class("switch", "own_names:BenchSwich")
    with pytest.raises(catalogue.NoSuchClass):
        driver_class("switch", "own_names:value")


def test_a_class_that_lacks_methods_of_its_role_names_them(own_module: Path) -> None:
    """Found when the bench is checked, not at 3 a.m."""
    (own_module / "own_half.py").write_text(
        "class Half:\n    def identify(self): ...\n    def select(self, route): ...\n"
    )
    with pytest.raises(catalogue.NotThatRole) as caught:
        driver_class("switch", "own_half:Half")

    assert "it lacks " in str(caught.value)
    assert "drain_errors() -> tuple[QueueEntry, ...], make_safe() -> None, selected() -> tuple" in str(caught.value)
    assert "cannot be called" not in str(caught.value)


def test_a_method_with_other_parameters_is_named_with_those_that_the_role_gives(own_module: Path) -> None:
    """It would fail in the middle of a night."""
    (own_module / "own_other.py").write_text(
        "from drivers.noise_source import ScpiNoiseSource\n\n"
        "class Positional(ScpiNoiseSource):\n    def switch_output(self, state): ...\n"
    )
    with pytest.raises(catalogue.NotThatRole, match=r"cannot be called as switch_output\(\*, on: bool\) -> None$"):
        driver_class("noise source", "own_other:Positional")


def test_every_driver_of_the_catalogue_can_be_called_as_its_role_calls_it() -> None:
    """The rule that holds for a user's own class holds for ours."""
    for role, words in DRIVERS.items():
        for made in words.values():
            assert isinstance(made, type)
            assert unfit_methods(role, made) == ()


def test_a_class_is_found_in_a_folder_of_its_own_and_leaves_no_trace(tmp_path: Path) -> None:
    """Modules of the same name in another folder belong to another bench."""
    found = []
    for name in ("first", "second"):
        package = tmp_path / name / "own_lab"
        package.mkdir(parents=True)
        (package / "__init__.py").touch()
        (package / "words.py").write_text(f"MAKER = {name!r}\n")
        (package / "switches.py").write_text(
            "from drivers.switch import ScpiSwitch\nfrom own_lab.words import MAKER\n\n"
            "class BenchSwitch(ScpiSwitch):\n    maker = MAKER\n"
        )
        before = list(sys.path)
        found.append(driver_class("switch", "own_lab.switches:BenchSwitch", tmp_path / name))
        assert sys.path == before

    assert [getattr(made, "maker", "") for made in found] == ["first", "second"]
    assert not any(name.startswith("own_lab") for name in sys.modules)


def test_a_module_that_is_not_there_says_where_it_was_looked_for(tmp_path: Path) -> None:
    """The folder of the bench file first."""
    with pytest.raises(catalogue.NoSuchModule) as caught:
        driver_class("switch", "own_lab.switches:BenchSwitch", tmp_path)

    assert f"looked for in {tmp_path}, then Python's own path" in str(caught.value)


def test_a_module_that_fails_while_it_is_imported_says_how(own_module: Path) -> None:
    """Its own mistake, not one of the bench file."""
    (own_module / "own_mistake.py").write_text("1 / 0\n")
    with pytest.raises(catalogue.NoSuchModule, match="ZeroDivisionError: division by zero"):
        driver_class("switch", "own_mistake:Switch")


def test_a_driver_of_another_role_is_not_taken() -> None:
    """The word is right, the place is wrong."""
    with pytest.raises(catalogue.NotThatRole, match="begin_reading"):
        driver_class("meter", "drivers.tone_source:ScpiToneSource")


def test_all_failures_are_of_one_kind() -> None:
    """Whoever reads the bench file catches one class."""
    kinds = (
        catalogue.UnknownRole,
        catalogue.UnknownDriver,
        catalogue.NoSuchModule,
        catalogue.NoSuchClass,
        catalogue.NotThatRole,
    )

    assert all(issubclass(kind, catalogue.CatalogueError) for kind in kinds)
