"""The engines by name. Each is imported only when it is asked for, so that starting stays quick."""

from collections.abc import Callable
from importlib import import_module
from importlib.metadata import entry_points

from listener.errors import SettingsError, UserError, missing_extra
from listener.settings import ENGINE_GROUP, Settings
from listener.speech.spotter import Engine

# name in the settings -> module:factory, where factory(settings) gives an Engine
ENGINES: dict[str, str] = {
    "ear": "listener.speech.ear:load",
    "sphinx": "listener.speech.sphinx_spotter:load",
    "vosk": "listener.speech.vosk_spotter:load",
}


def load_engine(settings: Settings) -> Engine:
    """Load the engine that the settings name, with the phrases of the settings.

    Raises SettingsError when a word is unknown to the engine, or a model or the engine's extra is missing, and for an
    engine of another package: what a watch loads is this package's alone, which can actuate nothing.
    """
    if settings.engine not in ENGINES:
        raise SettingsError(f"engine {settings.engine}: comes from another package, which only studies take; choose one "
                            f"of {', '.join(ENGINES)}")  # fmt: skip
    module, function = ENGINES[settings.engine].split(":")
    try:
        return _loaded(getattr(import_module(module), function), settings)
    except ModuleNotFoundError as error:
        if line := missing_extra(error):
            raise SettingsError(f"engine {settings.engine}: {line}") from None
        raise


def load_any_engine(settings: Settings) -> Engine:
    """The same for studies: engines of other installed packages too.

    They are entry points of the group listener.engines, each a factory(settings) that gives an Engine.
    """
    return load_engine(settings) if settings.engine in ENGINES else _loaded(_foreign(settings.engine), settings)


def foreign_version(name: str) -> str | None:
    """Name and version of the package that brings this engine; None for our own and for unknown ones."""
    for entry in entry_points(group=ENGINE_GROUP, name=name):
        if name not in ENGINES and entry.dist is not None:
            return f"{entry.dist.name} {entry.dist.version}"
    return None


def _foreign(name: str) -> Callable[[Settings], Engine]:
    for entry in entry_points(group=ENGINE_GROUP, name=name):
        try:
            factory: Callable[[Settings], Engine] = entry.load()
            return factory
        except (ImportError, AttributeError) as error:
            raise SettingsError(f"engine {name}: {entry.value} cannot be loaded ({error}); install its package again") from None
    raise SettingsError(f"engine {name}: no installed package brings it")


def _loaded(factory: Callable[[Settings], Engine], settings: Settings) -> Engine:
    try:
        return factory(settings)
    except UserError as error:
        raise SettingsError(str(error)) from None
