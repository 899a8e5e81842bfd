"""Which class drives an instrument: the words of the bench file, and drivers of the user's own.

A driver is a class that is made by ``Class(messages)`` with a ``drivers.messages.Messages`` and has every method of
its role. The table is explicit: importing a module registers nothing.

    CatalogueError
    ├── UnknownRole     no role of that name
    ├── UnknownDriver   a word that the role's table does not have
    ├── NoSuchModule    ``package.module:Class`` names a module that cannot be imported
    ├── NoSuchClass     the module has no class of that name
    └── NotThatRole     the class lacks methods of the role, or has them with other parameters
"""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Callable, Iterable
from difflib import get_close_matches
from pathlib import Path
from typing import Final, Literal, Protocol, cast, get_args

from drivers import roles
from drivers.chamber import ScpiChamber
from drivers.dc_supply import ScpiDCSupply
from drivers.digital_port import ScpiDigitalPort
from drivers.messages import Messages
from drivers.meter import ScpiMeter
from drivers.network_analyzer import ScpiNetworkAnalyzer
from drivers.noise_source import ScpiNoiseSource
from drivers.own_drivers import importable_from
from drivers.power_meter import ScpiPowerMeter
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer
from drivers.switch import ScpiSwitch
from drivers.tone_source import ScpiToneSource

Role = Literal[
    "tone source",
    "noise source",
    "spectrum analyzer",
    "DC supply",
    "meter",
    "chamber",
    "switch",
    "digital port",
    "network analyzer",
    "power meter",
]


class DriverClass(Protocol):
    """A class of drivers: called with the messages of one instrument, it makes the driver."""

    def __call__(self, messages: Messages) -> roles.Instrument:
        """Make the driver; sends nothing."""
        ...


PROTOCOLS: Final[dict[Role, type]] = {
    "tone source": roles.ToneSource,
    "noise source": roles.NoiseSource,
    "spectrum analyzer": roles.SpectrumAnalyzer,
    "DC supply": roles.DCSupply,
    "meter": roles.Meter,
    "chamber": roles.Chamber,
    "switch": roles.Switch,
    "digital port": roles.DigitalPort,
    "network analyzer": roles.NetworkAnalyzer,
    "power meter": roles.PowerMeter,
}

DRIVERS: Final[dict[Role, dict[str, DriverClass]]] = {
    "tone source": {"scpi": ScpiToneSource},
    "noise source": {"scpi": ScpiNoiseSource},
    "spectrum analyzer": {"scpi": ScpiSpectrumAnalyzer},
    "DC supply": {"scpi": ScpiDCSupply},
    "meter": {"scpi": ScpiMeter},
    "chamber": {"scpi": ScpiChamber},
    "switch": {"scpi": ScpiSwitch},
    "digital port": {"scpi": ScpiDigitalPort},
    "network analyzer": {"scpi": ScpiNetworkAnalyzer},
    "power meter": {"scpi": ScpiPowerMeter},
}


class CatalogueError(ValueError):
    """A driver that the bench file names cannot be had."""


class UnknownRole(CatalogueError):
    """No role has this name."""


class UnknownDriver(CatalogueError):
    """The role has no driver of this word."""


class NoSuchModule(CatalogueError):
    """The module cannot be imported."""


class NoSuchClass(CatalogueError):
    """The module has no such class."""


class NotThatRole(CatalogueError):
    """The class lacks methods of the role, or has them with other parameters."""


def driver_class(role: str, word: str, folder: Path | None = None) -> DriverClass:
    """Find the class that drives an instrument.

    Args:
        role: A role's name, such as ``tone source``.
        word: A word of the role's table, such as ``scpi``, or ``package.module:Class``.
        folder: Where modules are looked for before anywhere else; None for nowhere besides Python's own way.

    Raises:
        CatalogueError: One of its kinds; the text names what was found and what is allowed.
    """
    if role not in PROTOCOLS:
        raise UnknownRole(f"there is no role {role!r}{_nearest(role, get_args(Role))}")
    drivers = DRIVERS[role]
    if ":" in word:
        with importable_from(folder):
            return _own_class(role, word, folder)
    if word not in drivers:
        allowed = ", ".join(drivers)
        raise UnknownDriver(
            f"a {role} has no driver {word!r}{_nearest(word, drivers)}; allowed: {allowed}, or package.module:Class"
        )
    return drivers[word]


def missing_methods(role: Role, candidate: type) -> tuple[str, ...]:
    """Name the methods of a role that a class lacks, in alphabetical order."""
    return tuple(name for name, _ in _methods(role) if not callable(getattr(candidate, name, None)))


def unfit_methods(role: Role, candidate: type) -> tuple[str, ...]:
    """Name the methods of a role that a class has, but cannot be called as the role calls them."""
    unfit = []
    for name, wanted in _methods(role):
        found = getattr(candidate, name, None)
        if callable(found) and not _takes(found, wanted):
            unfit.append(name)
    return tuple(unfit)


def _methods(role: Role) -> list[tuple[str, Callable[..., object]]]:
    """Methods of a role by name, in alphabetical order."""
    found = inspect.getmembers(PROTOCOLS[role], inspect.isfunction)
    return [(name, method) for name, method in found if not name.startswith("_")]


def _takes(found: Callable[..., object], wanted: Callable[..., object]) -> bool:
    parameters = inspect.signature(wanted).parameters.values()
    by_place = [item.name for item in parameters if item.kind is not item.KEYWORD_ONLY]
    by_name = {item.name: None for item in parameters if item.kind is item.KEYWORD_ONLY}
    try:
        inspect.signature(found).bind(*by_place, **by_name)
    except TypeError:
        return False
    return True


def _own_class(role: Role, word: str, folder: Path | None) -> DriverClass:
    module_name, _, class_name = word.partition(":")
    try:
        module = importlib.import_module(module_name)
    except Exception as error:  # whatever a module of somebody else's does while it is imported
        looked = "Python's own path" if folder is None else f"{folder}, then Python's own path"
        kind = "" if isinstance(error, ImportError) else f"{type(error).__name__}: "
        raise NoSuchModule(
            f"driver {word!r}: module {module_name!r} cannot be imported: {kind}{error} (looked for in {looked})"
        ) from error
    candidate = getattr(module, class_name, None)
    if not isinstance(candidate, type):
        classes = [name for name, value in vars(module).items() if isinstance(value, type)]
        raise NoSuchClass(
            f"driver {word!r}: module {module_name!r} has no class {class_name!r}{_nearest(class_name, classes)}"
        )
    missing, unfit = missing_methods(role, candidate), unfit_methods(role, candidate)
    if missing or unfit:
        wrong = [f"it lacks {_signatures(role, missing)}"] if missing else []
        wrong += [f"it cannot be called as {_signatures(role, unfit)}"] if unfit else []
        raise NotThatRole(f"driver {word!r} is no {role}: {'; '.join(wrong)}")
    return cast(DriverClass, candidate)  # its methods have just been checked


def _signatures(role: Role, names: Iterable[str]) -> str:
    """How the role calls these methods: ``set_frequency(frequency_hz: float) -> None``."""
    methods = dict(_methods(role))
    # Annotations are texts, which Python writes in quotes.
    written = {name: str(inspect.signature(methods[name])).replace("'", "") for name in names}
    return ", ".join(f"{name}({text.removeprefix('(self').removeprefix(', ')}" for name, text in written.items())


def _nearest(word: str, allowed: Iterable[str]) -> str:
    found = get_close_matches(word, list(allowed), n=1, cutoff=0.6)
    return f" (did you mean {found[0]!r}?)" if found else ""
