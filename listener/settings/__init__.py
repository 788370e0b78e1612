"""Settings: YAML files into frozen values. `base` is everything a user can set; `watch` is the live station's part."""

from listener.settings.base import (
    ENGINE_GROUP,
    CallerSettings,
    EarSettings,
    GateSettings,
    PhraseSettings,
    PositionSettings,
    Settings,
    SphinxSettings,
    VoskSettings,
    plain_words,
    read_settings,
    settings_from,
)

__all__ = [
    "ENGINE_GROUP", "CallerSettings", "EarSettings", "GateSettings", "PhraseSettings", "PositionSettings", "Settings",
    "SphinxSettings", "VoskSettings", "plain_words", "read_settings", "settings_from",
]  # fmt: skip
