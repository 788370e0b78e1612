"""Settings: YAML in, frozen values out, and errors of one line that name file, key, value and remedy."""

from pathlib import Path

import pytest
from pydantic import ValidationError

from listener.errors import SettingsError
from listener.settings import PhraseSettings, Settings, read_settings

CONFIGS = Path(__file__).parents[2] / "configs"


def read(tmp_path: Path, text: str) -> Settings:
    path = tmp_path / "mine.yaml"
    path.write_text(text, encoding="utf-8")
    return read_settings(path)


def test_with_no_file_it_is_the_flight_deck():
    shipped = read_settings(CONFIGS / "flight_deck.yaml")
    assert shipped.watch.steps and not Settings().watch.steps  # every unit has its own
    assert shipped.watch.resolved_as == ("resume", "aircraft fast")
    assert len(shipped.positions) == 2 and not Settings().positions
    own = {"steps": (), "resolved_as": Settings().watch.resolved_as}  # these three are a flight deck's own; all else is the default
    watch = shipped.watch.model_copy(update=own)
    assert shipped.model_copy(update={"watch": watch, "positions": ()}) == Settings()
    assert Settings().phrases == (PhraseSettings(words="suspend", repeats=3),)


@pytest.mark.parametrize(
    "name, words", [("flight_deck", "suspend"), ("winch_field", "stop"), ("rocket_range", "hold")]
)
def test_the_shipped_settings(name, words):
    (phrase,) = read_settings(CONFIGS / f"{name}.yaml").phrases
    assert (phrase.words, phrase.repeats) == (words, 3)


@pytest.mark.parametrize("name", ["flight_deck", "winch_field", "rocket_range"])
def test_every_setting_in_the_shipped_files_is_explained_beside_or_above_it(name):
    above = ""
    for line in (CONFIGS / f"{name}.yaml").read_text().splitlines():
        key = line.strip().split(":")[0]
        if ":" in line and not line.lstrip().startswith("#") and key not in ("phrases", "gate"):
            assert "#" in line or above.startswith("#"), line
        above = line.strip()


@pytest.mark.parametrize(
    "text, said",
    [
        ("engine: whisper", "engine: must be 'ear', 'sphinx' or 'vosk' (it is 'whisper')"),
        ("fancy: 1", "fancy: no such setting"),
        ("phrases: [{words: stop, repeats: 9}]", "phrases.0.repeats: must be at most 5 (it is 9)"),
        ("phrases: [{words: stop, repeats: three}]", "phrases.0.repeats: must be a whole number (it is 'three')"),
        ("phrases: []", "phrases: must not be empty"),
        ("phrases: [{words: ''}]", "phrases.0.words: must not be empty (it is '')"),
        ("phrases: [{repeats: 2}]", "phrases.0.words: is missing"),
        ("phrases: [{words: no}]", "phrases.0.words: YAML reads on, off, yes and no as true or false: put the word in quotes"),
        ("phrases: [{words: stop}, {words: Stop}]", "phrases: 'stop' is listed more than once"),
        ("phrases: [{words: stop, min_gap_s: 2, max_gap_s: 1}]", "phrases.0: min_gap_s (2) must be less than max_gap_s (1)"),
        ("positions: [one]", "positions: one position alone tells nothing: give two to eight, or none"),
        ("positions: [a, b, c, d, e, f, g, h, i]", "positions: must hold 8 at most; there are 9"),
        ("positions: [suspend, two]", "positions: 'suspend' of 'suspend' is said for the phrase 'suspend' too; choose another word"),
        ("positions: [one, 'not']", "positions: 'not' of 'not' is said for 'not one', which denies a position, too; choose another word"),
        ("positions: [yes, two]", "positions.0: must be words in quotes; YAML reads on, off, yes and no as true or false"),
        ("positions: [one, One]", "positions: 'one' of 'One' is said for 'one' in positions too; choose another word"),
        ("positions: [{name: A, spoken: one}, {name: A, spoken: two}]", "positions: 'A' is listed more than once"),
        ("positions: [{name: A, spoken: []}, two]", "positions.0.spoken: must not be empty"),
        ("positions: [one, two]\ncallers: [two]", "callers: 'two' of 'two' is said for 'two' in positions too; choose another word"),
        ("callers: [{name: KITE, spoken: 'kite #'}]", "callers.0: 'kite #' and the name 'KITE' need the same number of #, two at most"),
        ("callers: [{name: 'K#', spoken: 'k#'}]", "callers.0: 'k#': each # must stand alone, as in 'kite #'"),
        ("gate: {aggressiveness: 4}", "gate.aggressiveness: must be at most 3 (it is 4)"),
        ("gate: sometimes", "gate: must be off, or a group of settings (it is 'sometimes')"),
        ("phrases: [{words: stop", "not valid YAML: "),
        ("just words", "expected settings such as 'engine: sphinx', found 'just words'"),
    ],
)  # fmt: skip
def test_a_wrong_setting_is_one_line_that_names_file_key_and_value(tmp_path, text, said):
    with pytest.raises(SettingsError) as caught:
        read(tmp_path, text)
    line = str(caught.value)
    assert line.startswith(f"{tmp_path / 'mine.yaml'}: ")
    assert said in line
    assert "\n" not in line


def test_positions_are_words_or_groups_and_digits_are_said(tmp_path):
    settings = read(tmp_path, "positions: [{name: 1, spoken: [1, Number  1, one]}, port]")
    assert [(p.name, p.spoken) for p in settings.positions] == [("1", ("one", "number one")), ("port", ("port",))]


def test_a_call_sign_with_two_digits_is_a_hundred_callers(tmp_path):
    (caller,) = read(tmp_path, "callers: [{name: 'KITE ##', spoken: 'kite # #'}]").callers
    names = dict(caller.each())
    assert len(names) == 100
    assert names["KITE 07"] == ["kite zero seven"]
    assert names["KITE 19"] == ["kite one nine", "kite one niner"]


def test_a_missing_file_is_one_line(tmp_path):
    with pytest.raises(SettingsError, match="none.yaml: cannot read the settings: No such file"):
        read_settings(tmp_path / "none.yaml")


def test_a_file_that_is_no_text_is_one_line(tmp_path):
    (tmp_path / "bin.yaml").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(SettingsError, match="bin.yaml: cannot read the settings: it is not a text file"):
        read_settings(tmp_path / "bin.yaml")


@pytest.mark.parametrize("text", ["gate: off", "gate: 'off'", "gate: false"])
def test_gate_off_is_off_however_yaml_reads_it(tmp_path, text):
    assert read(tmp_path, text).gate == "off"


def test_words_are_taken_in_lower_case_with_single_spaces(tmp_path):
    assert read(tmp_path, "phrases: [{words: ' Cease   FIRE '}]").phrases[0].words == "cease fire"


def test_an_empty_file_is_all_defaults(tmp_path):
    assert read(tmp_path, "# nothing\n") == Settings()


def test_a_model_path_is_meant_from_the_file_s_folder(tmp_path):
    settings = read(tmp_path, "vosk: {model_path: my-model, decoys: [go]}")
    assert settings.vosk.model_path == tmp_path / "my-model"
    assert settings.vosk.decoys == ("go",)


def test_settings_cannot_be_changed_afterwards():
    with pytest.raises(ValidationError):
        Settings().engine = "vosk"
