"""The page: self-contained, safe against hostile names, readable by machine and by people."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.watcher.report.made_records import at, channel, entry, gap, span, watch
from watcher.log.spans import Spans
from watcher.receive.records import Condition, ConditionKind, EndedBy
from watcher.report import PageLimits, render_html, summarize
from watcher.report.summary import ActivitySummary

HOSTILE = "<script>alert(1)</script>\"' onerror=x &amp; {{ 7*7 }}"
VOID = {"meta", "img", "br", "link", "input"}


class Outline(HTMLParser):
    """Tags in order, with their attributes, and whether every opened one is closed."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text.append(data)

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]

    @property
    def words(self) -> str:
        return " ".join("".join(self.text).split())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "2031-05-04").mkdir()
    for name in ("one.flac", "a #b?%.flac"):
        tone = 0.2 * np.sin(np.arange(16_000) / 3)
        soundfile.write(tmp_path / "2031-05-04" / name, tone, 16_000)
    return tmp_path


def busy_summary(name: str = "calling") -> ActivitySummary:
    return summarize(
        span(0, 7200),
        "America/Boise",
        transmissions=[
            entry(name, 10, 15, 1, snr=7.0, tone_hz=None, clip="2031-05-04/one.flac", flags=("long-tone",)),
            entry(name, 60, 5, 2, clip="2031-05-04/a #b?%.flac"),
            entry(name, 900, 5, 3, clip="2031-05-04/gone.flac", ended_by=EndedBy.GAP),
            entry(name, 1900, 5, 4),
            entry(name, 2900, 5, 5, clip="../../outside.flac"),
        ],
        watched={name: Spans([span(0, 3600), span(3700, 7200)])},
        gaps=[gap(name, 3600, 3700)],
        conditions=[Condition(name, ConditionKind.IMAGE, at(0), at(60), None, None, "mirror of another")],
        watches=[watch(channel("calling", priority=1, expect_tone_hz=100.0), channel("silent"), stop_s=7200)],
    )


def test_every_tag_is_closed_and_no_id_stands_twice(folder: Path) -> None:
    outline = Outline(render_html(busy_summary(), folder))
    assert outline.open == []
    ids = [attributes["id"] for _, attributes in outline.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    for link in outline.named("a"):
        target = link["href"] or ""
        assert not target.startswith("#") or target[1:] in ids


def test_hostile_names_stay_text(folder: Path) -> None:
    page = render_html(busy_summary(HOSTILE), folder)
    outline = Outline(page)
    assert "<script" not in page.lower()
    assert not any(key.startswith("on") for _, attributes in outline.tags for key in attributes)
    assert HOSTILE in outline.words
    assert "49" not in re.findall(r"\{\{.*?\}\}", page)


def test_nothing_comes_from_elsewhere(folder: Path) -> None:
    page = render_html(busy_summary(), folder)
    outline = Outline(page)
    assert "://" not in page
    assert not outline.named("script")
    assert not outline.named("link")
    for tag, attributes in outline.tags:
        for key in ("src", "href"):
            target = attributes.get(key)
            if target is not None:
                assert target.startswith(("data:image/png;base64,", "./", "#")), (tag, target)
    assert "@import" not in page
    assert "url(" not in page


def test_the_policy_allows_the_style_that_is_there_and_nothing_more(folder: Path) -> None:
    page = render_html(busy_summary(), folder)
    (policy,) = [one["content"] for one in Outline(page).named("meta") if one.get("http-equiv")]
    assert policy is not None
    assert policy.startswith("default-src 'none'; base-uri 'none'; form-action 'none'; ")
    assert "unsafe" not in policy
    style = page[page.index("<style>") + len("<style>") : page.index("</style>")]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy
    assert " style=" not in page


def test_clips_can_be_heard_and_those_that_cannot_say_why(folder: Path) -> None:
    outline = Outline(render_html(busy_summary(), folder))
    sources = [one["src"] for one in outline.named("audio")]
    assert set(sources) == {"./2031-05-04/one.flac", "./2031-05-04/a%20%23b%3F%25.flac"}
    assert all(one["preload"] == "none" and one["aria-label"] for one in outline.named("audio"))
    assert "the clip 2031-05-04/gone.flac is not there" in outline.words
    assert "no clip was kept" in outline.words
    assert "lies outside the folder of the log" in outline.words
    pictures = outline.named("img")
    assert len(pictures) == len(sources)
    assert all("Spectrogram" in (one["alt"] or "") for one in pictures)


def test_a_broken_clip_costs_only_its_picture(folder: Path) -> None:
    (folder / "2031-05-04" / "one.flac").write_bytes(b"torn")
    outline = Outline(render_html(busy_summary(), folder))
    assert "./2031-05-04/one.flac" in [one["src"] for one in outline.named("audio")]
    assert len(outline.named("img")) < len(outline.named("audio"))


def test_the_page_says_what_matters_in_its_order(folder: Path) -> None:
    words = Outline(render_html(busy_summary(), folder)).words
    order = [
        "Harrow Ridge: activity report",
        "Not watched, and so unknown: 1 min 40 s to 2 h on the channels.",
        "Hear these first",
        "tell the emergency services now",
        "a zero held three seconds or more",
        "SNR 7.0 ± 0.4 dB, tone none (99.90 % sure), frequency error unknown",
        "Occupancy is heard over watched time",
        "Hour by hour",
        "Exchanges and clips",
        "What was not watched",
        "lost samples",
        "Conditions of the channels",
        "mirror of another",
        "How it was computed",
        "ITU-R SM.1880",
        "Cautions",
        "This program only receives.",
        "never the only plan",
    ]
    place = 0
    for text in order:
        place = words.find(text, place)
        assert place >= 0, text


def test_tables_tell_their_heads_and_headings_do_not_skip(folder: Path) -> None:
    outline = Outline(render_html(busy_summary(), folder))
    assert all(one.get("scope") in {"col", "row"} for one in outline.named("th"))
    levels = [int(tag[1]) for tag, _ in outline.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))
    assert outline.named("html") == [{"lang": "en"}]


