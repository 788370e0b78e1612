"""A finished ear, fitted further: it starts as what it was, and only what may learn does."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.parts import need_python

torch = need_python("torch", "the train extra")
need_python("onnx", "the train extra")

from listener.speech.network import Network, open_session, read_info, shipped_model  # noqa: E402
from models.training.augment import FeatureMaker  # noqa: E402
from models.training.data import Clip, Composer, Corpus, transcribe  # noqa: E402
from models.training.export import load_net  # noqa: E402
from models.training.fit import Batches, Lexicon  # noqa: E402
from models.training.further import PLAN, Further, embeddings, net_of  # noqa: E402

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"


def test_the_network_read_back_from_the_shipped_model_hears_what_the_shipped_model_hears() -> None:
    """The shipped step rounds what goes into its matrices to 8 bits, so probabilities differ a little."""
    audio, _ = soundfile.read(RECORDINGS / "suspend_clean_1.flac", dtype="float32")
    shipped = Network(open_session(shipped_model() / "ear.onnx"), read_info(shipped_model())).feed(audio)
    ours = np.concatenate([phones for phones, _ in shipped])
    with torch.no_grad():
        features = FeatureMaker(torch.device("cpu"))(torch.from_numpy(audio)[None])
        whole = net_of(shipped_model()).eval()(features, torch.tensor([0]))[0][0].log_softmax(1).numpy()
    frames = min(len(ours), len(whole))
    assert frames > 100
    assert np.mean(ours[:frames].argmax(1) == whole[:frames].argmax(1)) > 0.97
    assert np.abs(np.exp(ours[:frames]) - np.exp(whole[:frames])).mean() < 0.005


def test_the_embeddings_are_those_of_the_shipped_rivals() -> None:
    words = Lexicon([transcribe("stop")[0], transcribe("suspend")[0]])
    embedded = embeddings(shipped_model(), words)
    with np.load(shipped_model() / "rivals.npz") as file:
        place = list(file["phones"]).index("S T AA P")
        assert np.allclose(embedded[words.index["S", "T", "AA", "P"]], file["embedded"][place].astype(np.float32))


@pytest.fixture
def corpus() -> Corpus:
    """One tone that is always called "stop": enough to be learned in a few steps."""
    tone = (8000 * np.sin(2 * np.pi * 400 * np.arange(8000) / 16_000)).astype(np.int16)
    clip = Clip(0, len(tone), "amazon_queen", "somebody", "word", transcribe("stop"), "stop")
    return Corpus(tone, (clip,))


def test_the_upper_blocks_and_heads_learn_and_nothing_below_them(corpus, tmp_path) -> None:
    net, words = net_of(shipped_model()), Lexicon([transcribe(w)[0] for w in ("stop", "step", "go", "hold")])
    before = {name: values.clone() for name, values in net.state_dict().items()}
    plan = PLAN.__class__(
        **{**PLAN.__dict__, "batch": 2, "seconds": 2.0, "rivals": 4, "warm_steps": 1, "rate_heads": 3e-3}
    )
    fit = Further(net, plan, words, embeddings(shipped_model(), words), blocks=1)
    batches = Batches(Composer(corpus, plan.seconds, plan.shares), words, plan, 0)
    losses = [fit.train_step(batches.batch(n), None, 0.0)[0] for n in range(8)]
    assert np.mean(losses[-2:]) < np.mean(losses[:2])
    fit.save(tmp_path / "ear.pt")
    after = load_net(torch.load(tmp_path / "ear.pt", weights_only=True)).state_dict()
    changed = {
        n for n in before if not n.startswith(("text.", "echo.")) and not torch.allclose(before[n], after[n], atol=1e-3)
    }
    assert changed and all(n.startswith(("blocks.5.", "norm.", "phones.", "words.", "word_blank.")) for n in changed)
