"""The law of the energy detector: what noise alone reaches, and how often."""

from __future__ import annotations

from scipy.special import fdtri


def open_ratio(
    frames: int, independent_samples: float, floor_variance: float, false_per_hour: float, frame_s: float
) -> float:
    """Power over estimated floor that noise alone exceeds at the stated rate.

    Parameters
    ----------
    frames : int
        Frames averaged.
    independent_samples : float
        Independent complex samples per frame: pass band times frame length.
    floor_variance : float
        Relative variance of one frame's floor estimate; its errors are taken as independent from
        frame to frame.
    false_per_hour : float
        Wanted false openings per channel-hour, were energy alone to decide.
    frame_s : float

    Returns
    -------
    float
        Ratio of the mean power to the floor, without any allowance for a wrong floor.

    Notes
    -----
    The mean of n independent squared magnitudes of Gaussian noise follows chi-square with 2n degrees
    of freedom; the floor estimate, of relative variance v, is taken as chi-square with 2/v. Their
    ratio follows F. One decision per frame.

    References
    ----------
    H. Urkowitz, "Energy detection of unknown deterministic signals", Proc. IEEE 55 (1967).
    """
    chance = false_per_hour * frame_s / 3600
    above, below = 2 * frames * independent_samples, 2 * frames / floor_variance
    return float(1 / fdtri(below, above, chance))  # the upper tail of F is the lower one of its reciprocal
