"""The recipe's network and features against what ships: the same numbers, streamed or whole."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from tests.parts import need_python

torch = need_python("torch", "the train extra")

from listener.speech.features import FeatureStream  # noqa: E402
from listener.speech.pronounce import PHONES  # noqa: E402
from models.training.augment import FeatureMaker, degrade  # noqa: E402
from models.training.data import (  # noqa: E402
    Clip,
    Composer,
    Corpus,
    _by_text,
    add_floor,
    cut_short,
    held_back,
    load,
    not_for_training,
    people_held_back,
    transcribe,
    word_rows,
)
from models.training.fit import Batches, Fit, Lexicon, Plan, loss_of_words  # noqa: E402
from models.training.net import BLANK, Ear, NetShape  # noqa: E402

SMALL = NetShape(width=32, layers=2, heads=4, chunk=4, left=8, query=16, positions=48)


def _net() -> Ear:
    torch.manual_seed(3)
    net = Ear(SMALL).eval()
    net.positions.normal_(0, 0.5)
    return net


def _stream(net: Ear, features: torch.Tensor, first: int) -> torch.Tensor:
    padded = torch.cat([torch.zeros(1, 2, SMALL.inputs), features], dim=1)
    keys = torch.zeros(SMALL.layers, 1, SMALL.heads, SMALL.left, SMALL.width // SMALL.heads)
    values, known, position, out = keys.clone(), 0, first, []
    while padded.shape[1] >= 2 * SMALL.chunk + 3:
        phones, _, keys, values = net.step(
            padded[:, : 2 * SMALL.chunk + 3], torch.tensor([position]), torch.tensor([known]), keys, values
        )
        out.append(phones)
        padded = padded[:, 2 * SMALL.chunk :]
        position, known = (position + SMALL.chunk) % SMALL.positions, min(SMALL.left, known + SMALL.chunk)
    return torch.cat(out)


@torch.no_grad()
@pytest.mark.parametrize("first", [0, 40])
def test_streaming_in_chunks_equals_hearing_it_whole(first: int) -> None:
    """Also where the positions begin anew (40 + 60 frames pass the end at 48)."""
    features = torch.randn(1, 123, SMALL.inputs, generator=torch.Generator().manual_seed(1))
    net = _net()
    whole = net(features, torch.tensor([first]))[0][0].log_softmax(1)
    parts = _stream(net, features, first)
    assert len(parts) == 60
    assert (parts - whole[: len(parts)]).abs().max() < 1e-5


@torch.no_grad()
def test_what_hears_again_is_the_whole_line_as_it_is_fitted() -> None:
    """The exported way (feature rows, two of nothing before the first) against the fit's."""
    net, features = _net(), torch.randn(1, 81, SMALL.inputs)
    fitted = net.judge(net.encode(features, torch.tensor([0]), whole=True))
    phones, words = net.hear(torch.cat([torch.zeros(1, 2, SMALL.inputs), features], dim=1))
    assert len(phones) == 40
    assert (phones - fitted[0][0].log_softmax(1)[:40]).abs().max() < 1e-5
    assert (words - torch.cat([fitted[1], fitted[2]], dim=2)[0, :40]).abs().max() < 1e-5
    later = features.clone()
    later[:, 70:] += 5.0
    assert not torch.equal(net.encode(later, torch.tensor([0]), whole=True)[0, :8], net.encode(features, torch.tensor([0]), whole=True)[0, :8])


@torch.no_grad()
def test_a_chunk_never_hears_the_future_nor_the_far_past() -> None:
    net, features = _net(), torch.randn(1, 203, SMALL.inputs)
    later, earlier = features.clone(), features.clone()
    later[:, 2 * 40 + 3 :] += 5.0
    earlier[:, : 2 * 4] += 5.0
    same = net(features, torch.tensor([0]))[0][0]
    assert torch.equal(net(later, torch.tensor([0]))[0][0][:40], same[:40])
    reach = 4 + SMALL.layers * SMALL.left + 1 + SMALL.chunk
    assert torch.equal(net(earlier, torch.tensor([0]))[0][0][reach:], same[reach:])


def test_training_features_are_the_shipped_features() -> None:
    audio = np.random.default_rng(0).normal(0, 0.1, (2, 48_000)).astype(np.float32)
    audio[0, :20_000] = 0.0
    ours = FeatureMaker(torch.device("cpu"))(torch.from_numpy(audio)).numpy()
    for clip, features in zip(audio, ours, strict=True):
        assert np.abs(FeatureStream().feed(clip) - features).max() < 1e-4


