"""SII (ANSI S3.5-1997) and STI (IEC 60268-16) against the standards' published figures."""

import numpy as np
import pytest

from listener.study.intelligibility import (
    SII_BANDS_HZ,
    SII_IMPORTANCE,
    SII_INNER_NOISE_DB,
    SII_NORMAL_DB,
    STI_ALPHA,
    STI_BETA,
    STI_RECEPTION_DB,
    THIRD_OCTAVE,
    modulation_transfer,
    sii,
    sti,
    sti_of,
)  # fmt: skip

SILENCE = np.full(18, -50.0)


def test_band_importances_sum_to_one():
    assert SII_IMPORTANCE.sum() == pytest.approx(1.0, abs=1e-12)


def test_the_bands_from_315_to_3150_hz_hold_their_share():
    # ANSI S3.5-1997, table 3
    inside = (SII_BANDS_HZ >= 315) & (SII_BANDS_HZ <= 3150)
    assert SII_IMPORTANCE[inside].sum() == pytest.approx(0.7825, abs=1e-12)


def test_overall_level_of_normal_speech():
    # ANSI S3.5-1997: 62.35 dB SPL overall
    powers = 10 ** (SII_NORMAL_DB / 10) * SII_BANDS_HZ * THIRD_OCTAVE
    assert 10 * np.log10(powers.sum()) == pytest.approx(62.35, abs=0.01)


def test_normal_speech_in_silence_is_all_but_fully_audible():
    # Normal effort in silence loses only what hearing's own noise and self-masking take: 0.99 or more.
    assert sii(SII_NORMAL_DB, SILENCE) == pytest.approx(1.0, abs=0.01)


def test_noise_15_db_above_speech_leaves_nothing_and_0_db_leaves_half():
    # audibility is (speech - disturbance + 15) / 30; white-ish spectra of the speech's own shape spread a little
    speech = SII_NORMAL_DB
    assert sii(speech, speech + 15.5) == pytest.approx(0.0, abs=1e-9)
    assert 0.45 < sii(speech, speech) <= 0.5


def test_shouting_is_level_distorted():
    # at 20 dB over normal the level distortion is (20 - 10) / 160 = 1/16 of the index, all bands alike
    assert sii(SII_NORMAL_DB + 20, SILENCE) == pytest.approx(1 - 10 / 160, abs=0.002)


def test_male_octave_weights():
    # IEC 60268-16 (the single weights are from memory): alphas less betas sum to 1
    assert STI_ALPHA.sum() - STI_BETA.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("snr_db, index", [(-15, 0.0), (-5, 1 / 3), (0, 0.5), (5, 2 / 3), (10, 5 / 6), (15, 1.0)])
def test_noise_alone(snr_db, index):
    # IEC 60268-16: m = 1 / (1 + 10^(-SNR/10)), transmission index (SNR + 15) / 30
    assert sti(modulation_transfer(snr_db)) == pytest.approx(index, abs=1e-9)


@pytest.mark.parametrize("m, index", [(0.11182, 0.2), (0.33386, 0.4), (0.79924, 0.7)])
def test_uniform_modulation_transfer(m, index):
    # IEC 60268-16, verification values: the same m in all bands and at all rates
    assert sti(np.full((7, 14), m)) == pytest.approx(index, abs=5e-5)


def test_a_reverberant_room_has_schroeders_transfer():
    # Schroeder 1981: m = 1 / sqrt(1 + (2 pi F T / 13.8)^2) for a purely exponential decay
    m = modulation_transfer(np.inf, rt60_s=1.5, direct_db=-300.0)[0]
    rates_hz = np.array([0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10, 12.5])
    assert m == pytest.approx(1 / np.sqrt(1 + (2 * np.pi * rates_hz * 1.5 / 13.8) ** 2), rel=1e-9)


def sii_by_hand(speech_db, noise_db) -> float:
    """ANSI S3.5-1997, one-third octave procedure, band by band (its formulas from memory, with its 0.89 for 2^(-1/6))."""
    total, maskers = 0.0, []
    for i, centre in enumerate(SII_BANDS_HZ):
        masker = max(noise_db[i], speech_db[i] - 24)
        power = 10 ** (noise_db[i] / 10)
        for below, slope, hz in maskers:
            power += 10 ** ((below + 3.32 * slope * np.log10(0.89 * centre / hz)) / 10)
        maskers.append((masker, -80 + 0.6 * (masker + 10 * np.log10(centre) - 6.353), centre))
        disturbance = max(10 * np.log10(power), SII_INNER_NOISE_DB[i])
        audible = min(1.0, max(0.0, (speech_db[i] - disturbance + 15) / 30))
        total += SII_IMPORTANCE[i] * audible * min(1.0, max(0.0, 1 - (speech_db[i] - SII_NORMAL_DB[i] - 10) / 160))
    return total


@pytest.mark.parametrize("louder_db, noise_db", [(0, 20), (0, 40), (15, 45), (25, 60)])
def test_masking_spreads_upwards_as_a_count_by_hand_says(louder_db, noise_db):
    """Noise in the low bands alone, so that nearly all masking is spread; loud speech, so that it masks itself."""
    noise = np.where(SII_BANDS_HZ < 500, float(noise_db), -20.0)
    speech = SII_NORMAL_DB + louder_db
    assert sii(speech, noise) == pytest.approx(sii_by_hand(speech, noise), abs=1e-3)


@pytest.mark.parametrize("louder_db", [45, 55])
def test_loud_low_bands_mask_soft_high_ones_of_the_same_voice(louder_db):
    """Self-masking: speech 24 dB down counts as noise, and spreads upwards as noise does."""
    speech = SII_NORMAL_DB + np.where(SII_BANDS_HZ < 500, louder_db, -8.0)
    assert sii(speech, SILENCE) == pytest.approx(sii_by_hand(speech, SILENCE), abs=2e-3)
    assert sii(speech, SILENCE) < sii_by_hand(SII_NORMAL_DB - 8.0, SILENCE) - 0.03


def sti_by_hand(m: np.ndarray) -> float:
    """IEC 60268-16, male, without masking (its formulas from memory), loop by loop."""
    index = []
    for band in m:
        ti = [min(1.0, max(0.0, (10 * np.log10(v / (1 - v)) + 15) / 30)) for v in band]
        index.append(sum(ti) / len(ti))
    total = sum(a * v for a, v in zip(STI_ALPHA, index))
    return total - sum(b * (index[k] * index[k + 1]) ** 0.5 for k, b in enumerate(STI_BETA))


def test_uneven_bands_are_weighed_and_their_overlap_taken_off():
    m = np.random.default_rng(2).uniform(0.1, 0.9, (7, 14))
    assert sti(m) == pytest.approx(sti_by_hand(m), abs=1e-9)


def test_soft_speech_is_lost_in_the_threshold_of_reception():
    """Noiseless octave-wide speech bands at 62.35 dB SPL in all: each band's SNR is its level over the threshold."""
    rng, rate = np.random.default_rng(4), 48_000
    speech = rng.standard_normal(rate * 4)
    powers = np.array([centre * (2**0.5 - 2**-0.5) / (rate / 2) for centre in (125, 250, 500, 1000, 2000, 4000, 8000)])
    above_db = 62.35 + 10 * np.log10(powers) - STI_RECEPTION_DB
    expected = sti_by_hand(np.repeat((1 / (1 + 10 ** (-above_db / 10)))[:, None], 14, axis=1).clip(1e-9, 1 - 1e-9))
    assert sti_of(speech, np.zeros_like(speech) + 1e-9, rate) == pytest.approx(expected, abs=0.01)
