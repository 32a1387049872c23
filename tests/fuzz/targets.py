"""What the fuzzer throws bytes at: each door that takes bytes of strangers, and what it may answer.

A target returns, or is refused with a `MidwatchError` whose sentences can be read; whatever else comes out is
a defect. Decoders must not raise at all.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from dsp.modulate.same import same_message
from dsp.signalling import dcs
from dsp.signalling.golay import code_word, sent_bits
from dsp.signalling.passage import RATE_HZ as PASSAGE_RATE_HZ
from dsp.signalling.passage import PassageCutter
from dsp.signalling.same import SameDecoder
from dsp.signalling.same_header import bits_of_text, read_header
from watcher.errors import MidwatchError, PlanError
from watcher.log.spans import Span
from watcher.log.spectra import latest_utc
from watcher.plan.channel_import import import_channels
from watcher.plan.reading import plan_from_text
from watcher.radio.facts import RawFacts
from watcher.radio.recording import open_recording
from watcher.radio.source import Stretch
from watcher.receive.spectrum_file import MARK, SPECTRA_FOLDER, Chunk, ChunkFacts, FileName, encode_chunk
from watcher.report.span_picture import span_picture, tunings_kept
from watcher.report.unlisted import unlisted_activity
from watcher.trial.scene_file import scene_from_text
from watcher.trial.truth import read_truth

ROOT = Path(__file__).resolve().parents[2]
LONGEST_READ = 1_000_000  # samples of one recording: a header may promise more than there is
LOW_BAND_HZ = 2000.0

HEADER = "ZCZC-CIV-EVI-012345+0100-1231530-MIDWATCH-"  # grammatical; the place and the sender are invented


@dataclass(frozen=True, slots=True)
class Target:
    """One door.

    Parameters
    ----------
    attack : callable
        Takes the bytes and a folder that is its own.
    seeds : sequence of bytes
        Inputs that get far; the fuzzer changes them.
    """

    attack: Callable[[bytes, Path], None]
    seeds: Callable[[], Sequence[bytes]]


def attempt(door: Callable[[], object]) -> None:
    """Walk through a door; a refusal has to be one that a person can read."""
    try:
        door()
    except MidwatchError as refusal:
        sentences = refusal.problems if isinstance(refusal, PlanError) else [str(refusal)]
        assert sentences, "refused without a word"
        for sentence in sentences:
            assert sentence.strip(), "refused with an empty sentence"
            assert "\n" not in sentence, f"a refusal over two lines: {sentence!r}"


# ------------------------------------------------------------------------------------ plans and lists


def _plan(content: bytes, folder: Path) -> None:
    attempt(lambda: plan_from_text(content.decode("utf-8", "replace"), folder / "plan.toml"))


def _scene(content: bytes, folder: Path) -> None:
    attempt(lambda: scene_from_text(content.decode("utf-8", "replace"), folder / "scene.toml"))


def _channels(content: bytes, folder: Path) -> None:
    attempt(lambda: import_channels(content, "channels.csv"))


def _plan_seeds() -> list[bytes]:
    return [path.read_bytes() for path in sorted((ROOT / "config").glob("*plan.toml"))]


def _scene_seeds() -> list[bytes]:
    return [
        b"[scene]\nsample_rate_hz = 48_000\nseconds = 4\ncentre_mhz = 146.520\nseed = 3\n"
        b'[[transmission]]\nchannel = "low"\nfrequency_mhz = 146.5075\nstart_s = 0.5\ncnr_db = 12\n'
        b"seconds = 1.5\ntone_hz = 100.0\n"
    ]


def _channel_seeds() -> list[bytes]:
    return [
        b"name,frequency,mode,tone\nCalling,146.520,FM,\nRidge,147.1,NFM,100.0\n",
        "Name;Frequenz;Ton\nHöhe;145,500;67,0\n".encode("cp1252"),
    ]


# ---------------------------------------------------------------------------------------- recordings


def _read_all(path: Path, facts: RawFacts) -> None:
    source = open_recording(path, facts=facts)
    try:
        taken = 0
        for number, _ in enumerate(source.stretches()):
            for block in source.blocks(number):
                assert block.samples.dtype == np.complex64
                taken += len(block.samples)
                if taken > LONGEST_READ:
                    return
        source.notes()
    finally:
        source.close()


FACTS = RawFacts(sample_rate_hz=48_000, centre_hz=146_520_000, start_utc=datetime(2031, 5, 4, tzinfo=UTC))


def _wav(content: bytes, folder: Path) -> None:
    for suffix in (".wav", ".w64"):
        path = folder / f"samples{suffix}"
        path.write_bytes(content)
        attempt(lambda path=path: _read_all(path, FACTS))  # type: ignore[misc]


def _sigmf(content: bytes, folder: Path) -> None:
    (folder / "samples.sigmf-data").write_bytes(bytes(4096))
    path = folder / "samples.sigmf-meta"
    path.write_bytes(content)
    attempt(lambda: _read_all(path, RawFacts()))


def _wav_seeds() -> list[bytes]:
    samples = bytes(range(64))

    def chunk(name: bytes, content: bytes) -> bytes:
        return name + len(content).to_bytes(4, "little") + content

    def form(code: int, bits: int) -> bytes:
        rate, frame = 48_000, 2 * bits // 8
        return b"".join(
            value.to_bytes(size, "little")
            for value, size in ((code, 2), (2, 2), (rate, 4), (rate * frame, 4), (frame, 2), (bits, 2))
        )

    def riff(name: bytes, *chunks: bytes) -> bytes:
        return chunk(name, b"WAVE" + b"".join(chunks))

    sizes = b"".join(size.to_bytes(8, "little") for size in (160, 64, 16)) + bytes(4)
    return [
        riff(b"RIFF", chunk(b"fmt ", form(1, 8)), chunk(b"data", samples)),
        riff(b"RIFF", chunk(b"fmt ", form(1, 16)), chunk(b"LIST", b"INFO"), chunk(b"data", samples)),
        riff(b"RIFF", chunk(b"fmt ", form(3, 32)), chunk(b"data", samples)),
        riff(b"RF64", chunk(b"ds64", sizes), chunk(b"fmt ", form(1, 16)), chunk(b"data", samples)),
    ]


def _sigmf_seeds() -> list[bytes]:
    return [
        b'{"global": {"core:datatype": "ci16_le", "core:sample_rate": 48000, "core:version": "1.2.3"},'
        b' "captures": [{"core:sample_start": 0, "core:frequency": 146520000,'
        b' "core:datetime": "2031-05-04T02:00:00Z"}], "annotations": []}',
        (ROOT / "recordings" / "tamber-valley-night.truth.sigmf-meta").read_bytes()[:3000],
    ]


# --------------------------------------------------------------------------------------------- truth

_STRETCHES = [
    Stretch(
        start_utc=datetime(2031, 5, 4, 2, tzinfo=UTC),
        time_is_known=True,
        sample_rate_hz=48_000,
        centre_hz=146_520_000,
        samples=4_800_000,
        label="samples",
    )
]


def _truth(content: bytes, folder: Path) -> None:
    for name in ("truth.jsonl", "truth.sigmf-meta"):
        path = folder / name
        path.write_bytes(content)
        attempt(lambda path=path: read_truth(path, _STRETCHES))  # type: ignore[misc]


def _truth_seeds() -> list[bytes]:
    return [
        b'{"start_s": 1.0, "stop_s": 3.0, "frequency_hz": 146520000, "ctcss_hz": 100.0}\n'
        b'{"start_utc": "2031-05-04T02:00:10Z", "stop_s": 30, "channel": "Calling", "dcs": "023N"}\n',
        (ROOT / "recordings" / "tamber-valley-night.truth.sigmf-meta").read_bytes(),
    ]


# ------------------------------------------------------------------------------------- kept spectra

SPECTRA_BEGIN = datetime(2031, 5, 4, 3, tzinfo=UTC)
HEAD_BYTES, CHECKED_BYTES = 80, 12  # of a chunk; see watcher/receive/spectrum_file.py


def _spectra(content: bytes, folder: Path) -> None:
    """The bytes as a file, and as head and rows of a chunk whose check is right: nothing may raise."""
    files = folder / SPECTRA_FOLDER
    files.mkdir(exist_ok=True)
    path = files / FileName(SPECTRA_BEGIN.date(), 146_520_000, 240_000).written()
    span = Span(SPECTRA_BEGIN - timedelta(hours=3), SPECTRA_BEGIN + timedelta(hours=21))
    for written in (content, _mended(content)):
        path.write_bytes(written)
        latest_utc(folder)
        for tuning in tunings_kept(folder, span):
            picture = span_picture(folder, tuning, span, tuning.low_hz, tuning.high_hz)
            if picture is not None:
                picture.png()
        found = unlisted_activity(folder, [(146_520_000, 12_500)], span)
        assert found.watched_s >= 0


def _mended(content: bytes) -> bytes:
    head, body = content[CHECKED_BYTES + 4 : HEAD_BYTES], zlib.compress(content[HEAD_BYTES:], 1)
    checked = struct.pack("<I", len(body)) + head.ljust(HEAD_BYTES - CHECKED_BYTES - 4, b"\0")
    return MARK + struct.pack("<I", zlib.crc32(body, zlib.crc32(checked))) + checked + body


def _spectra_seeds() -> list[bytes]:
    """A chunk as it is written, and with its rows plain."""
    rng = np.random.default_rng(1)
    rows, columns = 12, 40
    facts = ChunkFacts(
        SPECTRA_BEGIN, 480_000, 240_000, 146_520_000, 146.52e6, 6000.0, columns, rows, 10, 16, 1, -90.5
    )
    mean = rng.integers(60, 64, (rows, columns), dtype=np.uint8)
    mean[4:6, 9:12] += 40
    whole = encode_chunk(Chunk(facts, mean, mean + np.uint8(1)))
    return [whole, whole[:HEAD_BYTES] + zlib.decompress(whole[HEAD_BYTES:])]


# ------------------------------------------------------------------------------------------ decoders


def _same(content: bytes, folder: Path) -> None:
    """The bytes as sound, and as the bits of a header."""
    audio = np.frombuffer(content[: len(content) // 2 * 2], "<i2").astype(np.float32) / 32768
    cutter, decoder = PassageCutter(), SameDecoder()
    found = [claim for passage in [*cutter.push(audio), *cutter.finish()] for claim in decoder.push(passage)]
    for claim in found + decoder.finish():
        assert claim.start_s <= len(audio) / PASSAGE_RATE_HZ
    bits = 2.0 * np.unpackbits(np.frombuffer(content[:300], np.uint8), bitorder="little") - 1
    if len(bits):
        reading = read_header(np.maximum(-bits, 0), np.maximum(bits, 0))
        assert reading is None or reading.text.isprintable()


def _dcs(content: bytes, folder: Path) -> None:
    """The bytes as the low band, whole and by its first word."""
    low_band = np.frombuffer(content[: len(content) // 2 * 2], "<i2").astype(np.float32)
    for decide in (dcs.first_word, dcs.decide):
        piece = decide(low_band, LOW_BAND_HZ)
        assert 0.0 <= piece.probability <= 1.0
        assert (piece.code is None) == (piece.deviation_hz is None)


def _same_seeds() -> list[bytes]:
    sound = same_message(HEADER, rate_hz=PASSAGE_RATE_HZ, bursts=1, end_of_message=False)
    return [
        np.round(32_000 * sound).astype("<i2").tobytes(),
        np.packbits(bits_of_text(HEADER) > 0, bitorder="little").tobytes(),
    ]


def _dcs_seeds() -> list[bytes]:
    """Code 023's word, from the twelve bits and the generator of config/dcs.csv, as square bits of 500 Hz."""
    bits = np.repeat(np.tile(2.0 * np.array(sent_bits(code_word("023"))) - 1.0, 4), 15)
    return [np.round(500 * bits).astype("<i2").tobytes(), bytes(4000)]


TARGETS = {
    "plan": Target(_plan, _plan_seeds),
    "scene": Target(_scene, _scene_seeds),
    "channels": Target(_channels, _channel_seeds),
    "wav": Target(_wav, _wav_seeds),
    "sigmf": Target(_sigmf, _sigmf_seeds),
    "truth": Target(_truth, _truth_seeds),
    "spectra": Target(_spectra, _spectra_seeds),
    "same": Target(_same, _same_seeds),
    "dcs": Target(_dcs, _dcs_seeds),
}
