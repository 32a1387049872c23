"""A scene to disk: samples and truth as two SigMF files, at any length in bounded memory."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from dsp.modulate import Emission, Fading, Scene, Truth
from watcher.durable import write_whole
from watcher.errors import StorageError
from watcher.plan.tones import normal_code
from watcher.radio.sigmf_annotations import Annotation
from watcher.radio.sigmf_recording import DATA_SUFFIX, META_SUFFIX
from watcher.radio.sigmf_writer import SigmfWriter
from watcher.trial.scene_audio import modulation_of
from watcher.trial.scene_file import SceneFile, repetitions
from watcher.trial.scene_tables import TransmissionTable
from watcher.trial.truth import STEADY
from watcher.utc import read_utc

TRUTH_SUFFIX = ".truth" + META_SUFFIX
_LICENCE_URL = "https://creativecommons.org/publicdomain/zero/1.0/"


def scene_of(written: SceneFile) -> Scene:
    """The scene as the test transmitter takes it; each emission's label is the place of its table."""
    table = written.scene
    emissions = []
    for place, each in enumerate(written.transmissions):
        modulation, length_s = modulation_of(each, written.folder, table.seed + place)
        fading = None
        if each.doppler_hz > 0 or each.shadow_db > 0:
            fading = Fading(doppler_hz=each.doppler_hz, shadow_db=each.shadow_db, shadow_s=each.shadow_s)
        for turn in range(repetitions(each, table.seconds)):
            start_s = each.start_s + turn * (each.repeat_every_s or 0.0)
            emissions.append(
                Emission(
                    start_s=start_s,
                    stop_s=start_s + length_s,
                    offset_hz=each.frequency_hz + each.frequency_error_hz - table.centre_hz,
                    cnr_db=each.cnr_db,
                    cnr_width_hz=each.noise_width_hz,
                    modulation=modulation,
                    fading=fading,
                    rise_s=each.rise_s,
                    fall_s=each.fall_s,
                    label=str(place),
                )
            )
    return Scene(
        sample_rate_hz=table.sample_rate_hz,
        seconds=table.seconds,
        emissions=tuple(emissions),
        noise_dbfs=table.noise_dbfs,
        centre_hz=table.centre_hz,
        ppm_error=table.ppm_error,
        rises=written.rises,
        impulses=written.impulses,
        front_end=written.front_end,
    )


def build_scene(
    written: SceneFile,
    base: Path,
    progress: Callable[[float], None] = lambda share: None,
    stop_wanted: Callable[[], bool] = lambda: False,
) -> tuple[Path, Path] | None:
    """Write the recording and its truth.

    Parameters
    ----------
    written : SceneFile
    base : Path
        The common name of the files, without an ending.
    progress : callable
        Told the share that is done.
    stop_wanted : callable
        When true, the samples so far stay without metadata.

    Returns
    -------
    tuple of Path, or None
        Metadata of the recording and of the truth; None where it was stopped.

    Raises
    ------
    StorageError
        They cannot be written.
    """
    scene, table = scene_of(written), written.scene
    truth_path = base.with_name(base.name + TRUTH_SUFFIX)
    description = table.description or "A made-up scene: synthetic from end to end, no real traffic."
    try:
        base.parent.mkdir(parents=True, exist_ok=True)
        truth_path.unlink(missing_ok=True)
        writer = SigmfWriter(base, table.datatype, table.sample_rate_hz, description, _LICENCE_URL)
        writer.start_capture(table.centre_hz, read_utc(table.start_utc))
        for block in scene.blocks(np.random.default_rng(table.seed)):
            writer.write(block.samples)
            progress(writer.samples / max(scene.samples, 1))
            if stop_wanted():
                writer.abandon()
                return None
        for annotation in _annotations(written, scene.truth()):
            writer.annotate(annotation)
        meta_path = writer.finish()
        _part_truth(meta_path, truth_path)
    except OSError as failure:
        raise StorageError(f"{base} cannot be written ({failure.strerror}); give it room") from failure
    return meta_path, truth_path


def _annotations(written: SceneFile, truths: tuple[Truth, ...]) -> Iterator[Annotation]:
    for truth in truths:
        table = written.transmissions[int(truth.label)]
        carrier_hz = written.scene.centre_hz + round(truth.offset_hz)
        yield Annotation(
            stretch=0,
            first_sample=truth.start_sample,
            samples=truth.stop_sample - truth.start_sample,
            lower_hz=carrier_hz - table.noise_width_hz / 2,
            upper_hz=carrier_hz + table.noise_width_hz / 2,
            label=table.channel,
            comment=table.comment,
            facts=_facts(table, truth, carrier_hz),
        )


def _facts(table: TransmissionTable, truth: Truth, carrier_hz: int) -> dict[str, Any]:
    return {
        "kind": STEADY if table.steady else "transmission",
        "frequency_hz": table.frequency_hz,
        "frequency_error_hz": carrier_hz - table.frequency_hz,
        "mode": table.mode,
        "snr_db": truth.cnr_db,
        "noise_width_hz": table.noise_width_hz,
        "ctcss_hz": truth.tone_hz,
        "dcs": None if table.code is None else normal_code(table.code),
        "audio": table.audio,
        "text": table.text,
        "fades": table.doppler_hz > 0 or table.shadow_db > 0,
        "on_at_start": truth.on_at_start,
        "on_at_end": truth.on_at_end,
    }


def _part_truth(meta_path: Path, truth_path: Path) -> None:
    """Move the annotations into a file of their own, so that no receiver can come upon them."""
    tree = json.loads(meta_path.read_text(encoding="utf-8"))
    data_name = meta_path.name[: -len(META_SUFFIX)] + DATA_SUFFIX
    truth = json.loads(json.dumps(tree))
    truth["global"]["core:metadata_only"] = True
    truth["global"]["core:description"] = f"What was sent in {data_name}: an annotation for each key-down."
    tree["annotations"] = []
    tree["global"].pop("core:extensions", None)
    for path, content in ((truth_path, truth), (meta_path, tree)):
        write_whole(path, (json.dumps(content, indent=2, ensure_ascii=False) + "\n").encode())
