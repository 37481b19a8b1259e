"""The least signal that can be told from a blank (Currie 1968, doi:10.1021/ac60259a007).

Counts are Poisson; errors of the first and of the second kind are held at 5 % each (k = 1.645). With
the blank B in counts and sigma_0 the standard deviation of the net signal where there is none:

* critical level ``L_C = k sigma_0``: a net signal above it is taken for real;
* detection limit ``L_D = k² + 2 L_C``: a true net signal that is found so 95 times in 100.

Two conventions for sigma_0, which are named wherever a limit is told:

``paired``
    The blank was counted as long as the signal, once: sigma_0² = 2 B, ``L_D = 2.71 + 4.65 sqrt(B)``.
``known``
    The blank is known far better than one reading: sigma_0² = B, ``L_D = 2.71 + 3.29 sqrt(B)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from viewer.errors import InputError

Convention = Literal["paired", "known"]

K = 1.6448536269514722
"""One-sided 95 % point of the normal distribution."""

WORDS: dict[Convention, str] = {
    "paired": "Currie 1968, paired observations: the blank counted as long as the signal",
    "known": "Currie 1968, well-known blank",
}


@dataclass(frozen=True)
class Detection:
    """Limits as net counts above the blank, per pixel.

    Attributes
    ----------
    critical : float
        L_C.
    limit : float
        L_D.
    quantified : float
        L_Q: net counts that are known to 10 % (one standard deviation).
    blank : float
        B, counts per pixel.
    pixels : int
        Pixels averaged over.
    convention : str
    """

    critical: float
    limit: float
    quantified: float
    blank: float
    pixels: int
    convention: Convention


def detection(blank: float, pixels: int = 1, convention: Convention = "paired") -> Detection:
    """Limits for the mean over some pixels.

    The pixels' counts add up: ``n`` pixels are one reading of blank ``n B``, and its limits are
    divided by ``n``. That takes them as independent; drift and a blank that changes with the phase
    (absorption, a neighbouring line) do not average out.

    Parameters
    ----------
    blank : float
        Counts per pixel where there is none of the element, 0 or more.
    pixels : int
        1 or more.
    convention : str
        ``paired`` or ``known``.

    Raises
    ------
    InputError
        The blank is below 0 or not a number, or there are no pixels.
    """
    if not (math.isfinite(blank) and blank >= 0):
        raise InputError("The blank must be 0 counts or more.", where="detection limit")
    if pixels < 1:
        raise InputError("A detection limit is of 1 pixel or more.", where="detection limit")
    total = blank * pixels
    doubled = 2.0 if convention == "paired" else 1.0
    critical = K * math.sqrt(doubled * total)
    # Currie's equation for L_Q with k_Q = 10: the variance of the net signal grows with the signal.
    quantified = 50.0 * (1.0 + math.sqrt(1.0 + doubled * total / 25.0))
    return Detection(
        critical / pixels,
        (K * K + 2.0 * critical) / pixels,
        quantified / pixels,
        blank,
        pixels,
        convention,
    )
