"""Which centre frequencies a radio needs so that it hears every listed channel, and as few of them as can be.

A tuning hears a channel cleanly where the whole pass band lies in the usable share of the radio's span (the
filters of the radio fall off and fold over at its edges) and stays clear of the false line at 0 Hz.
Among the centres that will do, the one is taken on which the fewest channels lie where the mirrored false
copy of another falls.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.plan.fewest_sets import fewest_sets
from watcher.plan.figures import write_mhz
from watcher.plan.model import Channel

USABLE_SHARE = 0.8
"""Of the sample rate, for radios of the RTL2832U class: common practice, no source."""
SPIKE_GUARD_HZ = 5_000
"""Room between a pass band and 0 Hz for the spike and its skirts: common practice, no source."""
CRYSTAL_HZ = 28_800_000
"""The reference of radios of the RTL2832U class; its harmonics come in by themselves (secondary)."""
BIRDIE_DRIFT_PPM = 5.0
"""How far a harmonic may stand from where the plan's ppm puts it: from memory, warming up moves it so far."""
_MOST_IMAGES_NAMED = 3


@dataclass(frozen=True, slots=True)
class Tuning:
    """One centre frequency and what is heard on it.

    Parameters
    ----------
    centre_hz : int
    channels : tuple of Channel
        Every channel that this tuning hears cleanly, in order of frequency; another tuning may hear some too.
    spare_hz : int
        Width of the usable span that the channels leave: room for more of them, Hz.
    warnings : tuple of str
        What can be wrong on a channel of this tuning, one sentence each.
    """

    centre_hz: int
    channels: tuple[Channel, ...]
    spare_hz: int
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Span:
    """What one radio hears around its centre."""

    half_usable_hz: int
    half_rate_hz: int
    spike_guard_hz: int

    def clearance_hz(self, channel: Channel) -> int:
        """How far the centre must keep from a channel's own."""
        return -(-channel.pass_band_hz // 2) + self.spike_guard_hz

    def lowest_centre_hz(self, channel: Channel) -> int:
        return channel.frequency_hz + -(-channel.pass_band_hz // 2) - self.half_usable_hz

    def highest_centre_hz(self, channel: Channel) -> int:
        return channel.frequency_hz - -(-channel.pass_band_hz // 2) + self.half_usable_hz

    def hears(self, channel: Channel, centre_hz: int) -> bool:
        inside = self.lowest_centre_hz(channel) <= centre_hz <= self.highest_centre_hz(channel)
        return inside and abs(channel.frequency_hz - centre_hz) >= self.clearance_hz(channel)


def plan_tunings(
    channels: Sequence[Channel],
    sample_rate_hz: int,
    *,
    usable_share: float = USABLE_SHARE,
    spike_guard_hz: int = SPIKE_GUARD_HZ,
    crystal_hz: int | None = CRYSTAL_HZ,
    ppm: float = 0.0,
) -> tuple[Tuning, ...]:
    """The fewest tunings on which one radio hears every channel, in order of frequency.

    Parameters
    ----------
    channels : sequence of Channel
        May be empty, which takes no tuning.
    sample_rate_hz : int
    usable_share : float
        The share of the rate in which the radio is flat and free of aliases, above 0 and up to 1.
    spike_guard_hz : int
        Least distance between the edge of a pass band and 0 Hz.
    crystal_hz : int or None
        The radio's reference, whose harmonics are warned of; None for a radio without such birdies.
    ppm : float
        How fast that reference runs.

    Raises
    ------
    ValueError
        The span is too narrow for a channel beside the spike; carries one sentence with the rate it takes.

    Notes
    -----
    The count is optimal: no set of fewer centres hears all channels. Which of the optimal sets is returned is
    decided without regard to images; each centre is then moved to where the fewest images fall.
    """
    if not 0 < usable_share <= 1:
        raise ValueError(f"usable_share is {usable_share}; it must be above 0 and up to 1")
    span = _Span(int(sample_rate_hz * usable_share / 2), sample_rate_hz // 2, spike_guard_hz)
    for channel in channels:
        needed_hz = span.clearance_hz(channel) - (-channel.pass_band_hz // 2)
        if needed_hz > span.half_usable_hz:
            raise ValueError(
                f'channel "{channel.name}": sample_rate_hz is {sample_rate_hz}; it must be at least '
                f"{int(2 * needed_hz / usable_share) + 1} to hold the pass band beside the spike at 0 Hz"
            )
    ordered = sorted(channels, key=lambda channel: (channel.low_edge_hz, channel.high_edge_hz))
    centres = [centre for cluster in _clusters(ordered, span) for centre in _fewest_centres(cluster, span)]
    tunings = []
    left = list(ordered)
    for rough_centre_hz in sorted(centres):
        needed = [channel for channel in left if span.hears(channel, rough_centre_hz)]
        left = [channel for channel in left if not span.hears(channel, rough_centre_hz)]
        if needed:
            tunings.append(_tuning(needed, ordered, span, crystal_hz, ppm))
    return tuple(sorted(tunings, key=lambda tuning: tuning.centre_hz))


def _clusters(ordered: Sequence[Channel], span: _Span) -> list[list[Channel]]:
    """Channels cut where no tuning can hear both sides."""
    clusters: list[list[Channel]] = []
    highest_centre_hz = 0
    for channel in ordered:
        if not clusters or span.lowest_centre_hz(channel) > highest_centre_hz:
            clusters.append([])
        clusters[-1].append(channel)
        highest_centre_hz = max(highest_centre_hz, span.highest_centre_hz(channel))
    return clusters


def _fewest_centres(cluster: Sequence[Channel], span: _Span) -> list[int]:
    """The fewest centres that hear every channel of a cluster.

    The centres on which a set of channels is heard form closed stretches, each of which begins either where a
    channel comes into the span or where the spike leaves one: the largest sets are all found there.
    """
    frequencies = np.array([channel.frequency_hz for channel in cluster], dtype=np.int64)
    lowest = np.array([span.lowest_centre_hz(channel) for channel in cluster], dtype=np.int64)
    highest = np.array([span.highest_centre_hz(channel) for channel in cluster], dtype=np.int64)
    clearance = np.array([span.clearance_hz(channel) for channel in cluster], dtype=np.int64)
    edges = np.unique(np.concatenate([lowest, frequencies + clearance]))
    heard = (edges[:, None] >= lowest) & (edges[:, None] <= highest)
    within = (lowest[None, :] <= highest[:, None]) & (lowest[None, :] >= lowest[:, None])
    heard &= np.abs(edges[:, None] - frequencies) >= clearance
    chosen = fewest_sets([_as_bits(row) for row in heard], [_as_bits(row) for row in within])
    return [int(edges[number]) for number in chosen]


def _as_bits(row: npt.NDArray[np.bool_]) -> int:
    return int.from_bytes(np.packbits(row, bitorder="little").tobytes(), "little")


def _tuning(
    needed: Sequence[Channel], listed: Sequence[Channel], span: _Span, crystal_hz: int | None, ppm: float
) -> Tuning:
    """The best centre for channels that one tuning must hear, and all that it hears there."""
    centre_hz = _best_centre(needed, listed, span)
    heard = tuple(channel for channel in listed if span.hears(channel, centre_hz))
    width = max(channel.high_edge_hz for channel in heard) - min(channel.low_edge_hz for channel in heard)
    spare_hz = int(2 * span.half_usable_hz - width)
    warnings = _image_warnings(needed, listed, centre_hz, span)
    if crystal_hz is not None:
        warnings += _birdie_warnings(heard, crystal_hz, ppm)
    by_frequency = tuple(sorted(heard, key=lambda channel: channel.frequency_hz))
    return Tuning(centre_hz, by_frequency, spare_hz, tuple(warnings))


def _best_centre(needed: Sequence[Channel], listed: Sequence[Channel], span: _Span) -> int:
    """The centre with the fewest images on the needed channels, then the one closest to their middle.

    A sweep over the edges of all forbidden and image zones, in quarters of a hertz, so that half pass bands
    and middles of two frequencies are whole numbers.
    """
    lowest = max(span.lowest_centre_hz(channel) for channel in needed)
    highest = min(span.highest_centre_hz(channel) for channel in needed)
    clear = [(4 * channel.frequency_hz, 4 * span.clearance_hz(channel)) for channel in needed]
    spikes = np.array([(middle - half, middle + half) for middle, half in clear], dtype=np.int64)
    images = _image_zones(needed, listed, span)
    ends = np.array([4 * lowest, 4 * highest], dtype=np.int64)
    edges = np.unique(np.concatenate([ends, spikes.ravel(), images.ravel()]))
    edges = edges[(edges >= ends[0]) & (edges <= ends[1])]
    # Zones are open: an edge belongs to the better of the two stretches that meet in it.
    starts, stops = (edges[:-1], edges[1:]) if len(edges) > 1 else (edges, edges)
    middles = (starts + stops) / 2
    forbidden, depth = _zones_over(middles, spikes), _zones_over(middles, images)
    if len(edges) > 1:  # single points between two clearances that touch
        starts, stops = np.concatenate([starts, edges]), np.concatenate([stops, edges])
        forbidden = np.concatenate([forbidden, _zones_over(edges, spikes)])
        depth = np.concatenate([depth, _zones_over(edges, images)])
    first, last = -(-starts // 4), stops // 4  # whole hertz
    possible = (forbidden == 0) & (first <= last)
    aim = (lowest + highest) // 2
    centres = np.clip(aim, first, np.maximum(first, last))
    order = np.lexsort((np.abs(centres - aim), depth, ~possible))
    best = int(order[0])
    centre = int(centres[best])
    whole_khz = round(centre / 1000) * 1000
    return whole_khz if int(first[best]) <= whole_khz <= int(last[best]) else centre


def _image_zones(needed: Sequence[Channel], listed: Sequence[Channel], span: _Span) -> npt.NDArray[np.int64]:
    """Where the centre puts the image of a listed channel onto a needed one, in quarters of a hertz."""
    victims = np.array([(each.frequency_hz, each.pass_band_hz) for each in needed], dtype=np.int64)
    reach = 2 * span.half_rate_hz
    near = [
        each
        for each in listed
        if victims[:, 0].min() - reach <= each.frequency_hz <= victims[:, 0].max() + reach
    ]
    sources = np.array([(each.frequency_hz, each.pass_band_hz) for each in near], dtype=np.int64)
    middle = 2 * (victims[:, None, 0] + sources[None, :, 0])
    half = victims[:, None, 1] + sources[None, :, 1]
    apart = victims[:, None, 0] != sources[None, :, 0]
    in_span = np.abs(victims[:, None, 0] - sources[None, :, 0]) <= reach
    zones = np.stack([middle - half, middle + half], axis=-1)
    found: npt.NDArray[np.int64] = zones[apart & in_span].reshape(-1, 2)
    return found


def _zones_over(points: npt.NDArray[np.generic], zones: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """How many open zones each point lies in."""
    begun = np.searchsorted(np.sort(zones[:, 0]), points, side="left")
    ended = np.searchsorted(np.sort(zones[:, 1]), points, side="right")
    return np.asarray(begun - ended, dtype=np.int64)


def _image_warnings(
    needed: Sequence[Channel], listed: Sequence[Channel], centre_hz: int, span: _Span
) -> list[str]:
    pairs = []
    for victim in needed:
        mirrored_hz = 2 * centre_hz - victim.frequency_hz
        for source in listed:
            if source.frequency_hz == victim.frequency_hz or (
                abs(source.frequency_hz - centre_hz) > span.half_rate_hz
            ):
                continue
            if 2 * abs(source.frequency_hz - mirrored_hz) < victim.pass_band_hz + source.pass_band_hz:
                pairs.append((victim.name, source.name))
    where = f"tuned to {write_mhz(centre_hz)} MHz"
    if len(pairs) > _MOST_IMAGES_NAMED:
        names = len({victim for victim, _ in pairs})
        return [f"{where}, {names} channels lie on the images of others; a strong station shows on both"]
    return [
        f'{where}, channel "{victim}" lies on the image of "{source}"; a strong station there shows on it too'
        for victim, source in pairs
    ]


def _birdie_warnings(heard: Sequence[Channel], crystal_hz: int, ppm: float) -> list[str]:
    true_hz = crystal_hz * (1 + ppm * 1e-6)
    warnings = []
    for channel in heard:
        number = max(1, round(channel.frequency_hz / true_hz))
        birdie_hz = number * true_hz
        if (
            abs(birdie_hz - channel.frequency_hz)
            < channel.pass_band_hz / 2 + birdie_hz * BIRDIE_DRIFT_PPM * 1e-6
        ):
            warnings.append(
                f'channel "{channel.name}" lies on harmonic {number} of the radio\'s crystal, about '
                f"{write_mhz(round(birdie_hz))} MHz; a steady carrier may stand there that nobody sends"
            )
    return warnings
