"""Guess at a few words in finished clips with a small offline model. Experimental; it may only raise a clip.

The model comes inside a package of its own (`pip install midwatch[words]`). It misses about half of the
calls that say such a word and often takes ordinary talk for one: no hint says nothing at all. It runs in a
process of its own, at low priority, a clip at a time with a time limit; its crash costs one clip's hint.

Figures: a trial on 120 synthetic utterances over a simulated radio, 11 voices, English only. Cut-offs of a
phrase are the 99.5 % (strict) and 98 % (loose) quantiles of routine talk, in decades of the threshold.
"""

from __future__ import annotations

import json
import math
import os
import select
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import soundfile

from watcher.errors import UsageProblem

STRICT: Mapping[str, float] = {
    "mayday": 5,
    "mayday mayday": -18,
    "emergency": -32,
    "any station": -80,
    "search and rescue": -90,
    "injured": -13,
    "need help": -2,
    "help me": -1,
    "pan pan": -2,
    "break break": -35,
}
LOOSE: Mapping[str, float] = {
    "mayday": -6,
    "mayday mayday": -39,
    "emergency": -38,
    "any station": -80,
    "search and rescue": -90,
    "injured": -17,
    "need help": -9,
    "help me": -6,
    "pan pan": -5,
    "break break": -42,
}
"""Neither offers "help", "fire" or "SOS": over radio they cannot be told from others (the same trial)."""

MARGIN_DECADES = 20.0  # below the lowest cut-off of a phrase, what the decoder is asked for
# The decoder's threshold per decade and its offset, found by trial on version 5.1.1; a test pins them.
DECADE, OFFSET = 0.00225, 0.15
LEAST_CNR_DB: Mapping[str, float] = {"nfm": 10.0, "fm": 8.0, "am": 10.0}
"""Under about this the model is close to chance (the same trial): such a clip is too weak to check."""

LIMIT_S, LIMIT_PER_S = 10.0, 1.0  # of time for a clip, and for each second of it


@dataclass(frozen=True, slots=True)
class PossibleWord:
    """A guess: the phrase, and when in the clip, seconds."""

    phrase: str
    start_s: float


def refuse_without_model() -> None:
    """Say how to get the model where it is not installed.

    Raises
    ------
    UsageProblem
    """
    if find_spec("pocketsphinx") is None:
        raise UsageProblem(
            "guessing at words needs its model; install it with: pip install 'midwatch[words]'"
        )


class WordSpotter:
    """A process that guesses; a context manager that ends it.

    Parameters
    ----------
    cut_offs : mapping of str to float
        `STRICT` or `LOOSE`.
    """

    def __init__(self, cut_offs: Mapping[str, float] = STRICT) -> None:
        self._cut_offs = cut_offs
        self._process: subprocess.Popen[str] | None = None

    def look(self, clip: Path, seconds: float) -> list[PossibleWord] | None:
        """The guesses for a clip of that length; None where the model failed or took too long."""
        process = self._running()
        assert process.stdin is not None and process.stdout is not None
        try:
            process.stdin.write(f"{clip}\n")
            process.stdin.flush()
            ready, _, _ = select.select([process.stdout], [], [], LIMIT_S + LIMIT_PER_S * seconds)
            line = process.stdout.readline() if ready else ""
        except OSError:
            line = ""
        if not line:
            self.close()
            return None
        heard = json.loads(line)
        if heard is None:
            return None
        passed = [
            PossibleWord(phrase, start_s)
            for phrase, score, start_s in heard
            if score >= self._cut_offs.get(phrase, math.inf)
        ]
        return sorted(passed, key=lambda word: word.start_s)

    def close(self) -> None:
        """End the process."""
        if self._process is not None:
            process, self._process = self._process, None
            process.kill()
            process.communicate()

    def __enter__(self) -> WordSpotter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _running(self) -> subprocess.Popen[str]:
        if self._process is None or self._process.poll() is not None:
            self._process = subprocess.Popen(
                [sys.executable, "-m", __name__],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
            )
        return self._process


def score_of(probability: float) -> float:
    """A hit's score in decades of the decoder's threshold."""
    return (math.log(min(max(probability, 1e-300), 1.0)) + OFFSET) / DECADE


def _hits(decoder: Any, clip: Path) -> Iterator[tuple[str, float, float]]:
    audio, rate_hz = soundfile.read(clip, dtype="int16")
    if rate_hz != 16_000 or audio.ndim != 1:
        return
    decoder.start_utt()
    decoder.process_raw(audio.tobytes(), no_search=False, full_utt=True)
    decoder.end_utt()
    for hit in decoder.seg() or ():
        yield hit.word.strip(), score_of(hit.prob), hit.start_frame / 100


def _serve() -> None:
    """The process: a path on each line in, the hits as JSON on each line out."""
    import pocketsphinx  # type: ignore[import-untyped]  # noqa: PLC0415 - only this process needs it

    os.nice(10)
    with tempfile.NamedTemporaryFile("w", suffix=".kws") as phrases:
        for phrase, decades in LOOSE.items():
            phrases.write(f"{phrase} /1e{round(min(decades, 0) - MARGIN_DECADES)}/\n")
        phrases.flush()
        decoder = pocketsphinx.Decoder(
            hmm=pocketsphinx.get_model_path("en-us/en-us"),
            dict=pocketsphinx.get_model_path("en-us/cmudict-en-us.dict"),
            kws=phrases.name,
            cmn="batch",
            loglevel="FATAL",
        )
        for line in sys.stdin:
            try:
                said = json.dumps(list(_hits(decoder, Path(line.rstrip("\n")))))
            except Exception:  # noqa: BLE001 - whatever a clip does to the model costs its hint only
                said = "null"
            sys.stdout.write(said + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    _serve()
