"""Advice on a phrase before anyone depends on it: how it is said, what it is taken for, how much of it will be found.

What was measured and what is only predicted is kept apart in every figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from listener.call.background import background, joint_peaks
from listener.call.rule import alert_level
from listener.errors import UsageError, UserError
from listener.settings import PhraseSettings, Settings
from listener.site.phrase_alike import Alike, likeness
from listener.site.phrase_measure import Spot
from listener.site.phrase_table import CONDITIONS, LONG, Counted, Table, features, read_table
from listener.speech.ear import EarEngine, load, model_folder
from listener.speech.pronounce import Pronunciation, phrase_pronunciations, pronunciations, unknown_words

# Where the verdict turns. Common practice of ours, no source: a tenth missed at 10 dB is what the card calls usual for a
# new word; 0.5 an hour is the rate the ear was set for, and a fifth of it what people bear (see DEVELOPERS.md).
FOUND_GOOD, FOUND_POOR = 0.9, 0.75  # at 10 dB
TALK_GOOD, TALK_POOR = 0.1, 0.5  # false alerts an hour of talk
FORMS = ("all {}", "{} now", "{} launch", "{} the launch")
"""Longer forms that are tried: more sounds bear more noise. What they mean on your field is yours to judge."""
WORTHWHILE = 0.03  # so much more must be found at 0 dB for a longer form to be worth saying
NEAR = 1.5  # nats: a common word that is this near is said instead of ours sooner or later


@dataclass(frozen=True, slots=True)
class Advice:
    """All that is said of a phrase.

    ways: of saying it. alike: what sounds like each of its words, nearest first. measured: calls found by condition; empty
    for a phrase that was never measured. predicted: share found by condition, from what was measured on the spot, else from
    length and kind. spot: what was, None if nothing; an incomplete one predicts nothing. people: calls found by people who
    said other words of this length. talk_per_h: false alerts expected in an hour of talk at the sensitivity
    of the settings, None where the model knows no talk or it sounds too seldom like the phrase to tell; talk_alerts of them
    are in the talk_h hours of the model's bank. verdict: good, fair or poor; because: why, for people.
    """

    phrase: str
    repeats: int
    ways: tuple[Pronunciation, ...]
    alike: Mapping[str, tuple[Alike, ...]]
    measured: Mapping[str, Counted]
    predicted: Mapping[str, float]
    spot: Spot | None
    people: Mapping[str, Counted]
    talk_per_h: float | None
    talk_alerts: int
    talk_h: float
    verdict: str
    because: tuple[str, ...]

    @property
    def is_from_spot(self) -> bool:
        """What is predicted comes from what all voices said here."""
        return self.spot is not None and self.spot.is_whole

    @property
    def expected(self) -> dict[str, float]:
        """Share found by condition: measured where it was, else predicted."""
        return {c: self.measured[c].share if c in self.measured else self.predicted[c] for c in CONDITIONS}


def advise(words: list[str], settings: Settings, spots: Mapping[str, Spot] | None = None) -> list[Advice]:
    """Advice on phrases, in their order. spots: what was measured here, by phrase.

    Raises UserError for words that nothing is known of, naming the way out.
    """
    if not all(words):
        raise UsageError("WORDS: a phrase has at least one word")
    settings = settings.with_phrases(tuple(settings.phrases[0].model_copy(update={"words": w}) for w in words))
    if settings.engine != "ear":
        raise UserError(f"engine {settings.engine}: only the ear (engine: ear) knows its words well enough to advise on them")
    check_words(words, settings)
    table = read_table_of(settings)
    engine = load(settings)
    return [_advice(phrase, settings, engine, table, (spots or {}).get(phrase.words)) for phrase in settings.phrases]


def read_table_of(settings: Settings) -> Table:
    """What is measured of the ear of these settings."""
    return read_table(model_folder(settings))


def check_words(words: list[str], settings: Settings) -> None:
    """Raises UserError for words that the dictionary lacks: all of them in one line, not one after another."""
    if unknown := unknown_words(words, settings.pronounce):
        raise UserError(
            f"not in the pronouncing dictionary: {', '.join(map(repr, unknown))}; spell them in the settings "
            f"(pronounce: {{{unknown[0]}: ['K EH S T R AH L']}}) and give --config"
        )


def _advice(
    phrase: PhraseSettings, settings: Settings, engine: EarEngine, table: Table, spot: Spot | None
) -> Advice:
    ways = phrase_pronunciations(phrase.words.split(), settings.pronounce)
    alike, ambiguities = {}, []
    for word in dict.fromkeys(phrase.words.split()):
        near = likeness(engine.folder, word, pronunciations(word, settings.pronounce), table.common)
        alike[word] = near.alike
        ambiguities.append(near.ambiguity)
    level = alert_level(settings, engine.calibration)
    tail = background(engine.talk, phrase, engine.calibration)
    peaks = joint_peaks(engine.talk.hits.get(phrase.words, ()), phrase, engine.calibration)
    alerts = sum(peak >= level for peak in peaks)
    per_h = tail.chance_per_h(level) if tail else None
    predicted = table.from_spot(spot.score) if spot and spot.is_whole else table.predicted(features(ways, ambiguities))
    measured = table.measured.get(phrase.words, {})
    verdict, because = judge(phrase.words, measured, predicted, alike, per_h)
    return Advice(
        phrase.words, phrase.repeats, tuple(ways), alike, measured, predicted, spot,
        table.of_people(min(map(len, ways))), per_h, alerts, engine.talk.hours, verdict, because,
    )  # fmt: skip


def judge(
    words: str, measured: Mapping[str, Counted], predicted: Mapping[str, float], alike: Mapping[str, tuple[Alike, ...]],
    talk_per_h: float | None,
) -> tuple[str, tuple[str, ...]]:
    """good, fair or poor, and why."""
    worst, because = 0, []
    found = measured["10 dB"].share if "10 dB" in measured else predicted["10 dB"]
    how = "measured" if "10 dB" in measured else "predicted"
    if found < FOUND_GOOD:
        worst = max(worst, 2 if found < FOUND_POOR else 1)
        because.append(f"{found:.0%} found at 10 dB ({how})")
    if talk_per_h is not None and talk_per_h > TALK_GOOD:
        worst = max(worst, 2 if talk_per_h > TALK_POOR else 1)
        because.append(f"{talk_per_h:.1f} false alerts expected in an hour of talk")
    if len(words.split()) == 1:
        (near,) = alike.values()
        same = [one.word for one in near if not one.edits and one.common]
        close = [one.word for one in near if one.edits and one.common and one.distance < NEAR]
        if same:
            worst = max(worst, 1)
            because.append(f"sounds the same as {', '.join(same[:3])}")
        if close:
            worst = max(worst, 1)
            because.append(f"hardly told from {', '.join(close[:3])} said as often in a row")
    return ("good", "fair", "poor")[worst], tuple(because)


def longer_forms(advice: Advice, settings: Settings, table: Table) -> dict[str, dict[str, float]]:
    """Longer forms of a phrase of which clearly more is predicted to be found, with the shares by condition; best first."""
    if len(advice.ways[0]) >= LONG:
        return {}
    folder = model_folder(settings)
    tried = {}
    for form in FORMS:
        phrase = form.format(advice.phrase)
        ways = phrase_pronunciations(phrase.split(), settings.pronounce)
        said = [pronunciations(word, settings.pronounce) for word in phrase.split()]
        near = [likeness(folder, word, some, table.common) for word, some in zip(phrase.split(), said, strict=True)]
        tried[phrase] = table.predicted(features(ways, [one.ambiguity for one in near]))
    kept = {phrase: shares for phrase, shares in tried.items() if shares["0 dB"] > advice.predicted["0 dB"] + WORTHWHILE}
    return dict(sorted(kept.items(), key=lambda one: -one[1]["0 dB"])[:2])
