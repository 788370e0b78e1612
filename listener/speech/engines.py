"""The engines by name. Each is imported only when it is asked for, so that starting stays quick."""

from collections.abc import Callable
from importlib import import_module

from listener.errors import SettingsError, UserError, missing_extra
from listener.settings import Settings
from listener.speech.spotter import Engine

# name in the settings -> module:factory, where factory(settings) gives an Engine
ENGINES: dict[str, str] = {
    "ear": "listener.speech.ear:load",
    "sphinx": "listener.speech.sphinx_spotter:load",
    "vosk": "listener.speech.vosk_spotter:load",
}


def load_engine(settings: Settings) -> Engine:
    """Load the engine that the settings name, with the phrases of the settings.

    Raises SettingsError when a word is unknown to the engine, or a model or the engine's extra is missing.
    """
    module, function = ENGINES[settings.engine].split(":")
    factory: Callable[[Settings], Engine] = getattr(import_module(module), function)
    try:
        return factory(settings)
    except UserError as error:
        raise SettingsError(str(error)) from None
    except ModuleNotFoundError as error:
        if line := missing_extra(error):
            raise SettingsError(f"engine {settings.engine}: {line}") from None
        raise
