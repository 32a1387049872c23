"""Between the records of receiving and the rows of the watch log, both ways."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath
from typing import Any

from sqlalchemy import RowMapping

from watcher.log.facts import WatchEnd, WatchFacts
from watcher.plan.model import Channel
from watcher.radio.source import Stretch
from watcher.receive.records import (
    Clip,
    CodeReading,
    Condition,
    ConditionKind,
    EndedBy,
    Finding,
    Gap,
    GapCause,
    Kind,
    KindReading,
    Measured,
    Sign,
    ToneReading,
    Transmission,
    Watched,
)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def utc_ms(instant: datetime) -> int:
    """Milliseconds since 1970, the half rounded up, as `write_utc` rounds; order is kept.

    Raises
    ------
    ValueError
        The instant has no time zone.
    """
    if instant.tzinfo is None:
        raise ValueError("the instant has no time zone; give an aware datetime in UTC")
    return ((instant - _EPOCH) // _MICROSECOND + 500) // 1000


def instant_of(milliseconds: int) -> datetime:
    """The inverse of :func:`utc_ms`."""
    return _EPOCH + timedelta(milliseconds=milliseconds)


def known(number: float | None) -> float | None:
    """The number as a float of Python, or None where it is not finite: that is a value nobody knows."""
    return float(number) if number is not None and math.isfinite(number) else None


def _measured(value: Any, sigma: Any) -> Measured | None:
    return None if value is None else Measured(value, sigma)


def _value(measured: Measured | None) -> float | None:
    return None if measured is None else known(measured.value)


def _sigma(measured: Measured | None) -> float | None:
    return None if measured is None or known(measured.value) is None else known(measured.sigma)


def transmission_row(watch_id: int, heard: Transmission, clip: Clip | None) -> dict[str, Any]:
    """The row of one transmission; paths are written with forward slashes on every system."""
    tone = heard.tone
    return {
        "watch_id": watch_id,
        "channel": heard.channel,
        "frequency_hz": int(heard.frequency_hz),
        "mode": heard.mode,
        "start_sample": int(heard.start_sample),
        "stop_sample": int(heard.stop_sample),
        "start_utc_ms": utc_ms(heard.start_utc),
        "end_utc_ms": utc_ms(heard.end_utc),
        "clip_start_utc_ms": utc_ms(heard.clip_start_utc),
        "clip_end_utc_ms": utc_ms(heard.clip_end_utc),
        "ended_by": heard.ended_by.value,
        "on_at_start": bool(heard.on_at_start),
        "piece": int(heard.piece),
        "snr_db": _value(heard.snr_db),
        "snr_sigma_db": _sigma(heard.snr_db),
        "power_dbfs": known(heard.power_dbfs),
        "frequency_error_hz": _value(heard.frequency_error_hz),
        "frequency_error_sigma_hz": _sigma(heard.frequency_error_hz),
        "peak_deviation_hz": _value(heard.peak_deviation_hz),
        "peak_deviation_sigma_hz": _sigma(heard.peak_deviation_hz),
        "rms_deviation_hz": _value(heard.rms_deviation_hz),
        "rms_deviation_sigma_hz": _sigma(heard.rms_deviation_hz),
        "tone_was_read": tone is not None,
        "tone_hz": known(tone.tone_hz) if tone else None,
        "tone_estimate_hz": _value(tone.estimate_hz) if tone else None,
        "tone_estimate_sigma_hz": _sigma(tone.estimate_hz) if tone else None,
        "tone_deviation_hz": _value(tone.deviation_hz) if tone else None,
        "tone_deviation_sigma_hz": _sigma(tone.deviation_hz) if tone else None,
        "tone_probability": known(tone.probability) if tone else None,
        "tone_first_word_ms": known(tone.first_word_ms) if tone else None,
        "flags": json.dumps(list(heard.flags), ensure_ascii=False),
        "clip_path": clip.path.as_posix() if clip else None,
        "clip_sha256": clip.sha256 if clip else None,
        "clip_audio_frames": int(clip.audio_frames) if clip else None,
        **_signalling(heard),
    }


def _signalling(heard: Transmission) -> dict[str, Any]:
    code, kind = heard.code, heard.kind
    return {
        "dcs_was_read": code is not None,
        "dcs": code.code if code else None,
        "dcs_other_name": code.other_name if code else None,
        "dcs_deviation_hz": known(code.deviation_hz) if code else None,
        "dcs_probability": known(code.probability) if code else None,
        "dcs_turn_off_s": known(code.turn_off_s) if code else None,
        "kind": kind.kind.value if kind else None,
        "kind_probability": known(kind.probability) if kind else None,
        "speech_s": known(kind.speech_s) if kind else None,
        "tone_s": known(kind.tone_s) if kind else None,
        "data_s": known(kind.data_s) if kind else None,
        "findings": json.dumps([_as_object(each) for each in heard.findings], ensure_ascii=False),
        "iq_path": heard.iq,
    }


def _as_object(finding: Finding) -> dict[str, Any]:
    return {
        "sign": finding.sign.value,
        "start_s": float(finding.start_s),
        "stop_s": float(finding.stop_s),
        "text": finding.text,
        "words": finding.words,
        "probability": known(finding.probability),
        "figures": {name: value for name, value in finding.figures.items() if known(value) is not None},
    }


def _code_of(row: RowMapping) -> CodeReading | None:
    if not row["dcs_was_read"]:
        return None
    return CodeReading(
        code=row["dcs"],
        other_name=row["dcs_other_name"],
        deviation_hz=row["dcs_deviation_hz"],
        probability=row["dcs_probability"],
        turn_off_s=row["dcs_turn_off_s"],
    )


def _kind_of(row: RowMapping) -> KindReading | None:
    if row["kind"] is None:
        return None
    return KindReading(
        Kind(row["kind"]), row["kind_probability"], row["speech_s"], row["tone_s"], row["data_s"]
    )


def _listed(text: str) -> list[Any]:
    """A JSON list; most are empty, and those need no parser."""
    listed: list[Any] = [] if text == "[]" else json.loads(text)
    return listed


def _findings_of(row: RowMapping) -> tuple[Finding, ...]:
    return tuple(
        Finding(**{**each, "sign": Sign(each["sign"])})  # the keys are the fields
        for each in _listed(row["findings"])
    )


def transmission_of(row: RowMapping) -> Transmission:
    """The transmission of a row."""
    tone = None
    if row["tone_was_read"]:
        tone = ToneReading(
            tone_hz=row["tone_hz"],
            estimate_hz=_measured(row["tone_estimate_hz"], row["tone_estimate_sigma_hz"]),
            deviation_hz=_measured(row["tone_deviation_hz"], row["tone_deviation_sigma_hz"]),
            probability=row["tone_probability"],
            first_word_ms=row["tone_first_word_ms"],
        )
    return Transmission(
        channel=row["channel"],
        frequency_hz=row["frequency_hz"],
        mode=row["mode"],
        start_sample=row["start_sample"],
        stop_sample=row["stop_sample"],
        start_utc=instant_of(row["start_utc_ms"]),
        end_utc=instant_of(row["end_utc_ms"]),
        clip_start_utc=instant_of(row["clip_start_utc_ms"]),
        clip_end_utc=instant_of(row["clip_end_utc_ms"]),
        ended_by=EndedBy(row["ended_by"]),
        on_at_start=row["on_at_start"],
        piece=row["piece"],
        snr_db=_measured(row["snr_db"], row["snr_sigma_db"]),
        power_dbfs=row["power_dbfs"],
        frequency_error_hz=_measured(row["frequency_error_hz"], row["frequency_error_sigma_hz"]),
        peak_deviation_hz=_measured(row["peak_deviation_hz"], row["peak_deviation_sigma_hz"]),
        rms_deviation_hz=_measured(row["rms_deviation_hz"], row["rms_deviation_sigma_hz"]),
        tone=tone,
        flags=tuple(_listed(row["flags"])),
        code=_code_of(row),
        kind=_kind_of(row),
        findings=_findings_of(row),
        iq=row["iq_path"],
    )


TOO_WEAK = "too weak"


def possible_words_of(row: RowMapping) -> tuple[tuple[str, float], ...] | None:
    """The guesses at words in a clip; None where nobody looked, or the clip is too weak."""
    said = row["possible_words"]
    if said is None or said == TOO_WEAK:
        return None
    return tuple((phrase, float(start_s)) for phrase, start_s in json.loads(said))


def clip_path_of(row: RowMapping) -> PurePosixPath | None:
    """The clip of a row, relative to the folder."""
    return None if row["clip_path"] is None else PurePosixPath(row["clip_path"])


def clip_removed_of(row: RowMapping) -> datetime | None:
    """When the clip of a row was removed; None where it was not, or where that was begun and not finished."""
    removed_ms = row["clip_removed_utc_ms"]
    return None if removed_ms is None or row["clip_path"] is not None else instant_of(removed_ms)


def gap_row(watch_id: int, gap: Gap) -> dict[str, Any]:
    """The row of one gap."""
    return _span_row(watch_id, gap) | {"cause": gap.cause.value}


def gap_of(row: RowMapping) -> Gap:
    """The gap of a row."""
    return Gap(
        row["channel"],
        instant_of(row["start_utc_ms"]),
        instant_of(row["stop_utc_ms"]),
        GapCause(row["cause"]),
    )


def watched_row(watch_id: int, watched: Watched) -> dict[str, Any]:
    """The row of one watched span."""
    return _span_row(watch_id, watched)


def condition_row(watch_id: int, condition: Condition) -> dict[str, Any]:
    """The row of one condition."""
    return _span_row(watch_id, condition) | {
        "kind": condition.kind.value,
        "offset_hz": known(condition.offset_hz),
        "snr_db": known(condition.snr_db),
        "evidence": condition.evidence,
    }


def condition_of(row: RowMapping) -> Condition:
    """The condition of a row."""
    return Condition(
        channel=row["channel"],
        kind=ConditionKind(row["kind"]),
        start_utc=instant_of(row["start_utc_ms"]),
        stop_utc=instant_of(row["stop_utc_ms"]),
        offset_hz=row["offset_hz"],
        snr_db=row["snr_db"],
        evidence=row["evidence"],
    )


def _span_row(watch_id: int, record: Gap | Watched | Condition) -> dict[str, Any]:
    return {
        "watch_id": watch_id,
        "channel": record.channel,
        "start_utc_ms": utc_ms(record.start_utc),
        "stop_utc_ms": utc_ms(record.stop_utc),
    }


def watch_row(facts: WatchFacts) -> dict[str, Any]:
    """The row of a watch that begins."""
    return {
        "started_utc_ms": utc_ms(facts.started_utc),
        "source_label": facts.source_label,
        "station": facts.station,
        "time_zone": facts.time_zone,
        "plan_text": facts.plan_text,
        "plan_sha256": facts.plan_sha256,
        "program_version": facts.program_version,
        "notes": facts.notes,
    }


def watch_end_row(end: WatchEnd, notes_before: str) -> dict[str, Any]:
    """What the end of a watch changes in its row."""
    return {
        "ended_utc_ms": utc_ms(end.ended_utc),
        "ended_by": end.ended_by.value,
        "samples_read": end.samples_read,
        "samples_lost": end.samples_lost,
        "samples_clipped": end.samples_clipped,
        "notes": "\n".join(filter(None, (notes_before, end.notes))),
    }


def channel_row(watch_id: int, number: int, channel: Channel) -> dict[str, Any]:
    """The row of one channel of a watch's plan."""
    return {
        "watch_id": watch_id,
        "number": number,
        "name": channel.name,
        "frequency_hz": channel.frequency_hz,
        "mode": channel.mode,
        "bandwidth_hz": channel.bandwidth_hz,
        "expect_tone_hz": channel.expect_tone_hz,
        "priority": channel.priority,
        "raise_threshold_db": channel.raise_threshold_db,
        "expect_code": channel.expect_code,
        "require_tone": channel.require_tone,
        "keep": channel.keep,
        "calling": channel.calling,
    }


