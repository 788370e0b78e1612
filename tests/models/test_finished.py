"""A finished ear read back hears what the ear that ships hears, so a fit goes on from it and not from somewhere near.  (about 9 s)"""

from pathlib import Path

import numpy as np
import soundfile

from tests.parts import need_python

torch = need_python("torch", "the train extra")
need_python("onnx", "the train extra")

from listener.speech.network import Network, open_session, read_info, shipped_model  # noqa: E402
from listener.speech.pronounce import PHONE_INDEX  # noqa: E402
from models.training.augment import FeatureMaker  # noqa: E402
from models.training.export import mixed  # noqa: E402
from models.training.fit import make_net  # noqa: E402
from models.training.net import Ear, NetShape  # noqa: E402

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"


def test_the_network_read_back_from_the_shipped_model_hears_what_the_shipped_model_hears() -> None:
    """The shipped step rounds what goes into its matrices to 8 bits, so probabilities differ a little."""
    audio, _ = soundfile.read(RECORDINGS / "suspend_clean_1.flac", dtype="float32")
    shipped = Network(open_session(shipped_model() / "ear.onnx"), read_info(shipped_model())).feed(audio)
    ours = np.concatenate([phones for phones, _ in shipped])
    with torch.no_grad():
        features = FeatureMaker(torch.device("cpu"))(torch.from_numpy(audio)[None])
        net = make_net(NetShape(), shipped_model()).eval()
        whole = net(features, torch.tensor([0]))[0][0].log_softmax(1).numpy()
    frames = min(len(ours), len(whole))
    assert frames > 100
    assert np.mean(ours[:frames].argmax(1) == whole[:frames].argmax(1)) > 0.97
    assert np.abs(np.exp(ours[:frames]) - np.exp(whole[:frames])).mean() < 0.005


def test_the_text_encoder_read_back_gives_the_embeddings_of_the_shipped_rivals() -> None:
    """Half-precision rounding of numbers up to about four is the difference allowed."""
    net = make_net(NetShape(), shipped_model()).eval()
    with np.load(shipped_model() / "rivals.npz") as file, torch.no_grad():
        for number in (0, 700, 4000, len(file["phones"]) - 1):
            phones = torch.tensor([[PHONE_INDEX[p] for p in file["phones"][number].split()]])
            assert np.allclose(net.text(phones)[0].numpy(), file["embedded"][number].astype(np.float32), atol=0.01)


def test_a_mixture_is_the_share_of_each_weight_and_buffers_that_are_the_same_stay_so() -> None:
    shape = NetShape(width=64, layers=1, heads=2, query=16)
    one, other = Ear(shape), Ear(shape)
    told = {name: values.clone() for name, values in one.state_dict().items()}
    for name, values in mixed(one, other, 0.25).state_dict().items():
        assert torch.allclose(values, 0.25 * told[name] + 0.75 * other.state_dict()[name], atol=1e-6), name
