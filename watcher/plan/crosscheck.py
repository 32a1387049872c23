"""What no channel shows alone: names that clash, channels that lie on one another."""

from __future__ import annotations

from collections.abc import Sequence

from watcher.plan.figures import write_khz, write_mhz
from watcher.plan.model import Channel
from watcher.plan.names import file_part, folded


def name_clashes(names: Sequence[tuple[int, str]], file: str) -> list[str]:
    """One problem for each name that repeats an earlier one.

    Parameters
    ----------
    names : sequence of (int, str)
        The number of the table in the file, from 1, and its name.
    file : str
        The name of the plan file.
    """
    problems = []
    first_folded: dict[str, tuple[int, str]] = {}
    first_file_part: dict[str, tuple[int, str]] = {}
    for number, name in names:
        same = first_folded.setdefault(folded(name), (number, name))
        same_file = first_file_part.setdefault(file_part(name).casefold(), (number, name))
        trail = f'{file}: channel {number} "{name}": name is'
        if same[0] != number:
            how = "" if same[1] == name else " but for capitals and spaces"
            problems.append(
                f'{trail} the same as that of channel {same[0]} "{same[1]}"{how}; it must be its own'
            )
        elif same_file[0] != number:
            problems.append(
                f'{trail} "{file_part(name)}" in the name of a clip, and so is that of channel '
                f'{same_file[0]} "{same_file[1]}"; it must differ in letters or digits'
            )
    return problems


def tone_contradictions(channels: Sequence[Channel], file: str) -> list[str]:
    """What a channel says of its tone that cannot all be meant, one problem each."""
    problems = []
    for channel in channels:
        trail = f'{file}: channel "{channel.name}"'
        if channel.expect_code is not None and channel.expect_tone_hz is not None:
            problems.append(
                f"{trail}: expect_code is {channel.expect_code} and expect_tone_hz is "
                f"{channel.expect_tone_hz:.1f}; it must be one of the two"
            )
        if channel.require_tone and (channel.expects is None or channel.mode == "am"):
            problems.append(
                f"{trail}: require_tone is true; the channel must be nfm or fm and name its expect_tone_hz "
                "or expect_code"
            )
    return problems


def channel_warnings(channels: Sequence[Channel], file: str) -> list[str]:
    """What is allowed and probably not meant, one sentence each."""
    warnings = []
    for channel in channels:
        trail = f'{file}: channel "{channel.name}"'
        if channel.mode == "am" and channel.expects is not None:
            key = "expect_tone_hz" if channel.expect_code is None else "expect_code"
            value = channel.expect_code or f"{channel.expect_tone_hz:.1f}"
            warnings.append(f"{trail}: {key} is {value}; tones are read in nfm and fm only")
        if channel.rated_deviation_hz is not None and channel.bandwidth_hz < 3 * channel.rated_deviation_hz:
            # By Carson's rule 5 kHz deviation takes 16 kHz; 20 kHz channels carry it, narrower ones cannot.
            warnings.append(
                f"{trail}: bandwidth_khz is {write_khz(channel.bandwidth_hz)} in mode {channel.mode}, whose "
                f"deviation is {write_khz(channel.rated_deviation_hz)} kHz; loud speech will be distorted"
            )
    return warnings + _shared_frequencies(channels, file) + _overlaps(channels, file)


def _shared_frequencies(channels: Sequence[Channel], file: str) -> list[str]:
    first: dict[tuple[int, str], Channel] = {}
    warnings = []
    for channel in channels:
        earlier = first.setdefault((channel.frequency_hz, channel.mode), channel)
        if earlier is not channel:
            warnings.append(
                f'{file}: channel "{channel.name}": frequency_mhz is {write_mhz(channel.frequency_hz)}, '
                f'as is that of "{earlier.name}" in the same mode; what is heard there is logged on both'
            )
    return warnings


def _overlaps(channels: Sequence[Channel], file: str) -> list[str]:
    """One sentence for each run of channels that lie closer than their bandwidths allow."""
    runs: list[list[Channel]] = []
    for channel in sorted(channels, key=lambda each: each.frequency_hz):
        before = runs[-1][-1] if runs else None
        if (
            before is not None
            and channel.frequency_hz - before.frequency_hz < (channel.bandwidth_hz + before.bandwidth_hz) / 2
        ):
            runs[-1].append(channel)
        else:
            runs.append([channel])
    warnings = []
    for run in runs:
        if len({channel.frequency_hz for channel in run}) > 1:
            names = ", ".join(f'"{channel.name}"' for channel in run)
            warnings.append(
                f"{file}: channels {names} lie closer together than their bandwidths; "
                "a strong station on one will be heard on the next"
            )
    return warnings
