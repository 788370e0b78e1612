"""Would the checks notice? Wrong arithmetic is put into radio/, score/ and study/, and the checks must fail each time.

Each mutant is one changed constant or sign, run against the test file that answers for it, in a process of its own. It
takes minutes, so it runs only when asked for: LISTENER_LONG=1 pytest -s tests/outside/test_mutants.py
"""

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.long

ROOT = Path(__file__).parents[2]
P56, VALUES, DETECTION = "outside/test_p56.py", "outside/test_intelligibility_values.py", "outside/test_detection_values.py"
MUTANTS = [
    ("radio/level.py", "TIME_CONSTANT_S = 0.03", "TIME_CONSTANT_S = 0.035", P56),
    ("radio/level.py", "HANGOVER_S = 0.2", "HANGOVER_S = 0.23", P56),
    ("radio/level.py", "MARGIN_DB = 15.9", "MARGIN_DB = 15.4", P56),
    ("radio/level.py", "(1.0 - g) ** 2", "(1.0 - g)", P56),
    ("radio/level.py", "share * (level_db[j]", "(1 - share) * (level_db[j]", P56),
    ("radio/mix.py", "level_dbov - snr_db - noise_db", "level_dbov + snr_db - noise_db", "radio/test_mix.py"),
    ("radio/mix.py", "noise_db) / 20.0)", "noise_db) / 10.0)", "radio/test_mix.py"),
    ("radio/band.py", "butter(order,", "butter(order + 1,", "outside/test_voice_band.py"),
    ("g711.py", "_MU_BIAS, _MU_CLIP = 132", "_MU_BIAS, _MU_CLIP = 131", "outside/test_g711.py"),
    ("g711.py", "step + 0x108", "step + 0x100", "outside/test_g711.py"),
    ("study/intelligibility.py", "speech - 24.0", "speech - 20.0", VALUES),
    ("study/intelligibility.py", "-80.0 + 0.6", "-80.0 + 0.5", VALUES),
    ("study/intelligibility.py", "+ 3.32 * slope", "+ 3.0 * slope", VALUES),
    ("study/intelligibility.py", "- 6.353", "- 4.0", VALUES),
    ("study/intelligibility.py", "+ 15.0) / 30.0", "+ 12.0) / 30.0", VALUES),
    ("study/intelligibility.py", "- 10.0) / 160.0", "- 10.0) / 120.0", VALUES),
    ("study/intelligibility.py", "+ 15) / 30", "+ 12) / 30", VALUES),
    ("study/intelligibility.py", "rt60_s / 13.8", "rt60_s / 6.9", VALUES),
    ("study/intelligibility.py", "np.sqrt(index[:-1] * index[1:])", "(index[:-1] * index[1:])", VALUES),
    ("study/intelligibility.py", "STI_RECEPTION_DB / 10", "STI_RECEPTION_DB / 20", VALUES),
    ("score/interval.py", "+ q * q / 4", "+ q * q / 2", DETECTION),
    ("score/interval.py", "2 * (count + 1)", "2 * count + 1", DETECTION),
    ("score/interval.py", "present / max(present - 1, 1)", "1.0", "outside/test_clustered_intervals.py"),
    ("score/interval.py", "(len(p) - np.arange(len(p)))", "len(p)", "outside/test_clustered_intervals.py"),
    ("score/metrics.py", "BETA = 999.9", "BETA = 1000.9", DETECTION),
    ("score/metrics.py", "- 2 * phi * down_1 * up_2", "+ 2 * phi * down_1 * up_2", DETECTION),
    ("score/metrics.py", "above - n / 2", "above - n / 8", DETECTION),
    ("score/metrics.py", "(first.value - low_1) ** 2", "(high_1 - first.value) ** 2", DETECTION),
    ("score/psychometric.py", "student.ppf(0.975", "student.ppf(0.75", "outside/test_psychometric_recovery.py"),
    ("score/psychometric.py", "share * (1 - share) / self.spread_db", "share / self.spread_db", "outside/test_psychometric_recovery.py"),
    ("study/sound.py", "(heard[during] - turned) / 2", "(heard[during] + turned) / 2", "study/test_trials.py"),
    ("study/design.py", "shift * plan.trials", "shift", "study/test_trials.py"),
]  # fmt: skip

RUN = """
import importlib.abc, importlib.util, sys
import pytest
name, path, old, new, tests = sys.argv[1:]
source = open(path, encoding="utf-8").read()
assert old in source, "the mutant's place is gone"
class Mutated(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    def find_spec(self, fullname, *_):
        return importlib.util.spec_from_loader(name, self, origin=path) if fullname == name else None
    def exec_module(self, module):
        module.__file__ = path
        exec(compile(source.replace(old, new), path, "exec"), module.__dict__)
sys.meta_path.insert(0, Mutated())
sys.exit(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", tests]))
"""


def test_wrong_arithmetic_is_noticed():
    assert len(MUTANTS) >= 20
    survivors = []
    for file, old, new, tests in MUTANTS:
        name = "listener." + file.removesuffix(".py").replace("/", ".")
        command = [sys.executable, "-c", RUN, name, str(ROOT / "listener" / file), old, new, f"tests/{tests}"]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
        assert done.returncode in (0, 1) and "place is gone" not in done.stdout + done.stderr, done.stdout + done.stderr
        if done.returncode == 0:
            survivors.append(f"{file}: {old} -> {new}")
        print(f"{'SURVIVED' if done.returncode == 0 else 'killed'}: {file}: {old} -> {new}", flush=True)
    assert not survivors, survivors
