"""From a joint score to the chance that the call is a true one."""

from math import exp

from listener.speech.spotter import Calibration


def confidence(joint: float, calibration: Calibration) -> float:
    """The calibrated chance, 0..1, that a call with this joint score (stated for three words) is true."""
    x = calibration.slope * (joint - calibration.even_level)
    return 1 / (1 + exp(-x)) if x >= 0 else exp(x) / (1 + exp(x))