def test_degraded_clips_stay_in_range_and_follow_the_seed() -> None:
    speech = torch.randn(4, 48_000, generator=torch.Generator().manual_seed(2)) * 0.1
    a, b = (degrade(speech, None, torch.Generator().manual_seed(7), (-5.0, 5.0))[0] for _ in range(2))
    assert torch.equal(a, b)
    assert a.abs().max() <= 1.0
    assert a.std(dim=1).min() > 1e-4


def _corpus() -> Corpus:
    rng = np.random.default_rng(0)
    clips, at = [], 0
    for number, text in enumerate(["stop", "hold", "stop", "go go"]):
        words, length = transcribe(text), 6000 + 500 * number
        clips.append(Clip(at, length, "test", "a", "word" if " " not in text else "phrase", words, text))
        at += length
    return Corpus(rng.integers(-9000, 9000, at).astype(np.int16), tuple(clips))


def test_examples_are_a_function_of_seed_and_number() -> None:
    composer = Composer(_corpus(), 3.0, {"test": 1.0})
    one, same, other = composer.example(1, 5), composer.example(1, 5), composer.example(1, 6)
    assert np.array_equal(one.audio, same.audio) and one.words == same.words
    assert not np.array_equal(one.audio, other.audio)


def test_words_come_alone_twice_and_three_times() -> None:
    composer = Composer(_corpus(), 3.0, {"test": 1.0})
    seen = {len(composer.example(2, i).words) for i in range(300)}
    assert {1, 2, 3} <= seen
    assert all(np.flatnonzero(composer.example(2, i).audio).max(initial=0) < 0.85 * 48_000 for i in range(50))


def test_a_take_may_bring_a_background_of_its_own_that_comes_and_goes_with_it() -> None:
    line = np.zeros(32_000, np.int16)
    line[12_000:16_000] = 8000
    add_floor(line, 12_000, 16_000, np.random.default_rng(3))
    beside = np.flatnonzero(line[:12_000])
    assert 12_000 - 0.35 * 16_000 <= beside.min(initial=12_000) and len(beside) > 100
    level_db = 20 * np.log10(np.std(line[beside.min() : 12_000]) / 8000)
    assert -45 < level_db < -13
    assert not line[:6_000].any() and not line[22_000:].any()


def test_a_third_of_the_people_is_held_back_by_name_alone() -> None:
    names = [f"speaker {i}" for i in range(3000)]
    assert 900 < sum(map(held_back, names)) < 1100
    assert held_back("speaker 7") == held_back("speaker 7")


def _crowd(phrases: dict[str, int]) -> list[dict[str, str]]:
    return [{"speaker": "", "file": "a.ogg", "text": text} for text, count in phrases.items() for _ in range(count)]


def test_the_split_trains_on_two_thirds_of_every_phrase_and_on_nobody_held_back_by_name() -> None:
    named = [{"speaker": f"speaker {i}", "file": "b.ogg", "text": "one two"} for i in range(50)]
    rows = [*_crowd({"jarvis": 30, "view glass": 60}), *named]
    held = people_held_back(rows)
    assert [sum(h for r, h in zip(rows, held) if r["text"] == text) for text in ("jarvis", "view glass")] == [10, 20]
    assert held[90:] == [held_back(row["speaker"]) for row in named]


def test_people_s_words_train_but_never_the_command_files_nor_one_speaker_in_ten(tmp_path) -> None:
    """A folder of one second of sound: who trains is decided by file and by name, sentences written down train too;
    the few words that too many people said alone ("cat") stay out."""
    soundfile.write(tmp_path / "words_people_00.ogg", np.full(16_000, 0.1), 16_000, format="OGG", subtype="VORBIS")
    soundfile.write(tmp_path / "command_people_00.ogg", np.full(16_000, 0.1), 16_000, format="OGG", subtype="VORBIS")
    head, place = "file,start_s,seconds,speaker,text", "_people_00.ogg,0,1"
    names = [f"person {n}" for n in range(40)]
    rows = [f"words{place},{name},{text}" for name in names for text in ("tree", "cat", "")]
    rows += [f"command{place},{name},stop" for name in names]
    (tmp_path / "people.csv").write_text("\n".join([head, *rows]) + "\n")
    (tmp_path / "clips.csv").write_text(head + "\n")
    (tmp_path / "sentences.csv").write_text(f"{head},kind\nwords{place},person 1,hold the line,sentence\n")
    trained = load(tmp_path, real=True, workers=1)
    out = {row["speaker"] for row in word_rows(tmp_path) if row["text"] == "tree" and not_for_training(row)}
    assert 0 < len(out) < 12
    assert {(c.engine, c.kind, c.text) for c in trained.clips} == {
        ("people", "word", "tree"), ("readers", "sentence", "hold the line")
    }  # fmt: skip
    assert {c.voice for c in trained.clips if c.text == "tree"} == set(names) - out
    assert not load(tmp_path, real=True, workers=1, dev=True).clips


