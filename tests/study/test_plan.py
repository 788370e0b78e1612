"""A study plan: what it means, and one clear line for what is wrong with it, before any work."""

from pathlib import Path

import pytest
import yaml

from listener.errors import SettingsError
from listener.radio.channel import Agc, BandPass, Codec
from listener.study.plan import plan_from, plan_hash, read_plan

CONFIGS = Path(__file__).parents[2] / "configs"


def plan(**changes):
    base = {"name": "p", "speech": {"voices": ["flite rms"]}, "engines": {"a": {"engine": "sphinx"}}}
    return plan_from({**base, **changes}, "plan.yaml")


@pytest.mark.parametrize("file", sorted(CONFIGS.glob("study_*.yaml")), ids=lambda f: f.name)
def test_shipped_plans_are_good(file):
    assert read_plan(file).name


@pytest.mark.parametrize(
    "changes, said",
    [
        ({"noises": ["turbin"]}, "noises: 'turbin' is not a noise we know; choose one of turbine, wind_deck"),
        ({"snr_db": [-90.0]}, "snr_db: -90 dB is out of reach; from -60 to 60"),
        ({"measures": ["false_alarms"]}, "measures: false_alarms needs negatives; set negatives.hours above 0"),
        ({"measures": ["det"], "negatives": {"hours": 0}}, "measures: det needs negatives"),
        ({"engines": {"a": {"engine": "sphynx"}}}, "engines.a: engine"),
        ({"radios": {"x": "aircraft_fm"}}, "radios.x: 'aircraft_fm' is not a radio we know; choose one of clean, band"),
        ({"radios": {"x": [{"agc": {"target": 3}}]}}, "channel stage agc: has no field 'target'"),
        ({"radios": {"x": ["echo"]}}, "channel stage 'echo': unknown"),
        ({"speech": {}}, "nobody speaks"),
        ({"gap_s": [0.5, 0.2]}, "gap_s: the first number must be less"),
        ({"gap_s": [0.5, 4.0]}, "longer than the calls' gaps may be (1.75)"),
        ({"trails": 3}, "trails: no such setting"),
        ({"trials": 0}, "trials: must be at least 1 (it is 0)"),
        ({"snr_db": ["loud"]}, "snr_db.0: must be a number (it is 'loud')"),
        ({"noises": []}, "noises: must not be empty"),
        ({"noises": [{"name": "deck"}]}, "noises.0.path: is missing"),
        ({"band_hz": [300, 9000]}, "band_hz: 9000 Hz is out of reach; at most 8000"),
        ({"speech": {"voices": ["flite rms"], "paces": [0]}}, "speech.paces.0: must be at least 0.5"),
        ({"negatives": {"pause_s": [5, 1]}}, "negatives: pause_s: the first number must be less than the second"),
        ({"negatives": {"piece_s": 5, "pause_s": [4, 6]}}, "at least a second less than piece_s"),
    ],
)  # fmt: skip
def test_a_wrong_plan_is_one_line_that_names_file_key_and_remedy(changes, said):
    with pytest.raises(SettingsError) as caught:
        plan(**changes)
    assert str(caught.value).startswith("plan.yaml: ") and said in str(caught.value) and "\n" not in str(caught.value)


def test_a_missing_or_broken_file_is_named(tmp_path):
    (tmp_path / "bad.yaml").write_text("name: [")
    for name, said in (("none.yaml", "No such file"), ("bad.yaml", "not valid YAML")):
        with pytest.raises(SettingsError, match=said) as caught:
            read_plan(tmp_path / name)
        assert str(tmp_path / name) in str(caught.value)


def test_radios_are_names_or_stages_in_order():
    p = plan(radios={"gate": [{"band": {"low_hz": 400}}, "agc", {"codec": {"law": "a"}}]})
    assert p.channel("gate").stages == (BandPass(low_hz=400), Agc(), Codec("a"))


def test_the_hash_follows_what_changes_a_result_and_nothing_else():
    one = plan_hash(plan())
    assert one == plan_hash(plan(about="words", resamples=200, measures=["miss"]))
    assert len({one, plan_hash(plan(seed=2)), plan_hash(plan(trials=21)), plan_hash(plan(noises=["pink"]))}) == 4


def test_a_plan_survives_being_written_and_read_again(tmp_path):
    p = plan(radios={"gate": [{"band": {"low_hz": 400.0}}, "agc"]}, rooms={"cabin": {"rt60_s": 0.2}, "none": None})
    (tmp_path / "again.yaml").write_text(yaml.safe_dump(p.model_dump(mode="json")))
    assert read_plan(tmp_path / "again.yaml") == p
