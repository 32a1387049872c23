"""A general message on the public incident form ICS 213.

Ten blocks, by the reprints of the form in the NIMS ICS Forms Booklet, FEMA 502-2 (read in reprints and their
instructions, not in the booklet itself); the layout is our own. What nobody told is an empty box to write in.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from watcher.report.forms.sheet import Sheet


@dataclass(frozen=True, slots=True)
class GeneralMessage:
    """What the sender fills in; an empty text stays a blank box.

    `sent_utc` goes into date and time, in UTC, which the sheet says.
    """

    incident: str = ""
    recipient: str = ""
    sender: str = ""
    subject: str = ""
    message: str = ""
    approved_by: str = ""
    sent_utc: datetime | None = None

    def as_sheet(self) -> Sheet:
        """The form on paper: the sender's blocks filled, the recipient's left to write in."""
        sheet = Sheet("General message", "ICS 213", made_utc=self.sent_utc)
        date = "" if self.sent_utc is None else f"{self.sent_utc:%m/%d/%Y}"
        time = "" if self.sent_utc is None else f"{self.sent_utc:%H%M} UTC"
        sheet.boxes((("1. Incident name (optional)", self.incident),))
        sheet.boxes((("2. To (name and position)", self.recipient),))
        sheet.boxes((("3. From (name and position)", self.sender),))
        sheet.boxes(
            (("4. Subject", self.subject), ("5. Date (month/day/year)", date), ("6. Time (24-hour)", time))
        )
        sheet.writing_box("7. Message", self.message, least_mm=75)
        sheet.boxes(
            (("8. Approved by: name", self.approved_by), ("Signature", ""), ("Position or title", ""))
        )
        sheet.writing_box("9. Reply (written by the recipient)", "", least_mm=60)
        sheet.boxes(
            (
                ("10. Replied by: name", ""),
                ("Position or title", ""),
                ("Signature", ""),
                ("Date and time", ""),
            )
        )
        sheet.ln(1.5)
        sheet.words(
            "The sender keeps part 1 and sends two copies; the recipient answers on one of them. A copy goes "
            "to the documentation unit. Requests for resources belong on another form (ICS 213RR).",
            points=7.5,
        )
        return sheet
