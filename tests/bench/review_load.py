"""`make bench-review`: the review page and the report over a log of a hundred thousand transmissions.

The page is served as a user serves it; each address is asked for five times over the loopback and the median
told. First paint is what chromium itself reports (W3C, Paint Timing: first-contentful-paint), where it is
here. Writes build/bench-review.json.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import resource
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
os.environ.setdefault("OMP_NUM_THREADS", "1")

from tests.bench.long_log import make_long_log  # noqa: E402

MIDWATCH = [sys.executable, "-m", "watcher.cli"]
ASKED = 5
PLACES = {
    "list, by time": "/?order=time",
    "list, by hearing": "/",
    "list, page 500": "/?page=500",
    "list, one channel": "/?channel=2+m+calling",
    "search, words in notes": "/?words=bridge",
    "search, tone": "/?tone=100.0",
    "search, not yet heard": "/?mark=not+yet+heard",
    "strips, a day": "/strips?length=day",
    "strips, a month": "/strips?length=month",
    "clip": "/clip/50000",
    "lessons": "/lessons",
}
PAINTED = ("/?order=time", "/", "/strips?length=month", "/clip/50000")
UNDER_S = 1.0  # the design: first paint under one second


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The address of the page, served in a process of its own."""
    server = subprocess.Popen(
        [*MIDWATCH, "review", str(folder), "--port", "0"], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    try:
        assert server.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:\d+", server.stdout.readline())
        assert found is not None, "the page never came up"
        yield found[0]
    finally:
        server.send_signal(signal.SIGTERM)
        server.communicate(timeout=30)


def asked_s(address: str) -> tuple[float, str]:
    """How long one answer takes, seconds, and the answer."""
    began = time.perf_counter()
    with urllib.request.urlopen(address, timeout=60) as answer:
        page = answer.read().decode()
    return time.perf_counter() - began, page


def first_news_s(address: str) -> float:
    """How long until the stream of news has told what there is."""
    began = time.perf_counter()
    with urllib.request.urlopen(f"{address}/news", timeout=60) as stream:
        assert stream.readline().startswith(b"event: heard")
    return time.perf_counter() - began


def painted_s(address: str) -> dict[str, float]:
    """First contentful paint of pages, seconds; empty without chromium."""
    chromium = shutil.which("chromium")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        chromium = None
    if chromium is None:
        return {}
    found = {}
    with sync_playwright() as engine:
        browser = engine.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page()
        page.goto(f"{address}/own/lamp.svg")  # the first page pays for the browser's own start
        for place in PAINTED:
            page.goto(address + place)
            page.wait_for_timeout(500)
            entry = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
            found[place] = entry / 1000
        browser.close()
    return found


def measure(folder: Path) -> dict[str, float]:
    """Every figure, printed as it comes."""
    figures: dict[str, float] = {}

    def told(name: str, value: float, unit: str = "s") -> None:
        figures[f"{name}, {unit}"] = round(value, 4)
        print(f"  {name:34s} {value:8.3f} {unit}", flush=True)

    with served(folder) as address:
        first, page = asked_s(address + "/")
        told("first list of all", first)
        began = time.perf_counter()
        while "data-waiting" in page and time.perf_counter() - began < 120:
            time.sleep(0.5)
            _, page = asked_s(address + "/")
        told("order of hearing, in the background", time.perf_counter() - began)
        for name, place in PLACES.items():
            told(name, statistics.median(asked_s(address + place)[0] for _ in range(ASKED)))
        told("first news", first_news_s(address))
        for place, seconds in painted_s(address).items():
            told(f"first paint of {place}", seconds)
    began = time.perf_counter()
    subprocess.run([*MIDWATCH, "report", str(folder), "--quiet"], cwd=ROOT, check=True)
    told("midwatch report", time.perf_counter() - began)
    told("its memory", resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024, "MiB")
    return figures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100_000)
    count = parser.parse_args().count
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "watch"
        began = time.perf_counter()
        make_long_log(folder, count)
        print(f"{count:,} transmissions, made in {time.perf_counter() - began:.0f} s")
        figures = measure(folder)
    slow = [name for name, value in figures.items() if "paint" in name and value >= UNDER_S]
    print(f"first paint under {UNDER_S:g} s: {'not ' + ', '.join(slow) if slow else 'every page'}")
    into = ROOT / "build"
    into.mkdir(exist_ok=True)
    (into / "bench-review.json").write_text(json.dumps(figures, indent=1) + "\n")


if __name__ == "__main__":
    main()