def test_a_word_said_a_hundred_times_comes_ten_times_as_often_as_one_said_once() -> None:
    clips = [Clip(0, 1, "test", "a", "word", transcribe(text), text) for text in (*["go"] * 100, "hold")]
    texts, odds = _by_text(clips)
    assert [len(some) for some in texts] == [100, 1]
    assert odds.sum() == pytest.approx(1.0) and odds[0] / odds[1] == pytest.approx(10.0)


def test_words_lose_at_most_a_third_at_their_edges() -> None:
    piece, rng = np.arange(6000, dtype=np.int16), np.random.default_rng(1)
    lengths = [len(cut_short(piece, rng)) for _ in range(400)]
    assert min(lengths) >= 4000 and 0.4 < np.mean([n == 6000 for n in lengths]) < 0.7


def test_rivals_hold_the_look_alikes_of_what_is_said() -> None:
    words = [("S", "T", "AA", "P"), ("S", "T", "AA", "K"), ("HH", "OW", "L", "D"), *((p,) * 3 for p in PHONES)]
    lexicon = Lexicon(words)
    said = torch.tensor([lexicon.index["S", "T", "AA", "P"]])
    drawn = lexicon.rivals(said, 10, 0.4, torch.Generator().manual_seed(1))
    assert len(drawn) == 10
    assert lexicon.index["S", "T", "AA", "K"] in drawn.tolist()
    assert torch.equal(drawn, lexicon.rivals(said, 10, 0.4, torch.Generator().manual_seed(1)))


def test_a_few_steps_lower_the_loss_and_a_resumed_run_goes_on(tmp_path) -> None:
    corpus = _corpus()
    lexicon = Lexicon([word for clip in corpus.clips for word in clip.words])
    plan = Plan(seconds=2.0, batch=8, steps=30, workers=0, rivals=8, warm_steps=3, rate_trunk=3e-3, rate_heads=3e-3)
    fit = Fit(_net().train(), plan, lexicon, torch.device("cpu"))
    composer = Composer(corpus, plan.seconds, {"test": 1.0})
    batch = next(iter(Batches(composer, lexicon, plan, 0)))
    before = float(fit.train_step(batch, None)[0])
    fit.run(composer, None, tmp_path / "checkpoint.pt")
    assert fit.step == 30
    assert float(fit.train_step(batch, None)[0]) < 0.8 * before
    again = Fit(_net().train(), replace(plan, steps=32), lexicon, torch.device("cpu"))
    again.resume(tmp_path / "checkpoint.pt")
    assert again.step == 30
    again.run(composer, None, tmp_path / "checkpoint.pt")
    assert again.step == 32


def test_a_teacher_beside_a_finished_ear_leaves_the_network_alone_until_its_echo_is_learnt() -> None:
    """The echo is born knowing nothing: before step ``echo_from`` the teacher's loss moves the echo only."""
    corpus = _corpus()
    lexicon = Lexicon([word for clip in corpus.clips for word in clip.words])
    plan = Plan(seconds=1.5, batch=2, workers=0, rivals=8, rate_trunk=3e-3, rate_heads=3e-3, echo_from=1)
    batch = next(iter(Batches(Composer(corpus, plan.seconds, {"test": 1.0}), lexicon, plan, 0)))

    def steps(count: int, weight: float) -> dict[str, torch.Tensor]:
        fit = Fit(_net().train(), replace(plan, teacher_weight=weight), lexicon, torch.device("cpu"), _net())
        for _ in range(count):
            torch.manual_seed(1)
            fit.train_step(batch, None)
        return {name: values.clone() for name, values in fit.net.state_dict().items()}

    one, other = steps(1, 1e-3), steps(1, 2e-3)
    assert torch.allclose(one["blocks.0.up.weight"], other["blocks.0.up.weight"], atol=1e-7)
    assert not torch.allclose(steps(2, 0.1)["blocks.0.up.weight"], steps(2, 10.0)["blocks.0.up.weight"], atol=1e-5)


