"""Builds the demo recording and the truth about it: `python -m recordings.build_demo`.

espeak-ng speaks the words of `demo_scene`, `dsp.modulate` sends them, a receiver with mild faults samples
them. The same seed and the same release of espeak-ng give the same recording.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import sigmf
import soundfile
from numpy.typing import NDArray

from dsp.modulate import Audio, Ctcss, Emission, Fm, FrontEnd, Modulation, Scene, Truth, Unmodulated
from recordings.demo_scene import (
    DWELLS,
    FIRST_START_UTC,
    IMBALANCE_DB,
    IMBALANCE_DEGREES,
    NOISE_DBFS,
    RETUNE_S,
    SAMPLE_RATE_HZ,
    SEED,
    ZERO_SPIKE_DBFS,
    Dwell,
    Sending,
    Voice,
)
from watcher.radio.sigmf_annotations import Annotation
from watcher.radio.sigmf_writer import SigmfWriter
from watcher.shipped import demo_recording, demo_truth

LICENCE_URL = "https://creativecommons.org/publicdomain/zero/1.0/"
DESCRIPTION = (
    "A made-up night in a made-up valley: one radio dwells on three tunings in turn. Synthetic from end to "
    "end: synthesised speech, simulated transmitters, simulated receiver. No real traffic, person or place."
)
TRUTH_DESCRIPTION = "What was sent in {data}: an annotation for each key-down and each steady carrier."

SILENCE_SHARE = (
    0.01  # of the largest sample: what the synthesiser puts before and after the words lies under it
)
PEAK = 0.9
DRIVE = 4.0  # speech well into the limiter, as land-mobile radios are set (common practice, no source)
KEYED_BEFORE_S = 1.0  # how long before the capture a carrier was up that lasts through all of it


def speak(words: str, voice: Voice) -> tuple[NDArray[np.float32], int]:
    """Words as audio without the silence around them, and its rate in Hz; largest magnitude 0.9."""
    with tempfile.TemporaryDirectory() as folder:
        spoken = Path(folder) / "spoken.wav"
        settings = ["-v", voice.name, "-s", str(voice.words_per_minute), "-p", str(voice.pitch)]
        subprocess.run(["espeak-ng", *settings, "-w", str(spoken), words], check=True)
        audio, rate_hz = soundfile.read(spoken, dtype="float32")
    loud = np.flatnonzero(np.abs(audio) > SILENCE_SHARE * np.abs(audio).max())
    audio = audio[loud[0] : loud[-1] + 1]
    return audio * np.float32(PEAK / np.abs(audio).max()), rate_hz


def synthesiser() -> str:
    """Name and release of what speaks; another release may speak faster or slower."""
    said = subprocess.run(["espeak-ng", "--version"], check=True, capture_output=True, text=True).stdout
    return said.partition("Data at")[0].strip()


def emission(sending: Sending, dwell: Dwell, label: str) -> Emission:
    """One key-down as the test transmitter takes it."""
    start_s, stop_s = sending.start_s, dwell.seconds
    lead_s = sending.lead_s
    if sending.whole:
        start_s -= KEYED_BEFORE_S
        stop_s += KEYED_BEFORE_S
        lead_s += KEYED_BEFORE_S
    modulation: Modulation = Unmodulated()
    if sending.words and sending.voice is not None:
        samples, rate_hz = speak(sending.words, sending.voice)
        spoken_s = len(samples) / rate_hz
        if not sending.whole:
            stop_s = start_s + lead_s + spoken_s + sending.tail_s + sending.reverse_burst_s
        if stop_s > dwell.seconds and not sending.whole:
            raise SystemExit(f"{sending.channel} at {start_s} s ends at {stop_s:.2f} s, after its capture")
        modulation = Fm(
            audio=Audio(samples=samples, rate_hz=rate_hz, start_s=lead_s),
            deviation_limit_hz=sending.deviation_limit_hz,
            drive=DRIVE,
            low_cut_hz=sending.low_cut_hz,
            tone=_tone(sending),
        )
    return Emission(
        label=label,
        start_s=start_s,
        stop_s=stop_s,
        offset_hz=sending.frequency_hz + sending.frequency_error_hz - dwell.centre_hz,
        cnr_db=sending.carrier_to_noise_db,
        cnr_width_hz=sending.pass_band_hz,
        modulation=modulation,
    )


def scene(dwell: Dwell) -> Scene:
    """One capture with all that is sent in it; the label of each emission is its place in the list."""
    return Scene(
        sample_rate_hz=SAMPLE_RATE_HZ,
        seconds=dwell.seconds,
        centre_hz=dwell.centre_hz,
        noise_dbfs=NOISE_DBFS,
        emissions=tuple(emission(one, dwell, str(place)) for place, one in enumerate(dwell.sendings)),
        front_end=FrontEnd(
            zero_spike_dbfs=ZERO_SPIKE_DBFS,
            gain_imbalance_db=IMBALANCE_DB,
            phase_imbalance_deg=IMBALANCE_DEGREES,
        ),
    )


def annotated(stretch: int, dwell: Dwell, truths: tuple[Truth, ...]) -> Iterator[Annotation]:
    """What is true of one capture."""
    for truth in truths:
        sending = dwell.sendings[int(truth.label)]
        carrier_hz = dwell.centre_hz + round(truth.offset_hz)
        facts: dict[str, Any] = {
            "kind": "transmission" if sending.words else "steady carrier",
            "frequency_hz": sending.frequency_hz,
            "frequency_error_hz": carrier_hz - sending.frequency_hz,
            "mode": sending.mode,
            "snr_db": truth.cnr_db,
            "noise_width_hz": sending.pass_band_hz,
            "ctcss_hz": truth.tone_hz,
            "ctcss_deviation_hz": None if sending.tone_hz is None else sending.tone_deviation_hz,
            "deviation_limit_hz": sending.deviation_limit_hz if sending.words else None,
            "on_at_start": truth.on_at_start,
            "on_at_end": truth.on_at_end,
        }
        yield Annotation(
            stretch=stretch,
            first_sample=truth.start_sample,
            samples=truth.stop_sample - truth.start_sample,
            lower_hz=carrier_hz - sending.pass_band_hz / 2,
            upper_hz=carrier_hz + sending.pass_band_hz / 2,
            label=sending.channel,
            comment=sending.words,
            facts=facts,
        )


def build(meta_path: Path, truth_path: Path) -> None:
    """Writes the samples and both metadata files."""
    base = meta_path.with_suffix("")
    generators = np.random.default_rng(SEED).spawn(len(DWELLS))
    start_utc = FIRST_START_UTC
    with SigmfWriter(base, "cu8", SAMPLE_RATE_HZ, DESCRIPTION, LICENCE_URL) as writer:
        for stretch, (dwell, rng) in enumerate(zip(DWELLS, generators, strict=True)):
            here = scene(dwell)
            writer.start_capture(dwell.centre_hz, start_utc)
            for block in here.blocks(rng):
                writer.write(block.samples)
            for annotation in annotated(stretch, dwell, here.truth()):
                writer.annotate(annotation)
            start_utc += timedelta(seconds=dwell.seconds + RETUNE_S)
    _part_truth_from_recording(meta_path, truth_path)


def _part_truth_from_recording(meta_path: Path, truth_path: Path) -> None:
    """Moves the annotations into a file of their own, so that no receiver can come upon them."""
    tree = json.loads(meta_path.read_text(encoding="utf-8"))
    data_path = meta_path.with_suffix(".sigmf-data")
    tree["global"]["core:sha512"] = sigmf.hashing.calculate_sha512(data_path)
    truth = json.loads(json.dumps(tree))
    truth["global"]["core:metadata_only"] = True
    truth["global"]["core:description"] = TRUTH_DESCRIPTION.format(data=data_path.name)
    truth["global"]["core:recorder"] = synthesiser()
    tree["annotations"] = []
    del tree["global"]["core:extensions"]
    for path, content in ((meta_path, tree), (truth_path, truth)):
        path.write_text(json.dumps(content, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        sigmf.validate.validate(content)


def _tone(sending: Sending) -> Ctcss | None:
    if sending.tone_hz is None:
        return None
    return Ctcss(
        tone_hz=sending.tone_hz,
        deviation_hz=sending.tone_deviation_hz,
        reverse_burst_s=sending.reverse_burst_s,
    )


def main() -> None:
    """Builds into the recordings folder, or into another for a trial."""
    parser = argparse.ArgumentParser(description="Build the demo recording and its truth.")
    parser.add_argument("--into", type=Path, default=demo_recording().parent, help="the folder to write to")
    into = parser.parse_args().into
    if shutil.which("espeak-ng") is None:
        sys.exit("espeak-ng speaks the words and is not here; install the system package espeak-ng.")
    meta_path, truth_path = into / demo_recording().name, into / demo_truth().name
    build(meta_path, truth_path)
    for path in (meta_path, meta_path.with_suffix(".sigmf-data"), truth_path):
        print(f"{path}  {path.stat().st_size:,} bytes")


if __name__ == "__main__":
    main()