def channel_of(row: RowMapping) -> Channel:
    """The channel of a row."""
    return Channel(
        name=row["name"],
        frequency_hz=row["frequency_hz"],
        mode=row["mode"],
        bandwidth_hz=row["bandwidth_hz"],
        expect_tone_hz=row["expect_tone_hz"],
        priority=row["priority"],
        raise_threshold_db=row["raise_threshold_db"],
        expect_code=row["expect_code"],
        require_tone=row["require_tone"],
        keep=row["keep"],
        calling=row["calling"],
    )


def stretch_row(watch_id: int, number: int, stretch: Stretch) -> dict[str, Any]:
    """The row of one stretch of a watch's samples."""
    return {
        "watch_id": watch_id,
        "number": number,
        "start_utc_ms": utc_ms(stretch.start_utc),
        "time_is_known": bool(stretch.time_is_known),
        "sample_rate_hz": int(stretch.sample_rate_hz),
        "centre_hz": int(stretch.centre_hz),
        "samples": None if stretch.samples is None else int(stretch.samples),
        "label": stretch.label,
    }


def stretch_of(row: RowMapping) -> Stretch:
    """The stretch of a row."""
    return Stretch(
        start_utc=instant_of(row["start_utc_ms"]),
        time_is_known=row["time_is_known"],
        sample_rate_hz=row["sample_rate_hz"],
        centre_hz=row["centre_hz"],
        samples=row["samples"],
        label=row["label"],
    )