class _Lost(Exception):
    """The machine was taken away."""


def test_a_fit_interrupted_three_times_gives_the_loss_curve_of_one_that_never_stopped(tmp_path, monkeypatch) -> None:
    """Saved after every step here; the machine goes at steps 3, 9 and 10. Losses, weights and averages are the same."""
    monkeypatch.setattr("models.training.fit.SAVE_S", 0.0)
    monkeypatch.setattr("models.training.fit.REPORT_STEPS", 2)
    corpus = _corpus()
    lexicon = Lexicon([word for clip in corpus.clips for word in clip.words])
    plan = Plan(seconds=1.5, batch=2, steps=14, workers=0, rivals=8, warm_steps=3, rate_trunk=3e-3, rate_heads=3e-3)
    composer = Composer(corpus, plan.seconds, {"test": 1.0})

    def sitting(path, lost_at: int | None) -> Fit:
        fit = Fit(_net().train(), plan, lexicon, torch.device("cpu"))
        if path.exists():
            fit.resume(path)
        step, save = fit.train_step, fit.save

        def until_lost(batch, pool):
            if fit.step == lost_at:
                monkeypatch.setattr(fit, "save", lambda _: None)  # nothing is written any more
                raise _Lost
            return step(batch, pool)

        monkeypatch.setattr(fit, "train_step", until_lost)
        try:
            fit.run(composer, None, path)
        except _Lost:
            fit.save = save
        return fit

    whole = sitting(tmp_path / "whole.pt", None)
    for lost_at in (3, 9, 10):
        assert sitting(tmp_path / "checkpoint.pt", lost_at).step == lost_at
    again = sitting(tmp_path / "checkpoint.pt", None)
    assert [step for step, *_ in whole.curve] == [2, 4, 6, 8, 10, 12, 14]
    assert again.curve == whole.curve
    assert len({phones for _, phones, _ in whole.curve}) == 7
    for name, values in whole.average.items():
        assert torch.equal(values, again.average[name]), name


def test_with_a_margin_a_word_must_beat_by_that_much_what_its_line_does_not_hold() -> None:
    """Two frames, one word and one rival, by hand: the paths are word-word, word-blank and blank-word."""
    queries, rival = torch.zeros(1, 2, 2), torch.tensor([1])
    embedded = torch.tensor([[16.0, 0.0], [0.0, 16.0]])
    queries[0, :, 0], queries[0, :, 1] = 3.0, 2.0
    batch = {"words": torch.tensor([0]), "word_counts": torch.tensor([1])}
    for margin in (0.0, 1.5):
        loss = loss_of_words(queries, torch.zeros(1, 2, 1), batch, rival, embedded.__getitem__, margin)
        said, nothing, _ = np.exp([3.0, 0.0, 2.0 + margin]) / np.exp([3.0, 0.0, 2.0 + margin]).sum()
        assert float(loss) == pytest.approx(-np.log(said * said + 2 * said * nothing), abs=1e-5)


def test_the_ctc_loss_equals_a_plain_forward_algorithm() -> None:
    """Graves et al. 2006, equations 6 to 8, written out for one short sequence."""
    from models.training.fit import ctc

    logits = torch.randn(1, 7, BLANK + 1, generator=torch.Generator().manual_seed(4))
    target = [3, 3, 9]
    extended = [BLANK, 3, BLANK, 3, BLANK, 9, BLANK]
    p = logits[0].softmax(1).double().numpy()
    alpha = np.zeros(len(extended))
    alpha[:2] = p[0, extended[0]], p[0, extended[1]]
    for t in range(1, 7):
        before = alpha.copy()
        for s, k in enumerate(extended):
            total = before[s] + (before[s - 1] if s else 0.0)
            if s > 1 and k != BLANK and k != extended[s - 2]:
                total += before[s - 2]
            alpha[s] = total * p[t, k]
    ours = ctc(logits, torch.tensor(target), torch.tensor([7]), torch.tensor([3]), BLANK)
    assert float(ours) == pytest.approx(-np.log(alpha[-1] + alpha[-2]) / 3, abs=1e-6)
