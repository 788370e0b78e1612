"""The radio as a library: levels, noise, mixing at a stated SNR, channels, codec, rooms.

Used alike by the recordings, the studies and the training, so that all three mean the same by
"5 dB in turbine noise through a 300-3400 Hz radio". Pure numpy and scipy; every random draw comes
from the generator the caller passes in. Samples are mono float32, full scale 1.

    rng = np.random.default_rng(7)
    jet = noise("turbine", speech.size / 16000, 16000, rng)
    heard = CHANNELS["aircraft_am"].apply(mix(speech, jet, 16000, snr_db=5.0).samples, 16000, rng)
"""

from listener.radio.band import VOICE_BAND_HZ, band_pass
from listener.radio.channel import CHANNELS, STAGES, Channel, Stage, draw_channel, stage
from listener.radio.level import SpeechLevel, active_level_dbov, rms_dbov, speech_level
from listener.radio.mix import Mix, fit_noise, mix, mix_levels_dbov
from listener.radio.noise import KINDS, NoiseKind, babble, noise
from listener.radio.room import Room, draw_room, in_measured_room, measured_response, with_energy_one

__all__ = [
    "CHANNELS",
    "KINDS",
    "STAGES",
    "VOICE_BAND_HZ",
    "Channel",
    "Mix",
    "NoiseKind",
    "Room",
    "SpeechLevel",
    "Stage",
    "active_level_dbov",
    "babble",
    "band_pass",
    "draw_channel",
    "draw_room",
    "fit_noise",
    "in_measured_room",
    "measured_response",
    "mix",
    "mix_levels_dbov",
    "noise",
    "rms_dbov",
    "speech_level",
    "stage",
    "with_energy_one",
]  # fmt: skip
