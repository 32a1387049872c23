"""From when to when an alert on weather radio lasts, by what the decoders found.

An alert is a header sent three times, mostly a warning tone, speech, and an end of message sent three
times (47 CFR 11.31). Any of them may be missed: a header alone begins an alert, so does a tone, and one
whose end is not heard ends after five minutes.
"""

from __future__ import annotations

from collections.abc import Iterable

from watcher.receive.records import Finding, Sign

ALERT_LEAD_S = 3.0  # of the clip before the alert
ALERT_TRAIL_S = 2.0  # and after its end
LONGEST_ALERT_S = 300.0  # the longest announcement is two minutes (from memory)
BEGINS = (Sign.SAME, Sign.SAME_UNSURE, Sign.ALERT_TONE)


def alert_since_s(findings: Iterable[Finding]) -> float | None:
    """When the earliest alert among them began; None where there is none."""
    return min((each.start_s for each in findings if each.sign in BEGINS), default=None)


def alert_is_over(findings: Iterable[Finding], since_s: float | None, now_s: float) -> bool:
    """Whether the alert that began at `since_s` has been sent; another that began meanwhile has not.

    A header may come after an end of message has been heard: the next alert follows at once.
    """
    findings = list(findings)
    begun = [each.start_s for each in findings if each.sign in BEGINS]
    latest_s = max(begun, default=since_s if since_s is not None else now_s)
    ends = [each.stop_s for each in findings if each.sign is Sign.SAME_END and each.stop_s > latest_s]
    return any(now_s >= end_s + ALERT_TRAIL_S for end_s in ends) or now_s >= latest_s + LONGEST_ALERT_S
