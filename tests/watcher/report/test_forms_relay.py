"""The relay draft: every field a relayed call for help needs, and a blank for each that nobody knows."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.watcher.report.made_records import START
from tests.watcher.report.made_watch import made_watch, pages
from watcher.errors import UsageProblem
from watcher.log import WatchLog
from watcher.log.marks import Change, change_marks
from watcher.report.forms import RelayDraft, relay_draft
from watcher.report.forms.relay import WRITE_HERE

ANSWERS = {
    "who": "a walker called Tor",
    "where": "north of the saddle",
    "what": "a broken leg",
    "need": "a stretcher party",
    "next_on_air": "at the next full hour",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_watch(tmp_path_factory.mktemp("watch"))


def draft(folder: Path, entry_id: int, **answers: str) -> RelayDraft:
    with WatchLog.open_to_read(folder) as log:
        return relay_draft(log, entry_id, **answers)


def test_the_facts_of_the_clip_are_filled_in(folder: Path) -> None:
    facts = dict(draft(folder, 2).facts())
    # The call began at 06:20 UTC, 00:20 in Boise (UTC-6 in May, tz database).
    assert facts["Heard at, local time"] == "Sun 4 May 2031, 00:20:00 MDT"
    assert facts["Heard at, UTC"] == "2031-05-04 06:20:00 UTC"
    assert facts["Frequency"] == "146.520 MHz, NFM"
    assert facts["Channel"] == "calling"
    assert facts["Signalling found"] == "the touch-tone zero, held 3.5 s"
    assert facts["Clip"] == "2031-05-04/2.flac"
    assert facts["Entry in the log"] == "2"


def test_what_nobody_told_is_blank_and_nothing_else_is(folder: Path) -> None:
    script = draft(folder, 1).script()
    assert sum(sentence.count(WRITE_HERE) for sentence in script) == len(ANSWERS)
    assert WRITE_HERE not in " ".join(draft(folder, 1, **ANSWERS).script())


@pytest.mark.parametrize("key", ANSWERS)
def test_each_answer_is_read_aloud_and_stands_among_the_fields(folder: Path, key: str) -> None:
    one = draft(folder, 1, **{key: ANSWERS[key]})
    assert any(ANSWERS[key] in sentence for sentence in one.script())
    assert ANSWERS[key] in [text for _, text in one.fields()]
    assert sum(sentence.count(WRITE_HERE) for sentence in one.script()) == len(ANSWERS) - 1


def test_who_was_written_down_in_review_calls_unless_somebody_says_otherwise(tmp_path: Path) -> None:
    folder = made_watch(tmp_path)
    with WatchLog.open(folder, create=False) as log:
        change_marks(log, [Change(1, 0, who="Tor > anybody", note="weak,\nasks for help")], START)
    assert "Who calls: Tor." in draft(folder, 1).script()
    assert "Who calls: Edda." in draft(folder, 1, who="Edda").script()
    assert dict(draft(folder, 1).facts())["Note on the clip"] == "weak, asks for help"
    assert "Note on the clip" not in dict(draft(folder, 2).facts())


def test_the_emergency_services_come_first(folder: Path) -> None:
    text = draft(folder, 1).as_text()
    assert text.index("call the emergency services") < text.index("READ ALOUD")
    assert "procedure of the service and of your area" in " ".join(text.split())


def test_text_and_paper_say_the_same(folder: Path) -> None:
    one = draft(folder, 2, **ANSWERS)
    paper = " ".join(" ".join(pages(one.as_sheet())).split())
    text = " ".join(one.as_text().split())
    for sentence in one.script():
        assert sentence in paper
        assert sentence in text


def test_a_call_without_a_clip_claims_no_recording(folder: Path) -> None:
    assert "I have a recording" in " ".join(draft(folder, 1).script())
    one = draft(folder, 3)
    assert "I have a recording" not in " ".join(one.script())
    assert dict(one.facts())["Clip"] == "none was kept"


def test_a_number_that_is_not_there_tells_which_are(folder: Path) -> None:
    with pytest.raises(UsageProblem, match="entry 99 is not in the log; it has 1 to 3"):
        draft(folder, 99)


def test_a_long_channel_name_without_spaces_is_not_cut(tmp_path: Path) -> None:
    name = "n" * 60
    one = draft(made_watch(tmp_path, "", channel_name=name), 1)
    assert name in "".join(one.as_text().split())
    assert name in "".join("".join(pages(one.as_sheet())).split())
