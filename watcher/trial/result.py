"""A trial as JSON: for scripts, and to hold another trial against."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from watcher.errors import UsageProblem
from watcher.receive.records import Transmission
from watcher.trial.rates import Rate, Spread
from watcher.trial.run import Trial
from watcher.trial.scoring import Figures, Told, Verdict
from watcher.trial.sheet import sheet_of
from watcher.utc import write_utc

FORMAT = 1
JSON_NAME = "trial.json"
LARGEST_BYTES = 200_000_000


def trial_tree(trial: Trial) -> dict[str, Any]:
    """The whole trial as values that JSON knows; what is unknown or without bound is null."""
    score = trial.score
    return {
        "midwatch_trial": FORMAT,
        "program": trial.program,
        "plan": trial.plan_name,
        "plan_sha256": trial.plan.digest,
        "recordings": list(trial.recordings),
        "truth": trial.truth_name,
        "kept_windows": trial.kept_windows,
        "stopped_early": trial.outcome.stopped,
        "watched_channel_hours": score.watched_hours,
        "not_listed": score.not_listed,
        **_figures(score.whole),
        "causes": dict(score.causes),
        "channels": {name: _figures(figures) for name, figures in score.channels.items()},
        "transmissions": [_verdict(each) for each in score.verdicts],
        "openings_without_transmission": [_heard(each) for each in score.false_openings],
        "failures_kept": list(trial.failures),
        "notes": list(trial.outcome.notes),
    }


def as_json(tree: Mapping[str, Any]) -> str:
    """The tree as text."""
    return json.dumps(tree, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def read_earlier(path: Path) -> dict[str, Any]:
    """An earlier trial, from its JSON or from the folder that holds it.

    Raises
    ------
    UsageProblem
        There is none, or it is something else.
    """
    file = path / JSON_NAME if path.is_dir() else path
    try:
        if file.stat().st_size > LARGEST_BYTES:
            raise UsageProblem(f"--against {file} is larger than a trial can be; give its {JSON_NAME}")
        tree = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as problem:
        raise UsageProblem(
            f"--against {path} cannot be read as a trial; give an earlier one's folder, or its {JSON_NAME}"
        ) from problem
    if not isinstance(tree, dict) or tree.get("midwatch_trial") != FORMAT:
        raise UsageProblem(f"--against {path} is no trial of this version; give an earlier {JSON_NAME}")
    try:
        sheet_of(tree, tree)
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        raise UsageProblem(
            f"--against {path} lacks what a trial holds; give an earlier {JSON_NAME} as it was written"
        ) from problem
    return tree


def _figures(figures: Figures) -> dict[str, Any]:
    return {
        "sent": figures.sent,
        "heard": figures.heard,
        "merged": figures.merged,
        "split": figures.split,
        "split_by_fading": figures.split_by_fading,
        "missed": figures.missed,
        "recall": _rate(figures.recall),
        "caught": _rate(figures.caught),
        "false_openings_per_channel_hour": _rate(figures.false_openings),
        "start_error_s": _spread(figures.start_error_s),
        "end_error_s": _spread(figures.end_error_s),
        "snr_error_db": _spread(figures.snr_error_db),
        "tones": {str(told): figures.tones.get(told, 0) for told in Told},
        "tone_right": _rate(figures.tone_right),
        "codes": {str(told): figures.codes.get(told, 0) for told in Told},
        "code_right": _rate(figures.code_right),
    }


def _rate(rate: Rate) -> dict[str, float | int | None]:
    return {
        "value": rate.value,
        "low": rate.low,
        "high": rate.high if math.isfinite(rate.high) else None,
        "count": rate.count,
        "of": rate.of,
    }


def _spread(spread: Spread | None) -> dict[str, float | int] | None:
    if spread is None:
        return None
    return {"count": spread.count, "median": spread.median, "p90": spread.p90, "worst": spread.worst}


def _verdict(verdict: Verdict) -> dict[str, Any]:
    sent, cause = verdict.sent, verdict.cause
    under_db = None if cause is None else cause.under_db
    return {
        "start_utc": write_utc(sent.start_utc),
        "end_utc": write_utc(sent.stop_utc),
        "channel": verdict.channel,
        "frequency_hz": sent.frequency_hz,
        "cnr_db": sent.cnr_db,
        "comment": sent.comment,
        "state": str(verdict.state),
        "parts": verdict.parts,
        "start_error_s": verdict.start_error_s,
        "end_error_s": verdict.end_error_s,
        "snr_error_db": verdict.snr_error_db,
        "tone": None if verdict.tone is None else str(verdict.tone),
        "code": None if verdict.code is None else str(verdict.code),
        "cause": None if cause is None else str(cause.why),
        "cause_words": None if cause is None else cause.words,
        "under_threshold_db": under_db if under_db is not None and math.isfinite(under_db) else None,
        "heard": None if verdict.heard is None else _heard(verdict.heard),
    }


def _heard(heard: Transmission) -> dict[str, Any]:
    return {
        "channel": heard.channel,
        "frequency_hz": heard.frequency_hz,
        "start_utc": write_utc(heard.start_utc),
        "end_utc": write_utc(heard.end_utc),
        "snr_db": None if heard.snr_db is None else heard.snr_db.value,
        "ctcss_hz": None if heard.tone is None else heard.tone.tone_hz,
        "dcs": None if heard.code is None else heard.code.code,
    }