def test_a_large_log_is_cut_and_the_page_says_so(folder: Path) -> None:
    entries = [entry(f"ch {k % 3}", 100.0 * k, 5, k, clip="2031-05-04/one.flac") for k in range(400)]
    watched = {f"ch {k}": Spans([span(0, 40_000)]) for k in range(3)}
    summary = summarize(span(0, 40_000), "UTC", transmissions=entries, watched=watched)
    page = render_html(summary, folder, PageLimits(hear_first=2, transmissions=30, pictures=5))
    outline = Outline(page)
    assert "30 of 400 transmissions are listed" in outline.words
    assert "398 more with a reason" in outline.words
    assert len(outline.named("audio")) == 32
    assert len(page) < 200_000


def test_the_latest_are_kept_where_nothing_has_a_reason(folder: Path) -> None:
    """Pairs of strong transmissions on a channel that is in no plan: an ordinary chat."""
    entries = [entry("chat", 100.0 * (k // 2) + 8 * (k % 2), 5, k, snr=30.0) for k in range(20)]
    watched = {"chat": Spans([span(0, 1000)])}
    summary = summarize(span(0, 1000), "UTC", transmissions=entries, watched=watched)
    words = Outline(render_html(summary, folder, PageLimits(transmissions=4))).words
    listed = words[words.index("4 of 20 transmissions are listed") : words.index("What was not watched")]
    assert "06:15:08" in listed
    assert "06:13:20" in listed
    assert "06:11:40" not in listed


def test_pictures_are_bounded_and_the_page_says_how_many_are_missing(folder: Path) -> None:
    for k in range(4):
        soundfile.write(folder / f"{k}.flac", np.full(1000, 0.1), 16_000)
    entries = [entry("a", 100.0 * k, 5, k, clip=f"{k}.flac") for k in range(4)]
    summary = summarize(span(0, 1000), "UTC", transmissions=entries)
    outline = Outline(render_html(summary, folder, PageLimits(pictures=3)))
    assert "no room for pictures of 1 clip on this page" in outline.words
    assert len({one["src"] for one in outline.named("img")}) <= 3


def test_an_exchange_longer_than_the_page_is_cut(folder: Path) -> None:
    entries = [entry("a", 10.0 * k, 5, k) for k in range(50)]
    summary = summarize(span(0, 1000), "UTC", transmissions=entries)
    words = Outline(render_html(summary, folder, PageLimits(transmissions=10))).words
    assert "40 more in this exchange are in the log" in words


def test_an_empty_log_gives_a_page_that_says_so(folder: Path) -> None:
    outline = Outline(render_html(summarize(span(0, 3600), "UTC"), folder))
    assert outline.open == []
    assert "Nothing was watched: the log holds no channel for this time." in outline.words
    assert "Nothing heard has a reason to come first." in outline.words
    assert "Nothing is known of this time." in outline.words


def relative_luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_stands_out_from_its_paper_by_day_and_by_night(folder: Path) -> None:
    """WCAG 2.2, success criterion 1.4.3: contrast of at least 4.5 to 1 for text."""
    page = render_html(summarize(span(0, 60), "UTC"), folder)
    schemes = re.findall(r":root \{(.*?)\}", page, re.DOTALL)
    colours = [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", scheme)) for scheme in schemes]
    checked = 0
    for scheme in colours[:2]:
        for paper, inks in (
            ("paper", ("ink", "soft", "missed", "link", "urgent", "heard")),
            ("panel", ("ink",)),
            ("missed-paper", ("ink",)),
        ):
            for ink in inks:
                light, dark = sorted((relative_luminance(scheme[paper]), relative_luminance(scheme[ink])))[
                    ::-1
                ]
                assert (light + 0.05) / (dark + 0.05) >= 4.5, (paper, ink)
                checked += 1
    assert checked == 16
