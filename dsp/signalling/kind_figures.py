"""The weights by which kinds of transmission are told apart; numbers and where they come from, nothing else.

Fitted by multinomial logistic regression (weight decay 0.001 and 0.003) on 1167 made transmissions: espeak-ng
in seven languages and six voices, the voice of `dsp.modulate`, whistles, sirens, paging, digits, beeps,
Morse, AFSK, MSK, 4FSK, 2FSK, GMSK, bare carriers and open squelch, at 2.5 to 30 dB carrier-to-noise,
deviation 2.5 and 5 kHz, and AM, all through the receiver's own demodulators. Proved on others: other
languages, voices, pulse shapes and rates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class KindWeights:
    """Weights of one modulation; columns are voice, tones, data, carrier, noise.

    Parameters
    ----------
    block : ndarray of float32, shape (17, 5)
        For a tenth of a second: the nine measures, the spread of the level over its passage, the squares of
        measures 0 to 4 and of the spread, and the constant.
    seconds : ndarray of float64, shape (6, 5)
        For a whole transmission: the logarithms of its seconds of each kind, and the constant.
    seconds_and_ratio : ndarray of float64, shape (7, 5)
        The same where the carrier-to-noise ratio is known: it stands before the constant.
    """

    block: NDArray[np.float32]
    seconds: NDArray[np.float64]
    seconds_and_ratio: NDArray[np.float64]


FM = KindWeights(
    block=np.array(
        [
            [-0.1321, -0.1088, 0.05253, -0.5662, 0.7546],
            [1.026, -2.259, 0.5004, 0.728, 0.004298],
            [0.08398, -1.703, 0.09714, 1.098, 0.4234],
            [-2.027, -1.514, 0.524, 1.985, 1.032],
            [0.6836, -0.5583, -0.3572, 0.1985, 0.03332],
            [0.1538, -0.3678, -0.3551, 0.1774, 0.3918],
            [0.08663, -0.4307, -0.9872, 0.4236, 0.9076],
            [0.2566, -0.6207, -0.2035, 0.6159, -0.0484],
            [-0.222, -0.2507, 0.8435, -0.211, -0.1598],
            [3.729, -0.3182, -2.39, -0.2271, -0.7938],
            [-0.008371, -0.01644, -0.001656, -0.0255, 0.05197],
            [-0.003536, -0.0733, -0.07731, 0.01474, 0.1394],
            [0.02417, -0.2336, 0.1326, -0.01179, 0.08865],
            [0.07094, -0.3639, 0.2389, -0.06904, 0.1231],
            [-0.02777, 0.05046, 0.028, -0.0277, -0.02299],
            [-0.6888, 0.05681, 0.2082, 0.1548, 0.2689],
            [2.552, 0.9002, -3.11, 16.98, -17.33],
        ],
        dtype=np.float32,
    ),
    seconds=np.array(
        [
            [1.63, -0.1307, -0.3448, -1.034, -0.1205],
            [-0.7028, 1.733, -0.3847, -0.6839, 0.03815],
            [-0.00286, -0.1116, 1.427, -0.677, -0.6353],
            [0.1618, -0.06729, -0.6848, 0.6961, -0.1059],
            [-0.1441, -0.4827, -0.04524, -0.7102, 1.382],
            [1.551, 2.409, 0.8109, -5.742, 0.971],
        ]
    ),
    seconds_and_ratio=np.array(
        [
            [1.627, -0.09117, -0.3522, -1.048, -0.1355],
            [-0.7644, 1.761, -0.4253, -0.656, 0.08425],
            [-0.04147, -0.1593, 1.373, -0.6899, -0.482],
            [0.1376, -0.06413, -0.6927, 0.7116, -0.09238],
            [-0.07318, -0.5255, 0.127, -0.6861, 1.158],
            [0.06716, -0.04412, 0.0922, -0.009336, -0.1059],
            [0.8992, 2.742, 0.2402, -5.613, 1.732],
        ]
    ),
)
AM = KindWeights(
    block=np.array(
        [
            [-1.439, 1.422, 1.275, -2.492, 1.234],
            [0.9593, -2.648, 0.4806, 0.4868, 0.7218],
            [0.09004, -2.251, 0.5444, 0.5957, 1.021],
            [-1.333, -1.268, 0.5583, 0.6969, 1.346],
            [1.499, 0.02379, -1.339, -0.7301, 0.5461],
            [-0.6558, -0.6567, 0.6634, 0.6176, 0.03159],
            [0.02426, -1.164, -0.09688, 1.22, 0.01634],
            [1.691, 1.716, 0.3552, -2.305, -1.457],
            [-0.7154, -0.5271, 2.265, -0.2341, -0.7883],
            [2.99, 0.4014, -0.7846, -0.4565, -2.15],
            [0.09762, -0.1251, -0.03258, 0.1557, -0.09572],
            [-0.1126, 0.01639, 0.01861, -0.02144, 0.09908],
            [0.04268, -0.02797, -0.05864, -0.03008, 0.07401],
            [0.3911, -0.4176, -0.01088, -0.05528, 0.09272],
            [-0.01214, 0.05915, 0.03965, -0.01061, -0.07605],
            [-0.1934, -0.6752, -0.03861, 0.7553, 0.1519],
            [-3.283, -2.648, 0.9197, -1.27, 6.282],
        ],
        dtype=np.float32,
    ),
    seconds=np.array(
        [
            [1.518, 0.07021, -0.1626, -1.078, -0.3477],
            [-0.7803, 1.692, -0.1952, -0.574, -0.1424],
            [-0.4661, -0.08704, 1.846, -0.683, -0.6096],
            [0.4717, -0.2912, -0.06207, 1.171, -1.289],
            [0.2345, -0.4992, -0.3331, -0.1345, 0.7324],
            [2.187, 2.245, 2.657, -3.232, -3.856],
        ]
    ),
    seconds_and_ratio=np.array(
        [
            [1.459, 0.07012, -0.1739, -1.138, -0.2172],
            [-0.7815, 1.663, -0.2021, -0.6601, -0.01924],
            [-0.4981, -0.121, 1.83, -0.7922, -0.4188],
            [0.2714, -0.3208, -0.1091, 0.9315, -0.773],
            [0.4755, -0.4605, -0.3173, 0.01753, 0.2847],
            [0.1371, 0.03292, 0.006189, 0.1221, -0.2983],
            [1.141, 1.9, 2.535, -4.797, -0.7795],
        ]
    ),
)
