"""What must be said beside every report: what it is not, what to do in distress, what the law may forbid.

The legal points are for the United States: 18 U.S.C. 2510(16) and 2511(2)(g), 47 U.S.C. 605 (texts and
official summaries read, consent to recording from memory). Not legal advice.
"""

from __future__ import annotations

DISTRESS = (
    "If a clip holds a person in distress, tell the emergency services now: 911 in the United States, 112 "
    "in many other countries, the Coast Guard for ships (channel 16 or telephone). Write down the time, "
    "the frequency and the words as they were said, and keep the clip."
)

AID_ONLY = (
    "This report is an aid and never the only plan. A quiet channel does not mean that nobody called: a "
    "caller may be out of range, on another frequency, under the noise, or in a minute that was not "
    "watched."
)

CAUTIONS = (
    "This program only receives. It cannot answer anybody.",
    AID_ONLY,
    DISTRESS,
    "Laws on listening, recording and passing on differ between countries and states, and change. Check "
    "yours; this is not legal advice.",
    "In the United States, listening to amateur, citizens band, general mobile, marine and air traffic, "
    "and to public-safety traffic that is in the clear, is not unlawful under 18 U.S.C. 2511(2)(g). "
    "Passing on or using what was heard is another matter (47 U.S.C. 605): distress, amateur, citizens "
    "band and broadcast traffic apart, do not without leave. Some states want the consent of those "
    "recorded.",
    "Encrypted, telephone and paging traffic is not for you; do not try to decode it.",
    "Some states and towns restrict receivers in vehicles.",
    "Keep clips and reports private unless you know that you may share them.",
)
