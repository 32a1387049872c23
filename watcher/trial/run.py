"""One trial: recordings replayed under a plan, and what the watch caught held against the truth."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from watcher.errors import UsageProblem
from watcher.log.schema import FILE_NAME
from watcher.plan.model import WatchPlan
from watcher.radio.source import SampleSource
from watcher.shipped import program
from watcher.trial.evidence import read_evidence
from watcher.trial.excerpts import keep_failures, measure_cnr_db
from watcher.trial.scanning import scan
from watcher.trial.scoring import Score, State, channel_of, score
from watcher.trial.truth import read_truth
from watcher.watch.replay import Outcome, Progress, replay


@dataclass(frozen=True, slots=True)
class Trial:
    """A scored replay and what it was of."""

    score: Score
    outcome: Outcome
    plan: WatchPlan
    plan_name: str
    recordings: tuple[str, ...]
    truth_name: str
    kept_windows: bool
    program: str
    failures: tuple[str, ...] = ()


def run_trial(
    plan: WatchPlan,
    sources: Sequence[SampleSource],
    truth_path: Path,
    folder: Path,
    *,
    plan_name: str = "",
    keep_windows: bool = False,
    failures_into: Path | None = None,
    ppm: float | None = None,
    progress: Progress = lambda step: None,
    stop_wanted: Callable[[], bool] = lambda: False,
) -> Trial:
    """Replay recordings under a plan and score what was heard.

    Parameters
    ----------
    plan : WatchPlan
    sources : sequence of SampleSource
    truth_path : Path
    folder : Path
        Takes the clips and the log; must hold no log yet.
    plan_name : str
        What to call the plan.
    keep_windows : bool
        Keep the plan's windows, tunings and dwell on the recording's own clock.
    failures_into : Path or None
        Where the IQ around each failure goes.
    ppm, progress, stop_wanted
        As for :func:`watcher.watch.replay.replay`.

    Raises
    ------
    UsageProblem, RadioError, StorageError
        With one sentence.
    """
    if (folder / FILE_NAME).exists():
        raise UsageProblem(
            f"--into {folder} already holds a watch log; give an empty folder, so that one run is scored"
        )
    ppm = plan.ppm if ppm is None else ppm
    stretches = [stretch for source in sources for stretch in source.stretches()]
    truth = read_truth(truth_path, stretches)
    if keep_windows:
        outcome = scan(plan, sources, folder, ppm=ppm, progress=progress, stop_wanted=stop_wanted)
    else:
        outcome = replay(
            plan, sources, folder, ppm=ppm, allow_outside=True, progress=progress, stop_wanted=stop_wanted
        )
    heard, circumstances = read_evidence(folder, plan, stretches, ppm, kept_windows=keep_windows)
    scored = score(plan.channels, truth, heard, circumstances)
    unmeasured = [
        (verdict.sent, channel)
        for verdict in scored.verdicts
        if verdict.state is State.MISSED
        and verdict.sent.cnr_db is None
        and (channel := channel_of(verdict.sent, plan.channels)) is not None
    ]
    if unmeasured:
        scored = score(plan.channels, truth, heard, circumstances, measure_cnr_db(sources, unmeasured, ppm))
    trial = Trial(
        score=scored,
        outcome=outcome,
        plan=plan,
        plan_name=plan_name,
        recordings=tuple(dict.fromkeys(stretch.label for stretch in stretches)),
        truth_name=truth_path.name,
        kept_windows=keep_windows,
        program=program(),
    )
    if failures_into is None:
        return trial
    kept, left_out = keep_failures(failures_into, scored, plan.channels, sources)
    if left_out:
        outcome.notes.append(f"{left_out} more failures were not kept: {failures_into} holds the first")
    return replace(trial, failures=tuple(path.name for path in kept))
