"""`make fuzz`: coverage-guided fuzzing of one target, or of each in turn for its share of the time.

    python tests/fuzz/run.py plan --seconds 600

What fails is written to build/fuzz/TARGET/ and is repeated with `--repeat FILE`; what it found worth keeping
stays in build/fuzz/TARGET/corpus/ and is where the next run begins.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import atheris  # noqa: E402

with atheris.instrument_imports(include=["dsp", "watcher", "tomllib", "csv", "json"]):
    from tests.fuzz.targets import TARGETS

LONGEST_INPUT = 20_000  # bytes: an input of more is slow and tells no more
INPUT_LIMIT_S = 20  # one input that takes longer is a defect of its own
MEMORY_LIMIT_MIB = 2048


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("target", choices=[*TARGETS, "all"])
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("--runs", type=int, default=-1, help="inputs for each target, at most")
    parser.add_argument("--into", type=Path, default=ROOT / "build" / "fuzz", help="folder of what is found")
    parser.add_argument("--repeat", type=Path, help="one input that failed")
    return parser.parse_args()


def fuzz(name: str, asked: argparse.Namespace) -> None:
    """Fuzz one target in this process; does not return."""
    target = TARGETS[name]
    found = asked.into / name
    corpus = found / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(target.seeds()):
        (corpus / f"seed-{number}").write_bytes(seed)
    with tempfile.TemporaryDirectory() as folder:

        def attack(content: bytes) -> None:
            target.attack(content, Path(folder))

        if asked.repeat is not None:
            attack(asked.repeat.read_bytes())
            return
        options = [
            f"-max_total_time={asked.seconds}",
            f"-runs={asked.runs}",
            f"-artifact_prefix={found}/",
            f"-max_len={LONGEST_INPUT}",
            f"-timeout={INPUT_LIMIT_S}",
            f"-rss_limit_mb={MEMORY_LIMIT_MIB}",
            "-seed=1",
        ]
        atheris.Setup([sys.argv[0], *options, str(corpus)], attack)
        atheris.Fuzz()


def main() -> int:
    """Each target in its own process: the fuzzer ends the process it runs in."""
    asked = arguments()
    if asked.target != "all":
        fuzz(asked.target, asked)
        return 0
    given = [f"--seconds={asked.seconds}", f"--runs={asked.runs}", f"--into={asked.into}"]
    failed = []
    for name in TARGETS:
        done = subprocess.run([sys.executable, __file__, name, *given], check=False)
        if done.returncode:
            failed.append(name)
    print(f"Failed: {', '.join(failed)}" if failed else f"Nothing found in {', '.join(TARGETS)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
