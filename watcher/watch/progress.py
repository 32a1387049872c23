"""How long work shows that it moves: a bar on a terminal, now and then a line elsewhere."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from watcher.watch.replay import Progress as Told
from watcher.watch.replay import Step

LINE_EVERY_S = 15.0  # on a stream that is no terminal


@contextmanager
def shown_progress(console: Console, quiet: bool) -> Iterator[Told]:
    """A callable that shows each step of a replay: speed in multiples of real time and time left."""
    began = time.monotonic()

    def speed(step: Step) -> str:
        elapsed = time.monotonic() - began
        return f"{step.seconds_done / elapsed:.0f} times real time" if elapsed > 0.5 else ""

    if quiet:
        yield lambda step: None
    elif console.is_terminal:
        columns = (
            TextColumn("{task.description}"),
            BarColumn(),
            TaskProgressColumn(),
            TextColumn("{task.fields[speed]}"),
            TimeRemainingColumn(),
            TextColumn("{task.fields[heard]}"),
        )
        with Progress(*columns, console=console, transient=True) as bar:
            task = bar.add_task("", total=1.0, speed="", heard="")

            def show(step: Step) -> None:
                bar.update(
                    task,
                    description=step.label,
                    completed=step.samples_done / max(step.samples_total, 1),
                    speed=speed(step),
                    heard=f"{step.heard} heard",
                )

            yield show
    else:
        last = began

        def line(step: Step) -> None:
            nonlocal last
            if time.monotonic() - last >= LINE_EVERY_S:
                last = time.monotonic()
                share = step.samples_done / max(step.samples_total, 1)
                left_s = (last - began) * (1 - share) / max(share, 1e-6)
                console.print(
                    f"{step.label}: {share:.0%} done, {speed(step)}, {left_s:.0f} s left, {step.heard} heard",
                    markup=False,
                )

        yield line
