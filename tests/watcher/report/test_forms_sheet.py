"""The sheet that all forms are made of."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.watcher.report.made_watch import pages
from watcher.errors import StorageError
from watcher.report.forms.letters import fonts_in, system_fonts
from watcher.report.forms.message import GeneralMessage
from watcher.report.forms.sheet import Sheet


def test_letters_it_has_are_kept_and_others_are_told() -> None:
    sheet = Sheet("Title", fonts=())
    sheet.words("Øvre Łódź – 5 ± 1")
    (text,) = pages(sheet)
    assert "Øvre Lódz - 5 ± 1" in text
    assert "stand as ?" not in text
    sheet = Sheet("Title", fonts=())
    sheet.words("山")
    (text,) = pages(sheet)
    assert "?" in text
    assert "Letters that this sheet cannot show stand as ?" in text


OTHER_ALPHABETS = ("Żółć na Łące", "Ведьмина гора", "Όρος", "Đurđevac")


@pytest.mark.skipif(not system_fonts(), reason="this machine has none of the fonts that are looked for")
@pytest.mark.parametrize("words", OTHER_ALPHABETS)
def test_other_alphabets_are_written_as_they_are(words: str) -> None:
    sheet = Sheet(words)
    sheet.boxes(((words, words), ("Other", words * 6)))
    sheet.ruled((words, "B"), [(words, "b"), (words,)], (1, 1))
    (text,) = pages(sheet)
    assert text.count(words) >= 5
    assert "stand as ?" not in text


def test_fonts_are_looked_for_below_the_folders_in_pairs(tmp_path: Path) -> None:
    deep = tmp_path / "truetype" / "any"
    deep.mkdir(parents=True)
    for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "NotoSans-Regular.ttf", "Other.ttf"):
        (deep / name).touch()
    (found,) = fonts_in([tmp_path, tmp_path / "absent"])
    assert (found.regular, found.bold) == (deep / "DejaVuSans.ttf", deep / "DejaVuSans-Bold.ttf")
    assert fonts_in([]) == ()


@pytest.mark.parametrize("fonts", [None, ()])
def test_control_characters_do_not_reach_the_paper(fonts: tuple[()] | None) -> None:
    assert Sheet("Title", fonts=fonts).plain("a\x1b[31mb\x00\u202ec") == "a?[31mb??c"


def test_the_same_words_give_the_same_bytes() -> None:
    def made() -> bytes:
        return bytes(GeneralMessage(message="All well").as_sheet().output())

    assert made() == made()


def test_a_box_too_small_for_its_text_ends_in_dots_not_outside() -> None:
    sheet = Sheet("Title")
    sheet.boxes((("Label", "word " * 100), ("Other", "x")))
    (text,) = pages(sheet)
    assert "..." in text


def test_a_place_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="cannot be written"):
        Sheet("Title").save(tmp_path / "nowhere" / "a.pdf")


def test_a_general_message_has_the_ten_blocks_of_the_form() -> None:
    """Blocks of ICS 213, NIMS ICS Forms Booklet, FEMA 502-2 (from reprints of the form)."""
    message = GeneralMessage(
        incident="Saddle search",
        recipient="R. Holm, incident lead",
        sender="E. Vint, radio",
        subject="Overdue walkers",
        message="Two walkers overdue.\nLast heard 0310.",
        approved_by="E. Vint",
        sent_utc=datetime(2031, 5, 4, 3, 10, tzinfo=UTC),
    )
    (text,) = pages(message.as_sheet())
    blocks = ("Incident name", "To", "From", "Subject", "Date", "Time", "Message", "Approved by", "Reply")
    for number, title in enumerate((*blocks, "Replied by"), 1):
        assert f"{number}. {title}" in text
    for told in ("ICS 213", "R. Holm, incident lead", "Overdue walkers", "05/04/2031", "0310 UTC"):
        assert told in text, told
    assert "Two walkers overdue." in text
    assert "Last heard 0310." in text


def test_what_is_not_told_in_a_message_is_blank() -> None:
    (text,) = pages(GeneralMessage().as_sheet())
    assert "UTC" not in text
    assert "None" not in text
    assert "unknown" not in text


def test_a_message_longer_than_a_page_loses_nothing() -> None:
    words = [f"word{n}" for n in range(1500)]
    found = " ".join(pages(GeneralMessage(message=" ".join(words)).as_sheet()))
    assert all(word in found for word in words[::100])
    assert "10. Replied by" in found
